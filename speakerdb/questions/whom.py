"""Whom a question is about: the filters that many questions share. A new filter is one field here, and the column that
it keeps."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from speakerdb.declare import Ask, AskError, parts
from speakerdb.terms import Kind, PriceKind

if TYPE_CHECKING:
    from speakerdb.field.selection import Selection


@dataclass(frozen=True, kw_only=True, repr=False)
class Whom:
    """Speakers that pass every filter; limits include their ends. Prices are of what is bought (a pair; one of a
    kind that stands alone), in one currency."""

    kind: Annotated[Kind | None, Ask("Only this kind.", keeps=("kind", "=="))] = None
    enclosure: Annotated[str | None, Ask("Only this enclosure, e.g. sealed or vented.", keeps=("enclosure", "=="))] = (
        None
    )
    powered: Annotated[
        bool | None,
        Ask("Only powered, or only passive, speakers.", option="--powered/--passive", keeps=("powered", "==")),
    ] = None
    price_min: Annotated[
        float | None,
        Ask(
            "Lowest price: of a pair, or of one where the kind stands alone.",
            "Price from",
            least=0,
            most=1e9,
            keeps=("price", ">="),
        ),
    ] = None
    price_max: Annotated[
        float | None,
        Ask(
            "Highest price: of a pair, or of one where the kind stands alone.",
            "Price to",
            least=0,
            most=1e9,
            keeps=("price", "<="),
        ),
    ] = None
    price_kind: Annotated[PriceKind | None, Ask("The kind of price. Default: street, else list.", "Kind of price")] = (
        None
    )
    currency: Annotated[str | None, Ask("Currency of prices. Default: the commonest.")] = None
    rates: Annotated[Path | None, Ask("CSV from,to,rate: converts prices in other currencies.", local=True)] = None
    year_min: Annotated[
        int | None, Ask("Not older than this year.", "Year from", least=1800, most=2200, keeps=("year", ">="))
    ] = None
    year_max: Annotated[
        int | None, Ask("Not newer than this year.", "Year to", least=1800, most=2200, keeps=("year", "<="))
    ] = None
    volume_max: Annotated[
        float | None,
        Ask("Largest outer volume, litres.", "Volume to", "l", least=0, most=1e5, keeps=("volume_l", "<=")),
    ] = None
    height_max: Annotated[
        float | None, Ask("Greatest height, mm.", "Height to", "mm", least=0, most=1e5, keeps=("height_mm", "<="))
    ] = None
    width_max: Annotated[
        float | None, Ask("Greatest width, mm.", "Width to", "mm", least=0, most=1e5, keeps=("width_mm", "<="))
    ] = None
    depth_max: Annotated[
        float | None, Ask("Greatest depth, mm.", "Depth to", "mm", least=0, most=1e5, keeps=("depth_mm", "<="))
    ] = None
    mass_max: Annotated[
        float | None, Ask("Greatest mass, kg.", "Mass to", "kg", least=0, most=1e5, keeps=("mass_kg", "<="))
    ] = None
    all_settings: Annotated[bool, Ask("Each setting by itself.")] = False

    def selection(self) -> Selection:
        """The filters as the field takes them. Raises DataError for a table of rates that can't be read, AskError for
        no currency."""
        from speakerdb.analysis.filters import Limit
        from speakerdb.field.selection import Selection, read_rates

        if self.currency is not None and not (len(self.currency) == 3 and self.currency.isalpha()):
            raise AskError(
                "currency", f"currency: {self.currency!r} is no currency; expected three letters such as EUR"
            )
        asked = [(p.name, p.ask.keeps, getattr(self, p.name)) for p in parts(type(self)) if p.ask.keeps]
        limits = tuple(Limit(name, *keeps, value) for name, keeps, value in asked if value is not None)
        rates = None if self.rates is None else read_rates(Path(self.rates))
        return Selection(
            limits, self.currency.upper() if self.currency else None, self.price_kind, self.all_settings, rates
        )
