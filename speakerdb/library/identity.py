"""Who a session is: stored already, in conflict with what is stored, or new (data.md, Identity)."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from speakerdb.errors import ErrorItem
from speakerdb.session import GridSession, GridSweeps
from speakerdb.store import NewSession, Store, reading, session_key
from speakerdb.store.connection import fetch_one

_LISTED = 8  # differences named in a refusal before "and N more"


@dataclass(frozen=True)
class Verdict:
    """What to do with a session: nothing (already), refuse (errors), or store, perhaps in another's place."""

    already: bool = False
    supersedes: int | None = None
    errors: tuple[ErrorItem, ...] = ()
    warnings: tuple[str, ...] = ()


def _same_name(a: str, b: str) -> bool:
    """Equal but for case and punctuation."""
    return re.sub(r"[\W_]+", "", a.casefold()) == re.sub(r"[\W_]+", "", b.casefold())


def _name_clash(store: Store, new: NewSession, newcomers: Mapping[str, NewSession]) -> ErrorItem | None:
    info = new.info
    row = fetch_one(
        store.con,
        "SELECT m.name, s.model, s.slug FROM speaker s JOIN maker m USING (maker_id) WHERE s.slug = ?",
        [info.slug],
    )
    other = next((n.info for n in newcomers.values() if n.info.slug == info.slug), None)
    if row is None and other is not None:
        row = (other.maker, other.model, other.slug)
    if row is None or (_same_name(row[0], info.maker) and _same_name(row[1], info.model)):
        return None
    return ErrorItem(
        file="session.toml",
        key="maker, model",
        found=f"{info.maker!r}, {info.model!r}, which shortens to {info.slug} like {row[0]!r}, {row[1]!r} in the database",
        expected="a `slug` of its own in session.toml, since these are different names",
    )


def check(store: Store, new: NewSession, newcomers: Mapping[str, NewSession], *, replace: bool) -> Verdict:
    """Compare a session with what is stored. newcomers: those about to be stored with it, by key."""
    clash = _name_clash(store, new, newcomers)
    if clash is not None:
        return Verdict(errors=(clash,))
    info = new.info
    # by the parts of the key, not its hash: a speaker that was renamed since is still found
    row = fetch_one(
        store.con,
        """
        SELECT s.session_id, s.content_hash FROM session s JOIN lab l USING (lab_id)
        WHERE s.status = 'active' AND l.name = $lab AND s.sample = $sample AND s.setting = $setting AND s.date = $date
            AND s.repeat = $repeat AND s.speaker_id IN (SELECT speaker_id FROM speaker WHERE slug = $slug
                UNION ALL SELECT speaker_id FROM speaker_alias WHERE alias = $slug)
        """,
        {"lab": info.lab, "sample": info.sample, "setting": info.setting, "date": info.date, "repeat": info.repeat,
         "slug": info.slug},
    )  # fmt: skip
    warnings = _twin_warning(store, new, newcomers)
    if row is None:
        return Verdict(warnings=warnings)
    session_id, content = int(row[0]), row[1]
    if content == new.content_hash and not replace:
        return Verdict(already=True)
    old = reading.grid_sessions(store.con, [session_id])[0]
    if content == new.content_hash and old.info == new.info:
        return Verdict(already=True)
    if replace:
        return Verdict(supersedes=session_id, warnings=warnings)
    found = "; ".join(_some(differences(old, new.grid))) or "values finer than the analysis grid"
    return Verdict(
        errors=(
            ErrorItem(
                key="lab, speaker, sample, setting, date, repeat",
                found=f"a stored session {session_key(new.info)} with the same key but other content: {found}",
                expected="another date, setting, sample or `repeat`; or `--replace` to put this one in its place",
            ),
        )
    )


def _twin_warning(store: Store, new: NewSession, newcomers: Mapping[str, NewSession]) -> tuple[str, ...]:
    key = session_key(new.info)
    rows = store.con.execute(
        "SELECT session FROM session WHERE content_hash = ? AND session <> ? AND status = 'active'",
        [new.content_hash, key],
    ).fetchall()
    twins = {r[0] for r in rows} | {
        session_key(n.info) for n in newcomers.values() if n.content_hash == new.content_hash
    }
    if not twins:
        return ()
    return (f"the same curves are stored as session {', '.join(sorted(twins))}: one of them may be filed wrongly",)


def _some(lines: Sequence[str]) -> list[str]:
    rest = len(lines) - _LISTED
    return [*lines[:_LISTED], *([f"and {rest} more"] if rest > 0 else [])]


def differences(old: GridSession, new: GridSession) -> list[str]:
    """What differs between two readings of one session on the analysis grid, in words; empty where nothing does."""
    found = []
    for field in dataclasses.fields(old.info):
        a, b = getattr(old.info, field.name), getattr(new.info, field.name)
        if a != b:
            found.append(f"{field.name} {a!r} → {b!r}")
    for horizontal, orbit in ((True, "horizontal"), (False, "vertical")):
        found += _curve_differences(old, new, horizontal, orbit)
    for name in ("distortion", "compression"):
        found += _sweep_differences(getattr(old, name), getattr(new, name), name)
    a_ohm, b_ohm = old.impedance_ohm, new.impedance_ohm
    if (a_ohm is None) != (b_ohm is None):
        found.append(f"impedance {'added' if a_ohm is None else 'missing'}")
    elif a_ohm is not None and b_ohm is not None and not np.array_equal(a_ohm, b_ohm, equal_nan=True):
        found.append("impedance differs")
    return found


def _curve_differences(old: GridSession, new: GridSession, horizontal: bool, orbit: str) -> list[str]:
    a = {float(x): old.level_db[i] for i, x in enumerate(old.angle_deg) if old.horizontal[i] == horizontal}
    b = {float(x): new.level_db[i] for i, x in enumerate(new.angle_deg) if new.horizontal[i] == horizontal}
    found = []
    if gone := sorted(a.keys() - b.keys()):
        found.append(f"{orbit} {', '.join(f'{x:g}°' for x in gone)} missing")
    if added := sorted(b.keys() - a.keys()):
        found.append(f"{orbit} {', '.join(f'{x:g}°' for x in added)} added")
    shared = sorted(a.keys() & b.keys())
    changed = [x for x in shared if not np.array_equal(a[x], b[x], equal_nan=True)]
    if changed:
        apart = max(float(np.nanmax(np.abs(a[x] - b[x]), initial=0.0)) for x in changed)
        found.append(f"{len(changed)} of {len(shared)} {orbit} curves differ, by up to {apart:.2f} dB")
    return found


def _sweep_differences(old: GridSweeps | None, new: GridSweeps | None, name: str) -> list[str]:
    if (old is None) != (new is None):
        return [f"{name} {'added' if old is None else 'missing'}"]
    if old is None or new is None:
        return []
    same = (
        sorted(zip(old.component, old.drive_db, strict=True)) == sorted(zip(new.component, new.drive_db, strict=True))
        and old.level_db.shape == new.level_db.shape
        and np.array_equal(np.sort(old.level_db, axis=0), np.sort(new.level_db, axis=0), equal_nan=True)
    )
    return [] if same else [f"{name} differs"]


def in_folder(item: ErrorItem, folder: str) -> ErrorItem:
    return dataclasses.replace(item, folder=folder)


def speakers_of(store: Store, session_ids: Sequence[int]) -> list[int]:
    """The speakers of sessions, each once."""
    rows = store.con.execute(
        "SELECT DISTINCT speaker_id FROM session WHERE list_contains(?, session_id) ORDER BY 1", [list(session_ids)]
    ).fetchall()
    return [int(r[0]) for r in rows]
