"""Sweeps of a session become levels with bounds and reasons; what is missing withholds what needs it and nothing
else."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb import derive
from speakerdb.acoustics import grid, programme
from speakerdb.errors import DataError
from speakerdb.metrics import METRICS
from speakerdb.session import CurveBlock, Impedance, Session, Sweep
from tests.store.builders import info

F_HZ = 20.0 * 2.0 ** (np.arange(240) / 24.0)
DRIVES_DB = (74.0, 80.0, 86.0, 92.0, 96.0, 100.0, 104.0, 108.0)
BASS_HZ = 50.0
THD = (
    "thd_bass_86_percent",
    "thd_mid_86_percent",
    "thd_bass_96_percent",
    "thd_mid_96_percent",
    "clean_level_bass_db",
    "clean_level_mid_db",
)
MULTITONE = ("clean_level_multitone_db", "clean_level_multitone_managed_db")
LEVELS = ("max_level_db",)
EITHER = (
    "max_level_40hz_db",
    "max_level_63hz_db",
    "max_level_100hz_db",
    "programme_level_db",
    "programme_level_managed_db",
)  # of compression or of distortion, whichever was measured
PASSIVE = (
    "impedance_min_ohm",
    "impedance_min_at_hz",
    "epdr_min_ohm",
    "epdr_min_at_hz",
    "box_tuning_hz",
    "sensitivity_db",
    "sensitivity_axis_db",
    "sensitivity_watt_db",
)
SUBWOOFER = (
    "sub_f3_hz",
    "sub_f6_hz",
    "sub_f10_hz",
    "sub_upper_f6_hz",
    *(f"sub_max_level_{name}hz_db" for name in (25, 31, 40, 63)),
)
SWEPT = (*THD, *MULTITONE, *LEVELS, *EITHER)


def axis_db(level_db=86.0):
    """Second-order high-pass at 50 Hz: −3 dB there, and −6 dB at 0.76 of it."""
    return level_db - 10.0 * np.log10(1.0 + (BASS_HZ / F_HZ) ** 4)


def compression(loss=lambda drive: 0.5 * max(0.0, drive - 96.0), drives=DRIVES_DB, level_db=0.0, f=F_HZ):
    return tuple(Sweep(d, None, f, np.interp(f, F_HZ, axis_db(d - loss(d) + level_db))) for d in drives)


def distortion(component="thd", at_86_db=-60.0, db_per_db=2.0, drives=DRIVES_DB, f=F_HZ):
    """In dB re the fundamental, alike at all frequencies, growing by db_per_db with each dB of drive."""
    return tuple(Sweep(d, component, f, np.full(len(f), at_86_db + db_per_db * (d - 86.0))) for d in drives)


SWEPT_TO_108 = compression()
ALL = (*distortion(), *distortion("multitone", -50.0, 1.0), *distortion("multitone_hp80", -56.0, 1.0))


def phase_of(impedance):
    return np.degrees(np.angle(impedance)) if np.iscomplexobj(impedance) else None


def session(compression=SWEPT_TO_108, distortion=ALL, impedance=None, angles=range(-170, 181, 10), f=F_HZ, **changes):
    a = np.array(angles, float)
    level = np.interp(f, F_HZ, axis_db()) - 4.0 * (1.0 - np.cos(np.radians(a)))[:, None] * np.log2(1.0 + f / 800.0)
    block = CurveBlock(f, np.repeat([True, False], len(a)), np.tile(a, 2), np.concatenate([level, level]))
    ohm = None if impedance is None else Impedance(F_HZ, np.abs(impedance), phase_of(impedance))
    return Session("made", info(**changes), (block,), distortion=distortion, compression=compression, impedance=ohm)


def found(s, grid_session=None):
    """metric -> (value, code, reason)."""
    table = derive.derive([grid_session or derive.to_grid(s)]).values
    return {
        m: (float(table.value[0, j]), int(table.censored[0, j]), table.reason.get((0, m)))
        for j, m in enumerate(table.metrics)
    }


def withheld(values):
    return {m for m, (value, _, _) in values.items() if np.isnan(value) and METRICS[m].group == "output"}


EXACT, AT_MOST, AT_LEAST, BETWEEN = 0, 1, 2, 3


def test_levels_and_distortion_of_a_speaker_given_by_formulas():
    values = found(session())
    for m in ("thd_bass_86_percent", "thd_mid_86_percent"):
        assert values[m] == (pytest.approx(0.1, rel=1e-3), EXACT, None)  # −60 dB
    for m in ("thd_bass_96_percent", "thd_mid_96_percent"):
        assert values[m] == (pytest.approx(1.0, rel=1e-3), EXACT, None)  # −40 dB
    three_percent = -30.458  # dB
    assert values["clean_level_bass_db"] == (pytest.approx(106.0, abs=0.01), EXACT, None)  # −20 dB
    assert values["clean_level_mid_db"] == (pytest.approx(86.0 + (three_percent + 60) / 2, abs=0.01), EXACT, None)
    assert values["clean_level_multitone_db"] == (pytest.approx(86.0 + three_percent + 50, abs=0.01), EXACT, None)
    assert values["clean_level_multitone_managed_db"] == (108.0, AT_LEAST, None)
    assert values["max_level_db"] == (pytest.approx(99.0, abs=0.02), EXACT, None)


@pytest.mark.parametrize(
    ("metric", "component", "low_hz", "high_hz"),
    [
        ("clean_level_bass_db", "thd", 50, 100),
        ("clean_level_mid_db", "thd", 200, 5000),
        ("clean_level_multitone_db", "multitone", 100, 10000),
        ("clean_level_multitone_managed_db", "multitone_hp80", 100, 10000),
        ("thd_bass_86_percent", "thd", 50, 100),
        ("thd_mid_96_percent", "thd", 200, 5000),
    ],
)
def test_a_band_counts_to_its_ends_and_no_farther(metric, component, low_hz, high_hz):
    def dirty(from_hz, to_hz):
        bad = np.where((from_hz <= F_HZ) & (to_hz >= F_HZ), 50.0, 0.0)
        return tuple(
            Sweep(s.drive_db, component, F_HZ, np.minimum(s.level_db + bad, 0.0)) for s in distortion(component)
        )

    def value(sweeps):
        return found(session(distortion=sweeps))[metric][0]

    clean, reach = value(distortion(component)), 2.0**0.25  # beyond the smoothing's reach
    assert value(dirty(20, low_hz / reach)) == pytest.approx(clean)
    assert value(dirty(high_hz * reach, 20000)) == pytest.approx(clean)
    assert value(dirty(low_hz / 1.02, low_hz * 1.1)) != pytest.approx(clean, abs=0.01)
    assert value(dirty(high_hz / 1.1, high_hz * 1.02)) != pytest.approx(clean, abs=0.01)


def test_usable_output_follows_the_listening_window():
    s = session()
    derived = derive.derive([derive.to_grid(s)])
    values = found(s)
    window = derived.summary["listening_window"][0].astype(float)
    reference = window[grid.band(300, 3000)].mean()
    for hz in (40.0, 63.0, 100.0):
        value, code, _ = values[f"max_level_{hz:.0f}hz_db"]
        shape = np.interp(np.log2(hz), grid.LOG2_HZ, window) - reference
        # up to 100 Hz 3 dB are lost at a drive of 102 before 10 % at 106; just above 100 Hz 3 % comes at 100.77 already
        assert code == EXACT
        assert value == pytest.approx(99.0 + shape, abs=0.05)


def test_usable_output_is_kept_in_the_third_octave_bands_and_nowhere_else():
    summary = derive.derive([derive.to_grid(session())]).summary
    low, high, cause = (summary[f"usable_{part}"][0] for part in ("low", "high", "cause"))
    there = np.isfinite(low)
    assert there.sum() == 31
    centres = 1000.0 * 2.0 ** (np.arange(-17, 14) / 3.0)
    np.testing.assert_allclose(grid.FREQUENCY_HZ[there], centres, rtol=0.04)
    window = summary["listening_window"][0].astype(float)
    shape = 10.0 * np.log10(grid.smooth_third_octave(10.0 ** (window / 10.0))) - window[grid.band(300, 3000)].mean()
    # 3 dB are lost at a drive of 102; 3 % of distortion come at 100.77, where 2.39 dB are lost
    limit = np.where(grid.FREQUENCY_HZ <= 100.001, 99.0, 100.771 - 0.5 * 4.771)
    np.testing.assert_allclose(low[there], (limit + shape)[there], atol=0.02)
    np.testing.assert_array_equal(low[there], high[there])
    words = np.array(programme.CAUSES)[cause[there].astype(int)]
    assert set(words[grid.FREQUENCY_HZ[there] < 101]) == {"compression"}
    assert set(words[grid.FREQUENCY_HZ[there] > 101]) == {"distortion"}


def test_programme_spl_is_the_sum_over_the_bands_that_music_asks_for():
    summary = derive.derive([derive.to_grid(session())]).summary
    output_db = summary["usable_low"][0][np.isfinite(summary["usable_low"][0])].astype(float)
    f = 1000.0 * 2.0 ** (np.arange(-17, 14) / 3.0)
    spectrum = -20.0 * np.log10(1.0 + (40.0 / f) ** 2) - 10.0 * np.log10(1.0 + (f / 4500.0) ** 2)
    spectrum -= 10.0 * np.log10(np.sum(10.0 ** (spectrum / 10.0)))
    values = found(session())
    for metric, extra in (
        ("programme_level_db", 0.0),
        ("programme_level_managed_db", 20.0 * np.log10(1 + (80 / f) ** 4)),
    ):
        asked = (spectrum - extra)[4:28]
        level = -10.0 * np.log10(np.sum(10.0 ** ((asked - output_db[4:28]) / 10.0)))
        assert values[metric] == (pytest.approx(level, abs=0.01), EXACT, None)


def test_sweeps_that_ended_early_leave_programme_spl_between_two_ends():
    values = derive.derive(
        [derive.to_grid(session(compression=compression(lambda d: 0.0, drives=DRIVES_DB[:5])))]
    ).values
    j = values.metrics.index("programme_level_db")
    assert values.censored[0, j] == BETWEEN
    whole = found(session(compression=compression(lambda d: 0.0)))["programme_level_db"]
    assert values.value[0, j] < 96.2  # what a flat 96 dB, the highest drive, would give
    assert values.upper[0, j] == pytest.approx(whole[0], abs=0.02)
    assert whole[1] == EXACT


@pytest.mark.parametrize(
    ("changes", "lacking"),
    [
        ({"distortion": ()}, {*THD, *MULTITONE}),
        ({"distortion": distortion()}, {*MULTITONE}),
        ({"distortion": (*distortion(), *distortion("multitone_hp80"))}, {"clean_level_multitone_db"}),
        ({"distortion": distortion("multitone")}, {*THD, "clean_level_multitone_managed_db"}),
        ({"distortion": (*distortion("h2"), *distortion("h3"))}, {*THD, *MULTITONE}),
        ({"compression": ()}, {*LEVELS}),
        ({"compression": (), "distortion": ()}, {*SWEPT}),
        ({"compression": compression(drives=(86.0,))}, {*LEVELS}),
        ({"level_is": "relative"}, {*SWEPT}),
        ({"kind": "subwoofer", "drive_band": (300.0, 3000.0)}, {*SWEPT}),
    ],
)
def test_what_is_missing_withholds_only_what_needs_it_and_says_why(changes, lacking):
    values = found(session(**changes))
    others = () if changes.get("kind") == "subwoofer" else SUBWOOFER
    assert withheld(values) == lacking | {*PASSIVE, *others}
    assert all(values[m][2] for m in withheld(values))
    alone = {("compression",): "compression not measured: distortion alone tells"}
    alone[("distortion",)] = "distortion not measured: compression alone tells"
    if lacking != set(SWEPT):
        thd = not {*THD} <= lacking
        for m in set(SWEPT) - lacking:
            swept = changes.get("compression", SWEPT_TO_108)
            words = (
                None
                if m not in EITHER or (thd and len(swept) > 1)
                else alone["distortion",]
                if thd < (len(swept) > 1)
                else alone["compression",]
            )
            assert values[m][2] == words


@pytest.mark.parametrize(
    ("changes", "metric", "words"),
    [
        ({"distortion": ()}, "clean_level_mid_db", "no distortion measured"),
        ({"compression": ()}, "max_level_db", "no compression measured"),
        ({"compression": (), "distortion": ()}, "max_level_40hz_db", "no compression measured"),
        ({"compression": (), "distortion": ()}, "programme_level_db", "no compression measured"),
        ({"compression": compression(drives=(86.0,))}, "max_level_db", "one drive"),
        ({"distortion": distortion(drives=(76.0, 92.0))}, "thd_mid_96_percent", "76–92 dB"),
        ({"distortion": distortion(drives=(92.0,))}, "thd_mid_96_percent", "92 dB"),
        ({"distortion": distortion(f=F_HZ[F_HZ > 60])}, "clean_level_bass_db", "Hz"),
        ({"level_is": "relative"}, "max_level_db", "levels are relative"),
        ({"kind": "subwoofer", "drive_band": (300.0, 3000.0)}, "max_level_db", "subwoofer"),
        ({}, "impedance_min_ohm", "a powered speaker"),
        ({}, "sensitivity_db", "a powered speaker"),
        ({"powered": False}, "impedance_min_ohm", "no impedance measured"),
        ({"powered": False}, "sensitivity_db", "no drive voltage given"),
        ({"powered": False, "impedance": np.full(240, 8.0)}, "epdr_min_ohm", "it needs the column phase_deg"),
        ({"powered": False, "impedance": np.full(240, 8.0)}, "box_tuning_hz", "neither one nor two clear maxima"),
        ({"compression": compression(lambda d: 0.05 * (d - 74.0))}, "max_level_db", "compresses already"),
        ({"angles": [0, 10, 20]}, "max_level_40hz_db", "not measured"),
    ],
)
def test_reasons_name_what_lacks(changes, metric, words):
    value, code, reason = found(session(**changes))[metric]
    assert np.isnan(value)
    assert code == EXACT
    assert words in reason


def test_harmonics_without_their_total_are_summed_by_power():
    level = 20 * np.log10(0.01)
    each = tuple(s for h in ("h2", "h3", "h4", "h5") for s in distortion(h, level, 1.0))
    values = found(session(distortion=each))
    assert values["thd_mid_86_percent"] == (pytest.approx(2.0, rel=1e-3), EXACT, None)  # √4 · 1 %


def test_a_measured_total_goes_before_its_harmonics():
    each = tuple(s for h in ("h2", "h3", "h4", "h5") for s in distortion(h, -20.0))
    assert found(session(distortion=(*ALL, *each)))["thd_mid_86_percent"] == found(session())["thd_mid_86_percent"]


def test_the_order_of_drives_changes_nothing():
    rng = np.random.default_rng(1)
    c, d = compression(), ALL
    shuffled = session(
        compression=tuple(c[i] for i in rng.permutation(len(c))),
        distortion=tuple(d[i] for i in rng.permutation(len(d))),
    )
    np.testing.assert_equal(found(shuffled), found(session()))


@pytest.mark.parametrize(
    ("changes", "file"),
    [
        ({"compression": (*compression(), *compression(drives=(92.0,)))}, "compression"),
        ({"distortion": (*ALL, *distortion(drives=(92.0,)))}, "distortion"),
    ],
)
def test_a_drive_given_twice_is_refused(changes, file):
    with pytest.raises(DataError) as caught:
        derive.to_grid(session(**changes))
    (item,) = caught.value.items
    assert item.file == file
    assert item.key == "drive_db"
    assert "92" in item.found
    assert item.expected


@pytest.mark.parametrize("off", [-6.0, -1.2, 1.2, 3.4])
def test_a_lowest_sweep_that_is_not_where_its_drive_says_is_refused_with_the_offset(off):
    with pytest.raises(DataError) as caught:
        derive.to_grid(session(compression=compression(level_db=off)))
    (item,) = caught.value.items
    assert f"{off:+.1f} dB".replace("-", "−") in item.found
    assert "relative" in item.expected


def test_within_a_db_the_drives_are_taken_at_their_word():
    assert found(session(compression=compression(level_db=0.9)))["max_level_db"][0] == pytest.approx(99.0, abs=0.02)


def test_drives_on_a_relative_scale_are_all_moved_to_the_level_the_lowest_sweep_shows():
    """Drives called −20 … 14 dB that really are 74 … 108."""
    steps = [d - 94.0 for d in DRIVES_DB]
    swept = tuple(
        Sweep(s, None, F_HZ, axis_db(d - 0.5 * max(0.0, d - 96.0))) for s, d in zip(steps, DRIVES_DB, strict=True)
    )
    distorted = tuple(Sweep(x.drive_db - 94.0, x.component, x.frequency_hz, x.level_db) for x in ALL)
    moved = found(session(compression=swept, distortion=distorted, drive_scale="relative"))
    plain = found(session())
    # the mean over 300 Hz–3 kHz of the axis itself lies a little below its passband
    for m in SWEPT:
        assert moved[m][1] == plain[m][1], m
        assert moved[m][0] == pytest.approx(plain[m][0], abs=0.02, rel=0.01), m


def test_relative_drives_without_compression_stand_for_no_level():
    values = found(session(compression=(), drive_scale="relative"))
    assert set(SWEPT) <= withheld(values)
    assert "relative" in values["clean_level_mid_db"][2]


def test_relative_drives_whose_compression_lacks_the_band_stand_for_no_level():
    narrow = compression(f=F_HZ[F_HZ < 2000])
    s = session(compression=narrow, drive_scale="relative")
    assert set(SWEPT) <= withheld(found(s))
    assert np.isnan(derive.derive([derive.to_grid(s)]).summary["usable_low"]).all()


def test_responses_and_compression_at_the_microphones_distance_are_referred_to_1_m():
    at_2_m = session(compression=compression(level_db=-20 * np.log10(2.0)), level_is="spl_at_distance", distance_m=2.0)
    assert found(at_2_m)["max_level_db"][0] == pytest.approx(99.0, abs=0.02)


def test_compression_already_at_1_m_is_recognised_where_responses_are_at_distance():
    at_2_m = session(level_is="spl_at_distance", distance_m=2.0)
    assert found(at_2_m)["max_level_db"][0] == pytest.approx(99.0, abs=0.02)


def test_a_reference_that_compresses_bounds_the_maximum_level_from_above():
    value, code, _ = found(session(compression=compression(lambda d: 0.15 * (d - 74.0))))["max_level_db"]
    assert code == AT_MOST
    assert value == pytest.approx(91.0, abs=0.03)


def test_three_db_never_reached_is_at_least_what_was_delivered():
    value, code, _ = found(session(compression=compression(lambda d: 0.1 * max(0.0, d - 96.0))))["max_level_db"]
    assert code == AT_LEAST
    assert value == pytest.approx(108.0 - 1.2, abs=0.02)


def test_a_passive_speaker_has_impedance_and_sensitivity():
    resonance = 36.0 * np.exp(-((np.log2(F_HZ / 90.0) / 0.3) ** 2))
    dip = np.minimum(0.2 * np.log2(F_HZ / 1000.0) ** 2, 1.0)  # level below 200 Hz, so that one maximum stands alone
    ohm = (4.0 + resonance + dip) * np.exp(0.5j)
    values = found(session(powered=False, drive_voltage_v=1.415, impedance=ohm))
    assert values["impedance_min_ohm"][0] == pytest.approx(4.0, abs=0.01)
    assert values["impedance_min_at_hz"][0] == pytest.approx(1000.0, rel=0.03)
    share = 1.0 / (8.0 * np.sin(np.pi / 6.0 + 0.5 / 3.0) ** 3)
    assert values["epdr_min_ohm"][0] == pytest.approx(4.0 * share, abs=0.01)
    assert values["box_tuning_hz"][0] == pytest.approx(90.0, rel=0.03)
    assert "closed box" in values["box_tuning_hz"][2]
    assert values["sensitivity_db"][0] == pytest.approx(values["reference_level_db"][0] + 6.02, abs=0.01)
    assert values["sensitivity_watt_db"][0] == pytest.approx(values["sensitivity_db"][0] - 3.01, abs=0.02)
    assert values["sensitivity_axis_db"][0] > values["sensitivity_db"][0]


def test_a_powered_speaker_has_neither_even_where_someone_measured_them():
    values = found(session(powered=True, drive_voltage_v=2.83, impedance=np.full(240, 8.0)))
    assert {m: values[m][2] for m in PASSIVE} == dict.fromkeys(PASSIVE, "a powered speaker")


def test_impedance_of_a_subwoofer_stands():
    values = found(session(kind="subwoofer", drive_band=(300.0, 3000.0), powered=False, impedance=np.full(240, 6.0)))
    assert values["impedance_min_ohm"][0] == pytest.approx(6.0, abs=0.01)


def test_what_was_not_measured_leaves_programme_spl_an_upper_bound():
    """Measured from 200 Hz only: the bass may allow less."""
    f = F_HZ[F_HZ > 200]
    value, code, _ = found(session(compression=compression(f=f), distortion=distortion(f=f), f=f))["programme_level_db"]
    whole = found(session(distortion=distortion()))["programme_level_db"]
    assert code == AT_MOST
    assert value > whole[0]


def test_a_first_drive_in_the_noise_is_told_beside_the_value():
    noisy = list(distortion())
    noisy[0] = Sweep(DRIVES_DB[0], "thd", F_HZ, np.full(240, -15.0))
    values = found(session(distortion=tuple(noisy)))
    plain = found(session(distortion=distortion()))
    for m in ("clean_level_mid_db", "clean_level_bass_db"):
        assert values[m][:2] == plain[m][:2]
        assert plain[m][2] is None
        assert "noise" in values[m][2]


def test_harmonics_that_make_no_total_are_named():
    values = found(session(distortion=(*distortion("h2"), *distortion("h3"))))
    assert "only h2, h3" in values["thd_mid_86_percent"][2]


ENDLESS = {"compression": compression(lambda d: 0.0), "distortion": distortion(at_86_db=-120.0)}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        # the axis averages 86 dB less its high-pass at 2.83 V: 108 dB are 22 dB more, 35.7 V, and 159 W into 8 Ω
        ({"powered": False, "drive_voltage_v": 2.83}, "the bench stopped at 35.6 V (159 W into 8 Ω), not the speaker"),
        (
            {"powered": False, "drive_voltage_v": 2.83, "bench_limit": "amplifier"},
            "the bench stopped at 35.6 V (159 W into 8 Ω), not the speaker",
        ),
        ({"powered": False, "drive_voltage_v": 2.83, "bench_limit": "speaker"}, None),
        (
            {"powered": False, "drive_voltage_v": 2.83, "bench_limit": "chosen"},
            "the lab chose to stop at 35.6 V (159 W into 8 Ω)",
        ),
        (
            {"powered": False, "drive_voltage_v": 2.83, "bench_max_v": 60.0},
            "the sweep stopped at 35.6 V (159 W into 8 Ω), the bench could have given 60.0 V",
        ),
        ({}, None),
        ({"bench_limit": "amplifier"}, "the bench stopped at a drive of 108 dB, not the speaker"),
    ],
)
def test_a_bound_says_whose_end_it_shows(changes, words):
    values = found(session(**ENDLESS, **changes))
    for m in ("max_level_db", "max_level_63hz_db", "programme_level_db"):
        assert values[m][1] == AT_LEAST
        assert values[m][2] == words


def test_an_exact_value_says_nothing_of_the_bench():
    assert found(session(powered=False, drive_voltage_v=2.83))["max_level_db"][1:] == (EXACT, None)
