"""Sound power from directions all around."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.acoustics import sphere

OCTAHEDRON = (np.array([0.0, 90.0, 180.0, -90.0, 0.0, 0.0]), np.array([0.0, 0.0, 0.0, 0.0, 90.0, -90.0]))


def lattice(step=10):
    """A grid of azimuth and elevation with its poles once."""
    azimuth, elevation = np.meshgrid(np.arange(-180 + step, 181, step), np.arange(-90 + step, 90, step))
    return (
        np.concatenate([azimuth.ravel(), [0, 0]]).astype(float),
        np.concatenate([elevation.ravel(), [90, -90]]).astype(float),
    )


def test_the_corners_of_an_octahedron_share_the_sphere_alike():
    np.testing.assert_allclose(sphere.area_weights(*OCTAHEDRON), 1 / 6)


def test_the_shares_of_any_directions_make_up_the_sphere():
    rng = np.random.default_rng(2)
    azimuth, elevation = rng.uniform(-180, 180, 200), np.degrees(np.arcsin(rng.uniform(-1, 1, 200)))
    assert sphere.area_weights(azimuth, elevation).sum() == pytest.approx(1.0)
    assert sphere.area_weights(*lattice()).sum() == pytest.approx(1.0)


def test_a_direction_measured_twice_counts_once():
    azimuth, elevation = (np.append(x, x[:1]) for x in OCTAHEDRON)
    weights = sphere.area_weights(azimuth, elevation)
    np.testing.assert_allclose(weights, [1 / 12, *[1 / 6] * 5, 1 / 12])


def test_a_cardioid_radiates_a_third_of_its_axis():
    # directivity factor 3 (Beranek & Mellow, Acoustics)
    azimuth, elevation = lattice()
    cosine = np.cos(np.radians(azimuth)) * np.cos(np.radians(elevation))
    level = 20 * np.log10(np.maximum((1 + cosine) / 2, 1e-9))
    found = sphere.sound_power(level[:, None], sphere.area_weights(azimuth, elevation))
    assert found[0] == pytest.approx(-10 * np.log10(3), abs=0.02)


@pytest.mark.parametrize("elevation", [np.zeros(36), np.full(36, 30.0)])
def test_directions_in_one_plane_do_not_surround_the_sphere(elevation):
    with pytest.raises(ValueError, match="surround"):
        sphere.area_weights(np.arange(0.0, 360.0, 10.0), elevation)


def test_a_direction_that_was_not_measured_leaves_the_power_unknown():
    level = np.zeros((6, 2))
    level[3, 1] = np.nan
    found = sphere.sound_power(level, sphere.area_weights(*OCTAHEDRON))
    assert found[0] == pytest.approx(0.0, abs=1e-9)
    assert np.isnan(found[1])
