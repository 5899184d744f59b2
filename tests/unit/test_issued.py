"""Projections as issued, and their scores by later bulletins, from tables made by hand."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pyarrow as pa
import pytest
from scipy.special import ndtri

from analytics.bulletin import archive, build
from analytics.bulletin.build import with_scores
from analytics.catch_rates.schemas import TREND_SCHEMA
from analytics.data.kept import Kept
from analytics.estimates.schemas import AREA_SCHEMA, CHANGE_SCHEMA, STRATUM_SCHEMA
from analytics.estimates.season_survey import prepare_survey
from analytics.findings import FINDING_SCHEMA
from analytics.outlook.backtest import ENDS, METHODS, PROJECTED, backtest
from analytics.outlook.calibration import interval_score
from analytics.outlook.issued import (
    PROBS,
    RISE,
    Outcome,
    projection_rows,
    score_rows,
)
from analytics.outlook.projection import project_from
from analytics.outlook.schemas import PROJECTION_SCHEMA, PROJECTION_SCORE_SCHEMA
from analytics.outlook.to_date_draws import area_rows
from analytics.outlook.weekly_series import past_weekly
from analytics.result_table import RESULT_SCHEMA
from tests.unit.test_ahead import seasons_alike

SUNDAY = dt.date(2036, 2, 17)
WEEKS = ("2036-W08", "2036-W09")


def issued(middle=100.0, sd=0.2, *, horizon=2):
    """Return the rows of one projection: lognormal quantiles."""
    base = {
        "season": "2035-36",
        "through": "2036-W07",
        "reference_date": SUNDAY,
        "target": "kept_fish",
        "horizon": horizon,
        "target_end_date": SUNDAY + dt.timedelta(weeks=horizon),
        "area": None,
        "projected_by": "model",
        "unit": "fish",
    }
    ends = {f"{prob:g}": middle * np.exp(sd * ndtri(prob)) for prob in PROBS}
    return [
        base | {"output_type": "mean", "output_level": None, "value": middle * np.exp(sd**2 / 2)},
        base | {"output_type": "median", "output_level": None, "value": middle},
        *(
            base | {"output_type": "quantile", "output_level": p, "value": v}
            for p, v in ends.items()
        ),
    ]


def rise(said):
    base = issued()[0] | {"target": f"{RISE}encounters", "horizon": 0, "target_end_date": SUNDAY}
    levels = {"increase": said, "decrease": 1 - said}
    return [
        base | {"output_type": "pmf", "output_level": name, "value": value}
        for name, value in levels.items()
    ]


def outcome(kept, levels=(), *, through="2036-W09"):
    rows = [
        {"area": None, "week": week, "quantity": "kept_fish", "estimate": fish, "se": 3.0}
        for week, fish in kept.items()
    ]
    trend = [
        {
            "area": None,
            "response": "encounters",
            "week": week,
            "level": level,
            "is_projected": False,
        }
        for week, level in levels
    ]
    tables = (
        pa.Table.from_pylist(rows, schema=RESULT_SCHEMA),
        pa.Table.from_pylist(trend, schema=TREND_SCHEMA),
    )
    return Outcome.of(*tables, through)


def scored(rows, found):
    table = pa.Table.from_pylist(rows, schema=PROJECTION_SCHEMA)
    made = score_rows([("2035-36.2036-W07.v1", table)], found)
    pa.Table.from_pylist(made, schema=PROJECTION_SCORE_SCHEMA)
    return made


def test_a_projection_is_scored_by_the_weeks_that_came():
    (row,) = scored(issued(), outcome({"2036-W08": 60.0, "2036-W09": 70.0}))
    assert (row["came"], row["came_se"]) == (130.0, pytest.approx(18**0.5))
    assert row["median"] == 100.0 and row["bulletin"] == "2035-36.2036-W07.v1"
    # Estimates have an error: 0.2 on the log scale, and that of 130 ± 4.2, add in squares.
    sd = np.hypot(0.2, np.sqrt(np.log1p(18 / 130**2)))
    low, high = (100 * np.exp(sd * ndtri(prob)) for prob in (0.1, 0.9))
    assert (row["low_80"], row["high_80"]) == (pytest.approx(low), pytest.approx(high))
    expected = float(interval_score(low, high, 130.0, level=0.8))
    assert row["interval_score_80"] == pytest.approx(expected)
    # Twice the mean quantile score, by hand.
    values = np.array([100 * np.exp(sd * ndtri(prob)) for prob in PROBS])
    probs = np.array(PROBS)
    by_hand = 2 * np.mean((probs - (values > 130.0)) * (130.0 - values))
    assert row["crps"] == pytest.approx(by_hand)
    (better,) = scored(issued(), outcome({"2036-W08": 45.0, "2036-W09": 55.0}))
    assert better["crps"] < row["crps"]


def test_a_closed_week_brings_nothing_and_a_week_to_come_no_score():
    (row,) = scored(issued(), outcome({"2036-W08": 60.0}))
    assert row["came"] == 60.0
    assert scored(issued(), outcome({"2036-W08": 60.0}, through="2036-W08")) == []
    assert scored(issued(), outcome({"2036-W08": 60.0, "2036-W09": None})) == []


@pytest.mark.parametrize(("now", "came", "brier"), [(1.2, 1.0, 0.0025), (0.9, 0.0, 0.9025)])
def test_a_trend_is_judged_by_later_levels(now, came, brier):
    levels = (("2036-W03", 1.0), ("2036-W07", now))
    (row,) = scored(rise(0.95), outcome({}, levels, through="2036-W10"))
    assert (row["came"], row["brier"]) == (came, pytest.approx(brier))
    assert row["direction"] == "rising"
    # A week later the level is nearly what it was called by: too soon to judge it.
    assert scored(rise(0.95), outcome({}, levels, through="2036-W08")) == []


def test_a_season_issues_what_it_draws():
    snapshot = seasons_alike(4)
    season = prepare_survey(snapshot, season="3 2040-41")
    past, rows = past_weekly(snapshot, season="3 2040-41"), area_rows(season)
    tested = backtest(season, past, n_draws=50)
    result = project_from(season, {}, n_draws=400, rows=rows, past=past, width=tested.width)
    found = projection_rows(season, result, tested, rows, None)
    pa.Table.from_pylist(found, schema=PROJECTION_SCHEMA)
    assert {row["target"] for row in found} == set(PROJECTED)
    assert {row["basis"] for row in found} == {"reported"}
    close = max(row["horizon"] for row in found)
    assert {row["horizon"] for row in found} == {1, 2, 3, 4, close}
    of_close = [row for row in found if row["horizon"] == close]
    assert {row["projected_by"] for row in of_close} == set(METHODS)
    assert {row["projected_by"] for row in found if row["horizon"] < close} == {"model"}
    kept = {
        (
            row["area"],
            row["projected_by"],
            row["horizon"],
            row["output_type"],
            row["output_level"],
        ): row["value"]
        for row in found
        if row["target"] == "kept_fish"
    }
    for area in (*result.calendar.areas, None):
        ends = [kept[area, "model", close, "quantile", f"{prob:g}"] for prob in PROBS]
        assert ends == sorted(ends)
        weekly = [kept[area, "model", week, "mean", None] for week in (1, 2, 3, 4, close)]
        assert weekly == sorted(weekly) and weekly[0] > 0
        model, plain, both = (kept[area, method, close, "median", None] for method in METHODS)
        assert min(model, plain) <= both <= max(model, plain)
    assert set(ENDS.values()) <= set(PROBS)


def bulletin_of(season, through, rows, projections=(), *, basis="reported"):
    """Return a bulletin with weekly kept fish, by basis, and projections alone."""
    tables = {
        name: pa.Table.from_pylist(
            [
                {"area": None, "week": week, "quantity": "kept_fish", "estimate": fish, "se": 3.0}
                for week, fish in rows.get(name, {}).items()
            ],
            schema=RESULT_SCHEMA,
        )
        for name in ("rows", "other_basis")
    }
    card = archive.BulletinMetadata(
        bulletin=f"{season}.{through}.v1",
        season=season,
        through=through,
        version=1,
        snapshot_key="by hand",
        level=0.95,
        made_utc="2036-03-01T00:00:00+00:00",
        program="0",
        preliminary=True,
        basis=basis,
    )
    made = [row | {"season": season} for row in projections]
    return archive.Bulletin(
        card,
        **tables,
        changes=CHANGE_SCHEMA.empty_table(),
        findings=FINDING_SCHEMA.empty_table(),
        strata=STRATUM_SCHEMA.empty_table(),
        areas=AREA_SCHEMA.empty_table(),
        outlook={"projections": pa.Table.from_pylist(made, schema=PROJECTION_SCHEMA)},
    )


def test_scores_of_other_seasons_are_made_once_until_one_is_added(tmp_path, monkeypatch):
    folder, kept = archive.archive_of(tmp_path), Kept(tmp_path)
    weeks = {"2036-W08": 60.0, "2036-W09": 70.0}
    for season in ("before", "now"):
        archive.save(folder, bulletin_of(season, "2036-W07", {}, issued()))
    last = {"rows": {"2036-W08": 1.0}, "other_basis": weeks}
    archive.save(folder, bulletin_of("before", "2036-W09", last, basis="sampled"))
    seen = []
    score = build.score_rows

    def counted(found, by):
        seen.append([name for name, _ in found])
        return score(found, by)

    monkeypatch.setattr(build, "score_rows", counted)
    newest = bulletin_of("now", "2036-W10", {"rows": weeks})

    def scores(**given):
        seen.clear()
        found = with_scores(folder, newest, **given).table("projection_scores")
        assert found.schema == PROJECTION_SCORE_SCHEMA
        return found.to_pylist()

    first = scores(kept=kept)
    # Both are judged by what was reported, whatever the basis of the bulletin that judges.
    assert [(row["season"], row["came"]) for row in first] == [("now", 130.0), ("before", 130.0)]
    assert scores(kept=kept) == first and seen == [["now.2036-W07.v1"]]
    assert scores() == first and len(seen) == 2
    # Another bulletin of the season before judges anew; one that cannot be read is passed over.
    archive.save(folder, bulletin_of("before", "2036-W10", {"rows": weeks | {"2036-W09": 90.0}}))
    assert [row["came"] for row in scores(kept=kept)] == [130.0, 150.0]
    assert len(seen) == 2
    (folder / "before.2036-W10.v1" / "rows.parquet").write_text("damaged")
    assert [row["came"] for row in scores()] == [130.0, 130.0]


def test_a_bulletin_takes_no_scores_of_bulletins_that_reach_further(tmp_path):
    folder = archive.archive_of(tmp_path)
    weeks = {"rows": {"2036-W08": 60.0, "2036-W09": 70.0}}
    older = bulletin_of("older", "2036-W05", {})
    alone = with_scores(folder, older).table("projection_scores")
    for through in ("2036-W07", "2036-W09"):
        archive.save(folder, bulletin_of("newer", through, weeks, issued()))
    later = bulletin_of("later", "2036-W09", {})
    assert with_scores(folder, later).table("projection_scores").num_rows
    assert with_scores(folder, older).table("projection_scores").equals(alone)
