"""The palette: readable text, colours told apart by everyone and in grey, one partner each for the dark page."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from speakerdb.charts import theme

# Severe colour-vision deficiency in linear RGB: Machado, Oliveira & Fernandes, IEEE TVCG 15(6), 2009 (from memory).
VISION = {
    "normal": np.eye(3),
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
PAGES = ("light", "dark")


def linear(colour: str) -> np.ndarray:
    channel = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(channel <= 0.04045, channel / 12.92, ((channel + 0.055) / 1.055) ** 2.4)


def luminance(colour: str) -> float:
    return float(linear(colour) @ [0.2126, 0.7152, 0.0722])


def contrast(a: str, b: str) -> float:
    """WCAG 2 contrast ratio."""
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def oklab(rgb: np.ndarray) -> np.ndarray:
    """B. Ottosson, "A perceptual color space for image processing", 2020 (matrices from memory)."""
    to_lms = np.array(
        [
            [0.4122214708, 0.5363325363, 0.0514459929],
            [0.2119034982, 0.6806995451, 0.1073969566],
            [0.0883024619, 0.2817188376, 0.6299787005],
        ]
    )
    to_lab = np.array(
        [
            [0.2104542553, 0.7936177850, -0.0040720468],
            [1.9779984951, -2.4285922050, 0.4505937099],
            [0.0259040371, 0.7827717662, -0.8086757660],
        ]
    )
    return to_lab @ np.cbrt(to_lms @ rgb)


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("ground", [theme.PAPER, theme.PANEL])
@pytest.mark.parametrize("text", [theme.INK, theme.MUTED, theme.ACCENT])
def test_text_stands_out_from_the_page_by_at_least_4_5_to_1(
    page: str, ground: theme.Colour, text: theme.Colour
) -> None:
    assert contrast(getattr(text, page), getattr(ground, page)) >= 4.5


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("colour", [*theme.SERIES, *theme.DRIVES, theme.RULE])
def test_lines_stand_out_from_the_panel_by_at_least_3_to_1(page: str, colour: theme.Colour) -> None:
    assert contrast(getattr(colour, page), getattr(theme.PANEL, page)) >= 3.0


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("vision", VISION)
def test_series_colours_are_told_apart_by_every_kind_of_vision(page: str, vision: str) -> None:
    seen = [oklab(np.clip(VISION[vision] @ linear(getattr(c, page)), 0, 1)) for c in theme.SERIES]
    assert min(np.linalg.norm(a - b) for a, b in itertools.combinations(seen, 2)) >= 0.12


@pytest.mark.parametrize("page", PAGES)
def test_series_colours_differ_in_grey(page: str) -> None:
    lightness = sorted(oklab(linear(getattr(c, page)))[0] for c in theme.SERIES)
    assert np.diff(lightness).min() >= 0.06


@pytest.mark.parametrize("ladder", [theme.LEVELS, theme.DRIVES])
def test_ordered_colours_go_one_way_in_lightness_on_both_pages(ladder: tuple[theme.Colour, ...]) -> None:
    for page in PAGES:
        steps = np.diff([oklab(linear(getattr(c, page)))[0] for c in ladder])
        assert (steps > 0.03).all() or (steps < -0.03).all()


def test_each_light_colour_has_one_partner() -> None:
    assert len({c.light for c in theme.PALETTE}) == len(theme.PALETTE)
    assert not {c.light for c in theme.PALETTE} & {c.dark for c in theme.PALETTE}


def test_lines_that_share_a_chart_differ_in_dash_as_well_as_colour() -> None:
    assert len(set(theme.DASHES)) == len(theme.DASHES) == len(theme.SERIES)


def test_darken_changes_colours_and_leaves_text_alone() -> None:
    spec = f'{{"color":"{theme.INK.light}","name":"paint {theme.INK.light} and wood"}}'
    assert theme.darken(spec) == f'{{"color":"{theme.INK.dark}","name":"paint {theme.INK.light} and wood"}}'


def test_a_heading_is_broken_to_the_width_of_the_plot() -> None:
    lines = theme.wrap("one two three four five six seven eight nine ten", 140, 12)
    assert len(lines) > 1
    assert max(map(len, lines)) <= 140 / (0.58 * 12)
