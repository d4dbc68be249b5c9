"""Two hundred people read while measurements come in."""

from __future__ import annotations

import asyncio
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import httpx

import speakerdb
from tests.folders import write_fleet
from tests.web.conftest import running

READERS, SESSIONS = 200, 16


def test_two_hundred_readers_during_an_ingest_all_get_whole_answers(tmp_path):
    write_fleet(tmp_path / "in", SESSIONS)
    pages = (
        "/",
        "/api/speakers",
        "/api/field?column=f6_hz&sort=f6_hz",
        "/room/answer?distance=3&volume=60&level=90",
        "/dictionary/f6_hz",
    )

    async def read(client, number, done):
        seen = []
        while True:
            last = done.is_set()
            path = pages[(number + len(seen)) % len(pages)]
            reply = await client.get(path)
            assert reply.status_code == 200, f"{path}: {reply.status_code} {reply.text[:500]}"
            if path == "/api/speakers":
                document = reply.json()
                assert document["speakers"] == len(document["rows"]), "an answer from the middle of a change"
            seen.append(path)
            if last:
                return len(seen)

    async def all_at_once(one):
        limits = httpx.Limits(max_connections=READERS)
        async with httpx.AsyncClient(base_url=one.url, timeout=120, limits=limits) as client:
            done = asyncio.Event()
            readers = [asyncio.create_task(read(client, n, done)) for n in range(READERS)]

            def store():
                with one.app.state.site.source.writer() as base:
                    return base.ingest(tmp_path / "in")

            try:
                results = await asyncio.to_thread(store)
            finally:
                done.set()
            return results, await asyncio.gather(*readers)

    with running(tmp_path / "new.duckdb", allow_ingest=True) as one:
        with ThreadPoolExecutor(1) as apart:  # the browser of other tests keeps an event loop in this thread
            results, answered = apart.submit(asyncio.run, all_at_once(one)).result()
        assert [r.result for r in results] == ["stored"] * SESSIONS
        assert len(answered) == READERS
        assert min(answered) >= 1
        assert one.get("/api/speakers").json()["speakers"] == SESSIONS


def test_a_command_that_wants_to_write_gets_in_beside_readers(tmp_path):
    """Readers ask without a pause; `ingest` in another process is let in within 5 s, and they are answered again."""
    from tests.folders import write_session

    path = tmp_path / "speakers.duckdb"
    with speakerdb.open(path, write=True) as base:
        base.ingest(write_session(tmp_path / "a"))
    write_session(tmp_path / "b", model="Sill 6")
    with running(path, idle_s=30.0) as one:
        stop, statuses = threading.Event(), []

        def ask():
            while not stop.is_set():
                reply = one.get("/api/speakers")
                statuses.append((reply.status_code, reply.headers.get("retry-after")))

        readers = [threading.Thread(target=ask) for _ in range(8)]
        for reader in readers:
            reader.start()
        time.sleep(1.0)
        command = [sys.executable, "-m", "speakerdb.cli.main", "ingest", str(tmp_path / "b"), "--db", str(path)]
        done = subprocess.run([*command, "--no-intervals"], capture_output=True, text=True, timeout=60, check=False)
        time.sleep(1.0)
        stop.set()
        for reader in readers:
            reader.join()
        assert done.returncode == 0, done.stderr
        assert "1 stored" in done.stdout
        assert len(one.get("/api/speakers").json()["rows"]) == 2
    assert {s for s, _ in statuses} <= {200, 503}
    assert all(retry for s, retry in statuses if s == 503)
    assert statuses[-1][0] == 200
    assert not list(tmp_path.glob("*.wanted"))
