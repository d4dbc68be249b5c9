"""The market of the fleet hangs together: bass costs money, preference hardly does, and the three bargains can be
found.

Held against the project's own metrics, pooled as they stand in comparisons; expectations are those of the fleet's
README.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import polars as pl
from scipy.stats import linregress, spearmanr

from seed_data.catalogue import catalogue
from seed_data.generate import FLEET
from seed_data.model.speaker import field_of
from seed_data.model.strain import strain_of
from speakerdb.derive import Grouping, derive, pool_table, to_grid
from speakerdb.formats import find_sessions, read_session

BARGAINS = {"pennywort-threepence", "hod-and-trowel-pailplus", "dunnock-yard-bradawl-5"}
METRICS = ("f6_hz", "preference", "tone_width_vertical_deg", "di_power_mean_db")


@cache
def market() -> pl.DataFrame:
    """One row per speaker in its default setting: slug, layout, price of a pair in euro (street before list),
    metrics."""
    sessions = [read_session(folder) for folder in find_sessions(FLEET)]
    infos = [s.info for s in sessions]
    varied = {i.slug for i in infos if i.default_setting}
    chosen = [n for n, i in enumerate(infos) if i.default_setting or i.slug not in varied]
    slugs = sorted({infos[n].slug for n in chosen})
    table = derive([to_grid(sessions[n]) for n in chosen], METRICS).values
    group = np.array([slugs.index(infos[n].slug) for n in chosen])
    pooled = pool_table(table, Grouping(group, [infos[n].sample for n in chosen], [infos[n].lab for n in chosen]))
    rows = []
    for number, slug in enumerate(slugs):
        own = [i for i in infos if i.slug == slug]
        prices = {
            p.kind: p.amount * (2 if p.per == "each" else 1) for i in own for p in i.prices if p.currency == "EUR"
        }
        censored = bool(pooled.censored[number, pooled.metrics.index("f6_hz")])
        rows.append(
            {
                "slug": slug,
                "layout": own[0].layout,
                "price": prices.get("street", prices.get("list")),
                "f6_censored": censored,
            }
            | dict(zip(pooled.metrics, pooled.value[number].tolist(), strict=True))
        )
    return pl.DataFrame(rows).with_columns(pl.col(pl.Float64).fill_nan(None))


def test_bass_costs_money_but_not_only_money() -> None:
    known = market().filter(~pl.col("f6_censored")).drop_nulls(["price", "f6_hz"])
    assert len(known) >= 50
    assert -0.7 < spearmanr(known["price"], known["f6_hz"]).statistic < -0.3


def test_price_explains_less_than_half_of_preference() -> None:
    known = market().drop_nulls(["price", "preference"])
    assert len(known) >= 45
    assert 0.0 < linregress(np.log2(known["price"]), known["preference"]).rvalue ** 2 < 0.5


def test_the_three_bargains_lie_on_the_frontier_and_a_point_above_what_their_price_suggests() -> None:
    known = market().drop_nulls(["price", "preference"]).sort("price", "preference", descending=[False, True])
    better_than_all_cheaper = known["preference"] > known["preference"].cum_max().shift(1, fill_value=-np.inf)
    frontier = set(known.filter(better_than_all_cheaper)["slug"])
    assert frontier >= BARGAINS
    line = linregress(np.log2(known["price"]), known["preference"])
    above = known["preference"] - (line.intercept + line.slope * np.log2(known["price"]))
    found = known.with_columns(above=above).filter(pl.col("slug").is_in(BARGAINS))
    assert found["above"].min() > 1.0


def test_two_claimed_maximum_levels_are_far_from_the_truth_and_the_others_at_most_hopeful() -> None:
    above = {}
    for design in catalogue():
        if design.claim:
            claimed_db, pair, distance_m = design.claim
            single_db = claimed_db - (10.0 * np.log10(2.0) if pair else 0.0) + 20.0 * np.log10(distance_m)
            strain = strain_of(design, field_of(design, design.settings[:1])[0], np.arange(70.0, 125.0, 0.5))
            at = np.argmax(strain.loss_db > 3.0)
            above[design.model] = single_db - (strain.drive_db[at] - strain.loss_db[at])
    assert {model for model, over_db in above.items() if over_db > 12.0} == {"Corbel", "Sixpence"}
    assert all(over_db < 9.0 or over_db > 12.0 for over_db in above.values())
    assert min(above.values()) < 0.0  # some are kept


def test_coaxial_designs_hold_their_tone_vertically() -> None:
    known = market().drop_nulls("tone_width_vertical_deg")
    coaxial = known.filter(pl.col("layout").str.contains("coaxial"))["tone_width_vertical_deg"]
    stacked = known.filter(pl.col("layout").is_in(["two-way", "three-way"]))["tone_width_vertical_deg"]
    assert len(coaxial) >= 4
    assert coaxial.min() > 30.0 > stacked.median()


def test_directivity_indices_are_those_of_boxes_in_living_rooms() -> None:
    index = market()["di_power_mean_db"].drop_nulls()
    assert index.min() > 3.0
    assert index.max() < 10.0
