"""Site-day surveys small enough to work out by hand: zeros, gaps, thin and empty strata."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analytics.codes import has_code
from analytics.errors import DataRejected, UsageError
from analytics.estimates.estimate import estimate_snapshot
from analytics.estimates.season_survey import prepare_survey
from analytics.survey.design import treat_thin_strata
from tests.tables import MONDAY, SiteDay, figures, interview, survey


def day(offset, kept_by_boat, *, boats=None, site="r1", **more):
    """Return a site-day `offset` days after Monday 2031-W02, one interview a number."""
    said = [interview(kept=kept, **more) for kept in kept_by_boat]
    date = MONDAY + dt.timedelta(days=offset)
    return SiteDay(len(said) if boats is None else boats, said, site=site, date=date)


def one_week(days, **more):
    season = {"season": "2030-31", "area": "A", "open_date": MONDAY}
    season["close_date"] = MONDAY + dt.timedelta(days=6)
    return survey(days, seasons=[season], **more)


def row(snapshot, quantity="kept_fish", by=("season",), thin="borrow", **domain):
    return figures(estimate_snapshot(snapshot, by=by, thin=thin), quantity, **domain)


def test_calendar_frame_and_both_finite_terms_by_hand():
    # One ramp, one week: 5 weekdays and 2 weekend days. Weekdays: 2 of 5; boats 4 of which 2.
    days = [day(0, [1, 3], boats=4), day(1, [0, 2], boats=4), day(5, [5, 5]), day(6, [7, 7])]
    found = row(one_week(days))
    weekday = 5 / 2 * (4 * 2 + 4 * 1)
    assert found["estimate"] == pytest.approx(weekday + 10 + 14)
    first = 25 * (1 - 2 / 5) * ((8 - 4) ** 2 / 2) / 2
    second = 5 / 2 * 2 * 16 * (1 - 2 / 4) * 2 / 2
    assert found["se"] == pytest.approx(math.sqrt(first + second))
    assert (found["n_psu"], found["n_psu_frame"], found["df"]) == (4, 7, 2)
    assert found["n_interviews"] == 8
    assert found["status"] == "ok"


def test_a_day_without_boats_is_a_zero():
    with_zero = row(one_week([day(0, [4]), day(1, []), day(5, [1]), day(6, [1])]))
    assert with_zero["estimate"] == pytest.approx(5 / 2 * 4 + 2)
    assert with_zero["n_psu"] == 4


def test_boats_not_recorded_leave_the_sample():
    unknown = SiteDay(None, [interview(kept=9)], date=MONDAY + dt.timedelta(days=2))
    found = row(one_week([day(0, [4]), day(1, [2]), unknown, day(5, [1]), day(6, [1])]))
    assert found["estimate"] == pytest.approx(5 / 2 * 6 + 2)


def test_an_answer_not_recorded_is_not_a_zero():
    gap = SiteDay(2, [interview(kept=3, hours_fished=None), interview(kept=1, hours_fished=4.0)])
    snapshot = one_week([gap, day(1, [2]), day(5, [1]), day(6, [1])])
    hours = row(snapshot, "angler_hours")
    # Monday: one of two boats gave hours, 4 h, so 8 h for the day.
    assert hours["estimate"] == pytest.approx(5 / 2 * (8 + 1) + 2)
    assert hours["n_interviews"] == 4
    assert row(snapshot)["estimate"] == pytest.approx(5 / 2 * (4 + 2) + 2)


def test_an_unfinished_trip_has_not_returned():
    early = SiteDay(1, [interview(kept=2), interview(kept=50, trip_complete=False)])
    found = row(one_week([early, day(1, [2]), day(5, [1]), day(6, [1])]))
    assert found["estimate"] == pytest.approx(5 / 2 * 4 + 2)


def test_area_fished_is_not_area_landed():
    days = [
        SiteDay(2, [interview(area="A", kept=1), interview(area="B", kept=5)]),
        day(1, [3]),
        SiteDay(1, [interview(area="B", kept=2)], site="r2", date=MONDAY),
        SiteDay(1, [interview(area="B", kept=4)], site="r2", date=MONDAY + dt.timedelta(days=1)),
    ]
    close = MONDAY + dt.timedelta(days=4)
    seasons = [
        {"season": "2030-31", "area": area, "open_date": MONDAY, "close_date": close}
        for area in "AB"
    ]
    snapshot = survey(days, sites={"r1": "A", "r2": "B"}, seasons=seasons)
    frame = estimate_snapshot(snapshot, by=("area",))
    in_a, in_b = (figures(frame, "kept_fish", area=area) for area in "AB")
    assert in_a["estimate"] == pytest.approx(5 / 2 * (1 + 3))
    assert in_b["estimate"] == pytest.approx(5 / 2 * 5 + 5 / 2 * 6)
    # Both landing areas' strata hold B; a boat that fished A landed in A's alone. The interval of
    # each stands on the site-days of both.
    assert (in_a["n_psu"], in_a["df"]) == (2, 2)
    assert (in_b["n_psu"], in_b["df"]) == (4, 2)
    spread_a = (5**2) * (1 - 2 / 5) * ((5 - 0) ** 2 / 2) / 2
    spread_b = (5**2) * (1 - 2 / 5) * ((2 - 4) ** 2 / 2) / 2
    assert in_b["se"] == pytest.approx(math.sqrt(spread_a + spread_b))


def test_a_stratum_of_one_day_keeps_its_estimate_and_borrows_its_error():
    snapshot = one_week([day(0, [4]), day(5, [1]), day(6, [3])])
    found = row(snapshot)
    assert found["estimate"] == pytest.approx(5 * 4 + 1 + 3)
    pooled = ((4 - 8 / 3) ** 2 + (1 - 8 / 3) ** 2 + (3 - 8 / 3) ** 2) / 2
    assert found["se"] == pytest.approx(math.sqrt(25 * (1 - 1 / 5) * pooled))
    assert found["status"] == "collapsed"
    assert found["df"] == 1  # three days, two strata


def test_the_only_day_of_a_frame_needs_no_neighbour():
    sunday_only = {"season": "2030-31", "area": "A", "open_date": MONDAY}
    sunday_only |= {"close_date": MONDAY + dt.timedelta(days=5), "day_groups": "12345|67"}
    days = [day(0, [4]), day(1, [2]), day(5, [6])]
    found = row(survey(days, seasons=[sunday_only]))
    assert found["status"] == "ok"
    assert found["se"] == pytest.approx(math.sqrt(25 * (1 - 2 / 5) * 2 / 2))


def test_open_days_without_a_sample_are_filled_from_both_sides():
    three_weeks = {"season": "2030-31", "area": "A", "open_date": MONDAY}
    three_weeks |= {"close_date": MONDAY + dt.timedelta(days=18), "open_weekdays": "12345"}
    days = [day(0, [2]), day(1, [4]), day(14, [6]), day(15, [8])]
    snapshot = survey(days, seasons=[three_weeks])
    filled = row(snapshot, by=("week",), week="2031-W03")
    assert filled["status"] == "imputed"
    assert filled["estimate"] == pytest.approx(5 * (2 + 4 + 6 + 8) / 4)
    assert filled["n_psu"] == 0
    assert filled["df"] == 2
    donors = 2 * (5 * 2 / 4) ** 2 * (1 - 2 / 5) * 2 / 2
    own = 25 * (9 + 1 + 1 + 9) / 3  # nothing of the week was seen: no finite term
    assert filled["se"] == pytest.approx(math.sqrt(donors + own))
    season = row(snapshot)
    assert season["status"] == "imputed"
    # A lender counts once with its whole weight: 5 of its own and 2.5 lent.
    both = 2 * 7.5**2 * (1 - 2 / 5) * 2 / 2
    assert season["se"] == pytest.approx(math.sqrt(both + own))


def test_the_small_case_of_the_developers_notes():
    weekdays = {"season": "2030-31", "area": "A", "open_date": MONDAY, "open_weekdays": "12345"}
    weekdays["close_date"] = MONDAY + dt.timedelta(days=11)
    days = [day(0, [1, 3], boats=4), day(1, [0, 2], boats=4)]
    snapshot = survey(days, seasons=[weekdays])
    one = figures(estimate_snapshot(snapshot, by=("season",)), "kept_fish")
    two = figures(estimate_snapshot(snapshot, by=("season",), through="2031-W03"), "kept_fish")
    assert (one["estimate"], two["estimate"]) == (30, 60)
    spread = (8 - 4) ** 2 / 2
    between, within = 25 * (1 - 2 / 5) * spread / 2, 5 / 2 * 2 * 16 * (1 - 2 / 4) * 2 / 2
    assert one["se"] == pytest.approx(math.sqrt(between + within))
    assert two["se"] == pytest.approx(math.sqrt(4 * (between + within) + 25 * spread))


def test_weeks_after_the_last_sampled_one_are_not_filled():
    snapshot = survey([day(0, [2]), day(1, [4]), day(5, [1]), day(6, [1])])
    frame = estimate_snapshot(snapshot, by=("week",))
    assert set(frame["week"]) == {"2031-W02"}
    later = estimate_snapshot(snapshot, by=("week",), through="2031-W03")
    assert figures(later, "kept_fish", week="2031-W03")["status"] == "imputed"


def test_a_site_day_without_a_boat_count_moves_no_last_week():
    counted = [day(0, [2]), day(1, [4]), day(5, [1]), day(6, [1])]
    ahead = [*counted, SiteDay(None, [], date=MONDAY + dt.timedelta(days=9))]
    plain, planned = (estimate_snapshot(survey(days), by=("week",)) for days in (counted, ahead))
    pd.testing.assert_frame_equal(plain, planned)
    assert prepare_survey(survey(ahead)).design.through == "2031-W02"


def test_a_season_without_any_boat_count_is_refused_and_is_not_the_latest():
    two = [
        {"season": season, "area": "A", "open_date": first, "close_date": first}
        for season, first in (("2030-31", MONDAY), ("2031-32", MONDAY + dt.timedelta(days=364)))
    ]
    ahead = SiteDay(None, [], date=two[1]["open_date"])
    assert set(estimate_snapshot(survey([day(0, [2]), ahead], seasons=two))["season"]) == {
        "2030-31"
    }
    with pytest.raises(UsageError, match="no site-day whose boats were counted"):
        estimate_snapshot(survey([SiteDay(None, [])]), season="2030-31")


def test_a_frame_stated_in_part_is_refused_not_dropped():
    days = [day(0, [2]), replace(day(8, [4]), frame=10)]
    with pytest.raises(DataRejected, match=r"neither stratum nor frame_site_days .*: s00000;"):
        estimate_snapshot(survey(days))


def test_no_estimate_reads_the_plan_as_a_sample():
    days = [day(0, [2]), day(1, [4])]
    plan = [{"sample_id": "p1", "season": "2030-31", "site": "r1", "date": MONDAY, "seed": 7}]
    found = [estimate_snapshot(survey(days, **more)) for more in ({}, {"planned_site_days": plan})]
    pd.testing.assert_frame_equal(*found)


def test_an_area_never_sampled_says_so():
    snapshot = survey([day(0, [2]), day(1, [4])], sites={"r1": "A", "r2": "B"})
    by_area = estimate_snapshot(snapshot, by=("area",))
    assert figures(by_area, "kept_fish", area="B")["status"] == "no_sample"
    assert math.isnan(figures(by_area, "kept_fish", area="B")["estimate"])
    assert "without_never_sampled(areas=B)" in row(snapshot)["method"]


def test_one_unit_in_all_has_no_error():
    found = row(one_week([day(0, [4])]))
    assert math.isnan(found["se"])
    assert found["ci_method"] == "none"
    assert "one_unit" in found["method"]


def test_one_boat_of_several_uses_the_spread_of_the_stratum():
    days = [day(0, [4], boats=3), day(1, [1, 3], boats=2), day(5, [1]), day(6, [1])]
    found = row(one_week(days))
    first = 25 * (1 - 2 / 5) * ((12 - 4) ** 2 / 2) / 2
    second = 5 / 2 * (3 * 2 * 2.0)  # M(M-1) s² with s² = 2 from Tuesday's two boats
    assert found["se"] == pytest.approx(math.sqrt(first + second))
    assert "pooled" in found["method"]


def test_nothing_kept_is_a_zero_without_an_error():
    snapshot = one_week([day(0, [0, 0], boats=3), day(1, [0]), day(5, [0]), day(6, [0])])
    found = row(snapshot)
    assert found["estimate"] == 0
    assert math.isnan(found["se"])
    assert found["status"] == "zero_total"
    assert row(snapshot, "sublegal_per_kept")["status"] == "zero_total"
    assert math.isnan(row(snapshot, "sublegal_per_kept")["estimate"])


def test_marks_never_read_give_no_row_of_marks():
    found = row(one_week([day(0, [4]), day(1, [2])]), "marked_prop")
    assert found["status"] == "no_sample"
    assert found["method"] == "no_mark_read"


def test_a_stated_stratum_may_span_weeks_and_keeps_its_zeros_elsewhere():
    days = [
        SiteDay(1, [interview(kept=y)], date=MONDAY + dt.timedelta(days=d), stratum="s", frame=20)
        for d, y in [(0, 2), (1, 4), (7, 6), (8, 8)]
    ]
    found = row(survey(days), by=("week",), week="2031-W02")
    spread = (4 + 16 - 36 / 4) / 3  # 2, 4 and two zeros
    # Two weeks of its 20 days are past.
    assert has_code(found["method"], "prorated_frame")
    assert found["estimate"] == pytest.approx(14 / 4 * 6)
    assert found["se"] == pytest.approx(math.sqrt(14**2 * (1 - 4 / 14) * spread / 4))
    assert (found["n_psu"], found["n_psu_frame"], found["df"]) == (4, 14, 3)


@pytest.mark.parametrize(
    ("frame", "through", "past"),
    [
        (20, "2031-W04", 20),  # all of its 20 days are past
        (70, None, 14),  # the season has 70 days
        (140, None, 140),  # more than the season's days: other units than its site-days
        (4, None, 4),  # all of it was sampled
    ],
)
def test_a_stated_stratum_under_way_counts_what_is_past(frame, through, past):
    days = [
        SiteDay(
            1, [interview(kept=1)], date=MONDAY + dt.timedelta(days=d), stratum="s", frame=frame
        )
        for d in (0, 1, 7, 8)
    ]
    found = figures(estimate_snapshot(survey(days), by=("season",), through=through), "kept_fish")
    assert found["n_psu_frame"] == min(past, frame)
    assert has_code(found["method"], "prorated_frame") == (past < frame)


@pytest.mark.parametrize(
    "places",
    [
        pytest.param([("r1", 0), ("r1", 1), ("r1", 2)], id="one week"),
        pytest.param([("r1", 0), ("r1", 0), ("r1", 7), ("r1", 8)], id="a site twice on a day"),
    ],
)
def test_a_stated_frame_stays_where_nothing_shows_that_the_stratum_runs_on(places):
    days = [
        SiteDay(
            1,
            [interview(kept=1)],
            site=site,
            date=MONDAY + dt.timedelta(days=at),
            stratum="s",
            frame=40,
        )
        for site, at in places
    ]
    found = figures(estimate_snapshot(survey(days), by=("season",)), "kept_fish")
    assert found["estimate"] == pytest.approx(40)
    assert not has_code(found["method"], "prorated_frame")


def test_strata_side_by_side_are_prorated_by_their_own_sites():
    # The big ramp alone, and the two small ones together, each all 70 days.
    days = [
        SiteDay(
            1,
            [interview(kept=1)],
            site=site,
            date=MONDAY + dt.timedelta(days=d),
            stratum="big" if site == "r1" else "small",
            frame=70 if site == "r1" else 140,
        )
        for d in (0, 6, 7, 13)
        for site in ("r1", "r2", "r3")
    ]
    snapshot = survey(days, sites=dict.fromkeys(("r1", "r2", "r3"), "A"))
    assert sorted(prepare_survey(snapshot).design.strata.n_frame) == [14, 28]


def test_frame_stated_for_the_default_stratum():
    days = [SiteDay(1, [interview(kept=y)], frame=40) for y in (2, 4)]
    assert row(survey(days))["estimate"] == pytest.approx(40 * 3)


def test_holidays_count_with_sunday():
    snapshot = one_week(
        [day(0, [2]), day(1, [4]), day(5, [1]), day(6, [1])],
        holidays=[{"date": MONDAY + dt.timedelta(days=2), "holiday": "midwinter"}],
    )
    design = prepare_survey(snapshot).design
    assert sorted(design.strata.n_frame) == [3, 4]


def test_designs_without_totals_say_so():
    season = {"season": "2030-31", "area": "A", "open_date": MONDAY, "design": "opportunistic"}
    season["close_date"] = MONDAY + dt.timedelta(days=6)
    found = row(survey([day(0, [2]), day(1, [4])], seasons=[season]))
    assert found["status"] == "no_design"
    assert math.isnan(found["estimate"])


def test_a_closed_day_is_refused_in_words():
    season = {"season": "2030-31", "area": "A", "open_date": MONDAY, "open_weekdays": "67"}
    season["close_date"] = MONDAY + dt.timedelta(days=6)
    with pytest.raises(DataRejected, match="closed"):
        estimate_snapshot(survey([day(0, [2])], seasons=[season]))


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"season": "1999"}, "no season"),
        ({"by": ("month",)}, "allowed are"),
        ({"by": ("area", "season")}, "allowed are"),
        ({"level": 95}, "between 0 and 1"),
        ({"through": "2030-W01"}, "no sampled site-day through"),
        ({"through": "2031-W5"}, "written like 2031-W05"),
        ({"through": "2031-W60"}, "written like 2031-W05"),
        ({"through": "banana"}, "written like 2031-W05"),
        ({"through": "2031-W40"}, "last open week of season 2030-31 is 2031-W02"),
    ],
)
def test_wrong_use_is_told_in_words(more, words):
    with pytest.raises(UsageError, match=words):
        estimate_snapshot(one_week([day(0, [2]), day(1, [4])]), **more)


def test_by_may_be_written_as_one_word():
    snapshot = one_week([day(0, [2]), day(1, [4]), day(5, [1]), day(6, [1])])
    words, one = (estimate_snapshot(snapshot, by=by) for by in (("area", "week"), "area,week"))
    assert words.equals(one)


def test_site_days_all_alike_have_no_error_and_no_traceback():
    # 5.91 h sums to numbers whose squares do not cancel to the last digit.
    alike = [
        SiteDay(
            4,
            [interview(kept=1, hours_fished=5.91) for _ in range(4)],
            date=MONDAY + dt.timedelta(days=d),
        )
        for d in (0, 1, 2)
    ]
    frame = estimate_snapshot(one_week(alike), by=("season",))
    hours = figures(frame, "angler_hours")
    assert hours["estimate"] == pytest.approx(5 / 3 * 3 * 4 * 5.91 + 2 * 4 * 5.91)
    kept = figures(frame, "kept_per_angler_trip")
    assert math.isnan(kept["se"])
    assert kept["method"].endswith("units_alike(unit=site-day)")
    assert kept["ci_method"] == "none"


def test_a_ratio_of_one_site_day_has_no_error():
    days = [day(0, [1, 3], boats=9), day(1, []), day(5, []), day(6, [])]
    snapshot = one_week(days)
    found = row(snapshot, "kept_per_angler_trip")
    assert found["estimate"] == pytest.approx(2)
    assert math.isnan(found["se"])
    assert found["method"].endswith("one_unit(unit=site-day)")
    assert row(snapshot)["se"] > 0  # the zeros of the other days tell the spread of the total


def test_an_area_is_no_census_while_boats_may_land_unseen():
    week = [SiteDay(1, [interview(kept=k)], date=MONDAY + dt.timedelta(days=k)) for k in range(7)]
    elsewhere = [
        SiteDay(1, [interview(area="B", kept=k)], site="r2", date=MONDAY + dt.timedelta(days=k))
        for k in (0, 1, 6)
    ]
    close = MONDAY + dt.timedelta(days=6)
    seasons = [
        {"season": "2030-31", "area": area, "open_date": MONDAY, "close_date": close}
        for area in "AB"
    ]
    snapshot = survey(week + elsewhere, sites={"r1": "A", "r2": "B"}, seasons=seasons)
    frame = estimate_snapshot(snapshot, by=("area",))
    found = figures(frame, "kept_fish", area="A")
    assert found["status"] == "ok"
    assert math.isnan(found["se"])
    assert "landing_census" in found["method"]


def test_no_spread_between_boats_drops_the_finite_term():
    days = [day(d, [k], boats=10) for d, k in enumerate([1, 2, 0, 4, 3, 1, 2])]
    found = row(one_week(days))
    weekday = 25 * np.var([10, 20, 0, 40, 30], ddof=1) / 5
    weekend = 4 * np.var([10, 20], ddof=1) / 2
    assert found["se"] == pytest.approx(math.sqrt(weekday + weekend))
    assert "boats_unknown" in found["method"]


def test_a_week_lent_by_full_samples_still_has_an_error():
    saturdays = {"season": "2030-31", "area": "A", "open_date": MONDAY, "open_weekdays": "6"}
    saturdays["close_date"] = MONDAY + dt.timedelta(days=20)
    snapshot = survey([day(5, [5]), day(19, [50])], seasons=[saturdays])
    filled = row(snapshot, by=("week",), week="2031-W03")
    assert filled["estimate"] == pytest.approx(27.5)
    assert filled["se"] == pytest.approx(np.std([5, 50], ddof=1))


def test_a_total_that_lacks_an_area_is_not_ok():
    snapshot = survey([day(0, [2]), day(1, [4])], sites={"r1": "A", "r2": "B"})
    found = row(snapshot)
    assert found["status"] == "no_sample"
    assert "without_never_sampled(areas=B)" in found["method"]
    assert found["n_psu_frame"] == 14


def test_an_area_without_ramps_was_sampled_where_its_boats_could_land():
    seasons = [
        {"season": "2030-31", "area": area, "open_date": MONDAY, "close_date": MONDAY}
        for area in "AX"
    ]
    found = row(survey([day(0, [2])], seasons=seasons), by=("area",), area="X")
    assert found["estimate"] == 0
    assert (found["n_psu"], found["status"]) == (1, "census")


def test_releases_of_unknown_size_left_empty_add_nothing():
    said = {"released_sublegal": 3, "released_unknown": None}
    days = [SiteDay(1, [interview(**said)], date=MONDAY + dt.timedelta(days=d)) for d in (0, 1)]
    days += [SiteDay(1, [interview(released_unknown=1)], date=MONDAY + dt.timedelta(days=5))]
    snapshot = one_week([*days, day(6, [])])
    assert row(snapshot, "encounter_fish")["estimate"] == pytest.approx(5 * 3 + 1)
    assert row(snapshot, "encounter_fish")["n_interviews"] == 3


def test_another_season_changes_nothing_in_this_one():
    later = {"season": "2031-32", "area": "A", "open_date": MONDAY + dt.timedelta(days=364)}
    later["close_date"] = MONDAY + dt.timedelta(days=370)
    first = {"season": "2030-31", "area": "A", "open_date": MONDAY}
    first["close_date"] = MONDAY + dt.timedelta(days=6)
    mine = [
        SiteDay(1, [interview(kept=k, released_unknown=None)], date=MONDAY + dt.timedelta(days=k))
        for k in (0, 1, 5, 6)
    ]
    other = SiteDay(1, [interview(released_unknown=1)], date=MONDAY + dt.timedelta(days=364))
    alone, both = (
        estimate_snapshot(survey(days, seasons=[first, later]), season="2030-31")
        for days in (mine, [*mine, other])
    )
    assert alone.equals(both)


def test_collapse_prefers_day_group_then_week_then_area():
    days = [
        day(0, [1]),  # W02 weekday, alone
        day(5, [1]),
        day(6, [1]),  # W02 weekend
        day(14, [1]),  # W04 weekday, alone in its week
        day(21, [1]),
        day(22, [1]),  # W05 weekday
    ]
    season = prepare_survey(survey(days))
    plan = treat_thin_strata(season.design, np.ones(len(days), dtype=bool))
    rules = {
        season.design.strata.label[borrowing.stratum]: borrowing.rule
        for borrowing in plan.borrowings
        if not borrowing.is_imputation
    }
    assert "2031-W02 Sat–Sun" in rules["2031-W02 Mon–Fri"]
    assert "2031-W05 Mon–Fri" in rules["2031-W04 Mon–Fri"]


def test_numbers_that_would_borrow_are_refused_on_request():
    lone = one_week([day(0, [2]), day(1, [4]), day(5, [1])])  # one weekend day of two
    usual, strict = row(lone), row(lone, thin="refuse")
    assert strict["estimate"] == usual["estimate"]
    assert usual["status"] == "collapsed"
    assert (strict["status"], math.isnan(strict["se"])) == ("ok", True)
    assert "refused" in strict["method"]
    empty = one_week([day(0, [2]), day(1, [4])])  # no weekend day
    assert row(empty)["status"] == "imputed"
    withheld = row(empty, thin="refuse")
    assert (withheld["status"], math.isnan(withheld["estimate"])) == ("no_sample", True)
    assert "imputation_refused" in withheld["method"]
    enough = one_week([day(0, [2]), day(1, [4]), day(5, [1]), day(6, [2])])
    assert row(enough, thin="refuse").equals(row(enough))


def test_a_spread_between_boats_that_would_be_pooled_is_refused_on_request():
    days = [day(0, [2], boats=3), day(1, [4, 1], boats=4), day(5, [1]), day(6, [2])]
    assert row(one_week(days))["se"] > 0
    strict = row(one_week(days), thin="refuse")
    assert math.isnan(strict["se"])
    assert strict["estimate"] == row(one_week(days))["estimate"]


def test_an_unknown_word_for_thin_strata_is_refused():
    with pytest.raises(UsageError, match="allowed are borrow or refuse"):
        row(one_week([day(0, [2])]), thin="guess")
