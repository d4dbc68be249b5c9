"""What is known of a speaker beside its measurements: facts, prices, earlier names, conflicts."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from speakerdb import figures
from speakerdb.store import Store, speakers

LIFT_ALONE_KG = (25.0, 16.0)  # men, women, at waist height (HSE guideline, from memory; method:metrics#lifting)


@dataclass(frozen=True)
class Facts:
    """values: one row of speaker_facts by name; prices: newest of each kind and currency, a pair; conflicts in
    words."""

    values: dict[str, Any]
    prices: list[dict[str, Any]]
    aliases: list[str] = field(default_factory=list)
    conflicts: list[str] = field(default_factory=list)

    def extra(self) -> dict[str, Any]:
        """What `show --json` carries beside the facts and the values."""
        return {"prices": self.prices, "aliases": self.aliases, "conflicts": self.conflicts}

    def cautions(self) -> list[str]:
        """The lifting caution where the mass asks for it."""
        mass = self.values["mass_kg"]
        if mass is None or mass <= LIFT_ALONE_KG[1]:
            return []
        return [
            f"{figures.FACTS['mass_kg'].text(mass)}: one person should not lift more than about "
            f"{figures.plain(LIFT_ALONE_KG[0])} kg (men) or "
            f"{figures.plain(LIFT_ALONE_KG[1])} kg (women) at waist height; get help, and follow local rules"
        ]

    def sentence(self) -> str:
        """The facts in a line or two."""
        v = self.values
        parts = [
            str(v["kind"] or "kind unknown"),
            {True: "powered", False: "passive"}.get(v["powered"], "power unknown"),
        ]
        parts += [str(v[k]) for k in ("layout", "enclosure") if v[k]]
        sizes = [v[k] for k in ("height_mm", "width_mm", "depth_mm")]
        if all(s is not None for s in sizes):
            parts.append(
                " × ".join(map(figures.number, sizes)) + f" mm ({figures.FACTS['volume_l'].text(v['volume_l'])})"
            )
        parts += [figures.FACTS["mass_kg"].text(v["mass_kg"])] if v["mass_kg"] is not None else []
        parts += [str(v["year"])] if v["year"] else []
        parts += [f"{figures.price(p['price'], p['currency'], p['per'])} ({p['kind']})" for p in self.prices] or [
            "price unknown"
        ]
        lines = [", ".join(parts)]
        if self.aliases:
            lines.append(f"Earlier names: {', '.join(self.aliases)}")
        return "\n".join([*lines, *(f"Caution: {c}" for c in self.cautions())])


def facts_of(store: Store, speaker_id: int) -> Facts:
    """Everything known of one speaker."""
    return Facts(
        speakers.facts(store.con, speaker_id),
        speakers.prices(store.con, speaker_id),
        speakers.aliases(store.con, speaker_id),
        [
            f"{name} is given as {' and '.join(given)}; the newest, {value}, is used"
            for name, value, given in speakers.conflicting_facts(store.con, speaker_id)
        ],
    )
