"""A handful of speakers for the buyer's question, with sweeps, sizes, prices, switches and claims."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tests.folders import FREQUENCY_HZ, level_db, write_session

DRIVES_DB = np.arange(78.0, 121.0, 3.0)


def compression_csv(max_db: float, bass_hz: float, highest_drive_db: float = 120.0) -> str:
    """On-axis sweeps whose loss, alike at all frequencies, grows tenfold in 10 dB and is 3 dB at a drive of max_db +
    3."""
    axis = level_db(np.zeros(1), bass_hz=bass_hz)[0] - 85.0
    lines = ["drive_db,frequency_hz,level_db"]
    for drive in DRIVES_DB[min(highest_drive_db, max_db + 6.0) >= DRIVES_DB]:
        loss = 3.0 * 10.0 ** ((drive - max_db - 3.0) / 10.0)
        lines += [f"{drive:g},{f:.3f},{v:.3f}" for f, v in zip(FREQUENCY_HZ, axis + drive - loss, strict=True)]
    return "\n".join(lines) + "\n"


def write_speaker(
    folder: Path,
    max_db: float | None,
    bass_hz: float = 50.0,
    highest_drive_db: float = 120.0,
    price: float | None = None,
    per: str = "pair",
    currency: str = "EUR",
    switches: dict[str, object] | None = None,
    **keys: object,
) -> Path:
    """A session folder; max_db None leaves out the sweeps."""
    write_session(folder, bass_hz=bass_hz, **keys)
    if max_db is not None:
        (folder / "compression.csv").write_text(compression_csv(max_db, bass_hz, highest_drive_db), encoding="utf-8")
    toml = folder / "session.toml"
    more = ""
    if switches:
        more += "\n[electronics]\n" + "".join(f"{k} = {v}\n" for k, v in switches.items())
    if price is not None:
        more += (
            f'\n[[prices]]\namount = {price}\ncurrency = "{currency}"\nper = "{per}"\nkind = "street"\ndate = '
            "2026-01-01\n"
        )
    toml.write_text(toml.read_text(encoding="utf-8") + more, encoding="utf-8")
    return folder


def write_rooms(root: Path) -> Path:
    """The fleet: loud, soft and open (its sweeps end early) monitors, a passive one, one never swept, a soundbar."""
    size = {"height_mm": 300, "width_mm": 200, "depth_mm": 250}
    write_speaker(root / "loud", 110.0, model="Loud", price=1500, mass_kg=9, **size)
    write_speaker(root / "dear", 112.0, model="Dear", price=4000, mass_kg=30, **size)
    write_speaker(root / "soft", 92.0, model="Soft", price=300, mass_kg=4, claimed_max_db=104, claim_pair=True, **size)
    write_speaker(root / "open", 110.0, model="Open", highest_drive_db=93.0, price=700, **size)
    write_speaker(
        root / "passive", 108.0, model="Passive", powered=False, drive_voltage_v=2.83, price=400, per="each", **size
    )
    write_speaker(root / "unswept", None, model="Unswept", price=500, **size)
    write_speaker(
        root / "bar",
        106.0,
        model="Bar",
        kind="soundbar",
        price=600,
        per="each",
        height_mm=70,
        width_mm=900,
        depth_mm=90,
    )
    for setting, bass_hz, shelf in (("plain", 50.0, 0), ("wall", 110.0, -4)):
        write_speaker(
            root / f"switched_{setting}",
            105.0,
            bass_hz=bass_hz,
            model="Switched",
            setting=setting,
            kind="monitor",
            switches={"low_shelf_db": shelf},
            default_setting=setting == "plain",
            price=900,
            **size,
        )
    return root
