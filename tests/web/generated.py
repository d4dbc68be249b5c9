"""Requests at random over every address of the server, and what came of them.

Run: python -m tests.web.generated COUNT SEED. A small database of its own (nine speakers); addresses are those of the
application, their parameters those of the questions, values right, wrong and absurd. Wanted: nothing of 500 and above,
and no reply that took longer than 5 s.
"""

from __future__ import annotations

import asyncio
import random
import resource
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from urllib.parse import quote, urlencode

import httpx
from fastapi.routing import APIRoute

from speakerdb.declare import parts
from speakerdb.metrics import METRICS
from speakerdb.questions import QUESTIONS
from speakerdb.web import api, drawing, pages, pages_in
from speakerdb.web.app import create_app
from tests.web.conftest import SPEAKERS, fill

ABSURD = (
    *(
        "",
        " ",
        "0",
        "-1",
        "1e999",
        "nan",
        "NaN",
        "inf",
        "-0.0",
        "1,5",
        "1_000",
        "٣",
        "9" * 400,
        "1e-320",
        "true",
        "null",
    ),
    *("\0", "\r\nSet-Cookie: a=b", "../../etc/passwd", "%2e%2e%2f", "' OR 1=1 --", "{{7*7}}", "<script>", "a" * 5000),
    *("é" * 99, "\ud7ff", "🙂", "[]", "{}", "*" * 50, "." * 3000, "sill@", "@desk", "sill-0@desk@desk", "-", "--help"),
)


def _paths() -> list[str]:
    routers = (api.router, pages.router, drawing.router, pages_in.router, pages_in.api_router)
    found = [r.path for router in routers for r in router.routes if isinstance(r, APIRoute) and "GET" in r.methods]
    return sorted({*found, "/static/{name}", "/static/pages.css", "/api/openapi.json", "/nowhere/{name}"})


class Maker:
    """Addresses at random, in part sensible."""

    def __init__(self, seed: int) -> None:
        self.chance = random.Random(seed)
        self.paths = _paths()
        self.fields = {p.name: p for q in QUESTIONS for p in parts(q)}
        self.right = [
            *(f"sill-{i}" for i in range(SPEAKERS)),
            *METRICS,
            *drawing.PICTURES,
            *(q.name for q in QUESTIONS),
        ]
        self.right += ["standmount", "monitor", "desk", "price", "year", "shed", "EUR", "statistics", "yes", "phone"]

    def value(self, name: str) -> str:
        part, chance = self.fields.get(name), self.chance
        if chance.random() < 0.25:
            return chance.choice(ABSURD)
        if part is not None and part.words:
            return str(chance.choice(part.words))
        if part is not None and part.type in {int, float}:
            return str(chance.choice((0, 1, 2, 3, 10, 60, 95, 1000, round(chance.uniform(-5, 200), 2))))
        return chance.choice(self.right)

    def address(self) -> str:
        chance = self.chance
        path = chance.choice(self.paths)
        while "{" in path:
            name = path[path.index("{") + 1 : path.index("}")]
            value = self.value(name.partition(":")[0]) if chance.random() < 0.5 else chance.choice(self.right)
            path = path.replace("{" + name + "}", quote(value, safe=""), 1)
        names = [*self.fields, "named", "add", "part", "page", "width", "key", "nothing"]
        asked = [(name, self.value(name)) for name in chance.choices(names, k=chance.choice((0, 1, 2, 3, 6, 20)))]
        return path + (f"?{urlencode(asked)}" if asked else "")


async def ask(count: int, seed: int, file: Path) -> int:
    app = create_app(file, allow_ingest=True, patience_s=60.0)
    maker, seen, wrong = Maker(seed), Counter[int](), 0
    slowest = (0.0, "")
    key = {"Authorization": f"Bearer {app.state.site.key}"}
    transport = httpx.ASGITransport(app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1", headers=key, timeout=None) as client:
        for done in range(1, count + 1):
            address, method = maker.address(), maker.chance.choices(("GET", "HEAD", "POST", "PUT"), (90, 4, 4, 2))[0]
            begun = time.perf_counter()
            try:
                reply = await client.request(method, address)
            except httpx.InvalidURL:
                continue
            slowest = max(slowest, (time.perf_counter() - begun, address))
            seen[reply.status_code] += 1
            if reply.status_code >= 500 or slowest[0] > 5.0:
                wrong += 1
                print(f"{reply.status_code} {slowest[0]:.2f} s {method} {address[:300]}", flush=True)
                slowest = (0.0, "")
            if done % 10_000 == 0:
                memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1000
                handles = len(list(Path("/proc/self/fd").iterdir())) if Path("/proc/self/fd").exists() else 0
                print(f"{done}: {dict(seen)}; {memory} MB at most, {handles} handles", flush=True)
    app.state.site.close()
    print(f"{count} requests (seed {seed}): {wrong} wrong; {dict(seen)}; slowest {slowest[0]:.2f} s {slowest[1][:100]}")
    return wrong


def main(count: int, seed: int) -> int:
    with tempfile.TemporaryDirectory() as place:
        file = fill(Path(place) / "in", Path(place) / "speakers.duckdb")
        return asyncio.run(ask(count, seed, file))


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]), int(sys.argv[2])) > 0)
