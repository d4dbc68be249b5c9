"""How answers grow with the field: thousands of speakers made by perturbing the demo fleet.

Run: python tests/benchmarks/bench_scale.py 1000 10000 [100000]. Prints one row per size: time to build, size on disk,
rank and match in an open process, peak memory of the asking process. "anew" is a metric that was not asked for before,
"again" one that was (ranks are kept as long as the file stays the same); match asks for another speaker each time.
Targets at 10,000: rank ≤ 50 ms, match ≤ 100 ms. Draws are worked out for the fleet only (for 100,000 speakers that
would take hours): a perturbed speaker takes those of its model, moved to its own values and in a shuffled order, so
that the answers have as much to do as with draws of its own. `--keep FILE COUNT` builds one such database and leaves it
there.
"""

from __future__ import annotations

import dataclasses
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import numpy as np

GROUP = 200


def perturbed(grids, number: int, rng):
    """One more speaker: a member of the fleet with another bass, tilt and ripple, under its own name."""
    base = grids[number % len(grids)]
    x = np.linspace(0.0, 1.0, 199)
    ripple = sum(rng.normal(0, 0.6) * np.sin(2 * np.pi * k * x + rng.uniform(0, 6.3)) for k in (1, 2, 4, 8, 16))
    angle = np.cos(np.radians(base.angle_deg))[:, None]
    level = base.level_db + ripple + (1 - angle) * rng.normal(0, 1.0) * x
    info = dataclasses.replace(
        base.info,
        slug=f"{base.info.slug}-{number}",
        model=f"{base.info.model} {number}",
        prices=(),
        sample=f"p{number}",
    )
    return dataclasses.replace(base, info=info, level_db=np.round(level, 2).astype(np.float32))


def uncertainties(grids):
    """Of each session of the fleet: values (S, M), its uncertainty columns and draws per name (S, M, …), noise curves
    (S, 199).

    What one has no draws of is taken from the next that has: a perturbed copy may have a value where its model has
    none.
    """
    from speakerdb import derive
    from speakerdb.metrics import METRICS
    from speakerdb.statistics.error_model import DEFAULT

    metrics = tuple(METRICS)
    value = derive.derive(grids).values.value.copy()
    found = [derive.session_uncertainty(g, g.info.slug, metrics, v, DEFAULT) for g, v in zip(grids, value, strict=True)]
    stored = {name: np.stack([u.columns[name] for u in found]) for name in found[0].columns}
    stored |= {"own": np.stack([u.own for u in found]), "bench": np.stack([u.bench for u in found])}
    known = ~np.isnan(stored["se"])
    for j in range(len(metrics)):
        has = np.flatnonzero(known[:, j])
        for i in np.flatnonzero(~known[:, j]) if len(has) else ():
            other = has[np.searchsorted(has, i) % len(has)]
            for array in (value, *stored.values()):
                array[i, j] = array[other, j]
    noise = {}
    for name in sorted({n for u in found for n in u.noise}):
        noise[name] = np.stack([u.noise.get(name, np.full(199, np.nan, np.float32)) for u in found])
    return value, stored, noise


def insert_draws(con, ids, values, models, members, rng) -> None:
    """Store the uncertainty of each session's model about the session's own values; 3 % of limits are one of two."""
    from speakerdb.derive.pooling import NOISE
    from speakerdb.metrics import METRICS
    from speakerdb.statistics.error_model import DEFAULT
    from speakerdb.store import writing

    value, stored, noise = models
    columns = {name: array[members] for name, array in stored.items()}
    own, bench = (np.stack([s[:, rng.permutation(s.shape[1])] for s in columns.pop(n)]) for n in ("own", "bench"))
    moved = values.value - value[members]
    for name in [n for n in columns if n.startswith(("low", "high", "other_value", "other_low", "other_high"))]:
        columns[name] = columns[name] + moved
    limits = [j for j, m in enumerate(METRICS) if m in {"f3_hz", "f6_hz"}]
    two = rng.random((len(ids), len(limits))) < 0.03
    for name, factor in (("other_value", 1.5), ("other_low", 1.4), ("other_high", 1.6)):
        columns[name][:, limits] = np.where(two, values.value[:, limits] * factor, columns[name][:, limits])
    columns["other_se"][:, limits] = np.where(two, columns["se"][:, limits], columns["other_se"][:, limits])
    columns["other_share"][:, limits] = np.where(two, 0.2, columns["other_share"][:, limits])
    writing.replace_uncertainty(con, ids, list(METRICS), columns, own, bench, DEFAULT.seed)
    writing.replace_noise(con, ids, {f"{NOISE}{name}": array[members] for name, array in noise.items()})


def build(path: Path, count: int) -> None:
    """Fill a database with `count` speakers through the same rooms as ingest, except for reading files."""
    import speakerdb
    from speakerdb import derive, formats
    from speakerdb.store import NewSession, writing
    from speakerdb.upkeep import repooling

    fleet = ROOT / "seed_data" / "fleet"
    grids = [
        derive.to_grid(formats.read_session(folder, root=fleet, sheet=None)) for folder in formats.find_sessions(fleet)
    ]
    grids = [g for g in grids if len(g.angle_deg) >= 70]
    models = uncertainties(grids)
    rng = np.random.default_rng(7)
    with speakerdb.open(path, write=True) as base:
        for start in range(0, count, GROUP):
            group = [perturbed(grids, n, rng) for n in range(start, min(start + GROUP, count))]
            derived = derive.derive(group)
            new = [NewSession(f"{start + i:064x}", g, "made", ()) for i, g in enumerate(group)]
            with base.store.transaction():
                ids = writing.insert_sessions(
                    base.store.con, new, derived.values, derived.summary, derived.listening_axis
                )
                members = np.arange(start, start + len(group)) % len(grids)
                insert_draws(base.store.con, ids, derived.values, models, members, rng)
        with base.store.transaction():
            repooling.repool(base.store, None)


def measure(path: Path) -> None:
    """Time the questions in this process and print them, tab-separated."""
    import speakerdb

    def milliseconds(ask):
        start = time.perf_counter()
        ask()
        return (time.perf_counter() - start) * 1e3

    with speakerdb.open(path) as base:
        slugs = base.list()["speaker"].to_list()
        first = milliseconds(lambda: base.rank("f6_hz"))
        anew = min(milliseconds(lambda m=m: base.rank(m)) for m in ("f3_hz", "preference", "nbd_on_axis_db"))
        again = min(milliseconds(lambda: base.rank("f6_hz")) for _ in range(4))
        match = [milliseconds(lambda s=s: base.match(s, exact=True)) for s in slugs[:: len(slugs) // 6][:6]]
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(first, anew, again, match[0], statistics.median(match[1:]), peak, sep="\t")


def main(sizes: list[int]) -> None:
    print("speakers  build s  file MB  rank: first      anew     again  match: first     later  peak MB")
    for count in sizes:
        with tempfile.TemporaryDirectory() as work:
            path = Path(work) / "speakers.duckdb"
            start = time.perf_counter()
            build(path, count)
            took = time.perf_counter() - start
            out = subprocess.run(
                [sys.executable, __file__, "--measure", str(path)], capture_output=True, text=True, check=True
            ).stdout
            *times, peak = map(float, out.split())
            shown = "".join(f"{t:{w}.0f} ms" for t, w in zip(times, (10, 7, 7, 11, 7), strict=True))
            print(f"{count:8d}{took:9.1f}{path.stat().st_size / 1e6:9.0f}{shown}{peak:9.0f}", flush=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--measure"]:
        measure(Path(sys.argv[2]))
    elif sys.argv[1:2] == ["--keep"]:
        build(Path(sys.argv[2]), int(sys.argv[3]))
    else:
        main([int(a) for a in sys.argv[1:]] or [1000, 10000])
