"""Two to five speakers side by side: overlaid curves, their values, and the differences that the data can carry."""

from __future__ import annotations

from typing import Any

import polars as pl

from speakerdb.analysis import noticing
from speakerdb.charts.curves_chart import MOST_OVERLAID
from speakerdb.errors import SpeakerdbError, UnknownNameError
from speakerdb.library import Database
from speakerdb.metric import GROUPS
from speakerdb.metrics import METRICS
from speakerdb.questions.compare import Compare
from speakerdb.questions.show import Show
from speakerdb.report import pictures
from speakerdb.report.speaker_pictures import Figure
from speakerdb.web import asides
from speakerdb.web.parameters import Ask
from speakerdb.web.site import Desk
from speakerdb.web.views import View
from speakerdb.web.views.field_view import notes
from speakerdb.words.compare_words import contrast_words, real_words


def side(desk: Desk, ask: Ask) -> View:
    """The page. Names that fit no speaker or several are told, and the rest is shown."""
    slugs: list[str] = []
    problems: list[str] = []
    for name in [*ask.many("speaker"), *filter(None, [ask.text("add")])]:
        try:
            slug = desk.ask(("find", name), lambda base, name=name: base.find(name)[1])  # type: ignore[misc]
        except UnknownNameError as error:
            problems.append(error.message)
        else:
            slugs += [] if slug in slugs else [slug]
    if len(slugs) > MOST_OVERLAID:
        problems.append(
            f"{len(slugs)} speakers are too many to lie over each other; the first {MOST_OVERLAID} are shown"
        )
        slugs = slugs[:MOST_OVERLAID]
    content: dict[str, Any] = {"slugs": slugs, "problems": problems, "most": MOST_OVERLAID, "found": None}
    if len(slugs) >= 2:
        try:
            content |= _compared(desk, slugs)
        except SpeakerdbError as error:
            problems.append(error.message)
    return View("side.html", content)


def _compared(desk: Desk, slugs: list[str]) -> dict[str, Any]:
    shown = [desk.document(Show(slug, exact=True)) for slug in slugs]
    answer = desk.answer(Compare(tuple(slugs), exact=True))
    found = desk.document(Compare(tuple(slugs), exact=True))
    printed: dict[str, str] = desk.ask("names", asides.names)
    pairs: list[dict[str, Any]] = []
    for other in slugs[1:]:
        mine, withheld = (
            [r for r in found[part] if (r["a"], r["b"]) == (slugs[0], other)] for part in ("rows", "withheld")
        )
        drawable = pictures.drawable(answer.rows, slugs[0], other)
        number = len(pairs)
        pairs.append(
            {
                "figure": pictures.differences_figure(
                    printed[slugs[0]], printed[other], len(drawable), name=f"differences-{number}"
                )
                if len(drawable)
                else None,
                "a": slugs[0],
                "b": other,
                "rows": mine,
                "groups": _groups(answer.rows, slugs[0], other),
                "withheld": withheld,
                "contrasts": contrast_words([(r["metric"], r["because"]) for r in mine]),
            }
        )
    groups = {
        words: [m.id for m in METRICS.values() if m.group == group and any(m.id in s["pooled"] for s in shown)]
        for group, words in GROUPS.items()
    }
    return {
        "found": found,
        "believed": real_words(found["differing"], found["real"], len(found["rows"])),
        "shown": shown,
        "overlaid": desk.ask(("overlaid", *slugs), lambda base: _overlay(base, slugs)),
        "drawn": ("/drawn/side-by-side.js", {"speaker": slugs}),
        "pairs": pairs,
        "groups": groups,
        "notes": notes([{"metrics": s["pooled"]} for s in shown]),
    }


def _overlay(base: Database, slugs: list[str]) -> Figure | None:
    return pictures.overlay_figure(base, slugs) if len(pictures.overlaid(base, slugs)[0]) >= 2 else None


def _groups(rows: pl.DataFrame, a: str, b: str) -> list[tuple[str, str, list[dict[str, Any]]]]:
    """(word, heading, rows) of what one would notice between two speakers, one row of each family of metrics."""
    shown = noticing.families(rows.filter((pl.col("a") == a) & (pl.col("b") == b)))
    parts = [(word, heading, shown.filter(noticed=word).to_dicts()) for word, heading in noticing.GROUPS.items()]
    return [part for part in parts if part[2]]
