"""Effort from boats counted on the water times catch rates, worked out by hand."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pandas as pd
import pytest

from analytics.codes import coded, has_code
from analytics.data.calendar import daylight_hours
from analytics.errors import UsageError
from analytics.estimates.estimate import estimate_snapshot
from tests.tables import MONDAY, SiteDay, figures, interview, survey

SEASON = {
    "season": "2030-31",
    "area": "A",
    "open_date": MONDAY,
    "close_date": MONDAY + dt.timedelta(days=6),
    "day_groups": "1234567",
}
#: Boats seen at the moments of two counted days.
COUNTS = {0: [4, 8], 3: [10, 6, 8]}
#: Site-days with a boat each: hours, fish kept.
TRIPS = {0: (4.0, 2), 2: (6.0, 1), 5: (5.0, 3)}


def counts(by_day, area="A"):
    return [
        {
            "count_id": f"{area}{day}-{place}",
            "area": area,
            "date": MONDAY + dt.timedelta(days=day),
            "time": dt.time(9 + place),
            "boats": boats,
        }
        for day, seen in by_day.items()
        for place, boats in enumerate(seen)
    ]


def trips(by_day, **given):
    return [
        SiteDay(
            1,
            [interview(hours_fished=hours, kept=kept, anglers=2, **given)],
            date=MONDAY + dt.timedelta(days=day),
        )
        for day, (hours, kept) in by_day.items()
    ]


def snapshot_of(days, seen=COUNTS, **tables):
    return survey(days, seasons=[SEASON], boat_counts=counts(seen), **tables)


def row(snapshot, quantity="kept_fish", by=("season",), day_hours=10.0, **domain):
    rows = estimate_snapshot(snapshot, by=by, effort="counts", day_hours=day_hours)
    return figures(rows, quantity, **domain)


def boat_hours():
    """Return effort and its variance: two of seven days, each with several counts."""
    totals = np.array([10 * 6.0, 10 * 8.0])
    inside = np.array([100 * 8.0 / 2, 100 * 4.0 / 3])
    first = 49 * (1 - 2 / 7) * totals.var(ddof=1) / 2
    return 7 * totals.mean(), first + 7 / 2 * inside.sum()


def rate(of=1.0):
    """Return fish per boat-hour (or `of` of it) and its variance from three of seven site-days."""
    hours, fish = np.array([4.0, 6.0, 5.0]), of * np.array([2.0, 1.0, 3.0])
    found = fish.sum() / hours.sum()
    spread = ((fish - found * hours) ** 2).sum() / 2
    return found, 49 * (1 - 3 / 7) * spread / 3 / (7 * hours.mean()) ** 2


def test_a_total_is_boat_hours_times_the_rate_with_goodmans_variance():
    found = row(snapshot_of(trips(TRIPS)))
    (effort, v_effort), (fish, v_fish) = boat_hours(), rate()
    variance = effort**2 * v_fish + fish**2 * v_effort - v_effort * v_fish
    assert found["estimate"] == pytest.approx(effort * fish)
    assert found["se"] == pytest.approx(math.sqrt(variance))
    assert found["method"].startswith("counted_effort_times_rate; counted_days(days=2, frame=7")
    assert has_code(found["method"], "complete_trip_rate")
    parts = np.array([effort**2 * v_fish, fish**2 * v_effort])
    assert found["df"] == pytest.approx(parts.sum() ** 2 / (parts**2 / [2, 1]).sum())


def test_effort_itself_is_boat_hours_times_anglers_a_boat():
    found = row(snapshot_of(trips(TRIPS)), "angler_hours")
    effort, v_effort = boat_hours()
    assert found["estimate"] == pytest.approx(2 * effort)
    assert found["se"] == pytest.approx(2 * math.sqrt(v_effort))


def test_rates_are_those_of_the_interviews_alone():
    found = row(snapshot_of(trips(TRIPS)), "encounters_per_angler_hour")
    fish, v_fish = rate(of=0.5)
    assert found["estimate"] == pytest.approx(fish)
    assert found["se"] == pytest.approx(math.sqrt(v_fish))


def test_a_day_counted_once_leaves_its_spread_to_the_days():
    once = row(snapshot_of(trips(TRIPS), {0: [6], 3: [8]}), "angler_hours")
    totals = np.array([60.0, 80.0])
    assert once["estimate"] == pytest.approx(2 * 7 * 70)
    assert once["se"] == pytest.approx(2 * 7 * math.sqrt(totals.var(ddof=1) / 2))


def under_way(day, hours, kept, *, number):
    said = interview(hours_fished=hours, kept=kept, trip_complete=False, area="A")
    where = {"sample_id": None, "site": "r1", "date": MONDAY + dt.timedelta(days=day)}
    return {"interview_id": f"w{number}", **said, **where}


def test_trips_under_way_give_the_mean_of_their_ratios():
    met = [(0, 1.0, 1), (0, 2.0, 1), (1, 4.0, 1), (4, 8.0, 2), (4, 0.4, 5)]
    said = [under_way(*one, number=place) for place, one in enumerate(met)]
    # A site-day without a boat keeps the design; its area has no complete trip.
    snapshot = survey(
        [SiteDay(0, [], date=MONDAY)],
        seasons=[SEASON],
        boat_counts=counts(COUNTS),
        interviews=said,
    )
    found = row(snapshot)
    effort, v_effort = boat_hours()
    sums, n = np.array([1.5, 0.25, 0.25]), np.array([2, 1, 1])
    mean = sums.sum() / n.sum()  # the trip of 0.4 h is dropped
    v_rate = 3 / 2 * ((sums - mean * n) ** 2).sum() / n.sum() ** 2
    variance = effort**2 * v_rate + mean**2 * v_effort - v_effort * v_rate
    assert found["estimate"] == pytest.approx(effort * mean)
    assert found["se"] == pytest.approx(math.sqrt(variance))
    assert has_code(found["method"], "under_way_rate")
    assert found["n_interviews"] == 4


def two_weeks():
    season = SEASON | {"close_date": MONDAY + dt.timedelta(days=13)}
    later = {day + 7: one for day, one in {0: (3.0, 1), 3: (5.0, 4)}.items()}
    seen = COUNTS | {8: [3, 5], 12: [9, 9]}
    return survey(trips(TRIPS | later), seasons=[season], boat_counts=counts(seen))


def test_weeks_add_up_and_sampled_weeks_add_their_variances():
    snapshot = two_weeks()
    weeks = estimate_snapshot(snapshot, by=["week"], effort="counts", day_hours=10)
    whole = row(snapshot)
    parts = weeks[weeks["quantity"] == "kept_fish"]
    assert whole["estimate"] == pytest.approx(parts["estimate"].sum())
    assert whole["se"] ** 2 == pytest.approx((parts["se"] ** 2).sum())


def test_an_area_without_counts_has_no_total_and_is_named():
    openings = [SEASON, SEASON | {"area": "B"}]
    days = [
        *trips(TRIPS),
        *(SiteDay(1, [interview(area="B", kept=1)], site="q1") for _ in range(1)),
    ]
    snapshot = survey(
        days, sites={"r1": "A", "q1": "B"}, seasons=openings, boat_counts=counts(COUNTS)
    )
    alone = row(snapshot, by=("area",), area="B")
    assert (alone["status"], math.isnan(alone["estimate"])) == ("no_sample", True)
    uncounted = coded("without_uncounted", area_weeks="B:2031-W02")
    assert uncounted in alone["method"].split("; ")
    whole = row(snapshot)
    assert whole["status"] == "no_sample"
    assert uncounted in whole["method"].split("; ")
    assert whole["estimate"] == pytest.approx(row(snapshot, by=("area",), area="A")["estimate"])


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"expand": True}, "nothing to expand"),
        ({"day_hours": 30.0}, "at most 24"),
        ({}, "no site of area A has a latitude"),
    ],
)
def test_choices_that_cannot_be_are_refused_in_words(given, words):
    with pytest.raises(UsageError, match=words):
        estimate_snapshot(snapshot_of(trips(TRIPS)), effort="counts", **given)


def test_no_count_on_an_open_day_is_refused_in_words():
    with pytest.raises(UsageError, match="no boat count on an open day"):
        estimate_snapshot(survey(trips(TRIPS), seasons=[SEASON]), effort="counts", day_hours=9)


def test_daylight_is_that_of_the_almanac():
    # Winter solstice at 40° N: 9 h 20 min (published day-length tables; from memory).
    assert daylight_hours(40.0, pd.Timestamp("2030-12-21")) == pytest.approx(9.33, abs=0.05)
    assert daylight_hours(0.0, pd.Timestamp("2031-03-20")) == pytest.approx(12.1, abs=0.05)
    with pytest.raises(UsageError, match="does not rise"):
        daylight_hours(75.0, pd.Timestamp("2030-12-21"))
