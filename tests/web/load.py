"""Two hundred readers on mixed pages while measurements come in: what they wait for, and what the ingest waits for.

Run: python -m tests.web.load FILE [SECONDS]. FILE (the demo's database, say) is copied; a server of its own answers on
this machine only. Every reader asks for one page after the other without a pause, one of its pictures, the style
sheet; a page that is being worked out is asked for again when it says so, as a browser does. After a third of the time
sessions are sent in by the same server's door; then all of it again with a server that only reads and `speakerdb
ingest` beside it. Wanted: no error; p95 of answers that were worked out before at most 1 s; "being worked out" at most
5 % of requests; p95 of static files at most 0.2 s; the ingest at most 3 times as long as alone; a command gets in
within 5 s.
"""

from __future__ import annotations

import asyncio
import io
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
import zipfile
from collections import defaultdict
from pathlib import Path

import aiohttp
import numpy as np

from tests.folders import write_fleet

READERS, SESSIONS = 200, 24
STATIC = ("/static/palette.css", "/static/pages.css")


class Server:
    """`speakerdb serve` over a copy of a database, in a process of its own."""

    def __init__(self, file: Path, *more: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "speakerdb.cli.main", "serve", "--db", str(file), "--port", "0", *more],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        said = ""
        while not (found := re.search(r"http://127\.0\.0\.1:\d+/\S*", said)):
            line = self.process.stdout.readline()
            assert line, f"the server ended: {said}"
            said += line
        self.entry = found.group()
        self.url, _, rest = self.entry.partition("/in?key=")
        self.url, self.key = self.url.rstrip("/"), rest

    def __enter__(self) -> Server:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.terminate()
        self.process.wait(30)


class Waits:
    """What was asked, how long it took, what came."""

    def __init__(self) -> None:
        self.begun = time.monotonic()
        self.rows: list[tuple[float, str, bool, int, float]] = []  # at, kind, asked before, status, seconds
        self.asked: set[str] = set()
        self.wrong: dict[str, int] = defaultdict(int)

    def add(self, kind: str, path: str, status: int, seconds: float) -> None:
        self.rows.append((time.monotonic() - self.begun, kind, path in self.asked, status, seconds))
        if status == 200:
            self.asked.add(path)
        elif status == 503:
            self.rows[-1] = (*self.rows[-1][:1], "file is being written", *self.rows[-1][2:])
        elif status != 202:
            self.wrong[f"{status} {path.partition('?')[0]}"] += 1

    def tell(self, heading: str) -> None:
        count = len(self.rows)
        pending = sum(status == 202 for *_, status, _ in self.rows)
        told = f"{heading}: {count} requests, {count / (time.monotonic() - self.begun):.0f} a second"
        print(f"{told}; being worked out {pending / count:.2%}; errors {dict(self.wrong) or 0}")
        groups: dict[str, list[float]] = defaultdict(list)
        for _, kind, before, status, seconds in self.rows:
            groups[kind if kind == "static" else f"{kind}, {'again' if before else 'first'}"].append(seconds)
            if status == 202:
                groups["being worked out"].append(seconds)
        for kind, waits in sorted(groups.items()):
            p50, p95, most = np.quantile(waits, (0.5, 0.95, 1.0))
            print(f"  {kind:24}{len(waits):7}  p50 {p50:6.3f}  p95 {p95:6.3f}  most {most:6.3f} s")


def addresses(speakers: list[str], seed: int = 1) -> list[str]:
    """A mix of pages: most of speakers, some of the field, comparisons, rooms, trends, documents."""
    chance = random.Random(seed)
    pairs = [chance.sample(speakers, 2) for _ in range(30)]
    return [
        "/",
        *(f"/speaker/{s}" for s in speakers),
        *(f"/speaker/{s}/{m}" for s in speakers[:12] for m in ("f6_hz", "flatness_window_db")),
        *(f"/side-by-side?speaker={a}&speaker={b}" for a, b in pairs),
        *(f"/speakers?sort={m}" for m in ("f6_hz", "price", "year")),
        *(f"/room?distance=3&volume=60&level={level}" for level in (85, 95, 100)),
        "/trends?metric=f6_hz&over=year",
        "/trade-offs?x=price&y=f6_hz",
        "/dictionary",
        "/dictionary/f6_hz",
        "/method",
        "/questions",
        "/api/speakers",
        *(f"/api/speakers/{s}" for s in speakers[:20]),
        *(f"/api/metrics/{m}/ranks" for m in ("f6_hz", "nbd_on_axis_db", "preference")),
    ]


async def _get(session: aiohttp.ClientSession, url: str, path: str, kind: str, waits: Waits) -> tuple[int, str, float]:
    """The status, the text, and in how many seconds to come back where the answer is not there yet."""
    begun = time.perf_counter()
    async with session.get(url + path) as reply:
        text, again_s = await reply.text(), float(reply.headers.get("Retry-After", 1))
    waits.add(kind, path, reply.status, time.perf_counter() - begun)
    return reply.status, text, again_s


async def _reader(
    session: aiohttp.ClientSession, url: str, pages: list[str], waits: Waits, ends: float, seed: int
) -> None:
    chance = random.Random(seed)
    while time.monotonic() < ends:
        path = chance.choice(pages)
        status, text, again_s = await _get(session, url, path, "page", waits)
        while status in {202, 503} and time.monotonic() < ends:
            await asyncio.sleep(again_s)
            status, text, again_s = await _get(session, url, path, "page", waits)
        await _get(session, url, chance.choice(STATIC), "static", waits)
        for charts in re.findall(r' data-charts="([^"]+)"', text):
            await _get(session, url, charts.replace("&amp;", "&"), "charts", waits)


def _zip(folder: Path) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for file in sorted(p for p in folder.rglob("*") if p.is_file()):
            archive.write(file, file.relative_to(folder))
    return packed.getvalue()


async def _send_in(session: aiohttp.ClientSession, server: Server, packed: bytes) -> float:
    """Seconds until a zip of sessions is stored."""
    key = {"Authorization": f"Bearer {server.key}"}
    async with session.get(f"{server.url}/api/token", headers=key) as reply:
        token = (await reply.json())["token"]
    form = aiohttp.FormData()
    form.add_field("files", packed, filename="in.zip")
    begun = time.perf_counter()
    async with session.post(
        f"{server.url}/api/sessions", data=form, headers={**key, "x-speakerdb-token": token}
    ) as reply:
        document = await reply.json()
    assert reply.status == 200, document
    assert all(r["result"] == "stored" for r in document["sessions"]), document
    return time.perf_counter() - begun


async def _command(file: Path, folder: Path) -> float:
    """Seconds that `speakerdb ingest` takes beside the readers."""
    begun = time.perf_counter()
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "speakerdb.cli.main", "ingest", str(folder), "--db", str(file)),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )
    said, _ = await process.communicate()
    assert process.returncode == 0, said.decode()
    return time.perf_counter() - begun


async def run(file: Path, seconds: float, folder: Path, *, takes_in: bool) -> None:
    with tempfile.TemporaryDirectory() as place:
        alone, beside = Path(place) / "alone.duckdb", Path(place) / "beside.duckdb"
        shutil.copy(file, alone)
        shutil.copy(file, beside)
        limits = aiohttp.TCPConnector(limit=0)
        more = ("--allow-ingest",) if takes_in else ()
        async with aiohttp.ClientSession(connector=limits, timeout=aiohttp.ClientTimeout(120)) as session:

            async def take_in(server: Server, into: Path) -> float:
                return await (_send_in(session, server, _zip(folder)) if takes_in else _command(into, folder))

            with Server(alone, *more) as server:
                took_alone = await take_in(server, alone)
            with Server(beside, *more) as server:
                async with session.get(f"{server.url}/api/speakers") as reply:
                    speakers = [r["speaker"] for r in (await reply.json())["rows"]]
                pages, waits = addresses(speakers), Waits()
                ends = time.monotonic() + seconds
                readers = [
                    asyncio.create_task(_reader(session, server.url, pages, waits, ends, n)) for n in range(READERS)
                ]
                await asyncio.sleep(seconds / 3)
                took = await take_in(server, beside)
                await asyncio.gather(*readers)
        waits.tell("in by the server" if takes_in else "in by a command beside it")
        print(f"  {SESSIONS} sessions: alone {took_alone:.2f} s, beside {READERS} readers {took:.2f} s", end="")
        print(f" ({took / took_alone:.1f} times)")


def main(file: Path, seconds: float = 60.0) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "in"
        write_fleet(folder, SESSIONS)
        for takes_in in (True, False):
            asyncio.run(run(file, seconds, folder, takes_in=takes_in))


if __name__ == "__main__":
    main(Path(sys.argv[1]), *(float(a) for a in sys.argv[2:3]))
