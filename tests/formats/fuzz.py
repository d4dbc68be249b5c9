"""Mutated session folders: whatever is in them, reading either gives a session or raises DataError, within 5 seconds.

    python -m tests.formats.fuzz [COUNT] [SEED]

takes sound folders of every form and layout, damages each a little (bytes flipped, lines dropped, cells and keys
replaced by junk, files cut short, swapped, renamed, doubled, filled with noise) and reads them. It prints what came
of them and ends with 1 where anything but DataError got out or a folder took too long.
"""

from __future__ import annotations

import gzip
import random
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from speakerdb.errors import DataError
from speakerdb.formats import (
    content_hash,
    find_sessions,
    read_session,
    read_sheet,
    read_sources,
    session_toml,
    write_sofa,
)
from tests.formats import sessions
from tests.formats.layouts import LAYOUTS, SHEET_KEYS, session_keys

LIMIT_S = 5.0  # of processor time, so that a busy machine is no hang
WAIT_S = 60.0  # of the clock, for a read that waits for something
FRAME = sessions.response_frame(seed=1, angles=sessions.ANGLES[5::6], frequency_hz=sessions.FREQUENCY_HZ[::8])
JUNK = (
    "",
    " ",
    "nan",
    "inf",
    "-inf",
    "1e400",
    "-1",
    "0",
    "360",
    "1e9",
    "abc",
    '"',
    "'",
    "\\",
    "\0",
    "é",
    "\U0001f50a",
    "1,5",
    "1.5.2",
    "٣",
    "--",
    "=",
    "[",
    "]]",
    "{",
    "}",
    "#",
    ";",
    "\t",
    "true",
    "2026-02-30",
    "99999999999999999999",
    "9" * 5000,
    "?",
    "x" * 3000,
    "{angle}",
    "*",
    "../../etc",
    "-0",
    "1_0",
    "0x10",
    "\ufeff",
    "\u2028",
    "\x85",
)
KEYS = (
    "kind",
    "powered",
    "level_is",
    "date",
    "repeat",
    "symmetric",
    "smoothing_oct",
    "distance_m",
    "prices",
    "uncertainty",
    "electronics",
    "columns",
    "traces",
    "slug",
    "valid_from_hz",
    "gate_ms",
    "bands",
    "unknown",
    "wide",
    "file",
    "pattern",
    "skip_rows",
    "encoding",
    "delimiter",
    "orbit_words",
    "fixed",
    "level_unit",
    "angle_range",
    "heading",
    "units_row",
)


def build_seeds(place: Path) -> list[Path]:
    """A sound folder of each form and layout, with all that is needed in it."""
    seeds = []
    whole = sessions.write_plain(place / "plain", FRAME, whole=True)
    with open(whole / "session.toml", "a") as file:
        file.write(
            'mass_kg = 4.5\n[electronics]\nbass = "a"\n[uncertainty]\nlevel = [[20, 1], [100, 0.5]]\n'
            '[[prices]]\namount = 5\ncurrency = "EUR"\nper = "each"\nkind = "list"\n'
            '[[bands]]\nfrom_hz = 20\nto_hz = 350\nmethod = "near-field"\n'
            '[[bands]]\nfrom_hz = 350\nto_hz = 20000\nmethod = "gated"\ngate_ms = 4.4\n'
        )
    seeds.append(whole)
    packed = sessions.write_keys(place / "packed")
    (packed / "responses.csv.gz").write_bytes(gzip.compress(FRAME.write_csv().encode()))
    sessions.distortion_frame().write_parquet(packed / "distortion.parquet")
    seeds.append(packed)
    columnar = sessions.write_keys(place / "columnar")
    FRAME.write_parquet(columnar / "responses.parquet")
    seeds.append(columnar)
    sofa = sessions.write_keys(place / "sofa")
    write_sofa(read_session(whole), sofa / "responses.sofa")
    (sofa / "session.toml").write_text(session_toml(read_session(whole)))
    seeds.append(sofa)
    for layout in LAYOUTS:
        folder = place / layout.name
        folder.mkdir()
        layout.write(folder, FRAME)
        (folder / "folder.toml").write_text(layout.folder_toml, encoding="utf-8")
        keys = session_keys(layout.name, 3)
        del keys["electronics.bass_db"]
        if layout.name in {"german", "french"}:
            row = ",".join(str(keys[k]) if k in keys else "2" for k in SHEET_KEYS)
            (folder / "sheet.csv").write_text(f"folder,{','.join(SHEET_KEYS)}\n.,{row}\n")
        else:
            sessions.write_keys(folder, **keys)
        seeds.append(folder)
    return seeds


def files_of(folder: Path) -> list[Path]:
    return sorted(p for p in folder.rglob("*") if p.is_file())


def flip_bytes(path: Path, rng: random.Random, _: Path) -> None:
    content = bytearray(path.read_bytes())
    reach = rng.choice([100, 2000, len(content)])
    for _i in range(rng.choice([1, 1, 3, 30, 300])):
        if content:
            content[rng.randrange(min(reach, len(content)))] = rng.randrange(256)
    path.write_bytes(content)


def truncate(path: Path, rng: random.Random, _: Path) -> None:
    content = path.read_bytes()
    path.write_bytes(content[: rng.randrange(len(content) + 1)])


def noise(path: Path, rng: random.Random, _: Path) -> None:
    path.write_bytes(rng.randbytes(rng.choice([0, 1, 10, 1000, 20000])))


def _lines(path: Path) -> list[bytes]:
    return path.read_bytes().split(b"\n")


def drop_lines(path: Path, rng: random.Random, _: Path) -> None:
    lines = _lines(path)
    start = rng.randrange(len(lines))
    del lines[start : start + rng.choice([1, 1, 2, 50])]
    path.write_bytes(b"\n".join(lines))


def repeat_lines(path: Path, rng: random.Random, _: Path) -> None:
    lines = _lines(path)
    start = rng.randrange(len(lines))
    lines[start:start] = lines[start : start + rng.choice([1, 5])] * rng.choice([1, 2, 100])
    path.write_bytes(b"\n".join(lines))


def shuffle_lines(path: Path, rng: random.Random, _: Path) -> None:
    lines = _lines(path)
    rng.shuffle(lines)
    path.write_bytes(b"\n".join(lines))


def replace_cell(path: Path, rng: random.Random, _: Path) -> None:
    lines = _lines(path)
    for _i in range(rng.choice([1, 1, 5, 50])):
        row = rng.randrange(min(len(lines), rng.choice([5, 100000])))
        sign = rng.choice([b",", b";", b"\t", b" ", b"="])
        cells = lines[row].split(sign)
        cells[rng.randrange(len(cells))] = rng.choice(JUNK).encode("utf-8", "replace")
        lines[row] = sign.join(cells)
    path.write_bytes(b"\n".join(lines))


def insert_key(path: Path, rng: random.Random, folder: Path) -> None:
    target = rng.choice([p for p in files_of(folder) if p.suffix == ".toml"] or [path])
    lines = _lines(target)
    quoted = rng.choice(JUNK).replace('"', "").replace("\\", "")
    value = rng.choice(
        [
            "1",
            "-1.5",
            "nan",
            "true",
            "[]",
            "{}",
            "[[1, 2], [3]]",
            f'"{quoted}"',
            quoted,
            "2026-01-01",
            "{x = {y = 1}}",
            '"{orbit}{angle}*"',
            '"' + "*a" * 60 + '"',
            "[[[[[[1]]]]]]",
        ]
    )
    line = f"{rng.choice(KEYS)} = {value}" if rng.random() < 0.8 else f"[{rng.choice(KEYS)}]"
    lines.insert(rng.randrange(len(lines) + 1), line.encode("utf-8", "replace"))
    target.write_bytes(b"\n".join(lines))


def swap_files(path: Path, rng: random.Random, folder: Path) -> None:
    other = rng.choice(files_of(folder))
    a, b = path.read_bytes(), other.read_bytes()
    path.write_bytes(b)
    other.write_bytes(a)


def rename(path: Path, rng: random.Random, folder: Path) -> None:
    name = rng.choice(
        [
            "responses.csv",
            "responses.parquet",
            "responses.sofa",
            "distortion.csv",
            "impedance.csv.gz",
            "session.toml",
            "folder.toml",
            "H 010.frd",
            "h_10.txt",
            "x",
            "responses.csv.gz",
            "a\udcb0.txt",
        ]
    )
    target = folder / name
    if not target.exists():
        path.rename(target)


def copy_as(path: Path, rng: random.Random, folder: Path) -> None:
    target = folder / rng.choice(["responses/h_10.txt", "responses/h_10.csv", "compression.csv"])
    if target.parent.is_file():
        return
    target.parent.mkdir(exist_ok=True)
    if not target.exists():
        shutil.copy(path, target)


def remove(path: Path, _rng: random.Random, _folder: Path) -> None:
    path.unlink()


def make_folder_of_it(path: Path, _rng: random.Random, _folder: Path) -> None:
    path.unlink()
    path.mkdir()


def pack(path: Path, _rng: random.Random, _folder: Path) -> None:
    path.write_bytes(gzip.compress(path.read_bytes()))


Mutation = Callable[[Path, random.Random, Path], None]
MUTATIONS: tuple[Mutation, ...] = (
    flip_bytes,
    flip_bytes,
    truncate,
    noise,
    drop_lines,
    repeat_lines,
    shuffle_lines,
    replace_cell,
    replace_cell,
    replace_cell,
    insert_key,
    insert_key,
    insert_key,
    swap_files,
    rename,
    copy_as,
    remove,
    make_folder_of_it,
    pack,
)


def mutate(folder: Path, rng: random.Random) -> list[str]:
    done = []
    for _ in range(rng.choice([1, 1, 2, 4])):
        files = files_of(folder)
        if files:
            mutation = rng.choice(MUTATIONS)
            path = rng.choice(files)
            done.append(f"{mutation.__name__} {path.name!r}")
            mutation(path, rng, folder)
    return done


def _check(error: DataError) -> None:
    """An error says what was found and what was expected, in text that can be printed."""
    if not error.items:
        raise ValueError("a DataError without items")
    for item in error.items:
        if not (item.found and item.expected):
            raise ValueError(f"an item that does not say what was found and expected: {item}")
        str(item).encode()


def read(folder: Path) -> str:
    """Everything an ingest does in this room; the word for what came of it."""
    try:
        sheet = read_sheet(folder / "sheet.csv") if (folder / "sheet.csv").is_file() else None
        found = find_sessions(folder, sheet)
        for place in found:
            session = read_session(place, folder, sheet)
            assert content_hash(read_sources(session.folder, session.sources)) == content_hash(session)
    except DataError as error:
        _check(error)
        return "refused"
    return "read"


def _too_long(*_: object) -> None:
    raise TimeoutError("no answer within the limit")


def run(count: int, seed: int, *, progress: bool = False) -> tuple[Counter[str], list[str]]:
    """Read `count` mutated folders; returns what came of them and the failures, each with what reproduces it."""
    outcomes: Counter[str] = Counter()
    failures: list[str] = []
    signal.signal(signal.SIGALRM, _too_long)
    signal.signal(signal.SIGPROF, _too_long)
    with tempfile.TemporaryDirectory() as name:
        (Path(name) / "seeds").mkdir()
        seeds = build_seeds(Path(name) / "seeds")
        for sound in seeds:
            if (word := read(sound)) != "read":
                raise ValueError(f"{sound.name} is {word} as it is")
        for number in range(count):
            rng = random.Random(f"{seed}/{number}")
            folder = Path(name) / "case"
            shutil.copytree(rng.choice(seeds), folder)
            done = mutate(folder, rng)
            start = time.process_time()
            signal.setitimer(signal.ITIMER_PROF, LIMIT_S)
            signal.setitimer(signal.ITIMER_REAL, WAIT_S)
            try:
                outcomes[read(folder)] += 1
            except BaseException:
                outcomes["failed"] += 1
                failures.append(f"seed {seed}, case {number}, {done}\n{traceback.format_exc()}")
            finally:
                signal.setitimer(signal.ITIMER_PROF, 0)
                signal.setitimer(signal.ITIMER_REAL, 0)
            outcomes["slowest ms"] = max(outcomes["slowest ms"], round(1000 * (time.process_time() - start)))
            shutil.rmtree(folder)
            if progress and number % 500 == 499:
                print(number + 1, dict(outcomes), flush=True)
    return outcomes, failures


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    outcomes, failures = run(count, seed, progress=True)
    for failure in failures[:20]:
        print(failure)
    print(f"{count} folders, seed {seed}: {dict(outcomes)}")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
