"""Export layouts composed at random, with the truth known: names × signs × words for orbits × separators × numbers ×
columns × units × remarks × angles. Nothing here is any program's format; each part is a way that people write.

`python -m tests.formats.conventions [COUNT] [SEED]` makes so many and prints what became of them.
"""

from __future__ import annotations

import collections
import re
import shutil
import sys
import tempfile
import tomllib
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from speakerdb.errors import DataError
from speakerdb.formats import propose, read_session
from tests.folders import KEYS
from tests.formats import sessions

F_HZ = np.round(25.0 * 2.0 ** (np.arange(0, 59) / 6.0), 2)
ORBITS = ("horizontal", "vertical")
SAME_DB = 0.06  # of numbers written with a decimal or four digits of a ratio

ANGLES = {
    "full": np.arange(-170, 181, 10),
    "turn": np.arange(0, 360, 10),
    "coarse": np.arange(-165, 181, 15),
    "front": np.arange(-90, 91, 15),
    "half": np.arange(0, 181, 15),
    "fine": np.arange(-60, 61, 5),
}
MODELS = ("", "Sill 5 ", "box120_", "V8-mon-", "Hollow2_", "h2-", "Vale 30 ", "speaker_")
ORBIT_WORDS = {
    "letters": ("h", "v"),
    "capitals": ("H", "V"),
    "short": ("hor", "ver"),
    "words": ("horizontal", "vertical"),
    "german": ("waagerecht", "senkrecht"),
    "angles": ("azimuth", "elevation"),
    "unknown": ("A", "B"),
    "numbers": ("1", "2"),
}
SIGNS = ("minus", "both", "dash", "letters", "words", "sides", "turning", "behind", "turn")
COUNTERS = ("none", "lead", "trail", "serial", "time", "date", "distance", "revision", "distance-trail")
CONTENTS = ("plain", "tab", "comma", "semicolon", "decimal-comma", "remarks", "headings", "phase", "phase-first", "khz")
CONTENTS += ("thousands-point", "thousands-comma", "coherence", "coherence-first", "smoothed", "two-phases")
UNITS = ("dB", "dB", "dB", "dB", "relative", "Pa")
KINDS = ("traces", "traces", "traces", "traces", "folders", "long", "long", "wide", "wide", "radians", "azimuths")
KINDS += ("transposed", "pairs", "two models", "times", "orbit files")


@dataclass
class Convention:
    """One way to write a session down."""

    kind: str
    angles: str
    model: str
    orbits: str
    sign: str
    counter: str
    content: str
    unit: str
    separator: str
    number: str
    suffix: str
    clockwise: bool
    down: bool
    told: bool  # a remark in the files says how angles grow
    seed: int

    def __str__(self) -> str:
        return " ".join(f"{k}={v}" for k, v in vars(self).items() if k != "seed")


@dataclass
class Outcome:
    """right, asked (with what), refused (with what) or WRONG (with how)."""

    word: str
    what: str = ""
    notes: tuple[str, ...] = field(default_factory=tuple)


def draw(random: np.random.Generator, seed: int) -> Convention:
    def one(choices):
        return choices[int(random.integers(len(choices)))]

    kind = one(KINDS)
    angles = one(tuple(ANGLES))
    sign = "turn" if angles == "turn" else one(SIGNS[:-1])
    return Convention(
        kind,
        angles,
        one(MODELS),
        one(tuple(ORBIT_WORDS)) if random.random() < 0.9 else "letters",
        sign,
        one(COUNTERS) if random.random() < 0.7 else "none",
        one(CONTENTS),
        one(UNITS),
        one(("_", " ", "-", "")),
        one(("d", "03d", ".1f")),
        one((".txt", ".frd", ".csv", ".dat", "deg.txt", "°.txt")),
        bool(random.random() < 0.3),
        bool(random.random() < 0.2),
        bool(random.random() < 0.2),
        seed,
    )


def truth_of(c: Convention) -> dict[tuple[str, float], np.ndarray]:
    """Level by orbit and our angle."""
    angles = ANGLES[c.angles]
    ours = np.where(angles > 180, angles - 360, angles)
    frame = sessions.response_frame(c.seed, ours, F_HZ)
    level = frame["level_db"].to_numpy().reshape(2, len(ours), len(F_HZ))
    level = level - 86.0 if c.unit == "relative" else level
    return {(o, float(a)): level[i, j] for i, o in enumerate(ORBITS) for j, a in enumerate(ours)}


def written_angle(c: Convention, orbit: str, angle: float) -> float:
    """An angle of ours in the layout's own sense, a turn counted up where it counts so."""
    turned = c.clockwise if orbit == "horizontal" else c.down
    a = -angle if turned and abs(angle) != 180 else angle
    return a % 360 if c.sign == "turn" else a


def angle_text(c: Convention, orbit: str, a: float) -> str:
    number = f"{abs(a):{c.number}}" if c.number == ".1f" else f"{int(abs(a)):{c.number}}"
    if a == 0 or c.sign == "turn":
        return number
    plus = a > 0
    words = {
        "minus": ("", "-"),
        "both": ("+", "-"),
        "dash": ("", "\N{EN DASH}"),
        "letters": ("p", "m"),
        "words": ("plus", "minus"),
        "sides": ("L", "R") if orbit == "horizontal" else ("U", "D"),
        "turning": ("ccw", "cw") if orbit == "horizontal" else ("up", "down"),
        "behind": ("p", "m"),
    }[c.sign]
    word = words[0] if plus else words[1]
    return f"{number}{word}" if c.sign == "behind" else f"{word}{number}"


def senses(c: Convention) -> tuple[bool, bool]:
    """Words such as ccw and up are of our sense whatever the layout's is: such layouts don't turn."""
    fixed = c.sign in {"turning"}
    return (c.clockwise and not fixed, c.down and not fixed and c.sign != "sides")


def name_of(c: Convention, index: int, orbit: str, a: float) -> str:
    word = ORBIT_WORDS[c.orbits][ORBITS.index(orbit)]
    s = c.separator
    if not s and (c.orbits == "numbers" or c.sign in {"letters", "words", "sides", "turning"}):
        s = "_"  # else no reader could tell the parts
    random = np.random.default_rng(c.seed + index)
    lead = {
        "lead": f"{index + 1:03d}_",
        "serial": f"SN4711{random.integers(10, 99)}_",
        "time": f"{9 + index // 60:02d}{index % 60:02d}_",
        "date": "20260312_",
        "distance": "1m_",
        "revision": "v2_",
    }.get(c.counter, "")
    trail = {"trail": f"_{index + 1:04d}", "distance-trail": "_200cm"}.get(c.counter, "")
    middle = f"{s}{angle_text(c, orbit, a)}"
    place = f"{word}/" if c.kind == "folders" else ""
    return f"{place}{lead}{c.model}{word if not place else 'run'}{middle}{trail}{c.suffix}"


def remark(c: Convention, mark: str) -> list[str]:
    if not c.told:
        return []
    turned = ("clockwise" if c.clockwise else "counter-clockwise", "down" if c.down else "up")
    return [f"{mark} angles: {turned[0]} seen from above", f"{mark} vertical: positive is {turned[1]}"]


def number(x: float, digits: int, comma: bool) -> str:
    text = f"{x:.{digits}f}"
    return text.replace(".", ",") if comma else text


def values(c: Convention, y: np.ndarray) -> list[float]:
    return list(20e-6 * 10 ** (y / 20) if c.unit == "Pa" else y)


PHASE = (np.cumsum(np.full(len(F_HZ), 70.0)) + 180) % 360 - 180


def time_text(y: np.ndarray) -> str:
    """A response over time, which is none over frequency."""
    t_ms = np.arange(400) * 0.05
    lines = ["t[ms] p"] * (int(abs(y[0])) % 2)
    return "\n".join(
        [*lines, *(f"{t:.2f} {v:.5f}" for t, v in zip(t_ms, np.cos(t_ms * 5) * np.exp(-t_ms), strict=True))]
    )


def frequency_text(c: Convention, f: float, comma: bool) -> str:
    if c.content == "khz":
        return number(f / 1000, 5, comma)
    if c.content.startswith("thousands") and f >= 1000:
        return f"{f:,.0f}".replace(",", "." if c.content.endswith("point") else ",")
    return number(f, 0 if c.content.startswith("thousands") else 2, comma)


def trace_text(c: Convention, y: np.ndarray) -> str:
    comma = c.content == "decimal-comma"
    sep = {"tab": "\t", "comma": ",", "semicolon": ";"}.get(c.content, " ")
    khz = c.content == "khz"
    phase = PHASE
    lines = remark(c, "*")
    if c.content == "remarks":
        lines += ["* exported by nobody", f"* level in {c.unit}"]
    if c.content in {"headings", "phase-first", "khz"}:
        names = [f"Freq({'kHz' if khz else 'Hz'})", {"Pa": "Pressure(Pa)"}.get(c.unit, "SPL(dB)")]
        names = [names[0], "Phase(deg)", names[1]] if c.content == "phase-first" else names
        lines.append(sep.join(names))
    for f, v, p in zip(F_HZ, values(c, y), phase, strict=True):
        cells = [frequency_text(c, f, comma), number(v, 9 if c.unit == "Pa" else 2, comma)]
        if c.content.startswith("coherence"):
            cells.insert(1 if c.content.endswith("first") else 2, number(0.9 + 0.1 * np.cos(f), 3, comma))
        if c.content == "smoothed":
            cells.append(number(v * 1.01 if c.unit == "Pa" else v + 0.3 * np.sin(f), 9 if c.unit == "Pa" else 2, comma))
        if c.content == "two-phases":
            cells += [number(p, 1, comma), number(p * np.pi / 180, 4, comma)]
        if c.content == "phase":
            cells.append(number(p, 1, comma))
        if c.content == "phase-first":
            cells.insert(1, number(p, 1, comma))
        lines.append(sep.join(cells))
    return "\n".join(lines) + "\n"


def write(c: Convention, folder: Path) -> int:
    """Write the session; returns how many curves there are."""
    folder.mkdir(parents=True)
    if c.kind == "two models":
        c.orbits = "unknown"  # which here are two models, each measured on one orbit
    truth = truth_of(c)
    c.clockwise, c.down = senses(c)
    rows = [(o, written_angle(c, o, a), y) for (o, a), y in truth.items()]
    rows.sort(key=lambda r: (r[0], r[1]))
    if c.kind in {"traces", "folders", "pairs", "two models", "times"}:
        for i, (o, a, y) in enumerate(rows):
            path = folder / name_of(c, i, o, a)
            path.parent.mkdir(parents=True, exist_ok=True)
            if c.kind == "times":
                path.write_text(time_text(y), encoding="utf-8")
                continue
            path.write_text(trace_text(c, y), encoding="utf-8")
            if c.kind == "pairs":
                beside = path.with_name(f"{path.stem}_phase{path.suffix}")
                beside.write_text(trace_text(c, PHASE), encoding="utf-8")
                path.rename(path.with_name(f"{path.stem}_mag{path.suffix}"))
    else:
        write_table(c, folder, rows)
    return len(rows)


def write_table(c: Convention, folder: Path, rows: list[tuple[str, float, np.ndarray]]) -> None:
    comma = c.content == "decimal-comma"
    sep = {"tab": "\t", "comma": ",", "decimal-comma": ";"}.get(c.content, ";")
    khz = c.content == "khz"
    words = dict(zip(ORBITS, ORBIT_WORDS[c.orbits], strict=True))
    head = f"Frequency [{'kHz' if khz else 'Hz'}]"
    digits = 9 if c.unit == "Pa" else 2
    lines = remark(c, "#")
    f_text = [frequency_text(c, f, comma) for f in F_HZ]
    if c.kind == "transposed":
        lines.append(sep.join(["Plane", "Angle", *f_text]))
        for o, a, y in rows:
            lines.append(sep.join([words[o], number(a, 1, comma), *(number(v, digits, comma) for v in values(c, y))]))
    elif c.kind == "azimuths":
        lines.append(sep.join([head, "Azimuth", "Elevation", "Level [dB]"]))
        for o, a, y in rows:
            pair = [number(a if o == "horizontal" else 0, 1, comma), number(a if o == "vertical" else 0, 1, comma)]
            for f, v in zip(f_text, values(c, y), strict=True):
                lines.append(sep.join([f, *pair, number(v, digits, comma)]))
    elif c.kind in {"long", "radians"}:
        level = "Pressure [Pa]" if c.unit == "Pa" else "Level [dB]"
        extra = ["Phase [deg]"] if c.content.startswith("phase") else []
        angle = "Angle" if c.kind == "radians" else "Angle [deg]"
        lines.append(sep.join([head, "Plane", angle, *extra, level]))
        for o, a, y in rows:
            for f, v in zip(f_text, values(c, y), strict=True):
                cells = [
                    f,
                    words[o],
                    number(*((np.radians(a), 4) if c.kind == "radians" else (a, 1)), comma),
                    *(["12" if not comma else "12,0"] * len(extra)),
                ]
                lines.append(sep.join([*cells, number(v, digits, comma)]))
    else:
        names = [f"{words[o]}{c.separator or ' '}{angle_text(c, o, a)}" for o, a, _ in rows]
        lines.append(sep.join([head, *names]))
        columns = [values(c, y) for _, _, y in rows]
        for i, f in enumerate(f_text):
            lines.append(sep.join([f, *(number(col[i], digits, comma) for col in columns)]))
    ending = ".csv" if c.suffix.endswith(".csv") else ".txt"
    if c.kind == "orbit files":  # a wide table for each orbit
        for orbit in ORBITS:
            mine = [(o, a, y) for o, a, y in rows if o == orbit]
            table = [sep.join([head, *(angle_text(c, o, a) for o, a, _ in mine)])]
            columns = [values(c, y) for _, _, y in mine]
            for i, f in enumerate(f_text):
                table.append(sep.join([f, *(number(col[i], digits, comma) for col in columns)]))
            (folder / f"{c.model}{words[orbit]}{ending}").write_text("\n".join([*remark(c, "#"), *table]) + "\n")
        return
    (folder / ("export" + (".csv" if c.suffix.endswith(".csv") else ".txt"))).write_text(
        "\n".join(lines) + "\n", encoding="utf-8"
    )


def answers(c: Convention, toml: str) -> str:
    """What a user who knows the layout writes in place of the blanks; those of readings stay where they are."""
    h, v = (w.casefold() for w in ORBIT_WORDS[c.orbits])
    plain = {
        'lab = "?"': 'lab = "shed"',
        'method = "?"': 'method = "anechoic"',
        'level_is = "?"': f'level_is = "{"relative" if c.unit == "relative" else "spl_1m"}"',
        'level_unit = "?"': 'level_unit = "Pa"' if c.unit == "Pa" else 'level_unit = "dB"',
        'angle_sense = "?"': f'angle_sense = "{"clockwise" if c.clockwise else "counter-clockwise"}"',
        'vertical_positive = "?"': f'vertical_positive = "{"down" if c.down else "up"}"',
    }
    for before, after in plain.items():
        toml = toml.replace(before, after)
    toml = re.sub(r"orbit_words = \{.*\?.*\}", f'orbit_words = {{horizontal = ["{h}"], vertical = ["{v}"]}}', toml)
    return re.sub(r"sign_words = \{.*\?.*\}", 'sign_words = {plus = ["l", "u"], minus = ["r", "d"]}', toml)


def bring_in(c: Convention, root: Path) -> Outcome:
    """Write, propose, answer, read, and hold against the truth."""
    folder = root / "s00"
    count = write(c, folder)
    truth = truth_of(c)
    try:
        proposal = propose(root)
    except DataError as error:
        return Outcome("refused", str(error))
    toml = answers(c, proposal.toml_text)
    if '"?"' in toml.replace('each "?"', ""):
        left = [row for row in toml.split("\n") if '"?"' in row and not row.startswith("#")]
        return Outcome("asked", "; ".join(left), proposal.notes)
    proposal.folder_toml.write_text(toml, encoding="utf-8")
    keys = {k: v for k, v in KEYS.items() if k not in tomllib.loads(toml)}
    sessions.write_folder_keys(folder, keys)
    try:
        session = read_session(folder, root)
    except DataError as error:
        return Outcome("refused", str(error), proposal.notes)
    got = {
        (ORBITS[not h], float(a)): np.interp(np.log(F_HZ), np.log(b.frequency_hz), y)
        for b in session.blocks
        for h, a, y in zip(b.horizontal, b.angle_deg, b.level_db, strict=True)
    }
    notes = (*proposal.notes, *session.warnings)
    if set(got) - set(truth):
        return Outcome("WRONG", f"curves that are not there: {sorted(set(got) - set(truth))[:3]}", notes)
    whole_hz = c.content.startswith("thousands")  # frequencies without decimals are not those of the truth in the bass
    held = (300.0 if whole_hz else 0.0) < F_HZ
    off = [k for k in got if np.abs(got[k] - truth[k])[held].max() > SAME_DB]
    differ = max((np.sqrt(np.mean((got[k] - truth[k]) ** 2)) for k in off), default=0.0)
    alike = "alike within" in toml and differ < 1.0  # where both sides are alike the sense makes no difference
    if off and not alike:
        return Outcome("WRONG", f"{len(off)} of {count} curves differ, by up to {differ:.1f} dB rms", notes)
    if len(got) < count:
        word = "asked" if any("not read" in n or "not used" in n for n in notes) else "WRONG"
        return Outcome(word, f"{len(got)} of {count} curves", notes)
    return Outcome("right", "", notes)


def run(count: int, seed: int) -> list[tuple[Convention, Outcome]]:
    random = np.random.default_rng(seed)
    results = []
    for i in range(count):
        c = draw(random, seed * 1_000_003 + i)
        place = Path(tempfile.mkdtemp(prefix="convention"))
        try:
            results.append((c, bring_in(c, place / "old")))
        finally:
            shutil.rmtree(place)
    return results


def main() -> None:
    count, seed = map(int, [*sys.argv[1:3], "200", "1"][:2] if len(sys.argv) < 2 else [*sys.argv[1:], "1"][:2])
    results = run(count, seed)
    for c, outcome in results:
        if outcome.word != "right":
            print(f"{outcome.word}: {outcome.what}\n   {c}\n   {'; '.join(outcome.notes)}")
    print(collections.Counter(o.word for _, o in results))


if __name__ == "__main__":
    main()
