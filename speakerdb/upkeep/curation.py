"""Putting right what is stored: facts and prices brought in later, withdrawing, renaming, merging. Nothing is
deleted."""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
from dataclasses import dataclass
from pathlib import Path

from speakerdb.errors import ConflictError, DataError, ErrorItem, RequestError, SpeakerdbError
from speakerdb.field.naming import find_session, find_speaker
from speakerdb.files import MAX_LIST_BYTES, read_file
from speakerdb.store import Store, changes, session_rows, speakers, writing
from speakerdb.store.changes import StoredPrice
from speakerdb.terms import KINDS
from speakerdb.upkeep import repooling

_COLUMNS = ("speaker", "name", "value", "currency", "per", "date", "source")
_NUMBERS = frozenset({"height_mm", "width_mm", "depth_mm", "mass_kg", "claimed_max_db", "claim_distance_m"})
_FLAGS = frozenset({"powered", "claim_pair"})
_PRICES = {"price_list": "list", "price_street": "street", "price_sale": "sale"}
FACT_NAMES = (*writing.FACTS, *_PRICES)


@dataclass(frozen=True)
class _Row:
    speaker_id: int
    name: str
    value: str
    currency: str
    per: str
    date: dt.date
    source: str | None


def bring_facts(store: Store, path: Path) -> tuple[int, int]:
    """Add the rows of a CSV (speaker, name, value, currency, per, date, source) as facts and prices; whole or not at
    all.

    name is a fact of session.toml (height_mm, year, kind …) or price_list, price_street, price_sale; value a number or
    word; currency and per (each or pair) only for prices; date ISO, today where empty. Rows that are there already are
    passed over. Returns (facts, prices) added. Raises DataError with every wrong row.
    """
    rows = _read_facts(store, path)
    fact_rows = [
        (r.speaker_id, r.name, r.value, r.source or path.name, r.date.isoformat(), None)
        for r in rows
        if r.name not in _PRICES
    ]
    fact_rows = [row for row in dict.fromkeys(fact_rows) if not changes.has_fact(store.con, *row[:5])]
    prices = [
        StoredPrice(r.speaker_id, float(r.value), r.currency, r.per, _PRICES[r.name], r.date, r.source or path.name)
        for r in rows
        if r.name in _PRICES
    ]
    prices = [price for price in dict.fromkeys(prices) if not changes.has_price(store.con, price)]
    with store.transaction():
        writing.insert_facts(store.con, fact_rows)
        changes.insert_prices(store.con, prices)
    return len(fact_rows), len(prices)


def _read_facts(store: Store, path: Path) -> list[_Row]:
    try:
        text = read_file(path, MAX_LIST_BYTES).decode("utf-8-sig")
    except OSError as error:
        raise DataError(f"{path} can't be read: {error.strerror or error}") from None
    except UnicodeDecodeError:
        raise DataError(f"{path} is not UTF-8 text; expected a CSV file") from None
    reader = csv.DictReader(io.StringIO(text), skipinitialspace=True)
    headings = [h.strip() for h in reader.fieldnames or []]
    if not {"speaker", "name", "value"} <= set(headings) or not set(headings) <= set(_COLUMNS):
        raise DataError(f"{path}: found the headings {', '.join(headings) or 'none'}; expected {', '.join(_COLUMNS)}")
    items: list[ErrorItem] = []
    rows: list[_Row] = []
    try:
        for cells in reader:
            row = {k.strip(): (v or "").strip() for k, v in cells.items() if k is not None and not isinstance(v, list)}
            try:
                rows.append(_checked(store, row))
            except _WrongCellError as wrong:
                items.append(
                    ErrorItem(
                        file=path.name, line=reader.line_num, key=wrong.key, found=wrong.found, expected=wrong.expected
                    )
                )
            except SpeakerdbError as error:
                items.append(ErrorItem(file=path.name, line=reader.line_num, key="speaker", found=error.message))
    except csv.Error as error:
        raise DataError(f"{path} line {reader.line_num}: {error}; expected a CSV file") from None
    if items:
        raise DataError(f"{path}: {len(items)} rows are wrong; nothing was stored", items)
    return rows


class _WrongCellError(Exception):
    def __init__(self, key: str, found: str, expected: str) -> None:
        super().__init__(key)
        self.key, self.found, self.expected = key, found, expected


def _checked(store: Store, row: dict[str, str]) -> _Row:
    speaker_id, _ = find_speaker(store, row["speaker"])
    name, value = row["name"], row["value"]
    if name not in FACT_NAMES:
        raise _WrongCellError("name", repr(name), f"one of {', '.join(FACT_NAMES)}")
    if name in _NUMBERS or name in _PRICES:
        value = _positive(name, value)
    elif name == "year":
        if not value.isdigit() or not 1900 <= int(value) <= dt.date.today().year + 1:
            raise _WrongCellError(name, repr(value), "a year")
        value = str(int(value))
    elif name in _FLAGS:
        if value.lower() not in {"true", "false"}:
            raise _WrongCellError(name, repr(value), "true or false")
        value = value.lower()
    elif name == "kind" and value not in KINDS:
        raise _WrongCellError(name, repr(value), f"one of {', '.join(KINDS)}")
    elif not value:
        raise _WrongCellError(name, "nothing", "a value")
    currency, per = row.get("currency", "").upper(), row.get("per", "")
    if name in _PRICES:
        if len(currency) != 3 or not currency.isalpha():
            raise _WrongCellError("currency", repr(currency), "three letters (ISO 4217), e.g. EUR")
        if per not in {"each", "pair"}:
            raise _WrongCellError("per", repr(per), "each or pair")
    try:
        date = dt.date.fromisoformat(row["date"]) if row.get("date") else dt.date.today()
    except ValueError:
        raise _WrongCellError("date", repr(row["date"]), "an ISO date, e.g. 2026-03-01") from None
    return _Row(speaker_id, name, value, currency, per, date, row.get("source") or None)


def _positive(name: str, text: str) -> str:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not (math.isfinite(number) and number > 0):
        raise _WrongCellError(name, repr(text), "a number above 0")
    return f"{number:.10g}"


def withdraw(store: Store, session: str, reason: str) -> tuple[str, str]:
    """Take a session out of every statistic, with the reason; it stays in the file. Returns (session id, speaker)."""
    if not reason.strip():
        raise RequestError("a reason is needed, so that later readers know why the session no longer counts")
    session_id = find_session(store, session)
    head = session_rows.head_of(store.con, session_id)
    if head.status != "active":
        raise ConflictError(f"session {head.session} does not count any more: it is {head.status}")
    with store.transaction():
        changes.withdraw(store.con, session_id, reason.strip())
        repooling.repool(store, [head.speaker_id])
    return head.session, head.slug


def undo_withdrawal(store: Store, session: str) -> tuple[str, str]:
    """Let a withdrawn session count again. Returns (session id, speaker). Raises ConflictError where it was not
    withdrawn, or another with its key counts by now."""
    session_id = find_session(store, session)
    head = session_rows.head_of(store.con, session_id)
    if head.status != "withdrawn":
        raise ConflictError(f"session {head.session} was not withdrawn: it is {head.status}")
    if session_rows.counts(store.con, head.session):
        raise ConflictError(f"another session {head.session} with the same key counts by now; withdraw that one first")
    with store.transaction():
        changes.let_count(store.con, session_id)
        repooling.repool(store, [head.speaker_id])
    return head.session, head.slug


def rename(store: Store, old: str, new: str) -> tuple[str, str]:
    """Give a speaker a new slug; the old one still finds it. Returns (old slug, new slug). Raises ConflictError."""
    from speakerdb.formats import slugify

    speaker_id, slug = find_speaker(store, old, exact=True)
    wanted = slugify("", new)
    if not wanted:
        raise RequestError(f"{new!r} leaves nothing for a name: expected letters or digits")
    if wanted == slug:
        raise ConflictError(f"the speaker is named {slug} already")
    if speakers.slug_is_taken(store.con, wanted):
        raise ConflictError(f"{wanted} is another speaker; to join the two use `speakerdb merge {wanted} {slug}`")
    if speakers.with_alias(store.con, wanted) not in {None, speaker_id}:
        raise ConflictError(f"{wanted} is an earlier name of another speaker")
    with store.transaction():
        changes.rename(store.con, speaker_id, slug, wanted)
    return slug, wanted


def merge(store: Store, kept: str, gone: str) -> tuple[str, str, int]:
    """Make two speakers one: sessions, facts and prices of the second go to the first, its slug becomes an alias.

    Returns (slug kept, slug gone, sessions moved). Raises ConflictError where both hold a session with the same key.
    """
    kept_id, kept_slug = find_speaker(store, kept, exact=True)
    gone_id, gone_slug = find_speaker(store, gone, exact=True)
    if kept_id == gone_id:
        raise ConflictError(f"{kept} and {gone} are the same speaker already")
    clash = session_rows.same_keys(store.con, kept_id, gone_id)
    if clash:
        pairs = ", ".join(f"{a} and {b}" for a, b in clash)
        raise ConflictError(
            f"both hold sessions with the same lab, sample, setting, date and repeat: {pairs}. Withdraw one "
            "of each first"
        )
    moved = session_rows.count_of(store.con, gone_id)
    with store.transaction():
        changes.merge(store.con, kept_id, gone_id, gone_slug)
        repooling.repool(store, [kept_id, gone_id])
    return kept_slug, gone_slug, moved
