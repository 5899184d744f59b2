"""Cases that once gave a wrong number or a traceback: each must now be right, or say why not."""

from __future__ import annotations

import datetime as dt
import math

import pyarrow as pa
import pyarrow.compute as pc
import pytest

from analytics.bulletin.archive import TABLE_SCHEMAS
from analytics.bulletin.build import bulletin_of
from analytics.estimates.estimate import estimate_snapshot
from tests.tables import MONDAY, SiteDay, figures, interview, survey

DAY = dt.timedelta(days=1)


def opening(*, begin=0, end=6, area="A", day_groups="1234567", **given):
    plain = {"season": "2030-31", "area": area, "day_groups": day_groups}
    return plain | {"open_date": MONDAY + begin * DAY, "close_date": MONDAY + end * DAY} | given


def day(offset, *kept, boats=None, site="r1", area="A", **given):
    said = [interview(kept=fish, area=area, **given) for fish in kept]
    return SiteDay(boats or len(said), said, site=site, date=MONDAY + offset * DAY)


def stated(offset, *kept):
    said = [interview(kept=fish) for fish in kept]
    return SiteDay(len(said), said, stratum="m", frame=28, date=MONDAY + offset * DAY)


def counts(by_day, area="A"):
    return [
        {
            "count_id": f"{area}{offset}-{place}",
            "area": area,
            "date": MONDAY + offset * DAY,
            "time": dt.time(9 + place),
            "boats": boats,
        }
        for offset, seen in by_day.items()
        for place, boats in enumerate(seen)
    ]


def under_way(offset, hours, kept, number):
    said = interview(hours_fished=hours, kept=kept, trip_complete=False)
    where = {"sample_id": None, "site": "r1", "date": MONDAY + offset * DAY}
    return {"interview_id": f"w{number}", **said, **where}


def row(snapshot, quantity="kept_fish", by=("season",), told=None, **domain):
    return figures(estimate_snapshot(snapshot, by=by, **(told or {})), quantity, **domain)


COUNTED = {"effort": "counts", "day_hours": 10.0}


def test_a_rate_of_one_site_day_a_week_is_not_exact():
    weeks, fish = range(10), [0, 9, 2, 7, 4, 5, 6, 3, 8, 1]
    days = [day(7 * week, fish[week], hours_fished=5.0) for week in weeks]
    seen = {7 * week + at: [10, 12] for week in weeks for at in (0, 3)}
    snapshot = survey(days, seasons=[opening(end=69)], boat_counts=counts(seen))
    plain, counted = row(snapshot), row(snapshot, told=COUNTED)
    # Catch varies by two thirds of its mean over ten days: a fifth of the total, or more.
    assert counted["se"] / counted["estimate"] > 0.15
    assert plain["se"] / plain["estimate"] > 0.15


def test_the_only_site_day_of_an_area_gives_no_error():
    snapshot = survey([day(0, 3)], seasons=[opening()], boat_counts=counts({0: [4], 2: [6]}))
    found = row(snapshot, told=COUNTED)
    assert found["estimate"] > 0
    assert math.isnan(found["se"])


def test_a_stratum_over_several_weeks_is_no_census_in_any_of_them():
    days = [stated(0, 1), stated(2, 2), stated(8, 0), stated(9, 0)]
    snapshot = survey(days, seasons=[opening(end=27)])
    for week in ("2031-W02", "2031-W03"):
        found = row(snapshot, by=("week",), week=week)
        assert found["status"] != "census"
        assert found["se"] != 0


def test_a_stated_stratum_keeps_its_sample_where_the_season_is_cut():
    days = [stated(offset, 1, 1) for offset in (0, 3, 7, 10, 14, 17)]
    snapshot = survey(days, seasons=[opening(end=27)])
    whole = row(snapshot, by=("week",), week="2031-W02")
    cut = row(snapshot, by=("week",), told={"through": "2031-W02"}, week="2031-W02")
    assert cut["estimate"] == pytest.approx(whole["estimate"])
    # Three of its four weeks are past.
    assert cut["estimate"] == pytest.approx(21 / 6 * 4)
    assert cut["se"] == pytest.approx(whole["se"])
    through = row(snapshot, told={"through": "2031-W03"})
    assert through["estimate"] == pytest.approx(21 / 6 * 8)


def test_deaths_whose_sample_variance_is_below_zero_do_not_break():
    rates = [{"size_class": "any", "method": "any", "wound_class": "any", "rate_prop": 0.5}]
    rates[0] |= {"rate_se": 0.3}
    days = [day(0, 1, released_sublegal=1), day(7, 9, released_sublegal=30)]
    seen = counts({0: [1], 1: [40], 7: [2], 9: [50]})
    snapshot = survey(days, seasons=[opening(end=13)], boat_counts=seen, release_rates=rates)
    for by in (("season",), ("week",), ("area", "week")):
        rows = estimate_snapshot(snapshot, by=by, **COUNTED)
        assert not (rows["se"] < 0).any()


def test_boats_that_fished_where_nobody_counted_are_named():
    days = [day(0, 1, 2), day(2, 3, area="B"), day(4, 1)]
    snapshot = survey(days, seasons=[opening()], boat_counts=counts({0: [4, 6], 3: [6, 2]}))
    found = row(snapshot, told=COUNTED)
    assert found["status"] == "no_sample"
    assert "without_uncounted(area_weeks=B:2031-W02)" in found["method"]


def test_a_week_of_two_partitions_of_the_days_can_be_counted():
    openings = [
        opening(end=2, day_groups="12345|67"),
        opening(begin=3, end=6, day_groups="1234|567"),
    ]
    days = [day(at, 1 + at) for at in (0, 1, 3, 5, 6)]
    snapshot = survey(days, seasons=openings, boat_counts=counts({0: [4, 6], 3: [6, 2], 5: [3, 3]}))
    assert row(snapshot, told=COUNTED)["estimate"] > 0


def test_a_site_of_weight_zero_is_none_of_the_frame():
    sites = {f"r{number}": "A" for number in range(1, 6)}
    days = [day(at, 2, 1, site=f"r{number}") for number in (1, 2, 3) for at in (0, 1)]
    weights = dict.fromkeys(sites, 1.0) | {"r5": 0.0}
    season = [opening(end=4, design="day_site")]
    with_zero = row(survey(days, sites=sites, weights=weights, seasons=season))
    del sites["r5"], weights["r5"]
    without = row(survey(days, sites=sites, weights=weights, seasons=season))
    assert with_zero["estimate"] == pytest.approx(without["estimate"])
    assert with_zero["estimate"] == pytest.approx(5 * 4 * 3)


def test_trips_under_way_tell_fish_and_no_trips():
    met = [under_way(0, 1.0, 0, 0), under_way(0, 2.0, 1, 1), under_way(3, 3.0, 1, 2)]
    idle = SiteDay(0, [], date=MONDAY)
    snapshot = survey(
        [idle], seasons=[opening()], interviews=met, boat_counts=counts({0: [5, 5], 3: [5, 5]})
    )
    assert row(snapshot, told=COUNTED)["estimate"] == pytest.approx(
        7 * 50 * (0 + 1 / 2 + 1 / 3) / 3
    )
    for quantity in ("boat_trips", "angler_trips", "kept_per_angler_trip"):
        found = row(snapshot, quantity, told=COUNTED)
        assert found["status"] == "no_sample"
        assert "trips_under_way" in found["method"]


def test_trips_under_way_come_before_lenders_and_a_single_site_day():
    met = [under_way(7 + at, 2.0, 0, f"{at}-{k}") for at in (0, 2, 4) for k in range(5)]
    days = [day(0, 9, hours_fished=4.0), day(2, 7, hours_fished=4.0)]
    seen = counts({0: [5, 5], 3: [5, 5], 7: [5, 5], 10: [5, 5]})
    own = survey(days, seasons=[opening(end=13)])["interviews"].to_pylist()
    snapshot = survey(days, seasons=[opening(end=13)], interviews=[*own, *met], boat_counts=seen)
    told = COUNTED | {"through": "2031-W03"}
    found = row(snapshot, by=("week",), told=told, week="2031-W03")
    assert found["estimate"] == 0
    assert found["status"] == "zero_total"
    first = row(snapshot, by=("week",), told=told, week="2031-W02")
    assert first["estimate"] == pytest.approx(7 * 50 * 16 / 8)


def test_a_day_never_lends_to_site_days():
    sites = {"r1": "A", "r2": "A"}
    days = [day(at, 2, site=site) for at in (0, 1, 2) for site in sites]
    days += [day(21, 2)]
    openings = [opening(end=13, design="day_site"), opening(begin=14, end=27)]
    snapshot = survey(days, sites=sites, seasons=openings)
    rows = estimate_snapshot(snapshot, by=["week"])
    assert figures(rows, "kept_fish", week="2031-W02")["estimate"] == pytest.approx(7 * 4)
    assert figures(rows, "kept_fish", week="2031-W03")["estimate"] == pytest.approx(7 * 4)
    assert figures(rows, "kept_fish", week="2031-W04")["estimate"] == pytest.approx(14 * 2)
    assert figures(rows, "kept_fish", week="2031-W05")["estimate"] == pytest.approx(14 * 2)


def test_an_opening_by_convenience_leaves_the_others_of_its_area():
    openings = [opening(design="opportunistic"), opening(begin=14, end=20)]
    days = [day(14, 1, 2), day(15, 3), day(17, 0, 1)]
    met = [
        interview(kept=fish)
        | {"interview_id": f"m{at}", "sample_id": None, "site": "r1"}
        | {"date": MONDAY + at * DAY}
        for at, fish in ((0, 1), (2, 3))
    ]
    own = survey(days, seasons=openings)["interviews"].to_pylist()
    snapshot = survey(days, seasons=openings, interviews=[*own, *met])
    rows = estimate_snapshot(snapshot, by=["area", "week"])
    later = figures(rows, "kept_fish", area="A", week="2031-W04")
    assert later["estimate"] == pytest.approx(7 * 7 / 3)
    first = figures(rows, "kept_fish", area="A", week="2031-W02")
    assert first["status"] == "no_design"
    rate = figures(rows, "kept_per_angler_trip", area="A", week="2031-W02")
    assert rate["estimate"] == pytest.approx(2)
    whole = row(snapshot, by=("area",), area="A")
    assert whole["status"] == "no_design"


def test_a_bulletin_of_boats_that_all_fished_where_none_landed_has_no_nan():
    days = [day(offset, 1, 2, boats=4, area="B") for offset in (0, 1, 7, 8)]
    bulletin = bulletin_of(survey(days, sites={"r1": "A", "r2": "B"}))
    for name in TABLE_SCHEMAS:
        for column in bulletin.table(name).columns:
            if pa.types.is_floating(column.type):
                assert not pc.any(pc.is_nan(column)).as_py()
