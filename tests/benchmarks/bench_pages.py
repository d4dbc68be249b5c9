"""The pages at 10,000 speakers: how long the server takes for each, the first and later ones.

Run: python tests/benchmarks/bench_pages.py FILE [ROUNDS], FILE made by `bench_scale.py --keep FILE 10000`. Wanted: any
page within 300 ms of server time, a keystroke in the room's form within 100 ms. Pages whose answer takes longer say so
after PATIENCE_S and fetch it later; here they wait, so that the work itself is seen.
"""

from __future__ import annotations

import itertools
import re
import statistics
import sys
import time
import warnings
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from speakerdb.web.app import create_app

warnings.simplefilter("ignore")
from starlette.testclient import TestClient


def main(file: Path, rounds: int) -> None:
    with TestClient(create_app(file, idle_s=600, patience_s=600), base_url="http://127.0.0.1:8000") as pages:

        def took(at: str) -> float:
            start = time.perf_counter()
            answer = pages.get(at)
            assert answer.status_code == 200, (at, answer.status_code)
            return (time.perf_counter() - start) * 1e3

        start = took("/")
        slugs = sorted(set(re.findall(r'href="/speaker/([^"/?]+)"', pages.get("/").text)))
        level = itertools.count(880)
        kinds = {
            "the field, sorted anew": (
                f"/?sort={m}" for m in ("f6_hz", "preference", "nbd_on_axis_db", "price", "year", "f3_hz")
            ),
            "the field, another page": (f"/?page={n}" for n in itertools.count(2)),
            "the field, filtered": (f"/?price_max={p}&kind=bookshelf" for p in itertools.count(300, 50)),
            "one speaker": (f"/speaker/{s}" for s in slugs),
            "where a value comes from": (f"/speaker/{s}/f6_hz" for s in slugs),
            "side by side, two": (f"/side-by-side?speaker={a}&speaker={b}" for a, b in itertools.pairwise(slugs)),
            "side by side, three": (
                f"/side-by-side?speaker={a}&speaker={b}&speaker={c}"
                for a, b, c in zip(slugs, slugs[1:], slugs[2:], strict=False)
            ),
            "room, a keystroke": (f"/room/answer?distance=3&volume=60&level={next(level) / 10}" for _ in slugs),
            "room, with a budget": (
                f"/room/answer?distance=3&volume=60&level=95&budget={b}" for b in itertools.count(500, 100)
            ),
            "trends": (
                f"/trends?metric={m}&over=year"
                for m in ("f6_hz", "preference", "flatness_window_db", "f3_hz", "f10_hz")
            ),
            "trade-offs": (
                f"/trade-offs?x=price&y={m}" for m in ("preference", "f6_hz", "flatness_window_db", "f3_hz")
            ),
            "a metric's page": (
                f"/dictionary/{m}" for m in ("f6_hz", "preference", "nbd_on_axis_db", "f3_hz", "f10_hz")
            ),
        }
        print(f"page                        first      later   ms of server time ({file.stat().st_size / 1e6:.0f} MB)")
        print(f"{'the very first':26}{start:7.0f}")
        for name, addresses in kinds.items():
            times = [took(at) for at in itertools.islice(addresses, rounds)]
            print(f"{name:26}{times[0]:7.0f}{statistics.median(times[1:]):11.0f}", flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 5)
