"""What holds for every row of the metrics: it reads what it says, no more and no less, over the bands that it says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from speakerdb import derive
from speakerdb.acoustics import curveset, directivity, electrical, grid, output, response, subwoofer
from speakerdb.acoustics.curveset import CurveSet
from speakerdb.acoustics.grid import FREQUENCY_HZ as F_HZ
from speakerdb.acoustics.measured import Measured, Smoothed, Turned
from speakerdb.acoustics.output import Compression, Distortion, Strain
from speakerdb.answering import method
from speakerdb.derive.measuring import LEFT, RIGHT, smoothed
from speakerdb.metric import Curve, Electrical, Pattern, Sphere, Swept
from speakerdb.metrics import METRICS
from speakerdb.session import GridSession, GridSweeps
from tests.store.builders import info

ROWS = list(METRICS.values())
SHAPES = ((), (2,), (2, 3))
EACH_ROW = pytest.mark.parametrize("row", ROWS, ids=lambda row: row.id)
DRIVES_DB = np.array([74.0, 80.0, 86.0, 92.0, 96.0, 100.0, 104.0])
KINDS = ("thd", "multitone", "multitone_hp80")
OCTAVES = np.log2(F_HZ / 1000.0)
SIDES = np.array([*LEFT, *RIGHT])

# A speaker by formula: everything is an array (..., parts, 199), from which `measured` makes what rows take. Nothing is
# smoothed on the way, so that a change at one grid point stays there.


def impedance_of(rng, shape):
    """A vented box's two maxima, and ripple that decides where it is lowest."""
    humps = sum(14.0 * np.exp(-(np.log2(F_HZ / f) ** 2) / 0.05) for f in (28.0, 70.0))
    return 6.0 + humps + 0.6 * np.sin(OCTAVES) + 0.5 * rng.random((*shape, 199))


def speaker(shape=(), bass_hz=60.0, seed=1):
    """Part -> array. Every metric of it has a value; below bass_hz it falls by 24 dB an octave."""
    rng = np.random.default_rng(seed)
    wide = np.abs(curveset.ANGLES_DEG) / 180.0
    away = np.concatenate([wide, wide])[:, None]
    level = (
        85.0
        - 10.0 * np.log10(1.0 + (bass_hz / F_HZ) ** 8)
        - 12.0 * away * np.clip(OCTAVES + 3.5, 0.0, 7.0) ** 1.3 / 4.0
    )
    level = level + 0.3 * rng.standard_normal((*shape, curveset.SLOTS, 199))
    ripple = 0.4 * np.sin(8.0 * np.pi * OCTAVES) * (1.0 + 0.15 * np.arange(4)[::-1, None])
    side = 85.0 - 0.2 * OCTAVES + ripple + 0.001 * rng.standard_normal((*shape, 2, 4, 199))
    curves = curveset.curve_set(level)
    drive = DRIVES_DB[:, None]
    tilt = 1.0 + 0.4 * np.clip(-OCTAVES, 0.0, None)
    change = -0.35 * np.clip(drive - 86.0, 0.0, None) * tilt + 0.001 * rng.standard_normal(
        (*shape, len(DRIVES_DB), 199)
    )
    change[..., 0, :] = 0.0
    found = {
        "on_axis": curves.on_axis,
        "lw": curves.lw,
        "er": curves.er,
        "sp": curves.sp,
        "in_room": curves.in_room,
        "turned": directivity.turned_in_room(curveset.power_of(level)),
        "single": level,
        "sides": side,
        "sphere": curves.sp - 1.0 + 0.1 * rng.standard_normal((*shape, 199)),
        "compression": change,
        "impedance": impedance_of(rng, shape),
        "phase": 30.0 * np.sin(0.7 * OCTAVES) + rng.random((*shape, 199)),
        "voltage": 2.0 + rng.random(shape),
    }
    for kind in KINDS:
        found[kind] = -50.0 + 1.5 * (drive - 86.0) + 0.01 * rng.standard_normal((*shape, len(DRIVES_DB), 199))
    return found


def measured(p, deep=False):
    """deep: as a subwoofer."""
    shape = p["lw"].shape[:-1]
    drives = np.broadcast_to(DRIVES_DB, (*shape, len(DRIVES_DB)))
    loss = -p["compression"][..., subwoofer.REFERENCE if deep else output.LEVEL_BAND].mean(axis=-1)
    strain = Strain(
        Compression(drives, p["compression"], loss), {kind: Distortion(drives, p[kind], p[kind]) for kind in KINDS}
    )
    return Measured(
        CurveSet(*(p[name] for name in ("on_axis", "lw", "er", "sp", "in_room"))),
        subwoofer=np.full(shape, deep),
        sides=lambda: (p["sides"][..., 0, :, :], p["sides"][..., 1, :, :]),
        turned=lambda: Turned(p["turned"]),
        smoothed=lambda: Smoothed(p["single"], p["single"][..., curveset.WINDOW_SLOTS, :].mean(axis=-2)),
        sphere_db=p["sphere"],
        strain=lambda: strain,
        impedance_ohm=p["impedance"],
        impedance_phase_deg=p["phase"],
        voltage_v=p["voltage"],
    )


def value_of(row, parts):
    """(value, code), stacked, so that either may tell a difference."""
    found = row.compute(measured(parts, row.kinds == "subwoofer"))
    return np.stack([found.value, found.code.astype(float)])


def parts_of(read):
    """The parts that a read is made of; those of single curves go together."""
    if isinstance(read, Curve):
        named = {
            "listening_window": ("lw",),
            "early_reflections": ("er",),
            "sound_power": ("sp",),
            "di_power": ("lw", "sp"),
            "di_early": ("lw", "er"),
            "usable_low": (),
        }
        return ("turned",) if read.turned else named.get(read.name, (read.name,))
    if isinstance(read, Pattern):
        return ("single", "sides")
    if isinstance(read, Sphere):
        return ("sphere",)
    return (read.kind,) if isinstance(read, Swept) else (read.key,)


def noise(part, array, rng):
    """Something else in its place."""
    if part in ("impedance", "voltage", "phase"):
        return array * (1.0 + rng.random(array.shape))
    if part == "compression":
        return array * (1.0 + rng.random(array.shape)) * (np.arange(len(DRIVES_DB)) > 0)[:, None]
    if part == "on_axis":  # deep enough that a subwoofer ends, too
        return array + 20.0 * rng.standard_normal(array.shape)
    return array + (35.0 if part in KINDS else 0.0) + 4.0 * rng.standard_normal(array.shape)


@pytest.fixture(scope="module")
def small():
    """Whose bass ends above where a subwoofer takes over."""
    return speaker((2, 3), bass_hz=120.0)


@EACH_ROW
def test_a_complete_speaker_has_a_value_and_many_have_those_of_each(row, small):
    whole = value_of(row, small)
    assert np.isfinite(whole).all()
    for i in range(2):
        several = value_of(row, {name: array[i] for name, array in small.items()})
        np.testing.assert_allclose(several, whole[:, i], rtol=1e-12, atol=1e-12)
        for j in range(3):
            alone = value_of(row, {name: array[i, j] for name, array in small.items()})
            np.testing.assert_allclose(alone, whole[:, i, j], rtol=1e-12, atol=1e-12)


@EACH_ROW
def test_a_row_takes_nothing_that_it_does_not_say_it_reads(row, small):
    own = {part for read in row.reads for part in parts_of(read)}
    rng = np.random.default_rng(2)
    others = {name: array if name in own else noise(name, array, rng) for name, array in small.items()}
    np.testing.assert_array_equal(value_of(row, others), value_of(row, small))


@EACH_ROW
def test_a_row_takes_all_that_it_says_it_reads(row, small):
    plain = value_of(row, small)
    for read in row.reads:
        parts = parts_of(read)
        rng = np.random.default_rng(3)
        changed = small | {name: noise(name, small[name], rng) for name in parts}
        assert not parts or not np.array_equal(value_of(row, changed), plain, equal_nan=True), read


# bands


DELTAS_DB = (6.0, -6.0, 60.0, -60.0, 200.0)  # where whole grid points decide, it takes more than 6 dB


def at_point(part, array, point, delta):
    """A part with delta dB more at one grid point; of curves that are set against one another, in some of them."""
    found = array.copy()
    if part == "impedance":
        found[..., point] *= 10.0 ** (delta / 20.0)
    elif part == "turned":
        found[..., -1, point] += delta
    elif part == "sides":
        best = int(np.argmin(response.narrow_band_deviation(array).mean(axis=-2)))
        found[..., best, point] += delta
    elif part == "single":
        found[..., SINGLE, point] += delta
    elif part == "compression":
        found[..., 1:, point] += delta
    else:
        found[..., point] += delta
    return found


SINGLE = [slot for slot in range(curveset.SLOTS) if curveset.ANGLES_DEG[slot % curveset.PER_ORBIT]]


def changes(row, plain, parts, point):
    """Whether a change of the parts at one grid point changes the value."""
    before = value_of(row, plain)
    for delta in DELTAS_DB:
        # the first of the parts alone: an index is a difference of two
        changed = plain | {name: at_point(name, plain[name], point, delta) for name in parts}
        if not np.array_equal(value_of(row, changed), before, equal_nan=True):
            return True
    return False


def ends_of(row):
    """(parts, grid points that count, grid points that don't) of a row's reads; what is read as far down as it takes
    has no lower end, and where only that counts no upper one either."""
    for read in row.reads:
        parts = parts_of(read)[:1] if isinstance(read, Curve) else parts_of(read)
        if not parts or isinstance(read, Electrical):
            continue
        same = [r for r in row.reads if not isinstance(r, Electrical) and set(parts_of(r)) & set(parts)]
        covered = {i for r in same for i in range(*grid.band(r.low_hz, r.high_hz).indices(199))}
        band = grid.band(read.low_hz, read.high_hz)
        down, up = getattr(read, "down", False), getattr(read, "up", False)
        if down and ((row.group == "output" and isinstance(read, Curve)) or parts == ("sp",)):
            continue
        inside = [band.stop - 1] if down else [band.start] if up else [band.start, band.stop - 1]
        outside = [band.stop] if down else [band.start - 1] if up else [band.start - 1, band.stop]
        yield parts, inside, [i for i in outside if 0 <= i < 199 and i not in covered]


@EACH_ROW
def test_a_band_counts_to_its_outermost_grid_points_and_no_farther(row):
    plain = speaker(bass_hz=60.0)
    for parts, inside, outside in ends_of(row):
        for point in inside:
            assert changes(row, plain, parts, point), (parts, F_HZ[point])
        for point in outside:
            assert not changes(row, plain, parts, point), (parts, F_HZ[point])


@pytest.mark.parametrize(
    ("band", "low_hz", "high_hz"),
    [
        (response.REFERENCE, 300, 3000),
        (response.BASS_MEAN, 300, 10000),
        (response.SHAPE, 100, 10000),
        (response.IN_ROOM, 100, 16000),
        (response.BASS, 60, 200),
        (response.TREBLE, 4000, 16000),
        (response.NBD, 100, 12000),
        (directivity.BEAM, 1000, 10000),
        (directivity.TONE, 300, 10000),
        (output.LEVEL_BAND, 300, 3000),
        (output.BASS_BAND, 50, 100),
        (output.MID_BAND, 200, 5000),
        (output.MULTITONE_BAND, 100, 10000),
        (electrical.WHOLE, 20, 20000),
    ],
)
def test_bands_hold_the_grid_points_between_the_frequencies_of_the_method(band, low_hz, high_hz):
    inside = [i for i in range(199) if low_hz - 1e-6 <= 100.0 * 2.0 ** ((i - 46) / 20.0) <= high_hz + 1e-6]
    assert list(range(*band.indices(199))) == inside


def test_the_walk_down_starts_at_the_grid_point_at_or_below_300_hz():
    assert F_HZ[response.START] <= 300.0 < F_HZ[response.START + 1]


# reasons


def complete():
    """A passive speaker of which all was measured, as a session."""
    p = speaker(bass_hz=60.0, seed=5)
    level = np.round(p["single"], 2).astype(np.float32)
    drives = np.tile(DRIVES_DB, len(KINDS))
    return GridSession(
        info(powered=False, drive_voltage_v=2.83),
        np.repeat([True, False], curveset.PER_ORBIT),
        np.tile(curveset.ANGLES_DEG.astype(float), 2),
        level,
        24.0,
        sphere_power_db=p["sphere"].astype(np.float32),
        distortion=GridSweeps(
            drives, tuple(np.repeat(KINDS, len(DRIVES_DB))), np.concatenate([p[k] for k in KINDS]).astype(np.float32)
        ),
        compression=GridSweeps(
            DRIVES_DB, ("",) * len(DRIVES_DB), (DRIVES_DB[:, None] + p["compression"]).astype(np.float32)
        ),
        impedance_ohm=p["impedance"].astype(np.float32),
        impedance_phase_deg=p["phase"].astype(np.float32),
    )


def told(session, row):
    if row.kinds == "subwoofer":
        session = replace(session, info=replace(session.info, kind="subwoofer"))
    table = derive.derive([session], [row.id]).values
    return float(table.value[0, 0]), int(table.censored[0, 0]), table.reason.get((0, row.id))


def half_missing(session, read):
    """The session without the lower half of what is read."""
    band = grid.band(read.low_hz, read.high_hz)
    gone = slice(band.start, band.start + max((band.stop - band.start) // 2, 1))

    def without(array, rows=slice(None)):
        found = array.copy()
        found[rows, gone] = np.nan
        return found

    if isinstance(read, Curve | Pattern):
        poles = [b for a, b in curveset.POLES if a in read.slots]  # measured on both orbits
        return replace(session, level_db=without(session.level_db, [*read.slots, *poles]))
    if isinstance(read, Sphere):
        return replace(session, sphere_power_db=without(session.sphere_power_db[None])[0])
    if isinstance(read, Electrical):
        name = "impedance_phase_deg" if read.key == "phase" else "impedance_ohm"
        return replace(session, **{name: without(getattr(session, name)[None])[0]})
    name = "compression" if read.kind == "compression" else "distortion"
    sweeps = getattr(session, name)
    rows = [i for i, c in enumerate(sweeps.component) if read.kind in ("compression", c)]
    return replace(session, **{name: GridSweeps(sweeps.drive_db, sweeps.component, without(sweeps.level_db, rows))})


def test_a_complete_session_has_every_value():
    for kind, rows in (("standmount", "not_subwoofer"), ("subwoofer", "subwoofer")):
        session = complete()
        session = replace(session, info=replace(session.info, kind=kind))
        wanted = [m.id for m in ROWS if m.kinds in (rows, "all")]
        table = derive.derive([session], wanted).values
        assert table.reason == {}
        assert np.isfinite(table.value).all()


@EACH_ROW
def test_half_a_band_that_was_not_measured_is_named_with_what_the_metric_needs(row):
    session = complete()
    for read in row.reads:
        if (isinstance(read, Curve) and not (read.slots and read.needed)) or (
            isinstance(read, Electrical) and read.key == "voltage"
        ):
            continue
        value, code, reason = told(half_missing(session, read), row)
        if code:  # what is left bounds it
            continue
        assert np.isnan(value), read
        lacking = [r.band for r in row.reads]
        assert any(reason.endswith(f"needs {words}") for words in lacking), reason
        if read == row.reads[0]:
            assert f"the metric needs {read.band}" in reason


@EACH_ROW
def test_what_was_not_measured_at_all_is_named(row):
    session = complete()
    nothing = {
        Pattern: {"level_db": np.full_like(session.level_db, np.nan)},
        Sphere: {"sphere_power_db": None},
        Swept: {"compression": None, "distortion": None},
        Electrical: {"impedance_ohm": None, "info": replace(session.info, drive_voltage_v=None)},
    }
    for read in row.reads:
        if not (isinstance(read, Curve) and not (read.slots and read.needed)):
            value, _, reason = told(
                replace(session, **nothing[Pattern if isinstance(read, Curve) else type(read)]), row
            )
            assert np.isnan(value)
            assert reason.startswith("no ") or " not measured" in reason, reason


# words


@EACH_ROW
def test_a_row_says_what_pages_and_sentences_need(row):
    assert row.ends[0] != row.ends[1]
    assert row.step > 0
    assert row.matters > (1.0 if row.scale == "log" else 0.0)
    assert "{" not in row.definition
    assert row.nature[0] < row.nature[1]
    topic = method.find(row.method)
    assert topic.id == row.method
    assert row.definition in topic.text


def test_an_id_stands_once_and_places_on_the_sheet_are_taken_once():
    assert len(METRICS) == len(ROWS) == len({m.label for m in ROWS})
    strips = [m.strip for m in ROWS if m.strip is not None]
    assert len(set(strips)) == len(strips)


def test_smoothing_is_what_stands_between_single_curves_and_their_metrics():
    level = speaker()["single"]
    power, window = curveset.power_of(level), curveset.curve_set(level).lw
    found = smoothed(power, window)
    np.testing.assert_allclose(found.level_db[0], 10.0 * np.log10(grid.smooth_third_octave(power[0])))
    np.testing.assert_allclose(found.window_db, 10.0 * np.log10(grid.smooth_third_octave(curveset.power_of(window))))
