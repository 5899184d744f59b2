"""Tables of modelled catch rates: figures of small seasons, and words where there is none."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pytest

from analytics.catch_rates.build import rate_tables
from analytics.catch_rates.schemas import RATE_SCHEMAS
from analytics.codes import has_code
from analytics.estimates.season_survey import prepare_survey
from tests.tables import MONDAY, SiteDay, interview, survey

SITES = {"r1": "A", "r2": "B"}
LAST_YEARS = dt.timedelta(days=364)


def trips(rng, mean, *, boats=5, area="A", kept=0.3, methods=("jigging", "trolling")):
    """Return interviews of boats whose encounters spread around a mean per angler-hour."""
    told = []
    for _ in range(boats):
        anglers, hours = int(rng.integers(1, 4)), float(rng.integers(2, 6))
        luck = rng.gamma(2.0, 0.5)
        method = str(rng.choice(methods)) if methods else None
        met = int(rng.poisson(mean * luck * anglers * hours))
        landed = int(rng.binomial(met, kept))
        told.append(
            interview(
                area=area,
                anglers=anglers,
                hours_fished=hours,
                kept=landed,
                released_sublegal=met - landed,
                method=method,
            )
        )
    return told


def season_days(rng, rate, *, weeks=8, sites=("r1", "r2"), start=MONDAY, days=4, **given):
    """Return site-days of Monday to Thursday at some sites; `rate(area, week)` fish an hour."""
    return [
        SiteDay(
            8,
            trips(rng, rate(SITES[site], week), area=SITES[site], **given),
            site=site,
            date=start + dt.timedelta(days=7 * week + day),
        )
        for week in range(weeks)
        for day in range(days)
        for site in sites
    ]


def opening(area, *, season="2030-31", start=MONDAY, weeks=10):
    return {
        "season": season,
        "area": area,
        "open_date": start,
        "close_date": start + dt.timedelta(days=7 * weeks - 1),
        "open_weekdays": "12345",
    }


def tables_of(snapshot, season="2030-31", level=0.95):
    said = []
    found = rate_tables(prepare_survey(snapshot, season=season), level=level, progress=said.append)
    assert set(found) == set(RATE_SCHEMAS)
    for name, table in found.items():
        assert table.schema.equals(RATE_SCHEMAS[name])
        for column in table.columns:
            values = [one for one in column.to_pylist() if isinstance(one, float)]
            assert all(math.isfinite(one) for one in values), (name, values)
    return {name: table.to_pandas() for name, table in found.items()}, said


def test_index_follows_the_truth_at_one_mix_and_trend_and_words_follow_it():
    rng = np.random.default_rng(11)
    rates = {"A": 0.6, "B": 0.2}
    days = season_days(rng, lambda area, week: rates[area] * 1.12**week)
    found, said = tables_of(survey(days, sites=SITES, seasons=[opening("A"), opening("B")]))
    index = found["index"]
    mine = index[(index["response"] == "encounters") & (index["area"] == "A")]
    truth = 0.6 * 1.12 ** np.arange(8)
    away = np.log(mine["index"].to_numpy()) - np.log(truth)
    # 20 boats a week; four errors at most.
    assert (np.abs(away) < 4 * mine["log_se"].to_numpy()).all()
    assert (mine["ci_low"] < mine["index"]).all()
    assert (mine["index"] < mine["ci_high"]).all()
    kept = index[index["response"] == "kept"]
    assert (kept["survey_low"] < kept["survey_estimate"]).all()
    assert (kept["survey_estimate"] < kept["survey_high"]).all()
    assert_changes_are_those_of_the_week_page(index)
    trend = found["trend"]
    last = trend[
        trend["area"].isna() & (trend["response"] == "encounters") & ~trend["is_projected"]
    ]
    assert last["direction"].iloc[-1] == "rising"
    assert last["prob_increase_4_weeks"].iloc[-1] > 0.9
    assert last["change_4_weeks"].iloc[-1] == pytest.approx(1.12**4 - 1, abs=0.35)
    assert (
        trend[trend["is_projected"]].groupby(["response", "area"], dropna=False).size() == 3
    ).all()
    models = found["models"]
    assert models.groupby("response")["is_chosen"].sum().eq(1).all()
    assert {"zero-inflated", "hurdle", "poisson", "usual"} <= set(models["candidate"])
    assert "comparing with past seasons" in said


def assert_changes_are_those_of_the_week_page(index):
    """A change is its ratio to the week before, its word whether the interval holds no change."""
    for (_, response), lines in index.groupby(["area", "response"], dropna=False):
        is_share = response == "sublegal"
        now, before = (
            lines["survey_estimate"].to_numpy()[1:],
            lines["survey_estimate"].to_numpy()[:-1],
        )
        said = lines.iloc[1:]
        expected = now - before if is_share else now / before
        assert said["survey_change"].to_numpy() == pytest.approx(expected)
        same = 0.0 if is_share else 1.0
        low, high = said["survey_change_low"].to_numpy(), said["survey_change_high"].to_numpy()
        words = said["survey_direction"].to_numpy()
        assert (low[words == "up"] > same).all()
        assert (high[words == "down"] < same).all()
        assert np.isfinite(low).any()
        assert lines["survey_direction"].isna().iloc[0]


def test_all_areas_stay_level_when_an_area_with_more_fish_opens():
    rng = np.random.default_rng(5)
    rates = {"A": 0.2, "B": 1.0}
    days = season_days(rng, lambda area, week: rates[area], weeks=9, boats=8)
    # B opens in the fifth week with five times the fish.
    later = [day for day in days if day.site == "r1" or day.date >= MONDAY + dt.timedelta(weeks=4)]
    opens = [opening("A"), opening("B") | {"open_date": MONDAY + dt.timedelta(weeks=4)}]
    found, _ = tables_of(survey(later, sites=SITES, seasons=opens))
    index = found["index"]
    mine = index[(index["response"] == "encounters") & index["area"].isna()]
    assert mine["survey_estimate"].iloc[-1] > 2 * mine["survey_estimate"].iloc[0]
    before, after = np.log(mine["index"].iloc[:4]).mean(), np.log(mine["index"].iloc[4:]).mean()
    assert abs(after - before) < 0.2
    trend = found["trend"]
    words = trend[trend["area"].isna() & (trend["response"] == "encounters")]["direction"]
    assert "rising" not in set(words)


def test_area_week_without_a_fish_is_a_low_level_with_a_wide_error_and_words():
    rng = np.random.default_rng(3)
    days = season_days(rng, lambda area, week: 0.0 if (area, week) == ("B", 2) else 0.5)
    found, _ = tables_of(survey(days, sites=SITES, seasons=[opening("A"), opening("B")]))
    index = found["index"]
    mine = index[(index["area"] == "B") & (index["response"] == "encounters")].set_index("week")
    cell, others = mine.loc["2031-W04"], mine.drop("2031-W04")
    assert cell["survey_estimate"] == 0
    assert 0 < cell["index"] < 0.1 * others["index"].min()
    assert cell["log_se"] > 2 * others["log_se"].max()
    assert cell["note"] == "no_fish_in_trips(trips=20)"
    assert cell["reason"] == ""
    assert (others["note"] == "").all()
    share = index[(index["area"] == "B") & (index["response"] == "sublegal")].set_index("week")
    assert has_code(share.loc["2031-W04", "reason"], "no_complete_trip_with_fish")
    # The week that both areas share loses what one of them has lost.
    whole = index[index["area"].isna() & (index["response"] == "encounters")].set_index("week")
    assert whole.loc["2031-W04", "index"] < 0.75 * whole.drop("2031-W04")["index"].median()


def test_area_without_a_fish_all_season_has_a_low_figure_with_words_and_a_trend():
    rng = np.random.default_rng(13)
    days = season_days(rng, lambda area, week: 0.5 * (area == "A"))
    found, _ = tables_of(survey(days, sites=SITES, seasons=[opening("A"), opening("B")]))
    index = found["index"]
    mine = index[index["response"] == "encounters"].set_index(["area", "week"])
    a, b = mine.loc["A"], mine.loc["B"]
    assert (b["index"] < 0.05 * a["index"].min()).all()
    assert (b["note"] == "no_fish_in_trips(trips=20)").all()
    assert (b["n_trips"] == 20).all()
    trend = found["trend"]
    told = trend[(trend["area"] == "B") & (trend["response"] == "encounters")]
    assert told["level"].notna().all()


def test_rate_that_ends_reads_as_falling():
    rng = np.random.default_rng(17)
    days = season_days(rng, lambda area, week: 0.5 * (week < 7), weeks=9)
    found, _ = tables_of(survey(days, sites=SITES, seasons=[opening("A"), opening("B")]))
    trend = found["trend"]
    for area in ("A", None):
        mine = trend[trend["area"].isna() if area is None else trend["area"] == area]
        mine = mine[(mine["response"] == "encounters") & ~mine["is_projected"]]
        assert mine["direction"].iloc[-1] == "falling"
        assert mine["level"].iloc[-1] < 0.2 * mine["level"].iloc[5]


def test_site_days_that_cannot_be_told_apart_leave_no_interval_and_say_so():
    days = [SiteDay(2, [interview(kept=one) for one in (1, 2)])]
    found, _ = tables_of(survey(days, sites={"r1": "A"}, seasons=[opening("A")]))
    row = found["index"][found["index"]["response"] == "encounters"].iloc[0]
    assert row["index"] > 0
    assert np.isnan(row["log_se"])
    assert has_code(row["note"], "site_days_unlike_unknown")


def test_terms_give_way_where_trips_are_too_few_for_them():
    rng = np.random.default_rng(19)
    days = season_days(rng, lambda area, week: 0.6, boats=1, days=2, sites=("r1",))
    found, _ = tables_of(survey(days, sites={"r1": "A"}, seasons=[opening("A")]))
    index = found["index"]
    assert index.loc[index["response"] == "encounters", "index"].notna().all()


def cases():
    rng = np.random.default_rng(2)

    def even(area, week):
        return 0.4

    one, both = [opening("A")], [opening("A"), opening("B")]
    yield "one area", season_days(rng, even, sites=("r1",)), {"r1": "A"}, one
    yield "one week", season_days(rng, even, weeks=1), SITES, both
    yield "two weeks", season_days(rng, even, weeks=2), SITES, both
    yield "one trip", [SiteDay(1, [interview(kept=1)])], {"r1": "A"}, one
    yield "one boat a day", season_days(rng, even, boats=1, days=1), SITES, both
    yield "no fish", season_days(rng, lambda area, week: 0.0), SITES, both
    yield "no kept fish", season_days(rng, even, kept=0.0), SITES, both
    yield "all kept", season_days(rng, even, kept=1.0), SITES, both
    yield "no method", season_days(rng, even, methods=()), SITES, both
    yield "no fish in an area", season_days(rng, lambda a, w: 0.4 * (a == "A")), SITES, both
    met = [one | {"design": "opportunistic"} for one in both]
    yield "by convenience", season_days(rng, even), SITES, met
    yield "no boats", [SiteDay(0, [])], {"r1": "A"}, one
    yield "no effort", [SiteDay(2, [interview(hours_fished=0.0, kept=1)] * 2)], {"r1": "A"}, one


CASES = list(cases())


@pytest.mark.parametrize(("name", "days", "sites", "opens"), CASES, ids=[one[0] for one in CASES])
def test_hard_seasons_end_in_words_and_never_in_a_traceback(name, days, sites, opens):
    found, _ = tables_of(survey(days, sites=sites, seasons=opens))
    index, trend = found["index"], found["trend"]
    assert (index["index"].notna() == (index["reason"] == "")).all(), name
    assert (trend["level"].notna() | (trend["reason"] != "")).all()
    assert set(trend["response"]) == {"encounters", "kept", "sublegal"}
    if name in {"no fish", "no boats", "no effort"}:
        assert index["index"].isna().all()
        assert (trend["direction"] == "not_known").all()
    if name == "by convenience":
        whole = index[index["area"].isna()]
        assert whole["index"].notna().all()
        assert len(whole) == 3 * 8
    if name == "no kept fish":
        kept = index["response"] == "kept"
        assert index.loc[kept, "index"].isna().all()
        assert index.loc[index["response"] == "encounters", "index"].notna().all()
    strength = found["run_strength"]
    assert (strength["reason"] != "").all()


def test_timing_and_strength_against_past_seasons():
    rng = np.random.default_rng(7)
    seasons, days = [], []
    peak = np.array([0.2, 0.4, 0.8, 1.0, 0.9, 0.5, 0.3, 0.2])
    for back, size in ((3, 0.8), (2, 1.0), (1, 1.25)):
        start = MONDAY - back * LAST_YEARS
        label = f"{2030 - back}-{31 - back}"
        seasons += [opening(area, season=label, start=start, weeks=8) for area in "AB"]
        days += season_days(rng, lambda a, w, size=size: size * peak[w], start=start)
    seasons += [opening(area, weeks=8) for area in "AB"]
    days += season_days(rng, lambda area, week: 2 * peak[week], weeks=4)
    found, _ = tables_of(survey(days, sites=SITES, seasons=seasons))
    timing, dates, strength = found["seasonal_pattern"], found["run_dates"], found["run_strength"]
    past = timing[timing["area"].isna() & ~timing["is_current_season"]]
    assert past.groupby("season").size().tolist() == [8, 8, 8]
    assert past.groupby("season")["share"].last().tolist() == pytest.approx([1, 1, 1])
    assert past["day"].tolist() == [7 * week for week in range(1, 9)] * 3
    assert timing.loc[timing["is_current_season"], "share"].isna().all()
    half = dates[dates["area"].isna() & (dates["share"] == 0.5) & (dates["curve"] == "normal")]
    # Half of the sum of the peak comes in the fourth week; seasons count from their own Monday.
    first = [MONDAY - back * LAST_YEARS for back in (3, 2, 1)]
    gone = [(day - start).days for day, start in zip(half["date"], first, strict=True)]
    assert all(21 <= one < 29 for one in gone)
    assert (half["se_days"] > 0).all()
    last = strength[strength["area"].isna()].iloc[-1]
    assert last["n_past"] == 3
    assert last["ci_low"] < 2.0 < last["ci_high"]
    assert last["ratio"] == pytest.approx(2.0, rel=0.25)
    assert last["past_low"] < 1 < last["past_high"]


def test_season_broken_off_has_an_index_but_no_share():
    rng = np.random.default_rng(9)
    start = MONDAY - LAST_YEARS
    days = season_days(rng, lambda area, week: 0.5, weeks=5, start=start)
    days += season_days(rng, lambda area, week: 0.5, weeks=3)
    opens = [opening(area, season="2029-30", start=start) for area in "AB"]
    opens += [opening(area) for area in "AB"]
    found, _ = tables_of(survey(days, sites=SITES, seasons=opens))
    past = found["seasonal_pattern"][~found["seasonal_pattern"]["is_current_season"]]
    assert past["share"].isna().all()
    assert past["index"].notna().any()
    reasons = found["run_dates"]["reason"]
    assert set(reasons) == {"season_incomplete"}
    assert found["run_strength"]["reason"].iloc[-1].startswith("few_past_seasons(n=1)")
