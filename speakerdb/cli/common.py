"""What the commands share: the program that they belong to, options, opening the file, choosing between text and JSON."""

from __future__ import annotations

import functools
import inspect
import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from speakerdb import figures
from speakerdb.cli import terminal

if TYPE_CHECKING:
    from speakerdb.analysis.metric_column import Target
    from speakerdb.library import Database, Selection

DEFAULT_FILE = "speakers.duckdb"

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Put loudspeaker measurements into one database in comparable numbers, and ask it questions.",
    epilog="Exit codes: 0 done, 1 the data or the request can't be served (the message says why), 2 usage.",
)

DbOption = Annotated[
    Path | None,
    typer.Option("--db", help="Database file. Default: $SPEAKERDB_FILE, else ./speakers.duckdb", show_default=False),
]
JsonOption = Annotated[bool, typer.Option("--json", help="One JSON document on standard output.")]
MetricsOption = Annotated[
    list[str] | None, typer.Option("--metric", help="Only this metric; may be repeated. Default: all that are ranked.")
]
ExactOption = Annotated[bool, typer.Option("--exact", help="Take the speaker's name as the whole slug.")]
SettingOption = Annotated[str | None, typer.Option("--setting", help="Another setting than the default one.")]
AllSettingsOption = Annotated[bool, typer.Option("--all-settings", help="Each setting by itself.")]
AbsoluteOption = Annotated[bool, typer.Option("--absolute", help="Include the bench's own error.")]
AnotherUnitOption = Annotated[
    bool, typer.Option("--another-unit", help="About a unit you would buy, not those measured.")
]
TopOption = Annotated[int | None, typer.Option("--top", min=1, help="Only the first N.")]
SpeakerArgument = Annotated[str, typer.Argument(help="A speaker's slug, or any unambiguous part of it.")]

KindOption = Annotated[str | None, typer.Option("--kind", help="Only this kind, e.g. bookshelf or monitor.")]
PriceMinOption = Annotated[float | None, typer.Option("--price-min", min=0, help="Lowest price of a pair.")]
PriceMaxOption = Annotated[float | None, typer.Option("--price-max", min=0, help="Highest price of a pair.")]
PriceKindOption = Annotated[
    str | None, typer.Option("--price-kind", help="list, street or sale. Default: street, else list.")
]
CurrencyOption = Annotated[str | None, typer.Option("--currency", help="Currency of prices. Default: the commonest.")]
RatesOption = Annotated[
    Path | None, typer.Option("--rates", help="CSV from,to,rate: converts prices in other currencies.")
]
YearMinOption = Annotated[int | None, typer.Option("--year-min", help="Not older than this year.")]
YearMaxOption = Annotated[int | None, typer.Option("--year-max", help="Not newer than this year.")]
VolumeMaxOption = Annotated[float | None, typer.Option("--volume-max", min=0, help="Largest outer volume, litres.")]
HeightMaxOption = Annotated[float | None, typer.Option("--height-max", min=0, help="Greatest height, mm.")]
WidthMaxOption = Annotated[float | None, typer.Option("--width-max", min=0, help="Greatest width, mm.")]
DepthMaxOption = Annotated[float | None, typer.Option("--depth-max", min=0, help="Greatest depth, mm.")]
MassMaxOption = Annotated[float | None, typer.Option("--mass-max", min=0, help="Greatest mass, kg.")]
PoweredOption = Annotated[
    bool | None, typer.Option("--powered/--passive", help="Only powered, or only passive, speakers.")
]


def database_path(db: Path | None) -> Path:
    """--db, else the environment, else ./speakers.duckdb."""
    return db or Path(os.environ.get("SPEAKERDB_FILE") or DEFAULT_FILE)


def open_database(db: Path | None, *, write: bool = False) -> Database:
    """Open the database that the options name."""
    from speakerdb.library import Database

    return Database.open(database_path(db), write=write)


def open_existing(db: Path | None) -> Database:
    """Open for writing a file that must be there already."""
    if not database_path(db).exists():
        open_database(db).close()  # opening for reading says in plain words that there is none
    return open_database(db, write=True)


_FILTERS: dict[str, Any] = {
    "kind": KindOption, "price_min": PriceMinOption, "price_max": PriceMaxOption, "price_kind": PriceKindOption,
    "currency": CurrencyOption, "rates": RatesOption, "year_min": YearMinOption, "year_max": YearMaxOption, "volume_max": VolumeMaxOption,
    "height_max": HeightMaxOption, "width_max": WidthMaxOption, "depth_max": DepthMaxOption,
    "mass_max": MassMaxOption, "powered": PoweredOption, "all_settings": AllSettingsOption,
}  # fmt: skip


def with_filters(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the filter options; it receives them as one `selection`."""

    @functools.wraps(command)
    def wrapped(**given: Any) -> None:
        filters = {name: given.pop(name) for name in _FILTERS}
        command(selection=_selection(**filters), **given)

    signature = inspect.signature(command)
    own = [  # annotations are text here; `selection` is not an option, and its type is not loaded for --help
        p.replace(kind=p.KEYWORD_ONLY, annotation=eval(p.annotation, command.__globals__))
        for p in signature.parameters.values()
        if p.name != "selection"
    ]
    added = [
        inspect.Parameter(
            n, inspect.Parameter.KEYWORD_ONLY, default=False if n == "all_settings" else None, annotation=a
        )
        for n, a in _FILTERS.items()
    ]
    wrapped.__signature__ = signature.replace(parameters=[*own, *added])  # type: ignore[attr-defined]
    wrapped.__annotations__ = {p.name: p.annotation for p in [*own, *added]}
    return wrapped


def _selection(*, kind: str | None, price_kind: str | None, currency: str | None, rates: Path | None, all_settings: bool,
               volume_max: float | None, height_max: float | None, width_max: float | None, depth_max: float | None,
               mass_max: float | None, **same_name: Any) -> Selection:  # fmt: skip
    """The filter options as a Selection; a usage error for a kind that does not exist."""
    from speakerdb.analysis.filters import Filters
    from speakerdb.library import Selection
    from speakerdb.session import KINDS
    from speakerdb.upkeep import curation

    one_of(kind, KINDS, "--kind")
    one_of(price_kind, ("list", "street", "sale"), "--price-kind")
    filters = Filters(
        kind=kind, volume_max_l=volume_max, height_max_mm=height_max, width_max_mm=width_max, depth_max_mm=depth_max,
        mass_max_kg=mass_max, **same_name,
    )  # fmt: skip
    table = curation.read_rates(rates) if rates else None
    return Selection(filters, currency.upper() if currency else None, price_kind, all_settings, table)


def target_of(absolute: bool, another_unit: bool) -> Target:
    """What --absolute and --another-unit ask for; as measured where neither is given. A usage error for both."""
    if absolute and another_unit:
        raise typer.BadParameter(
            "already includes what --absolute does: give one of the two", param_hint="--another-unit"
        )
    return "another_unit" if another_unit else "absolute" if absolute else "as_measured"


def one_of(given: str | None, known: tuple[str, ...], option: str) -> None:
    """A usage error unless the given word is one of those known."""
    if given is not None and given not in known:
        raise typer.BadParameter(f"{given!r} is not one of {', '.join(known)}", param_hint=option)


def cite(db: Database) -> None:
    """The line that lets an answer be cited."""
    state = db.state
    terminal.line(f"\nstate {state.state} · {figures.count(state.speakers, 'speaker')} · {state.date}")


def emit(document: dict[str, Any]) -> None:
    """One JSON document on standard output."""
    sys.stdout.write(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=None) + "\n")
