"""Words that come from a fixed list, in files, questions and answers alike."""

from __future__ import annotations

from typing import Literal, get_args

Kind = Literal[
    "bookshelf",
    "standmount",
    "floorstander",
    "monitor",
    "centre",
    "in-wall",
    "soundbar",
    "portable",
    "subwoofer",
    "other",
]
PriceKind = Literal["list", "street", "sale"]
Programme = Literal["dynamic", "dense"]
Spectrum = Literal["programme", "pink"]
Censoring = Literal["none", "at_most", "at_least", "between"]
Target = Literal["as_measured", "absolute", "another_unit"]

KINDS: tuple[str, ...] = get_args(Kind)
# Kinds that are bought and used one at a time; all others stand as a pair (schemas/0005_output.sql says the same)
ONE_AT_A_TIME: tuple[Kind, ...] = ("centre", "soundbar", "portable", "subwoofer")
PRICE_KINDS: tuple[str, ...] = get_args(PriceKind)
METHODS = ("anechoic", "near-field-scan", "gated", "ground-plane", "other")
BAND_METHODS = ("near-field", *METHODS)  # of a part of the range
COMPONENTS = ("thd", "h2", "h3", "h4", "h5", "multitone", "multitone_hp80")
TARGETS: dict[Target, str] = {
    "as_measured": "about the units measured, as measured on this bench",
    "absolute": "about the units measured, the bench's own error included",
    "another_unit": "about another unit of the same model, the bench's own error included",
}

# Environment variables that say how many threads linear algebra may use; read when NumPy is loaded
ALGEBRA_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
