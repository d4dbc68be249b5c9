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
Censoring = Literal["none", "at_most", "at_least"]
Target = Literal["as_measured", "absolute", "another_unit"]

KINDS: tuple[str, ...] = get_args(Kind)
PRICE_KINDS: tuple[str, ...] = get_args(PriceKind)
METHODS = ("anechoic", "near-field-scan", "gated", "ground-plane", "other")
COMPONENTS = ("thd", "h2", "h3", "h4", "h5", "multitone", "multitone_hp80")
TARGETS: dict[Target, str] = {
    "as_measured": "about the units measured, as measured on this bench",
    "absolute": "about the units measured, the bench's own error included",
    "another_unit": "about another unit of the same model, the bench's own error included",
}
