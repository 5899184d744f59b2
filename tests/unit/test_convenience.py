"""Interviews of convenience: rates and shares with errors between site-days, never totals."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pandas as pd
import pytest

from analytics.bulletin.build import bulletin_of
from analytics.codes import coded
from analytics.errors import UsageError
from analytics.estimates.estimate import estimate_snapshot
from analytics.estimates.season_survey import prepare_survey
from analytics.outlook.build import limit_tables
from analytics.outlook.schemas import OUTLOOK_SCHEMAS
from tests.tables import MONDAY, SiteDay, figures, interview, survey


def opening(area="A", design="opportunistic", **given):
    plain = {
        "season": "2030-31",
        "area": area,
        "open_date": MONDAY,
        "close_date": MONDAY + dt.timedelta(days=13),
        "design": design,
    }
    return plain | given


def met(offset: int, hours: float, sublegal: int, *, site="r1", kept=0, area="A", **given):
    where = {"sample_id": None, "site": site, "date": MONDAY + dt.timedelta(days=offset)}
    said = {"hours_fished": hours, "released_sublegal": sublegal, "kept": kept, "area": area}
    return interview(**where, **said, **given)


def snapshot_of(interviews, site_days=(), *, openings=None, sites=None):
    rows = [{"interview_id": f"i{place}", **row} for place, row in enumerate(interviews)]
    drawn = survey(site_days, sites=sites, seasons=openings or [opening()])
    own = drawn["interviews"].to_pylist() if site_days else []
    return survey(site_days, sites=sites, seasons=openings or [opening()], interviews=[*own, *rows])


TRIPS = [met(0, 2, 1, kept=1), met(0, 3, 4), met(1, 5, 2), met(3, 4, 0, kept=1), met(3, 1, 3)]


def test_rates_are_ratios_of_sums_with_errors_clustered_by_site_day():
    rows = estimate_snapshot(snapshot_of(TRIPS), by=["season"])
    found = figures(rows, "encounters_per_angler_hour")
    fish, hours = np.array([6.0, 2.0, 4.0]), np.array([5.0, 5.0, 5.0])
    rate = fish.sum() / hours.sum()
    variance = 3 / 2 * ((fish - rate * hours) ** 2).sum() / hours.sum() ** 2
    assert found["estimate"] == pytest.approx(rate)
    assert found["se"] == pytest.approx(math.sqrt(variance))
    assert (found["n_psu"], found["df"], found["n_interviews"]) == (3, 2, 5)
    assert found["status"] == "ok"
    assert pd.isna(found["n_psu_frame"])
    assert "convenience_" in found["method"]


def test_totals_and_deaths_are_never_given():
    rates = [{"size_class": "any", "method": "any", "wound_class": "any", "rate_prop": 0.2}]
    snapshot = survey(
        [],
        seasons=[opening()],
        interviews=[{"interview_id": f"i{k}", **row} for k, row in enumerate(TRIPS)],
        release_rates=rates,
    )
    for by in (["season"], ["area", "week"], ["week"]):
        rows = estimate_snapshot(snapshot, by=by)
        totals = rows[rows["quantity"].str.endswith(("_fish", "_trips", "_hours"))]
        assert (totals["status"] == "no_design").all()
        assert totals["estimate"].isna().all()
        assert rows.loc[rows["quantity"] == "sublegal_prop", "estimate"].notna().any()


def test_domains_take_the_area_fished_and_the_week():
    trips = [*TRIPS, met(1, 2, 2, area="B"), met(8, 2, 3), met(9, 2, 1)]
    openings = [opening(), opening(area="B")]
    rows = estimate_snapshot(
        snapshot_of(trips, openings=openings, sites={"r1": "A", "q1": "B"}), by=["area", "week"]
    )
    rate = "encounters_per_angler_hour"
    assert figures(rows, rate, area="A", week="2031-W03")["estimate"] == pytest.approx(4 / 4)
    alone = figures(rows, rate, area="B", week="2031-W02")
    assert alone["estimate"] == pytest.approx(1.0)
    assert math.isnan(alone["se"])
    assert "one_unit(unit=site-day)" in alone["method"]
    assert figures(rows, rate, area="B", week="2031-W03")["status"] == "no_sample"


def test_beside_a_drawn_area_each_keeps_its_own_and_the_whole_is_withheld():
    openings = [opening(), opening(area="B", design="site_day")]
    days = [
        SiteDay(1, [interview(area="B", kept=fish)], site="q1", date=MONDAY + dt.timedelta(days=k))
        for k, fish in ((0, 2), (2, 3))
    ]
    stray = met(2, 9, 9, site="q1", area="B")  # met by chance where site-days are drawn: not used
    snapshot = snapshot_of([*TRIPS, stray], days, openings=openings, sites={"r1": "A", "q1": "B"})
    rows = estimate_snapshot(snapshot, by=["area"])
    assert figures(rows, "kept_fish", area="A")["status"] == "no_design"
    assert figures(rows, "encounters_per_angler_hour", area="A")["estimate"] == pytest.approx(0.8)
    assert figures(rows, "encounters_per_angler_trip", area="B")["estimate"] == pytest.approx(2.5)
    whole = figures(estimate_snapshot(snapshot, by=["season"]), "encounters_per_angler_hour")
    assert whole["status"] == "no_design"
    assert "convenience_only(areas=A)" in whole["method"]


def test_a_week_drawn_in_part_has_no_total_since_the_days_met_by_convenience_lack():
    """Two openings of one area in a week: a total of the drawn days alone is no total of it."""
    weekdays = {"open_weekdays": "12345", "day_groups": "12345"}
    until, since = MONDAY + dt.timedelta(days=2), MONDAY + dt.timedelta(days=3)
    openings = [
        opening(design="site_day", close_date=until, **weekdays),
        opening(open_date=since, **weekdays),
    ]
    drawn = [
        SiteDay(1, [interview(kept=fish)], site="r1", date=MONDAY + dt.timedelta(days=k))
        for k, fish in ((0, 2), (1, 1))
    ]
    snapshot = snapshot_of([met(3, 2, 5)], drawn, openings=openings)
    for by in (["area", "week"], ["week"], ["area"], ["season"]):
        found = figures(estimate_snapshot(snapshot, by=by), "kept_fish")
        assert (found["status"], found["method"]) == ("no_design", "convenience_only(areas=A)")
        assert pd.isna(found["estimate"])
    seen = [one["seen"] for one in bulletin_of(snapshot).findings.to_pylist()]
    assert coded("design_without_total", area="A") in seen


def test_sampled_site_days_of_such_an_area_count_with_the_others():
    day = SiteDay(9, [interview(hours_fished=2.0, released_sublegal=1)], date=MONDAY)
    rows = estimate_snapshot(snapshot_of(TRIPS, [day]), by=["season"])
    found = figures(rows, "encounters_per_angler_hour")
    # The same site and date as two interviews of convenience: one site-day with them.
    assert found["n_psu"] == 3
    assert found["estimate"] == pytest.approx(13 / 17)


def test_a_season_without_any_interview_says_so():
    with pytest.raises(UsageError, match="no site-day whose boats were counted"):
        estimate_snapshot(snapshot_of([]), season="2030-31")


def test_a_bulletin_of_convenience_alone_is_made_and_warns_of_its_rows():
    openings = [opening(daily_limit_fish=1)]
    trips = [*TRIPS, met(4, 3, 1, kept=5, anglers=1)]
    bulletin = bulletin_of(snapshot_of(trips, openings=openings))
    statuses = set(bulletin.rows["status"].to_pylist())
    assert {"ok", "no_design"} <= statuses
    found = bulletin.findings.to_pylist()
    assert any("5 kept by 1 angler" in str(one["seen"]) for one in found)


@pytest.mark.parametrize("has_later_area", [False, True])
def test_no_draws_are_kept_where_no_total_is_a_number(has_later_area):
    end = MONDAY + dt.timedelta(days=60)
    openings = [opening(close_date=end)]
    if has_later_area:  # So far nothing was caught there, which says nothing of the season.
        openings.append(opening("B", open_date=MONDAY + dt.timedelta(days=30), close_date=end))
    limit = {
        "limit_id": "L1",
        "season": "2030-31",
        "areas": "A",
        "quantity": "kept_fish",
        "limit_fish": 100.0,
    }
    interviews = [{"interview_id": f"i{place}", **row} for place, row in enumerate(TRIPS)]
    snapshot = survey((), seasons=openings, interviews=interviews, limits=[limit])
    found = limit_tables(prepare_survey(snapshot), {}, level=0.95, n_draws=20)
    assert found["draws"].num_rows == 0
    assert found["draws"].schema.equals(OUTLOOK_SCHEMAS["draws"])
    (row,) = found["limit_status"].to_pylist()
    assert "no_totals_from_convenience" in row["reason"]
    assert coded("no_draws_kept") in found["assumptions"]["assumption"].to_pylist()
