"""The short name of a speaker."""

from __future__ import annotations

import re
import unicodedata


def slugify(maker: str, model: str) -> str:
    """Maker and model as one short name: NFKD, accents dropped, lower case, "+" and "&" in words, all else a hyphen.

    Returns "" where no Latin letter is left: then the user has to choose one.

    >>> slugify("Alder Fen", "Sill 5")
    'alder-fen-sill-5'
    >>> slugify("Hallo & Söhne", "B2+")
    'hallo-and-sohne-b2plus'
    """
    text = unicodedata.normalize("NFKD", f"{maker} {model}").lower().replace("+", "plus").replace("&", "and")
    text = "".join(c for c in text if not unicodedata.combining(c))
    slug = re.sub(r"[^a-z0-9]+", "-", text).strip("-")
    return slug if re.search("[a-z]", slug) else ""
