"""Encounters by size and mark: split by the fish whose mark was read, and nothing dropped."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pytest

from analytics.estimates.estimate import estimate_snapshot
from analytics.fish.mark_composition import MARK_QUANTITIES, mark_measures, marked
from tests.tables import MONDAY, SiteDay, figures, interview, survey


def row(days, quantity):
    return figures(estimate_snapshot(survey(days), by=("season",)), quantity)


def sample(*boats):
    """Return site-days of one boat each from a frame of 10."""
    return [SiteDay(1, [boat], stratum="all", frame=10) for boat in boats]


READ = {"kept_marked": 0, "released_legal_marked": 0, "released_sublegal_marked": 0}


def test_every_mark_read_is_a_plain_total():
    boats = [
        interview(kept=2, released_sublegal=5, **READ | {"kept_marked": 1}),
        interview(
            kept=4, released_legal=3, **READ | {"kept_marked": 2, "released_legal_marked": 1}
        ),
    ]
    found = row(sample(*boats), "encounter_legal_marked_fish")
    assert found["estimate"] == pytest.approx(10 / 2 * (1 + 3))
    assert found["se"] == pytest.approx(math.sqrt(100 * 0.8 * 2 / 2))
    unmarked = row(sample(*boats), "encounter_legal_unmarked_fish")
    assert unmarked["estimate"] == pytest.approx(10 / 2 * (1 + 4))


def test_a_boat_whose_marks_nobody_read_is_not_dropped():
    boats = [
        interview(kept=2, kept_marked=1),
        interview(kept=4, kept_marked=3),
        interview(kept=6),
        interview(kept=0),
    ]
    found = row(sample(*boats), "encounter_legal_marked_fish")
    assert found["estimate"] == pytest.approx(10 / 4 * 12 * (4 / 6))
    assert row(sample(*boats), "marked_prop")["estimate"] == pytest.approx(4 / 6)


def test_an_empty_cell_where_no_fish_was_is_nothing_lost():
    with_gap = sample(interview(kept=2, kept_marked=1), interview(kept=0))
    with_zero = sample(interview(kept=2, kept_marked=1), interview(kept=0, kept_marked=0))
    first, second = (row(days, "encounter_legal_marked_fish") for days in (with_gap, with_zero))
    assert (first["estimate"], first["se"]) == (second["estimate"], second["se"])


def test_kept_and_released_are_split_each_by_its_own_marks():
    boats = sample(
        interview(kept=10, kept_marked=10, released_legal=10, released_legal_marked=0),
        interview(released_legal=10),
    )
    assert row(boats, "encounter_legal_marked_fish")["estimate"] == pytest.approx(50)
    assert row(boats, "encounter_legal_unmarked_fish")["estimate"] == pytest.approx(100)


def test_fish_whose_marks_nobody_read_have_no_class():
    found = row(sample(interview(kept=2), interview(kept=1)), "encounter_legal_marked_fish")
    assert found["status"] == "no_sample"
    assert found["method"] == "no_mark_read"


@pytest.mark.parametrize("quantity", MARK_QUANTITIES)
def test_the_gradient_is_that_of_the_value(quantity):
    chance = np.random.default_rng(5)
    total = np.array([[90.0, 60, 40, 30, 25, 5, 300, 200, 120, 40]])
    root = chance.normal(size=(10, 10))
    cov = root @ root.T
    steps = 1e-5 * np.eye(10)
    slope = np.array(
        [
            (
                marked(quantity, total + step, cov[None]).value
                - marked(quantity, total - step, cov[None]).value
            )[0]
            / 2e-5
            for step in steps
        ]
    )
    assert len(mark_measures()) == 10
    found = marked(quantity, total, cov[None])
    assert found.variance[0] == pytest.approx(slope @ cov @ slope, rel=1e-5)


def test_a_part_whose_marks_nobody_read_is_named():
    boats = [
        interview(kept=2, kept_marked=1, released_legal=1, released_legal_marked=None),
        interview(kept=1, kept_marked=1, released_legal=0, released_legal_marked=None),
    ]
    days = [SiteDay(1, [boat], date=MONDAY + dt.timedelta(days=k)) for k, boat in enumerate(boats)]
    rows = estimate_snapshot(survey(days), by=["season"])
    found = figures(rows, "marked_prop")
    assert found["status"] == "no_sample"
    assert found["method"] == "no_mark_read_among(parts=released_legal)"


def fished(area, week, boats, *, site="r1"):
    """Return site-days of one boat each in one week."""
    return [
        SiteDay(1, [boat | {"area": area}], site=site, date=MONDAY + dt.timedelta(7 * week + day))
        for day, boat in enumerate(boats)
    ]


UNREAD = [interview(kept=1, kept_marked=1, released_legal=n) for n in (4, 6)]
TOLD = [interview(kept=1, kept_marked=1, released_legal=5, released_legal_marked=n) for n in (1, 3)]


OPENING = {
    "season": "2030-31",
    "area": "A",
    "open_date": MONDAY,
    "close_date": MONDAY + dt.timedelta(days=20),
    "open_weekdays": "12345",
}


def in_week(days, quantity, *, seasons=(OPENING,), **given):
    snapshot = survey(days, seasons=list(seasons), **given)
    rows = estimate_snapshot(snapshot, by=("area", "week"))
    return figures(rows, quantity, area="A", week="2031-W03")


def test_a_part_whose_marks_nobody_read_borrows_from_the_season_of_its_area():
    days = fished("A", 0, TOLD) + fished("A", 1, UNREAD)
    found = in_week(days, "encounter_legal_marked_fish")
    # Monday and Tuesday stand for five working days.
    assert found["estimate"] == pytest.approx(5 / 2 * (1 + 1 + (4 + 6) * 4 / 10))
    assert found["method"].startswith(
        "reported_marks; marked_share_from(part=released_legal, donor=area_season)"
    )


def test_what_is_lent_brings_its_own_error():
    days = fished("A", 0, TOLD) + fished("A", 1, UNREAD)
    sure = fished("A", 0, [TOLD[0] | {"released_legal_marked": 2}] * 2) + fished("A", 1, UNREAD)
    lent, known = (in_week(one, "encounter_legal_marked_fish")["se"] for one in (days, sure))
    # Of the week's own fish: 5²(1 - 2/5) s²/2 with marked fish 1 + 4·0.4 and 1 + 6·0.4.
    assert known**2 == pytest.approx(25 * 0.6 * 0.32 / 2)
    # The lent share: 25 fish of 50 that were read, 5²(1 - 2/5) · 2/2 over 25² its variance.
    assert lent**2 == pytest.approx(known**2 + 25**2 * 15 / 25**2)


def test_kept_fish_never_lend_to_released_ones():
    days = fished("A", 0, UNREAD) + fished("A", 1, UNREAD)
    found = in_week(days, "encounter_legal_marked_fish")
    assert found["status"] == "no_sample"
    assert found["method"] == "no_mark_read_among(parts=released_legal)"


@pytest.mark.parametrize(("selective", "borrows"), [(None, True), (True, False)])
def test_areas_lend_only_where_the_rule_on_marked_fish_is_the_same(selective, borrows):
    days = fished("A", 1, UNREAD) + fished("B", 0, TOLD, site="r2")
    seasons = [OPENING, OPENING | {"area": "B", "mark_selective": selective}]
    found = in_week(
        days, "encounter_legal_marked_fish", seasons=seasons, sites={"r1": "A", "r2": "B"}
    )
    if borrows:
        assert "donor=same_rule_areas" in found["method"]
        assert found["estimate"] == pytest.approx(5 / 2 * (2 + 10 * 0.4))
    else:
        assert found["method"] == "no_mark_read_among(parts=released_legal)"


def test_a_week_of_all_areas_borrows_from_the_season():
    days = fished("A", 0, TOLD) + fished("A", 1, UNREAD)
    rows = estimate_snapshot(survey(days, seasons=[OPENING]), by=("week",))
    found = figures(rows, "encounter_legal_unmarked_fish", week="2031-W03")
    assert found["estimate"] == pytest.approx(5 / 2 * 10 * 0.6)
    assert "donor=season" in found["method"]


@pytest.mark.parametrize(("selective", "lends"), [(False, True), (True, False), (None, False)])
def test_kept_fish_lend_to_legal_releases_only_where_unmarked_fish_may_be_kept(selective, lends):
    kept = [interview(kept=4, kept_marked=n, released_legal=5) for n in (1, 3)]
    found = in_week(
        fished("A", 1, kept),
        "encounter_legal_marked_fish",
        seasons=[OPENING | {"mark_selective": selective}],
    )
    if lends:
        assert found["estimate"] == pytest.approx(5 / 2 * (4 + 10 * 4 / 8))
        assert (
            "marked_share_from(part=released_legal, donor=kept_of_area_season)" in (found["method"])
        )
    else:
        assert found["method"] == "no_mark_read_among(parts=released_legal)"
