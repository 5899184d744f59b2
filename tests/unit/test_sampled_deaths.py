"""Deaths at the composition of test fishing: print, by hand, shared errors, and words."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analytics.codes import coded, has_code
from analytics.estimates.season_survey import prepare_survey
from analytics.released.build import released_tables
from analytics.released.composition import sampled_death_table
from analytics.released.schemas import DEATH_SCHEMA
from tests.class_cases import boat, drawn, fish_of, sampled_survey, seasons

SAMPLE = (30, 18, 42, 30)
#: As in the reference of encounters from a composition: 200 fish kept, standard error 20.
KEPT = (28, 12, 24, 16, 20)


def rate(size, prop, se=0.0, *, method="any", wound="any"):
    key = {"size_class": size, "method": method, "wound_class": wound}
    return key | {"rate_prop": prop, "rate_se": se, "source": "printed"}


RATES = [rate("legal", 0.10), rate("sublegal", 0.20)]


def lost(prop, se=0.0, base="encounters"):
    return [{"method": "any", "rate_prop": prop, "rate_se": se, "base": base}]


def made(*boats, fish=SAMPLE, rates=RATES, drop_off=None, **given):
    tables = {"release_rates": rates, "drop_off": lost(0.0) if drop_off is None else drop_off}
    boats = boats or tuple(map(boat, KEPT))
    snapshot = sampled_survey(drawn(*boats), fish_of(fish), **tables, **given)
    table = sampled_death_table(prepare_survey(snapshot), level=0.95)
    assert table.schema == DEATH_SCHEMA
    rows = table.to_pylist()
    assert not any(isinstance(v, float) and math.isnan(v) for row in rows for v in row.values())
    return rows


def one(rows, fate, size="any", area=None):
    chosen = {"fate": fate, "size_class": size, "area": area, "basis": "sampled"}
    (row,) = [row for row in rows if chosen.items() <= row.items()]
    return row


def test_deaths_of_the_printed_composition():
    # Conrad & McHugh (2008), formulas derived: 200 kept; 200, 120, 280 and 200 fish met.
    rows = made()
    found = {key: one(rows, *key) for key in (("released", "legal"), ("released", "sublegal"))}
    assert [(row["fish"], row["deaths"]) for row in found.values()] == [
        (pytest.approx(120), pytest.approx(12)),
        (pytest.approx(480), pytest.approx(96)),
    ]
    assert one(rows, "kept")["deaths"] == pytest.approx(200)
    assert one(rows, "released")["deaths"] == pytest.approx(108)
    assert one(rows, "all")["deaths"] == pytest.approx(308)
    assert [row["area"] for row in rows] == [None] * 6 + ["A"] * 6


def test_the_error_is_that_of_one_number_kept_and_one_sample():
    # All 308 deaths follow from K: D = K (1 + 0.1 a/m + 0.2 b/m), a 18, b 72 and m 30 sampled fish.
    row = one(made(), "all")
    slopes = np.array([0.1 * 200 / 30, 0.2 * 200 / 30, -108 / 30])
    by_hand = 308**2 * 0.1**2 + slopes**2 @ np.array([18, 72, 30])
    assert row["se"] == pytest.approx(math.sqrt(by_hand))
    assert row["catch_variance_prop"] == pytest.approx(1)
    assert row["ci_low"] < 308 < row["ci_high"]


def test_legal_releases_share_their_base_with_the_fish_kept():
    # Legal releases are E_LM + E_LU - K, and E_LM is K: what is left is E_LU.
    row = one(made(), "released", "legal")
    assert row["fish_se"] == pytest.approx(120 * math.sqrt(0.1**2 + 1 / 18 + 1 / 30))


def test_errors_of_rates_and_of_drop_off_enter():
    rates = [rate("legal", 0.10, 0.02), rate("sublegal", 0.20, 0.05)]
    rows = made(rates=rates, drop_off=lost(0.05, 0.01))
    sure = made(drop_off=lost(0.05))
    assert one(rows, "drop_off")["deaths"] == pytest.approx(0.05 * 800)
    for fate, size in (("released", "sublegal"), ("released", "any"), ("drop_off", "any")):
        row, known = one(rows, fate, size), one(sure, fate, size)
        assert row["deaths"] == pytest.approx(known["deaths"])
        assert row["se"] > known["se"]
        assert row["deaths_low"] < row["deaths"] < row["deaths_high"]
    row, known = one(rows, "released", "sublegal"), one(sure, "released", "sublegal")
    of_rate = 0.05**2 * (480**2 - row["fish_se"] ** 2)
    assert row["se"] ** 2 == pytest.approx(known["se"] ** 2 + of_rate)
    kept = made(drop_off=lost(0.05, 0.01, base="kept"))
    assert one(kept, "drop_off")["deaths"] == pytest.approx(0.05 * 200)
    assert one(kept, "drop_off")["reason"].startswith("of_kept")


def test_a_size_takes_the_mean_of_its_rates_by_reported_releases():
    rates = [
        rate("legal", 0.10),
        rate("sublegal", 0.40, 0.04, method="mooching"),
        rate("sublegal", 0.20, 0.02, method="trolling"),
    ]
    boats = [
        boat(kept, method=method, released_sublegal=kept * times)
        for method, times in (("mooching", 3), ("trolling", 1))
        for kept in (5, 7)
    ]
    rows = made(*boats, rates=rates)
    row = one(rows, "released", "sublegal")
    assert row["rate_prop"] == pytest.approx(0.75 * 0.40 + 0.25 * 0.20)
    assert row["rate_se"] == pytest.approx(math.hypot(0.75 * 0.04, 0.25 * 0.02))
    assert row["deaths"] == pytest.approx(row["fish"] * 0.35)
    assert coded("mean_rate", of="sublegal_releases") in row["reason"]


def test_fewer_legal_fish_than_kept_are_none_released():
    # 60 kept fish of which 30 are marked: the sample has 1 unmarked legal fish for 10 marked.
    boats = [boat(20, marked=10), boat(40, marked=20)]
    rows = made(*boats, fish=(40, 4, 42, 30))
    row = one(rows, "released", "legal")
    assert (row["fish"], row["deaths"]) == (0, 0)
    assert row["reason"].startswith(coded("fewer_legal_than_kept"))
    assert one(rows, "all")["deaths"] == pytest.approx(300 + 0.2 * 150 * 72 / 40)


@pytest.mark.parametrize(
    ("given", "why"),
    [
        ({"rates": []}, "no_release_rates"),
        ({"drop_off": []}, "no_drop_off_rates"),
        ({"rates": [rate("sublegal", 0.2)]}, "no_release_rate_for(fish=legal:released"),
    ],
)
def test_a_rate_that_is_lacking_is_said(given, why):
    boats = [boat(kept, released_legal=1, released_sublegal=2) for kept in KEPT]
    row = one(made(*boats, **given), "all")
    assert row["deaths"] is None
    assert why in row["reason"]


def test_rates_without_error_leave_low_and_high_out():
    rows = made(rates=[rate("legal", 0.10), rate("sublegal", 0.20, None)])
    row = one(rows, "released", "sublegal")
    assert row["deaths"] == pytest.approx(96)
    assert (row["deaths_low"], row["rate_se"]) == (None, None)
    assert has_code(row["reason"], "a_rate_without_interval")


def test_site_days_all_alike_leave_deaths_without_error_in_words():
    row = one(made(boat(5), boat(5)), "all")
    assert row["deaths"] > 0
    assert (row["se"], row["ci_low"]) == (None, None)
    assert "units_alike(unit=site-day)" in row["reason"]


def test_without_a_sample_there_are_no_sampled_deaths():
    assert made(seasons=seasons("A", min_length_mm=None)) == []
    assert made(fish=(0, 5, 10, 10)) == []


def test_the_kept_table_holds_both_bases():
    boats = [boat(kept, released_sublegal=kept) for kept in KEPT]
    snapshot = sampled_survey(
        drawn(*boats), fish_of(SAMPLE), release_rates=RATES, drop_off=lost(0.05)
    )
    table = released_tables(prepare_survey(snapshot), level=0.95)["deaths"].to_pylist()
    totals = {
        row["basis"]: row["deaths"] for row in table if row["fate"] == "all" and not row["area"]
    }
    assert totals["reported"] == pytest.approx(200 + 0.2 * 200 + 0.05 * 400)
    assert totals["sampled"] == pytest.approx(308 + 0.05 * 800)
