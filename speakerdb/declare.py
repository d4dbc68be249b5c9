"""Questions declared once: a question is a frozen data class, and its fields are what one can ask. The command line,
the addresses, the forms of the pages and Python read the same fields, and one check (`fault`) finds what is wrong with
them.

An answer is a data class too: its fields are those of the JSON document, in order, and a table is a polars frame that
names the class of its rows: Annotated[pl.DataFrame, Row]. From these classes come the JSON Schemas. Standard library
only: `--help` loads nothing else.
"""

from __future__ import annotations

import math
import shlex
import sys
import types
from collections.abc import Callable, Mapping
from dataclasses import MISSING, Field, dataclass, fields, is_dataclass
from typing import (
    TYPE_CHECKING,
    Any,
    ClassVar,
    Concatenate,
    Generic,
    Literal,
    ParamSpec,
    TypeVar,
    Union,
    cast,
    get_args,
    get_origin,
)
from urllib.parse import quote, urlencode

from speakerdb import figures
from speakerdb.errors import RequestError

if TYPE_CHECKING:
    import polars as pl

LONGEST = 200  # characters of a word in a question


class AskError(RequestError):
    """Something is wrong with one field of a question. `field`: its name."""

    def __init__(self, field: str, message: str) -> None:
        super().__init__(message)
        self.field = field


@dataclass(frozen=True)
class Ask:
    """What stands beside a field of a question.

    help: a sentence. label: its heading in a form (default: its name). unit: of a number. place: its position on the
    command line, where it needs no option; option: its name there, where it is another. above, least, most: limits of a
    number. switches: word -> help of words that are options of their own on the command line. keeps: (column of the
    field, comparison) of a filter. local: a file of this machine, so no address has it.
    """

    help: str
    label: str = ""
    unit: str = ""
    place: int | None = None
    option: str = ""
    above: float | None = None
    least: float | None = None
    most: float | None = None
    switches: tuple[tuple[str, str], ...] = ()
    keeps: tuple[str, Literal["==", ">=", "<="]] | None = None
    local: bool = False


@dataclass(frozen=True)
class Told:
    """What a column or field of an answer means; pattern: what its text looks like."""

    meaning: str
    pattern: str | None = None

    def __get_pydantic_json_schema__(self, core: Any, handler: Callable[[Any], dict[str, Any]]) -> dict[str, Any]:
        return {**handler(core), "description": self.meaning, **({"pattern": self.pattern} if self.pattern else {})}


@dataclass(frozen=True)
class Part:
    """One field of a question, as it is read: its plain type, whether it may be left out, may be repeated, its
    words."""

    name: str
    type: type
    ask: Ask
    default: Any
    many: bool
    words: tuple[str, ...]

    @property
    def needed(self) -> bool:
        return self.default is MISSING

    @property
    def is_open(self) -> bool:
        """Whether nothing may be said of it at a door: then a question that knows a default takes that."""
        return self.default is None or (self.many and not self.needed)

    @property
    def label(self) -> str:
        return self.ask.label or self.name.replace("_", " ").capitalize()

    @property
    def switch(self) -> str:
        """On the command line."""
        return self.ask.option or f"--{self.name.replace('_', '-')}"

    @property
    def limits(self) -> str:
        """What a number has to be, in words; empty where any will do."""
        least, most, above = (
            "" if limit is None else figures.plain(limit) for limit in (self.ask.least, self.ask.most, self.ask.above)
        )
        parts = [
            f"above {above}" if above else "",
            f"at least {least}" if least else "",
            f"at most {most}" if most else "",
        ]
        return " and ".join(part for part in parts if part)


def parts(question: type[Any]) -> tuple[Part, ...]:
    """The fields of a question that can be asked, those with a place on the command line first, in its order."""
    if question not in _PARTS:
        known = {
            part.name: part for base in question.__mro__[1:] if is_dataclass(base) for part in parts(base)
        }  # those that it inherits
        hints = {k: v for k, v in vars(question).get("__annotations__", {}).items() if k not in known}
        space = vars(sys.modules[question.__module__])
        found = [known.get(one.name) or _part(one, *get_args(eval(hints[one.name], space))) for one in fields(question)]
        _PARTS[question] = tuple(sorted(found, key=lambda part: (part.ask.place is None, part.ask.place or 0)))
    return _PARTS[question]


_PARTS: dict[type[Any], tuple[Part, ...]] = {}


def _part(one: Field[Any], kind: Any, ask: Ask) -> Part:
    optional = (
        [t for t in get_args(kind) if t is not types.NoneType]
        if get_origin(kind) in {types.UnionType, Union}
        else [kind]
    )
    many = get_origin(optional[0]) is tuple
    plain = get_args(optional[0])[0] if many else optional[0]
    words = get_args(plain) if get_origin(plain) is Literal else ()
    return Part(one.name, str if words else plain, ask, one.default, many, words)


def fault(part: Part, value: Any) -> str | None:
    """What is wrong with the value of a field, in words; None where nothing is."""
    for one in value if part.many else (value,):
        if one is None:
            continue
        if part.type in {float, int} and (
            isinstance(one, bool) or not isinstance(one, int if part.type is int else int | float)
        ):
            return f"{one!r} is not a {'whole ' if part.type is int else ''}number"
        if part.type in {float, int}:
            a = part.ask
            if not math.isfinite(one):
                return f"{one} is no number; expected {part.limits or 'a finite one'}"
            if (
                (a.least is not None and one < a.least)
                or (a.most is not None and one > a.most)
                or (a.above is not None and one <= a.above)
            ):
                return f"{figures.plain(one)} is outside its limits; expected {part.limits}"
        elif part.type is bool and not isinstance(one, bool):
            return f"{one!r} is neither yes nor no"
        elif part.type is str and not isinstance(one, str):
            return f"{one!r} is not a text"
        elif part.words and one not in part.words:
            return f"{one!r} is not one of {', '.join(part.words)}"
        elif part.type is str and not (one.strip() and len(one) <= LONGEST and "\0" not in one):
            return f"expected a text of 1 to {LONGEST} characters"
    if part.many and part.needed and not value:
        return "expected at least one"
    return None


A = TypeVar("A")
P = ParamSpec("P")


class Question(Generic[A]):
    """A question, with every field sound. A subclass is a frozen data class; its docstring is what every door says of
    it. Raises AskError.

    name: of the command, and of the method of `Database`. address: below /api, with {fields} of the question. example:
    fields that make sense to ask. pictures: what --out can draw, the first unless --picture says otherwise. files:
    suffixes of files that --out writes, as the answer's `as_file` gives them.
    needs_database: False of what is the same for every file.
    """

    name: ClassVar[str]
    address: ClassVar[str]
    example: ClassVar[Mapping[str, Any]]
    pictures: ClassVar[tuple[str, ...]] = ()
    files: ClassVar[tuple[str, ...]] = ()
    needs_database: ClassVar[bool] = True

    def __repr__(self) -> str:
        return as_python(self)

    def __post_init__(self) -> None:
        for part in parts(type(self)):
            value = getattr(self, part.name)
            if part.many:
                default = () if part.needed else part.default
                value = (value,) if isinstance(value, str) else tuple(value or default)
                object.__setattr__(self, part.name, value)
            if (wrong := fault(part, value)) is not None:
                raise AskError(part.name, f"{part.name}: {wrong}")
        self.check()

    def check(self) -> None:
        """What is wrong between fields. Raises AskError."""

    def answer(self, base: Any) -> A:
        """The answer from an open database."""
        raise NotImplementedError


def asks(question: Callable[P, Question[A]]) -> Callable[Concatenate[Any, P], A]:
    """The method of `Database` that asks this question, with its fields as arguments."""
    made = cast(type[Question[A]], question)

    def method(base: Any, /, *given: P.args, **named: P.kwargs) -> A:
        return cast(A, base.ask(question(*given, **named)))

    method.__name__ = method.__qualname__ = made.name
    method.__doc__ = f"{made.__doc__}\n\n{_arguments(made)}\n\nExample:\n    db.{as_python(made(**made.example))}"
    return method


def _arguments(question: type[Question[Any]]) -> str:
    return "\n".join(f"    {p.name}: {p.ask.help}" for p in parts(question))


def _said(question: Question[Any]) -> list[tuple[Part, Any]]:
    """The fields that say something, with their values: those that are not as they are when nothing is said."""
    values = [(part, getattr(question, part.name)) for part in parts(type(question))]
    return [(part, value) for part, value in values if part.needed or value != part.default]


def as_command(question: Question[Any]) -> str:
    """The command that asks this, to be copied."""
    arguments: list[str] = []
    for part, value in _said(question):
        for one in value if part.many else (value,):
            if part.ask.place is not None:
                arguments.append(typed(one))
            elif part.ask.switches:
                arguments.append(f"--{one.replace('_', '-')}")
            elif part.type is bool:
                on, _, off = part.switch.partition("/")
                arguments.append(on if one else off)
            else:
                arguments += [part.switch, typed(one)]
    return shlex.join(["speakerdb", type(question).name, *arguments])


def as_address(question: Question[Any]) -> str:
    """The address of the answer, below /api."""
    said = {part.name: value for part, value in _said(question) if not part.ask.local}
    path = type(question).address
    for name in [k for k in said if f"{{{k}}}" in path]:
        path = path.replace(f"{{{name}}}", quote(typed(said.pop(name)), safe=""))
    asked = [(k, typed(one)) for k, v in said.items() for one in (v if isinstance(v, tuple) else (v,))]
    return path + (f"?{urlencode(asked)}" if asked else "")


def as_python(question: Question[Any]) -> str:
    """The call that asks this, of an open database."""
    shown = [repr(v) if part.ask.place is not None else f"{part.name}={v!r}" for part, v in _said(question)]
    return f"{type(question).name}({', '.join(shown)})"


def typed(value: Any) -> str:
    """A value as one types it, in an address or a command: '1000', '0.5', 'yes'."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)


INNER: Mapping[str, bool] = {"inner": True}  # metadata of a field of an answer that its document does not have


@dataclass(frozen=True)
class Shape:
    """What the document of a field looks like, where it is made of plain dictionaries: a type form over classes of
    rows. in_rows: the answer's `rows` hold the same as a table, so a page shows that instead."""

    form: Any
    in_rows: bool = False


class Row:
    """A class of rows of a table, or of what stands within one. It is never made: its annotations are the columns, each
    with what it means. A column with a default may be absent."""


class Answer:
    """An answer: its fields are those of the document; `rows` is the main table. Columns and length are those of the
    rows."""

    if TYPE_CHECKING:
        rows: pl.DataFrame

    def __repr__(self) -> str:
        """'Ranking of 10 rows: rank, rank_low, …', and what has to stand beside it."""
        columns = ", ".join(self.rows.columns)
        return "\n".join(
            [f"{type(self).__name__} of {figures.count(len(self), 'row')}: {columns}", *getattr(self, "cautions", ())]
        )

    def __len__(self) -> int:
        return len(self.rows)

    def as_file(self, suffix: str) -> str:
        """What a file of one of the question's suffixes holds."""
        raise NotImplementedError

    def __getitem__(self, column: str) -> pl.Series:
        return self.rows[column]

    def _repr_html_(self) -> str:
        said = "".join(f"<li>{one}</li>" for one in getattr(self, "cautions", ()))
        return self.rows._repr_html_() + (f"<ul>{said}</ul>" if said else "")
