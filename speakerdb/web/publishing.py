"""The pages that read as a static site: every page a file, every link relative, nothing left to ask a server for."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import re
import shutil
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from urllib.parse import urlsplit

from starlette.datastructures import QueryParams

from speakerdb.answering import method
from speakerdb.charts import browser
from speakerdb.errors import RequestError
from speakerdb.field.naming import all_queries
from speakerdb.library import Database
from speakerdb.metrics import METRICS
from speakerdb.store import State
from speakerdb.web import asides, drawn
from speakerdb.web.cache import Answers
from speakerdb.web.links import FileLinks, address
from speakerdb.web.parameters import Ask
from speakerdb.web.rendering import STATIC, palette, render
from speakerdb.web.site import Desk
from speakerdb.web.views import (
    View,
    dictionary_view,
    field_view,
    home_view,
    questions,
    relations,
    room_view,
    speaker,
    texts,
)

ROWS = 500  # rows of one page of the field
ALL = 10**6  # rows of every other page: a link to a second page would lead nowhere
Given = dict[str, str]


@dataclass(frozen=True)
class Page:
    """One page of the site: its address on a server, its file, and what it shows."""

    path: str
    given: Given
    file: str
    make: Callable[[Desk, Ask], View]

    @property
    def address(self) -> str:
        return address(self.path, **self.given)


def publish(
    path: Path,
    folder: Path,
    *,
    begin: Callable[[int], None] = lambda _: None,
    advance: Callable[[int], None] = lambda _: None,
) -> tuple[State, int]:
    """Write the site of a database file into a new or empty folder; returns the state and the number of files.

    begin is told how many pages and scripts of charts there are, advance each one done. Raises StoreError,
    RequestError.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise RequestError(f"{folder} is not an empty folder; name a new one, so that no old page stays among the new")
    with Database.open(path) as base:
        desk = Desk(base, base.state, Answers())
        pages = list(plan(desk))
        files = {page.address: page.file for page in pages} | _statics()
        charts: dict[str, str] = {}
        begin(len(pages))
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for page in pages:
                _write(folder / page.file, _html(desk, page, files, charts))
                advance(1)
            for source in (*STATIC.iterdir(), browser.SCRIPT, browser.LICENCES):
                _copy(source, folder / "static" / source.name)
            _write(folder / "static" / "palette.css", palette())
            _write(folder / "static" / "vega.js", browser.library())
        except OSError as error:
            raise RequestError(f"{folder} can't be written: {error.strerror}") from error
        state = base.state
    begin(len(pages) + len(charts))
    _draw_all(path, folder, charts, advance)
    return state, len(pages) + len(charts) + len(_statics())


def plan(desk: Desk) -> Iterator[Page]:
    """Every page of the site."""
    slugs = list(desk.ask("names", asides.names))
    yield Page("/", {}, "index.html", home_view.home)
    for number in range(max(1, -(-len(slugs) // ROWS))):
        given = {"page": str(number + 1)} if number else {}
        yield Page(
            "/speakers",
            given,
            f"speakers-{number + 1}.html" if number else "speakers.html",
            partial(field_view.field, rows=ROWS),
        )
    for slug in slugs:
        settings = asides.setting_names(desk.base, slug)
        yield from _of_speaker(slug, settings)
    for i, (_, given) in enumerate(room_view.examples()):
        yield Page(
            "/room", given if i else {}, f"room-{i + 1}.html" if i else "room.html", _fixed(room_view.room, given)
        )
    for path, examples, make in (
        ("/trade-offs", relations.TRADE_EXAMPLES, partial(relations.tradeoffs, rows=ALL)),
        ("/trends", relations.TREND_EXAMPLES, partial(relations.trends, rows=ALL)),
    ):
        for i, (_, given) in enumerate(examples):
            file = f"{path[1:]}-{i + 1}.html" if i else f"{path[1:]}.html"
            yield Page(path, given if i else {}, file, _fixed(make, given))
    yield Page("/dictionary", {}, "dictionary.html", dictionary_view.dictionary)
    for metric in METRICS:
        make = partial(dictionary_view.metric, name=metric, rows=ALL)
        yield Page(f"/dictionary/{metric}", {}, f"dictionary/{metric}.html", make)
    yield Page("/method", {}, "method.html", texts.contents)
    for name in method.TEXTS:
        yield Page(f"/method/{name}", {}, f"method/{name}.html", partial(texts.whole, name=name))
    yield Page("/questions", {}, "questions.html", questions.questions)
    for query in all_queries():
        yield Page(
            f"/questions/{query}", {}, f"questions/{query}.html", partial(questions.question, name=query, rows=ALL)
        )


def _of_speaker(slug: str, settings: list[str]) -> Iterator[Page]:
    """A page per setting, and one that compares them where there are several."""
    make = partial(speaker.speaker, name=slug)
    yield Page(f"/speaker/{slug}", {}, f"speaker/{slug}.html", make)
    for setting in settings[1:]:
        yield Page(f"/speaker/{slug}", {"setting": setting}, f"speaker/{slug}--{_plain(setting)}.html", make)
    if len(settings) > 1:
        yield Page(f"/settings/{slug}", {}, f"settings/{slug}.html", partial(speaker.settings, name=slug))


def _fixed(make: Callable[[Desk, Ask], View], given: Given) -> Callable[[Desk, Ask], View]:
    """A page that answers one question, whatever its address says."""
    return lambda desk, _: make(desk, Ask.of(given))


def _plain(setting: str) -> str:
    """A setting's name as a part of a file's name."""
    digest = hashlib.sha256(setting.encode()).hexdigest()[:6]
    return re.sub(r"[^a-z0-9]+", "-", setting.lower()).strip("-")[:40] + "-" + digest


def _statics() -> dict[str, str]:
    names = [source.name for source in STATIC.iterdir()]
    names += [browser.SCRIPT.name, browser.LICENCES.name, "palette.css", "vega.js"]
    return {f"/static/{name}": f"static/{name}" for name in names}


class _Links(FileLinks):
    """Also gives the script of a page's charts a file, and remembers which there are."""

    def __init__(self, files: dict[str, str], here: str, charts: dict[str, str]) -> None:
        super().__init__(files | charts, here)
        self._all, self._charts = files, charts

    def __call__(self, path: str, /, **parameters: object) -> str:
        if path.startswith("/drawn/"):
            at = address(path, **parameters)  # type: ignore[arg-type]
            self._files = self._all | {at: self._charts.setdefault(at, f"drawn/{_digest(at)}.js")}
        return super().__call__(path, **parameters)  # type: ignore[arg-type]


def _digest(at: str) -> str:
    return hashlib.sha256(at.encode()).hexdigest()[:12]


def _html(desk: Desk, page: Page, files: dict[str, str], charts: dict[str, str]) -> str:
    view = page.make(desk, Ask.of(page.given))
    return render(
        view.template,
        _Links(files, page.file, charts),
        here=page.path,
        state=desk.state,
        names=desk.ask("names", asides.names),
        allow_ingest=False,
        token="",
        **view.content,
    )


def _write(target: Path, text: str) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(text, encoding="utf-8")


def _copy(source: Path, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(source, target)


_desk: Desk | None = None  # of a drawing process


def _draw_all(path: Path, folder: Path, charts: dict[str, str], advance: Callable[[int], None]) -> None:
    """Write the scripts of charts on all cores: several processes may read the file at once."""
    tasks = [(at, str(folder / file)) for at, file in charts.items()]
    context = multiprocessing.get_context("spawn")
    try:
        with ProcessPoolExecutor(os.cpu_count(), context, initializer=_open, initargs=(path,)) as pool:
            for _ in pool.map(_draw, tasks, chunksize=8):
                advance(1)
    except BrokenProcessPool:
        raise RequestError(
            f"drawing was cut short from outside (out of memory?); delete {folder}, which is not complete, "
            "and publish again"
        ) from None


def _open(path: Path) -> None:
    global _desk  # noqa: PLW0603
    base = Database.open(path)
    _desk = Desk(base, base.state, Answers(most=8))


def _draw(task: tuple[str, str]) -> None:
    at, file = task
    parts = urlsplit(at)
    page = parts.path.removeprefix("/drawn/").removesuffix(".js")
    assert _desk is not None
    _write(Path(file), drawn.script(_desk, page, Ask(QueryParams(parts.query))))
