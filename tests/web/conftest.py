"""Pages over small databases: a running server that only reads, one that takes measurements in, and a browser."""

from __future__ import annotations

import contextlib
import re
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
import uvicorn

import speakerdb
from speakerdb.web.app import create_app
from speakerdb.web.server import bind
from tests.folders import write_session
from tests.once import copy_of
from tests.visual.browser import browser as one_browser
from tests.visual.browser import executable

SPEAKERS = 9  # one more than the fewest among whom a place says something


def fill(folder: Path, file: Path) -> Path:
    """A database of nine speakers, one of them in two settings, with prices and with intervals for all."""
    for i in range(SPEAKERS):
        write_session(
            folder / f"s{i}",
            bass_hz=30.0 + 8.0 * i,
            narrowing=0.8 + 0.1 * i,
            tilt_db=-0.1 * i,
            model=f"Sill {i}",
            kind="monitor" if i % 2 else "standmount",
            year=2010 + i,
            height_mm=300 + 20 * i,
            width_mm=200,
            depth_mm=250,
            mass_kg=6 + 2 * i,
            maker=("Alder Fen", "Mossgarth", "Pennywort")[i % 3],
        )
        price = (
            f'[[prices]]\namount = {300 + 150 * i}\ncurrency = "EUR"\nper = "pair"\nkind = "street"\ndate = '
            f"2026-01-0{i + 1}\n"
        )
        with (folder / f"s{i}" / "session.toml").open("a", encoding="utf-8") as toml:
            toml.write(price)
    write_session(folder / "desk", bass_hz=45.0, tilt_db=-1.0, model="Sill 0", setting="desk", kind="standmount")
    with speakerdb.open(file, write=True) as base:
        results = base.ingest(folder)
        assert {r.result for r in results} == {"stored"}, results
        base.work_out()
    return file


class Running:
    """A server of this process, as a browser or a script meets it."""

    def __init__(self, app, port: int) -> None:
        self.app, self.url = app, f"http://127.0.0.1:{port}"
        key = {"Authorization": f"Bearer {app.state.site.key}"}  # as a script says it
        self.client = httpx.Client(base_url=self.url, timeout=60.0, headers=key)

    def get(self, path: str, **more) -> httpx.Response:
        return self.client.get(path, **more)

    def text(self, path: str, status: int = 200) -> str:
        """The words of a page's main part."""
        reply = self.get(path)
        assert reply.status_code == status, f"{path}: {reply.status_code}\n{reply.text[:2000]}"
        main = reply.text[reply.text.index("<main") :] if "<main" in reply.text else reply.text
        return re.sub(r"\s+", " ", re.sub(r"<script.*?</script>|<[^>]+>", " ", main, flags=re.S))

    @property
    def token(self) -> str:
        return self.app.state.site.token


@contextlib.contextmanager
def running(file: Path, **options) -> Iterator[Running]:
    app = create_app(file, **{"patience_s": 120.0, **options})
    listener = bind("127.0.0.1", 0)
    # on a busy machine seconds may lie between two questions of one reader: a line cut meanwhile is no defect of the
    # pages
    server = uvicorn.Server(uvicorn.Config(app, log_level="error", timeout_keep_alive=120))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    deadline = time.monotonic() + 30
    while not server.started and time.monotonic() < deadline:
        time.sleep(0.02)
    assert server.started
    one = Running(app, listener.getsockname()[1])
    try:
        yield one
    finally:
        one.client.close()
        server.should_exit = True
        thread.join(30)


@pytest.fixture(scope="session")
def file(tmp_path_factory) -> Path:
    folder = copy_of("web", lambda root: fill(root / "in", root / "speakers.duckdb"), tmp_path_factory)
    return folder / "speakers.duckdb"


@pytest.fixture(scope="session")
def site(file) -> Iterator[Running]:
    """Pages that only read."""
    with running(file) as one:
        yield one


@pytest.fixture
def taking(tmp_path) -> Iterator[Running]:
    """Pages over a new, empty file that measurements may be put into."""
    with running(tmp_path / "new.duckdb", allow_ingest=True) as one:
        yield one


@pytest.fixture(scope="session")
def browser():
    """Headless Chromium."""
    if executable() is None:
        pytest.skip("no browser: install Debian's chromium to run the checks of the pages")
    with one_browser() as found:
        yield found
