"""The reviewer's text with placeholders: filled from the database, and held against it again later.

Beside the filled text lies a small JSON file of what was filled, where, and in which state of the database. Run again,
the draft is filled anew and everything that no longer agrees is told.
"""

from __future__ import annotations

import difflib
import hashlib
import inspect
import json
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from speakerdb.charts import saving
from speakerdb.errors import ErrorItem, RequestError, SpeakerdbError
from speakerdb.files import MAX_LIST_BYTES, read_file, refuse_odd
from speakerdb.report.placeholders import Scope

if TYPE_CHECKING:
    from jinja2.sandbox import ImmutableSandboxedEnvironment

    from speakerdb.library import Database

_TEMPLATE = "<draft>"


@dataclass(frozen=True)
class Filled:
    """One placeholder as it was filled. line: of the draft; text: what stands there now; mark: of a picture, a hash of
    what it shows."""

    line: int
    placeholder: str
    text: str
    mark: str | None = None


@dataclass(frozen=True)
class Stale:
    """A filled text that no longer agrees with the database."""

    line: int
    placeholder: str
    was: str
    now: str
    was_state: str


@dataclass(frozen=True)
class DraftResult:
    """out: the filled text; record: its JSON file; filled in order; stale since the last filling; written: False for a
    check."""

    out: Path
    record: Path
    state: str
    filled: list[Filled]
    stale: list[Stale]
    written: bool


def draft(base: Database, source: str | Path, out: str | Path | None = None, *, check: bool = False) -> DraftResult:
    """Fill a draft, or only check what was filled before.

    out: default FILE.filled.md beside the draft. Raises RequestError for a draft that can't be read, for wrong
    placeholders (all at once, each with its line), and where the filled text was edited by hand since.
    """
    origin = Path(source)
    target = Path(out) if out is not None else origin.with_name(f"{origin.stem}.filled{origin.suffix or '.md'}")
    if target.resolve() == origin.resolve():
        raise RequestError(f"{target} is the draft itself: the filled text needs a file of its own")
    record = target.with_name(target.name + ".json")
    text = _read(origin)
    scope = Scope(base, target.with_name(f"{target.stem}-charts"))
    state = base.state.state
    filler = _Filler(scope, origin)
    result = filler.fill(text)
    before = _read_record(record)
    stale = _compare(before, filler.filled) if before else []
    if check:
        return DraftResult(target, record, state, filler.filled, stale, written=False)
    if before and target.exists() and _hash(target.read_bytes()) != before["sha256"]:
        raise RequestError(
            f"{target} was edited since it was filled, and filling again would overwrite that; move the "
            f"edits into {origin}, or give "
            "another file by --out. What no longer agrees is told by --check"
        )
    _write(target, record, result, filler.filled, state, origin)
    if scope.drawn:
        scope.charts.mkdir(exist_ok=True)
    for name, picture in scope.drawn.items():
        saving.save(picture.chart, scope.charts / name)
    return DraftResult(target, record, state, filler.filled, stale, written=True)


def _read(origin: Path) -> str:
    try:
        refuse_odd(origin)
        return origin.read_text(encoding="utf-8")
    except OSError as error:
        raise RequestError(f"{origin} can't be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise RequestError(f"{origin} is not UTF-8 text (byte {error.start}): save it as UTF-8") from error


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _write(target: Path, record: Path, text: str, filled: list[Filled], state: str, origin: Path) -> None:
    if not target.parent.is_dir():
        raise RequestError(f"{target} can't be written: there is no folder {target.parent}")
    content = text.encode()
    saving.write(target, content)
    notes = {
        "format": 1,
        "source": origin.name,
        "state": state,
        "sha256": _hash(content),
        "filled": [asdict(f) for f in filled],
    }
    saving.write(record, (json.dumps(notes, ensure_ascii=False, indent=1) + "\n").encode())


def _read_record(record: Path) -> dict[str, Any] | None:
    """What was filled last time; None for the first time."""
    if not record.exists():
        return None
    try:
        found = json.loads(read_file(record, MAX_LIST_BYTES))
        for entry in found["filled"]:
            Filled(**entry)
        return {"state": str(found["state"]), "sha256": str(found["sha256"]), "filled": found["filled"]}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise RequestError(
            f"{record} is not what `speakerdb draft` wrote ({type(error).__name__}): delete it to start "
            "anew, then nothing can be held "
            "against the last filling"
        ) from error


def _compare(before: dict[str, Any], filled: list[Filled]) -> list[Stale]:
    """What reads otherwise now: the n-th use of a placeholder is held against its n-th use then."""
    earlier: dict[str, list[Filled]] = {}
    for entry in before["filled"]:
        known = Filled(**entry)
        earlier.setdefault(known.placeholder, []).append(known)
    found = []
    for now in filled:
        uses = earlier.get(now.placeholder)
        if not uses:
            continue
        was = uses.pop(0)
        if now.placeholder == "state()":
            continue  # it names the state: it tells nothing of a number
        if was.text != now.text:
            found.append(Stale(now.line, now.placeholder, was.text, now.text, before["state"]))
        elif was.mark != now.mark:
            found.append(Stale(now.line, now.placeholder, "another picture", now.text, before["state"]))
    return found


@dataclass
class _Filler:
    """Runs the placeholders of one draft, recording each with its line; errors are gathered and raised together."""

    scope: Scope
    origin: Path
    filled: list[Filled] = field(default_factory=list)
    errors: list[ErrorItem] = field(default_factory=list)

    def fill(self, text: str) -> str:
        from jinja2.exceptions import TemplateSyntaxError

        environment = _environment()
        try:
            self._unknown_names(environment, text)
            code = environment.compile(text, name=_TEMPLATE, filename=_TEMPLATE)
        except TemplateSyntaxError as error:
            raise self._refused(
                [self._item(error.lineno, None, error.message or "a placeholder that can't be read")]
            ) from error
        template = environment.template_class.from_code(environment, code, self._functions(environment))
        self._line_of = template.get_corresponding_lineno
        result = ""
        if not self.errors:
            try:
                result = template.render()
            except Exception as error:  # whatever a placeholder's expression does wrong is the draft's error
                self.errors.append(self._item(_last_line(error), None, str(error) or type(error).__name__))
        if self.errors:
            raise self._refused(self.errors)
        return result

    def _unknown_names(self, environment: ImmutableSandboxedEnvironment, text: str) -> None:
        """Names that are neither placeholders nor set in the draft, each with its line and the nearest valid one."""
        from jinja2 import meta, nodes

        tree = environment.parse(text)
        unknown = meta.find_undeclared_variables(tree) - set(self.scope.functions) - set(environment.globals)
        for node in tree.find_all(nodes.Name):
            if node.name in unknown:
                near = difflib.get_close_matches(node.name, [*self.scope.functions], 1, 0.0)[0]
                self.errors.append(
                    self._item(node.lineno, node.name, f"no placeholder of this name; the nearest is {near}")
                )

    def _functions(self, environment: ImmutableSandboxedEnvironment) -> dict[str, Any]:
        wrapped = {name: self._recorded(name, function) for name, function in self.scope.functions.items()}
        return {**environment.globals, **wrapped}

    def _recorded(self, name: str, function: Callable[..., str]) -> Callable[..., str]:
        signature = inspect.signature(function)

        def call(*args: Any, **kwargs: Any) -> str:
            line = self._calling_line()
            shown = f"{name}({', '.join([*map(_quoted, args), *(f'{k}={_quoted(v)}' for k, v in kwargs.items())])})"
            try:
                signature.bind(*args, **kwargs)
                text = function(*args, **kwargs)
            except TypeError as error:
                wanted = ", ".join(signature.parameters)
                self.errors.append(self._item(line, shown, f"{name} takes {wanted or 'nothing'} ({error})"))
                return ""
            except SpeakerdbError as error:
                self.errors.append(self._item(line, shown, error.message))
                return ""
            self.filled.append(Filled(line, shown, text, self._mark(text)))
            return text

        return call

    def _mark(self, text: str) -> str | None:
        """The hash of what a picture shows, where the text links to one."""
        picture = self.scope.drawn.get(text.rpartition("/")[2].rstrip(")")) if text.startswith("![") else None
        return picture.mark if picture else None

    def _calling_line(self) -> int:
        """The line of the draft that is being filled."""
        frame = sys._getframe(1)
        while frame is not None and frame.f_code.co_filename != _TEMPLATE:
            frame = frame.f_back  # type: ignore[assignment]
        return int(self._line_of(frame.f_lineno)) if frame is not None else 0

    def _item(self, line: int | None, key: str | None, problem: str) -> ErrorItem:
        return ErrorItem(file=str(self.origin), line=line, found=f"{key}: {problem}" if key else problem)

    def _refused(self, items: list[ErrorItem]) -> RequestError:
        count = f"{len(items)} placeholders" if len(items) > 1 else "a placeholder"
        return RequestError(f"{self.origin}: {count} can't be filled; nothing was written", items)


def _environment() -> ImmutableSandboxedEnvironment:
    """Jinja without access to anything but the placeholders. Comments are {!-- --!}, since {# is common in Markdown
    headings."""
    from jinja2 import StrictUndefined
    from jinja2.sandbox import ImmutableSandboxedEnvironment

    return ImmutableSandboxedEnvironment(
        undefined=StrictUndefined,
        autoescape=False,
        keep_trailing_newline=True,
        trim_blocks=True,
        lstrip_blocks=True,
        comment_start_string="{!--",
        comment_end_string="--!}",
    )


def _quoted(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str | list | int | float) else repr(value)


def _last_line(error: BaseException) -> int | None:
    """The line of the draft in which an error arose; Jinja puts it into the traceback."""
    found, trace = None, error.__traceback__
    while trace is not None:
        if trace.tb_frame.f_code.co_filename == _TEMPLATE:
            found = trace.tb_lineno
        trace = trace.tb_next
    return found
