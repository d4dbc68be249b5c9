"""Who measured what, when and how: the visits of the tool library's two benches, the shed and the attic."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta

from seed_data.catalogue import catalogue
from seed_data.model.design import Design
from seed_data.model.noise import generator

FORMS = ("parquet", "csv.gz", "csv.gz", "parquet", "parquet")


@dataclass(frozen=True)
class Visit:
    """One session to be written. `angles`: all, horizontal, front; `points` per octave of the exported curves."""

    design: Design
    lab: str
    method: str
    day: str
    sample: str
    setting: str
    form: str = "parquet"
    repeat: int = 1
    angles: str = "all"
    points: int = 24
    smoothing_oct: float | None = None
    gate_ms: float | None = None
    valid_hz: tuple[float | None, float | None] = (None, None)
    level_is: str = "spl_1m"
    distance_m: float = 1.0
    symmetric: bool = False
    sweeps: bool = True
    first_drive_db: float = 80.0
    impedance: bool = True
    percent: bool = False
    price: tuple[str, float, str] | None = None  # kind, share of the catalogue's price, date
    notes: str | None = None
    uncertainty: dict[str, float] = field(default_factory=dict)

    @property
    def folder(self) -> str:
        """Name of the session's folder."""
        parts = [slug(self.design), self.lab, self.day, self.sample, self.setting]
        return "_".join([*parts, *([f"r{self.repeat}"] if self.repeat > 1 else [])])


def slug(design: Design) -> str:
    """A folder-safe name; the same as the speaker's slug in the database."""
    import unicodedata

    if design.slug:
        return design.slug
    text = unicodedata.normalize("NFKD", f"{design.maker} {design.model}").lower()
    text = "".join(c for c in text if not unicodedata.combining(c)).replace("+", "plus").replace("&", "and")
    return "-".join("".join(c if c.isascii() and c.isalnum() else " " for c in text).split())


def serial(design: Design, number: int) -> str:
    """Serial number of the n-th specimen."""
    return f"{int(generator('serial', slug(design), number).integers(10, 9990)):04d}"


def first_visits() -> list[Visit]:
    """Every model once, the first specimen, in its first setting; two benches take turns."""
    out = []
    start = date(2025, 9, 6)
    for index, design in enumerate(catalogue()):
        lab, method = (("shed", "near-field-scan"), ("attic", "anechoic"))[index % 3 == 2]
        day = (start + timedelta(days=3 * index)).isoformat()
        out.append(
            Visit(
                design, lab, method, day, serial(design, 1), design.settings[0].name, FORMS[index % len(FORMS)],
                price=("list", 1.0, day),
            )
        )  # fmt: skip
    return out


def visits() -> list[Visit]:
    """The whole fleet."""
    return first_visits()
