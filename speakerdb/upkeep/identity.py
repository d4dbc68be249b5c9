"""Who a session is: stored already, in conflict with what is stored, or new (method:data#which-session-is-it)."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from speakerdb import figures
from speakerdb.errors import ErrorItem
from speakerdb.session import GridSession, GridSweeps, SessionInfo
from speakerdb.store import NewSession, Store, reading, session_key, session_rows, speakers

_NAMED = ("lab", "sample", "setting")  # what names a session besides its speaker
_LISTED = 8  # differences named in a refusal before "and N more"


@dataclass(frozen=True)
class Verdict:
    """What to do with a session: nothing (already), refuse (errors; result says how), or store, perhaps in another's
    place."""

    already: bool = False
    supersedes: int | None = None
    errors: tuple[ErrorItem, ...] = ()
    result: Literal["refused", "withdrawn"] = "refused"
    warnings: tuple[str, ...] = ()


def _same_name(a: str, b: str) -> bool:
    """Equal but for case and punctuation."""
    return re.sub(r"[\W_]+", "", a.casefold()) == re.sub(r"[\W_]+", "", b.casefold())


def _bare(name: str) -> str:
    """A name without capitals, punctuation and leading zeros: "0017" and "17", "Shed" and "shed" are one. Signs of
    numbers stay: "bass -2" is not "bass 2"."""
    text = re.sub(r"(?<!\d)0+(?=\d)", "", name.casefold())
    return re.sub(r"[^\w+\-]+|_|(?<=\w)[-+](?!\d)|(?<=\w)-(?=\d)", "", text) or name


Key = tuple[
    int | str, str, str, str, str, int
]  # speaker (id, or slug of a new one), lab, sample, setting, date, repeat


def one_name(a: str, b: str) -> bool:
    """Whether two names of a lab, a sample or a setting are one but in writing."""
    return _bare(a) == _bare(b)


@dataclass(eq=False)
class Known:
    """What a group of sessions has to be compared with; sessions accepted on the way are added to it.

    speakers: slug or alias -> (speaker_id or slug, maker, model: of an alias none); sessions: key -> (session_id,
    content hash); contents: content hash -> ids of the sessions that hold it; withdrawn: key -> (id, date, reason) of
    sessions that were taken out; names: (what, of which speaker, bare name) -> the name as it is stored.
    """

    speakers: dict[str, tuple[int | str, str | None, str | None]]
    sessions: dict[Key, tuple[int, str]]
    contents: dict[str, set[str]]
    withdrawn: dict[Key, tuple[str, str | None, str]]
    names: dict[tuple[str, int | str, str], str]

    def key(self, info: SessionInfo) -> Key:
        """By the parts of the key, not its hash: a speaker that was renamed since is still found."""
        speaker = self.speakers[info.slug][0] if info.slug in self.speakers else info.slug
        return speaker, info.lab, info.sample, info.setting, info.date, info.repeat

    def add(self, new: NewSession) -> None:
        """A session that is going to be stored."""
        self.speakers.setdefault(new.info.slug, (new.info.slug, new.info.maker, new.info.model))
        self.contents.setdefault(new.content_hash, set()).add(session_key(new.info))
        self.name(new.info)

    def name(self, info: SessionInfo) -> dict[str, str]:
        """Lab, sample and setting as they are stored already, else as they are, to be known from now on."""
        speaker = self.speakers[info.slug][0] if info.slug in self.speakers else info.slug
        found = {}
        for what in _NAMED:
            own = getattr(info, what)
            found[what] = self.names.setdefault((what, 0 if what == "lab" else speaker, _bare(own)), own)
        return found


def look_up(store: Store, group: Sequence[NewSession]) -> Known:
    """Everything stored that bears on a group of sessions, in three questions to the file."""
    slugs = sorted({new.info.slug for new in group})
    known = speakers.names_by_slug(store.con, slugs)
    sessions = session_rows.keys_of(store.con, [speaker_id for speaker_id, _, _ in known.values()])
    contents: dict[str, set[str]] = {}
    for content, session in session_rows.with_contents(store.con, [new.content_hash for new in group]):
        contents.setdefault(content, set()).add(session)
    withdrawn = session_rows.withdrawn_keys(store.con, [speaker_id for speaker_id, _, _ in known.values()])
    names: dict[tuple[str, int | str, str], str] = {}
    for lab in session_rows.labs(store.con):
        names.setdefault(("lab", 0, _bare(lab)), lab)
    for speaker, _, sample, setting, *_ in (*sessions, *withdrawn):
        names.setdefault(("sample", speaker, _bare(sample)), sample)
        names.setdefault(("setting", speaker, _bare(setting)), setting)
    return Known({**known}, sessions, contents, withdrawn, names)


def as_stored(new: NewSession, known: Known) -> tuple[NewSession, tuple[str, ...]]:
    """A session under the names that its lab, sample and setting have in the file, where those differ in capitals,
    leading zeros or punctuation only; and what was changed, in words."""
    names = known.name(new.info)
    info = dataclasses.replace(new.info, lab=names["lab"], sample=names["sample"], setting=names["setting"])
    if info == new.info:
        return new, ()
    told = tuple(
        f"{what} {getattr(new.info, what)!r} is {name!r} in the file already: stored under that name"
        for what, name in names.items()
        if name != getattr(new.info, what)
    )
    return dataclasses.replace(new, grid=dataclasses.replace(new.grid, info=info)), told


def _name_clash(known: Known, info: SessionInfo) -> ErrorItem | None:
    _, maker, model = known.speakers.get(info.slug, (0, None, None))
    # an alias (no names) was joined to its speaker on purpose
    if maker is None or model is None or (_same_name(maker, info.maker) and _same_name(model, info.model)):
        return None
    return ErrorItem(
        file="session.toml",
        key="maker, model",
        found=f"{info.maker!r}, {info.model!r}, which shortens to {info.slug} like {maker!r}, {model!r} in the "
        "database",
        expected="a `slug` of its own in session.toml, since these are different names",
    )


def check(store: Store, new: NewSession, known: Known, *, replace: bool) -> Verdict:
    """Compare a session with what is stored."""
    clash = _name_clash(known, new.info)
    if clash is not None:
        return Verdict(errors=(clash,))
    warnings = _twin_warning(known, new)
    stored = known.sessions.get(known.key(new.info))
    if stored is None and not replace and (gone := known.withdrawn.get(known.key(new.info))) is not None:
        session, date, reason = gone
        found = f"session {session}, withdrawn{f' on {date}' if date else ''} because: {reason}"
        expected = f"`speakerdb withdraw --undo {session}` to let it count again, or `--replace` to store this one"
        return Verdict(errors=(ErrorItem(found=found, expected=expected),), result="withdrawn")
    if stored is None:
        return Verdict(warnings=warnings)
    session_id, content = stored
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


def _twin_warning(known: Known, new: NewSession) -> tuple[str, ...]:
    twins = known.contents.get(new.content_hash, set()) - {session_key(new.info)}
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
    a_phase, b_phase = old.impedance_phase_deg, new.impedance_phase_deg
    if (a_phase is None) != (b_phase is None):
        found.append(f"phase of the impedance {'added' if a_phase is None else 'missing'}")
    elif a_phase is not None and b_phase is not None and not np.array_equal(a_phase, b_phase, equal_nan=True):
        found.append("phase of the impedance differs")
    return found


def _curve_differences(old: GridSession, new: GridSession, horizontal: bool, orbit: str) -> list[str]:
    a = {float(x): old.level_db[i] for i, x in enumerate(old.angle_deg) if old.horizontal[i] == horizontal}
    b = {float(x): new.level_db[i] for i, x in enumerate(new.angle_deg) if new.horizontal[i] == horizontal}
    found = []
    if gone := sorted(a.keys() - b.keys()):
        found.append(f"{orbit} {', '.join(f'{figures.plain(x)}°' for x in gone)} missing")
    if added := sorted(b.keys() - a.keys()):
        found.append(f"{orbit} {', '.join(f'{figures.plain(x)}°' for x in added)} added")
    shared = sorted(a.keys() & b.keys())
    changed = [x for x in shared if not np.array_equal(a[x], b[x], equal_nan=True)]
    if changed:
        apart = max(float(np.nanmax(np.abs(a[x] - b[x]), initial=0.0)) for x in changed)
        found.append(f"{len(changed)} of {len(shared)} {orbit} curves differ, by up to {figures.number(apart, 2)} dB")
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
