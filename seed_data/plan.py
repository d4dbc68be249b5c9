"""Who measured what, when and how: the visits to the tool library's two benches, the shed and the attic."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, replace
from datetime import date, timedelta

from seed_data.catalogue import catalogue
from seed_data.model.air import FloatArray
from seed_data.model.design import Design
from seed_data.model.noise import generator
from seed_data.model.speaker import FINE_ORBIT_DEG, ORBIT_DEG

START = date(2025, 9, 6)
METHOD = {"shed": "near-field-scan", "attic": "anechoic"}
POUND = 0.86  # pounds to the euro, 2026; only the maker of a price list needs it


@dataclass(frozen=True)
class PriceTag:
    """A price seen: the kind, the share of the catalogue's price, the currency, the day."""

    kind: str
    share: float
    currency: str
    day: str


@dataclass(frozen=True)
class Visit:
    """One session to be written.

    form: parquet, csv.gz, csv, traces (one text file per curve), sofa. angles: all, fine (5° steps), horizontal, front.
    points: per octave, of the exported curves. valid_hz: declared limits; the curves are cut a little outside them.
    """

    design: Design
    lab: str
    day: str
    sample: str
    setting: str
    method: str
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
    percent: bool = False
    prices: tuple[PriceTag, ...] = ()
    uncertainty: tuple[tuple[str, float], ...] = ()
    notes: str | None = None

    @property
    def calibration(self) -> str:
        """Both benches had their microphones calibrated at the end of August 2025."""
        return "2025-08" if self.day >= "2025-09-01" else "2024-08"

    @property
    def orbit_deg(self) -> FloatArray:
        """The angles that the turntable stops at on each orbit."""
        return FINE_ORBIT_DEG if self.angles == "fine" else ORBIT_DEG

    @property
    def folder(self) -> str:
        """Name of the session's folder."""
        parts = [slug(self.design), self.lab, self.day, self.sample, self.setting]
        return "_".join([*parts, *([f"r{self.repeat}"] if self.repeat > 1 else [])])


def slug(design: Design) -> str:
    """A folder-safe name; the same as the speaker's slug in the database."""
    if design.slug:
        return design.slug
    text = unicodedata.normalize("NFKD", f"{design.maker} {design.model}").lower()
    text = "".join(c for c in text if not unicodedata.combining(c)).replace("+", "plus").replace("&", "and")
    return "-".join("".join(c if c.isascii() and c.isalnum() else " " for c in text).split())


def serial(design: Design, number: int) -> str:
    """Serial number of the n-th specimen."""
    return f"{int(generator('serial', slug(design), number).integers(10, 9990)):04d}"


# What is special about a model's first visit. Each takes something away, so that each reason to withhold has its
# speaker.
FIRST_VISITS: dict[str, dict[str, object]] = {
    "Dibber": {"form": "csv"},
    "Sill Across": {"percent": True, "form": "csv.gz"},
    "Penstock": {"sweeps": False, "notes": "Too heavy for the turntable's brake at full drive: no sweeps."},
    "Nook": {"form": "csv.gz", "percent": True},
    "Pantry": {"level_is": "relative", "sweeps": False, "notes": "Calibrator's battery flat: levels are relative."},
    "Gimlet Across": {"form": "traces"},
    "Bodkin": {"first_drive_db": 92.0, "notes": "Started at 92 dB: the bench was needed for a hedge trimmer."},
    "Treadle": {"form": "sofa"},
    "Transom": {"angles": "horizontal"},
    "Ridge": {"angles": "fine"},
    "Baluster": {"level_is": "spl_at_distance", "distance_m": 2.0},
    "Finial": {"symmetric": True},
    "Skrin": {"smoothing_oct": 1.0 / 3.0, "notes": "Only the smoothed export was kept."},
    "Hedge": {"method": "gated", "gate_ms": 5.0, "valid_hz": (400.0, None), "symmetric": True},
    "Lych": {"points": 3, "notes": "Third-octave export of an old analyser."},
    "Alcove 6": {"angles": "front"},
    "Alcove 8": {"angles": "front", "form": "csv"},
    "ささら": {"symmetric": True},
    "Newel": {"uncertainty": (("level", 0.15), ("repeatability", 0.1))},
}

# First visited in one lab, then carried to the other, the same specimen.
SHARED = (
    "Sill 5",
    "Weir 2",
    "Nook",
    "Bradawl 5",
    "Adze",
    "Gimlet",
    "Pail+",
    "Thimble",
    "Knapsack",
    "Lintel 2",
    "Purlin",
    "Hylla",
)
SECOND_SPECIMENS = ("Sill 5", "Weir 1", "Nook", "Bradawl 5", "Adze", "Lintel 2", "Tuppence")
REPEATED = ("Sill 5", "Nook", "Bradawl 5", "Adze", "Pail+", "Purlin", "Creel", "Skåp")
ONE_SETTING_ONLY = ("Treenail", "Ridge")
STREET_PRICES = {
    "Sill 5": 0.88,
    "Weir 2": 0.8,
    "Nook": 0.9,
    "Bradawl 5": 0.95,
    "Adze": 0.93,
    "Thimble": 0.9,
    "Lintel 2": 0.75,
    "Purlin": 0.95,
}
PRICED_IN_POUNDS_TOO = ("Brackwater", "Kittlewick")
PRICED_IN_POUNDS_ONLY = ("Pail", "Alcove 6")

# Older sessions, each poorer in its own way than the one that followed.
OLDER: dict[str, dict[str, object]] = {
    "Weir 2": {"method": "gated", "gate_ms": 6.0, "valid_hz": (334.0, None), "sweeps": False},
    "Nook Tall": {"smoothing_oct": 1.0 / 6.0, "sweeps": False},
    "Baluster": {"points": 3, "sweeps": False},
    "Distaff": {"angles": "horizontal", "sweeps": False},
    "Creel": {"angles": "horizontal", "symmetric": True, "form": "csv.gz"},
    "Rafter": {"method": "ground-plane", "angles": "horizontal", "valid_hz": (None, 500.0), "sweeps": False},
}


def _price_tags(design: Design, day: str) -> tuple[PriceTag, ...]:
    if design.model in PRICED_IN_POUNDS_ONLY:
        return (PriceTag("list", POUND, "GBP", day),)
    tags = [PriceTag("list", 1.0, "EUR", day)]
    if design.maker in PRICED_IN_POUNDS_TOO:
        tags.append(PriceTag("list", POUND, "GBP", day))
    return tuple(tags)


def first_visits() -> list[Visit]:
    """Every model once, its first specimen in its first setting; two of three go to the shed."""
    out = []
    for index, design in enumerate(catalogue()):
        lab = "attic" if index % 3 == 2 else "shed"
        day = (START + timedelta(days=3 * index)).isoformat()
        form = "csv.gz" if index % 12 == 4 else "parquet"
        visit = Visit(
            design,
            lab,
            day,
            serial(design, 1),
            design.settings[0].name,
            METHOD[lab],
            form,
            prices=_price_tags(design, day),
        )
        if design.kind == "subwoofer":
            visit = replace(visit, method="ground-plane", angles="horizontal", valid_hz=(None, 500.0))
        out.append(replace(visit, **FIRST_VISITS.get(design.model, {})))  # type: ignore[arg-type]
    return out


def _later(day: str, days: int) -> str:
    return (date.fromisoformat(day) + timedelta(days=days)).isoformat()


def visits() -> list[Visit]:
    """The whole fleet: first visits, other settings, the other lab, second specimens, repeats, and what was there
    before."""
    first = first_visits()
    by_model = {visit.design.model: visit for visit in first}
    out = list(first)
    for visit in first:
        if visit.design.model not in ONE_SETTING_ONLY:
            settings = visit.design.settings[1:]
            out += [replace(visit, setting=s.name, prices=(), form="parquet") for s in settings]
    for model in SHARED:
        visit = by_model[model]
        lab = "shed" if visit.lab == "attic" else "attic"
        day = _later(visit.day, 120)
        prices = (PriceTag("street", STREET_PRICES[model], "EUR", day),) if model in STREET_PRICES else ()
        out.append(replace(visit, lab=lab, method=METHOD[lab], day=day, prices=prices, form="parquet", percent=False))
    for model in SECOND_SPECIMENS:
        visit = by_model[model]
        out.append(
            replace(
                visit,
                sample=serial(visit.design, 2),
                day=_later(visit.day, 45),
                prices=(),
                form="parquet",
                percent=False,
            )
        )
    for model in REPEATED:
        visit = by_model[model]
        out.append(replace(visit, repeat=2, prices=(), form="parquet", percent=False, sweeps=False))
    for model, poorer in OLDER.items():
        visit = by_model[model]
        older = replace(
            visit, day=_later(visit.day, -300), prices=(), level_is="spl_1m", distance_m=1.0, form="parquet"
        )
        out.append(replace(older, **poorer))  # type: ignore[arg-type]
    return out
