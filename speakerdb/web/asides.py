"""What stands on pages beside answers: names as printed, whom a speaker is placed among, its settings."""

from __future__ import annotations

from collections import Counter

from speakerdb.answering.stored import settings_of
from speakerdb.library import Database


def names(base: Database) -> dict[str, str]:
    """slug -> maker and model as printed; where two speakers are printed alike, with the slug."""
    rows = base.field.base.select("speaker", "maker", "model").unique("speaker", maintain_order=True).iter_rows()
    printed = {slug: f"{maker} {model}" for slug, maker, model in rows}
    often = Counter(printed.values())
    return {slug: name if often[name] == 1 else f"{name} ({slug})" for slug, name in printed.items()}


def setting_names(base: Database, slug: str) -> list[str]:
    """The settings of a speaker, the default one first."""
    return list(settings_of(base.store, base.find(slug, exact=True)[0]))
