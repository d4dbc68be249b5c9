"""The keys of a session: folder.toml, sheet and session.toml folded together, checked, and turned into a
SessionInfo."""

from __future__ import annotations

import datetime as dt
import difflib
import functools
import itertools
import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from speakerdb import figures
from speakerdb.acoustics import gates
from speakerdb.acoustics.gates import GATED, MERGED
from speakerdb.formats.columns import OTHER_TABLES
from speakerdb.formats.patterns import compile_pattern, words_of
from speakerdb.formats.problems import Problems, shown
from speakerdb.formats.slug import slugify
from speakerdb.formats.toml_files import TomlFile
from speakerdb.resources import resource_dir
from speakerdb.session import Band, Price, SessionInfo
from speakerdb.terms import BAND_METHODS

if TYPE_CHECKING:
    from jsonschema import Draft202012Validator
    from jsonschema.exceptions import ValidationError

SCHEMA_NAME = "session.schema.json"
BLANK = "?"  # what `propose` writes where the user has to fill in
_UNKNOWN_NAMED = 20  # unknown keys that are named one by one, with what may be meant
READING_TABLES = frozenset({"columns", "traces"})  # how to read the files; no part of what the session is

Path = tuple[str | int, ...]

_TYPE_WORDS = {
    "string": "text in quotes",
    "number": "a number",
    "integer": "a whole number",
    "boolean": "true or false",
    "array": "a list",
    "object": "a table",
}


@functools.cache
def schema(name: str = SCHEMA_NAME) -> dict[str, Any]:
    """The JSON Schema of session.toml, or of another file of keys."""
    path = resource_dir("schemas") / name
    loaded: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return loaded


@functools.cache
def _validator(name: str) -> Draft202012Validator:
    from jsonschema import Draft202012Validator

    return Draft202012Validator(schema(name))


@dataclass
class Keys:
    """Keys folded together, nearest wins, each with the file that said it. schema: the name of the one they answer
    to, main: the file that is looked for them first."""

    values: dict[str, Any] = field(default_factory=dict)
    origins: dict[Path, TomlFile | SheetOrigin] = field(default_factory=dict)
    said: list[tuple[Mapping[str, Any], TomlFile | SheetOrigin]] = field(default_factory=list)
    schema: str = SCHEMA_NAME
    main: str = "session.toml"

    def fold_in(self, said: Mapping[str, Any], origin: TomlFile | SheetOrigin) -> None:
        self.said.append((said, origin))
        _fold(self.values, said, self.origins, origin, ())

    def where(self, path: Path) -> tuple[str, int | None]:
        """File and line of a key, or of the nearest table around it."""
        for end in range(len(path), 0, -1):
            origin = self.origins.get(tuple(p for p in path[:end] if isinstance(p, str)))
            if origin is not None:
                return origin.name, origin.line(path)
        return self.main, None


@dataclass(frozen=True)
class SheetOrigin:
    """A row of a sheet."""

    name: str
    row: int

    def line(self, _: Path) -> int:
        return self.row


def _fold(into: dict[str, Any], said: Mapping[str, Any], origins: dict[Path, Any], origin: Any, at: Path) -> None:
    for key, value in said.items():
        path = (*at, key)
        origins[path] = origin
        if isinstance(value, Mapping):
            inner = into.get(key)
            inner = dict(inner) if isinstance(inner, dict) else {}
            _fold(inner, value, origins, origin, path)
            into[key] = inner
        else:
            into[key] = value


def check(keys: Keys, problems: Problems) -> frozenset[str]:
    """Hold the folded keys against the schema and against each other; returns the top-level keys that are unsound."""
    before = len(problems.items)
    hold(keys, problems)
    _check_bands(keys, problems)
    unsound = {str(i.key).partition(".")[0].partition("[")[0] for i in problems.items[before:]}
    if not unsound & READING_TABLES:
        unsound |= _check_patterns(keys, problems)
    if len(problems.items) == before:
        _cross_check(keys, problems)
    return frozenset(unsound)


def hold(keys: Keys, problems: Problems) -> None:
    """Hold the folded keys against their schema."""
    keys.values = _settled(keys.values, (), keys.schema)
    blank = list(_blanks(keys.values, ()))
    for path in blank:
        file, line = keys.where(path)
        found = f'"{BLANK}", a blank that is still to be filled in'
        problems.ask(found, _described(path, keys.schema), file=file, line=line, key=dotted(path))
    for error in _validator(keys.schema).iter_errors(keys.values):
        if tuple(error.absolute_path) not in blank:
            _explain(keys, error, problems)
    for path, number in _numbers(keys.values, ()):
        if not math.isfinite(number):
            _note(keys, problems, path, f"{number}", "a finite number")


def _settled(value: Any, at: Path, name: str) -> Any:
    """Values as the schema types them: 1.0 where a whole number is meant is 1."""
    if isinstance(value, dict):
        return {k: _settled(v, (*at, k), name) for k, v in value.items()}
    if isinstance(value, list):
        return [_settled(v, (*at, i), name) for i, v in enumerate(value)]
    if isinstance(value, float) and value.is_integer():
        part = subschema(at, name)
        kinds = {p.get("type") for p in (part, *part.get("anyOf", ()))}
        return int(value) if "integer" in kinds and "number" not in kinds else value
    return value


def _check_patterns(keys: Keys, problems: Problems) -> set[str]:
    columns, traces = keys.values.get("columns", {}), keys.values.get("traces", {})
    places: list[tuple[Path, Mapping[str, Any]]] = [(("traces", "pattern"), traces)]
    for at, said in ((("columns",), columns), *((("columns", t), columns.get(t, {})) for t in OTHER_TABLES)):
        places += [((*at, "file"), said), ((*at, "wide"), said)]
    unsound = set()
    for path, said in places:
        if path[-1] in said:
            try:
                compile_pattern(said[str(path[-1])], words_of({**columns, **said}))
            except ValueError as error:
                unsound.add(str(path[0]))
                _note(keys, problems, path, str(error), _described(path))
    return unsound


def _blanks(value: Any, at: Path) -> Iterator[Path]:
    if value == BLANK:
        yield at
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield from _blanks(inner, (*at, key))
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            yield from _blanks(inner, (*at, i))


def _numbers(value: Any, at: Path) -> Iterator[tuple[Path, float]]:
    if isinstance(value, float):
        yield at, value
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield from _numbers(inner, (*at, key))
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            yield from _numbers(inner, (*at, i))


def _note(keys: Keys, problems: Problems, path: Path, found: str, expected: str) -> None:
    file, line = keys.where(path)
    problems.add(found, expected, file=file, line=line, key=dotted(path))


def dotted(path: Path) -> str:
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f"{'.' if text else ''}{part}"
    return text


def subschema(path: Path, name: str = SCHEMA_NAME) -> dict[str, Any]:
    """The part of the schema that governs a key; {} where there is none."""
    at: Any = schema(name)
    for part in path:
        if isinstance(part, int):
            at = at.get("items", {})
        else:
            more = at.get("additionalProperties")
            at = at.get("properties", {}).get(part, more if isinstance(more, dict) else {})
        at = _resolved(at, name)
    return dict(at)


def _resolved(part: Mapping[str, Any], name: str) -> dict[str, Any]:
    """A part of the schema with what it refers to written into it."""
    out = dict(part)
    references = [part["$ref"]] if "$ref" in part else []
    references += [inner["$ref"] for inner in part.get("allOf", ())]
    for reference in references:
        target = _resolved(schema(name)["$defs"][reference.rsplit("/", 1)[1]], name)
        properties = {**target.get("properties", {}), **out.get("properties", {})}
        out = {**target, **out, **({"properties": properties} if properties else {})}
    return out


def _described(path: Path, name: str = SCHEMA_NAME) -> str:
    part = subschema(path, name)
    if "enum" in part:
        return f"{part.get('description', '')}: one of {', '.join(map(str, part['enum']))}".lstrip(": ")
    return str(part.get("description", "a value"))


def _explain(keys: Keys, error: ValidationError, problems: Problems) -> None:
    """One schema violation in words."""
    path: Path = tuple(error.absolute_path)
    kind = str(error.validator)
    limit: Any = error.validator_value
    value: Any = error.instance
    governing: Any = error.schema
    if kind == "required":
        missing = next(k for k in limit if k not in value and f"'{k}'" in error.message)
        file, line = keys.where(path) if path else (keys.main, None)
        problems.add(
            "nothing", _described((*path, missing), keys.schema), file=file, line=line, key=dotted((*path, missing))
        )
    elif kind in {"additionalProperties", "unevaluatedProperties"}:
        known = list(_resolved(governing, keys.schema).get("properties", {}))
        unknown = [name for name in value if name not in known]
        for name in unknown[:_UNKNOWN_NAMED]:
            _note(keys, problems, (*path, name), "an unknown key", _nearest(keys, path, name, known))
        if len(unknown) > _UNKNOWN_NAMED:
            rest = f"{len(unknown) - _UNKNOWN_NAMED} more unknown keys"
            _note(keys, problems, (*path, unknown[_UNKNOWN_NAMED]), rest, f"one of {', '.join(known)}")
    elif kind == "type":
        words = [_TYPE_WORDS[t] for t in ([limit] if isinstance(limit, str) else limit)]
        _note(keys, problems, path, shown(value), f"{' or '.join(words)}: {_described(path, keys.schema)}")
    elif kind in {"enum", "anyOf"}:
        near = difflib.get_close_matches(str(value), [str(x) for x in limit], 1) if kind == "enum" else []
        hint = f" (perhaps {near[0]})" if near else ""
        _note(keys, problems, path, shown(value), _described(path, keys.schema) + hint)
    elif kind in {"minimum", "exclusiveMinimum", "maximum", "exclusiveMaximum"}:
        words_of = {
            "minimum": "at least",
            "exclusiveMinimum": "above",
            "maximum": "at most",
            "exclusiveMaximum": "below",
        }
        _note(keys, problems, path, shown(value), f"{words_of[kind]} {limit:g}: {_described(path, keys.schema)}")
    elif kind == "pattern" and value.strip() == "":
        _note(keys, problems, path, "empty text", _described(path, keys.schema))
    elif kind in {"maxLength", "maxItems", "maxProperties"}:
        _note(keys, problems, path, f"{len(value)} of them", f"at most {limit}")
    else:
        _note(keys, problems, path, shown(value), _described(path, keys.schema))


def _nearest(keys: Keys, path: Path, name: str, known: list[str]) -> str:
    near = difflib.get_close_matches(name, known, 1, 0.5)
    return f"perhaps {near[0]}: {_described((*path, near[0]), keys.schema)}" if near else f"one of {', '.join(known)}"


def is_date(text: str) -> bool:
    try:
        return dt.date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def _cross_check(keys: Keys, problems: Problems) -> None:
    said = keys.values

    def note(key: str, found: str, expected: str) -> None:
        _note(keys, problems, (key,), found, expected)

    def need(key: str, expected: str) -> None:
        problems.add("nothing", expected, file="session.toml", key=key)

    dates: list[Path] = [
        ("date",),
        *(("prices", i, "date") for i, p in enumerate(said.get("prices", ())) if "date" in p),
    ]
    for path in dates:
        text = said["date"] if len(path) == 1 else said["prices"][path[1]]["date"]
        if not is_date(text):
            _note(keys, problems, path, shown(text), _described(path))
    if said["powered"] and "drive_voltage_v" in said:
        note(
            "drive_voltage_v",
            f"{said['drive_voltage_v']} for a powered speaker",
            "no such key: the voltage is meant for passive speakers",
        )
    if not said["powered"] and "drive_voltage_v" not in said:
        need(
            "drive_voltage_v", "the voltage at the terminals during the measurement, since powered = false (e.g. 2.83)"
        )
    if said.get("level_is") == "spl_at_distance" and "distance_m" not in said:
        need("distance_m", 'the microphone distance in metres, since level_is = "spl_at_distance"')
    low, high = said.get("valid_from_hz"), said.get("valid_to_hz")
    if low is not None and high is not None and low >= high:
        note("valid_to_hz", f"{high:g}, not above valid_from_hz = {low:g}", "a frequency above valid_from_hz")
    if (band := said.get("drive_band")) is not None:
        if said["kind"] != "subwoofer":
            note(
                "drive_band", f"a band for a {said['kind']}", "no such key: drives of other kinds refer to 300 Hz–3 kHz"
            )
        elif band[0] >= band[1]:
            note("drive_band", f"{figures.span(*band)} Hz", "the lower end first, e.g. [40, 80]")
    for key in ("claim_pair", "claim_distance_m"):
        if key in said and "claimed_max_db" not in said:
            need("claimed_max_db", f"the claimed level that {key} goes with")
    for name, sd in said.get("uncertainty", {}).items():
        if isinstance(sd, list) and any(b[0] <= a[0] for a, b in itertools.pairwise(sd)):
            _note(
                keys, problems, ("uncertainty", name), "frequencies that do not rise", _described(("uncertainty", name))
            )
    if "slug" not in said and not slugify(said["maker"], said["model"]):
        need("slug", "a short name in Latin letters, since maker and model hold none")


def _check_bands(keys: Keys, problems: Problems) -> None:
    """Hold the bands against each other and against the gates, those that are none left out."""
    said = keys.values
    bands = {i: b for i, b in enumerate(_listed(said.get("bands"))) if _is_band(b)}
    lengths = {i: b.get("gate_ms", said.get("gate_ms")) for i, b in bands.items()}

    def note(i: int, key: str, found: str, expected: str) -> None:
        _note(keys, problems, ("bands", i, key), found, expected)

    if bands and all(b["method"] in BAND_METHODS and b["method"] != GATED for b in bands.values()):
        for key in ("gate_ms", "method"):
            if key in said and said[key] != BLANK and (key == "gate_ms" or said[key] == GATED):
                found = f"{shown(said[key])}, where none of [[bands]] is gated"
                _note(keys, problems, (key,), found, f'a band with method = "{GATED}", or no gate')
    for i, band in bands.items():
        low, high, gate_ms = band["from_hz"], band["to_hz"], lengths[i]
        if low >= high:
            note(i, "to_hz", f"{high:g}, not above from_hz = {low:g}", f"a frequency above {low:g}")
        if band["method"] != GATED:
            if "gate_ms" in band and band["method"] in BAND_METHODS:
                found = f"{shown(band['gate_ms'])} in a band that is not gated"
                note(i, "gate_ms", found, "gate_ms in a gated band only")
        elif gate_ms is None:
            note(i, "gate_ms", "nothing", "the gate's length in milliseconds, since this band is gated (e.g. 4.4)")
        elif _is_positive(gate_ms) and low < (least := MERGED / gate_ms * 1000.0) * (1 - 1e-9):
            from_hz = figures.plain(math.ceil(least * 10.0 - 1e-9) / 10.0)
            found = f"{low:g}, where a gate of {gate_ms:g} ms tells nothing below {from_hz} Hz (1/gate_ms)"
            note(i, "from_hz", found, f"{from_hz} or more, and what was merged below that in a band of its own")
    order = sorted(bands, key=lambda i: float(bands[i]["from_hz"]))
    for lower, upper in itertools.pairwise(order):
        end, start = bands[lower]["to_hz"], bands[upper]["from_hz"]
        if not math.isclose(end, start, rel_tol=1e-6):
            what = "an overlap with" if start < end else "a gap above"
            found = f"{start:g}, {what} the band below it, which ends at {end:g}"
            note(upper, "from_hz", found, f"bands that meet: from_hz = {end:g}, or another to_hz below it")


def _listed(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def _is_band(value: Any) -> bool:
    ends = [value.get(key) for key in ("from_hz", "to_hz")] if isinstance(value, dict) else [None]
    return all(map(_is_positive, ends)) and isinstance(value.get("method"), str)


def _is_positive(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and value > 0


_PLAIN_FIELDS = {f.name for f in fields(SessionInfo)} - {
    "slug",
    "bands",
    "smoothing_oct",
    "uncertainty",
    "electronics",
    "prices",
}


def warn_of_gates(info: SessionInfo, lowest_hz: float, problems: Problems) -> None:
    """Say what a gate takes of data that go down to lowest_hz."""
    low, _ = gates.counted_hz(info)
    counts = f"nothing below {figures.hertz(low or 0.0, 3)} counts"
    if gates.of_unknown_length(info):
        as_of = "" if info.valid_from_hz else f", and {counts}, as of a gate of {figures.plain(gates.SHAPE_MS)} ms"
        problems.warn(
            f"gated without gate_ms: what it resolves is not known; shape metrics are withheld{as_of}. "
            "Say gate_ms, and in [[bands]] what was merged below"
        )
        return
    gate_ms, declared = info.gate_ms, info.valid_from_hz or 0.0
    if info.bands:
        gate_ms, declared = info.bands[0].gate_ms, max(declared, info.bands[0].from_hz)
    if gate_ms is not None and low is not None and low > declared and lowest_hz < low * (1 - 1e-9):
        problems.warn(
            f"a gate of {figures.plain(gate_ms)} ms: {counts} (2/gate_ms); where something that reaches lower was "
            "merged below, say so in [[bands]]"
        )


def build(said: Mapping[str, Any]) -> SessionInfo:
    """A SessionInfo from keys that passed `check`."""
    smoothing = said.get("smoothing_oct")
    return SessionInfo(
        slug=said.get("slug") or slugify(said["maker"], said["model"]),
        smoothing_oct=None if smoothing is None else float(Fraction(str(smoothing))),
        uncertainty={name: _sd(sd) for name, sd in said.get("uncertainty", {}).items()},
        electronics={k: v if isinstance(v, bool | str) else float(v) for k, v in said.get("electronics", {}).items()},
        bands=_bands(said),
        prices=tuple(Price(**{**p, "amount": float(p["amount"])}) for p in said.get("prices", ())),
        **{key: _as_field(key, value) for key, value in said.items() if key in _PLAIN_FIELDS},
    )


def _bands(said: Mapping[str, Any]) -> tuple[Band, ...]:
    """Ascending, each with its own gate."""
    found = [
        Band(
            float(b["from_hz"]),
            float(b["to_hz"]),
            b["method"],
            float(b.get("gate_ms", said.get("gate_ms"))) if b["method"] == GATED else None,
        )
        for b in said.get("bands", ())
    ]
    return tuple(sorted(found, key=lambda b: b.from_hz))


_WHOLE = ("repeat", "year", "zero_sample")


def _as_field(key: str, value: Any) -> Any:
    if isinstance(value, list):
        return tuple(float(one) for one in value)
    if isinstance(value, int) and not isinstance(value, bool):
        return int(value) if key in _WHOLE else float(value)
    return value.strip() if isinstance(value, str) else value


def _sd(said: float | list[list[float]]) -> float | tuple[tuple[float, float], ...]:
    return tuple((float(f), float(s)) for f, s in said) if isinstance(said, list) else float(said)
