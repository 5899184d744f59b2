"""Measured fish of a season: whose they are, their length, and their side of the legal line."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from analytics.codes import coded
from analytics.data.schema import TOTAL_PER_FORK
from analytics.estimates.estimate import estimate_snapshot
from analytics.estimates.sampling_report import row_warnings
from analytics.estimates.season_survey import prepare_survey
from analytics.fish.lengths import MEASURED_SCHEMA, conversions, measured_fish
from tests.tables import MONDAY, SiteDay, figures, interview, survey

LINE = 559.0
OPENING = {
    "season": "2030-31",
    "area": "A",
    "open_date": MONDAY,
    "close_date": MONDAY + dt.timedelta(days=69),
    "min_length_mm": LINE,
}
EARLIER = OPENING | {
    "season": "2029-30",
    "open_date": MONDAY - dt.timedelta(days=365),
    "close_date": MONDAY - dt.timedelta(days=300),
}


def fish(number, **given):
    base = {"fish_id": f"f{number:03d}", "source": "dockside", "area": "A", "date": MONDAY}
    return base | given


def snapshot_of(rows, *, seasons=(OPENING,)):
    boat = interview(method="jigging", kept=3)
    return survey(
        [SiteDay(1, [boat], stratum="all", frame=10), SiteDay(1, [boat], stratum="all", frame=10)],
        seasons=list(seasons),
        fish=rows,
    )


def measured(rows, *, season="2030-31", through="2031-W11", **given):
    table = measured_fish(snapshot_of(rows, **given), season=season, through=through)
    assert table.schema.equals(MEASURED_SCHEMA)
    return {one["fish_id"]: one for one in table.to_pylist()}


def test_a_fish_takes_area_day_and_method_of_its_interview():
    row = {"fish_id": "f0", "source": "dockside", "interview_id": "s00000-0"}
    found = measured([row | {"total_length_mm": 600.0}])["f0"]
    assert (found["area"], found["date"], found["week"]) == ("A", MONDAY, "2031-W02")
    assert found["method"] == "jigging"
    assert (found["total_mm"], found["is_converted"], found["is_legal"]) == (600.0, False, True)


def test_fish_of_other_days_and_weeks_are_left_out():
    rows = [
        fish(0, total_length_mm=600.0),
        fish(1, total_length_mm=600.0, date=MONDAY - dt.timedelta(days=1)),
        fish(2, total_length_mm=600.0, date=MONDAY + dt.timedelta(days=7)),
    ]
    assert set(measured(rows, through="2031-W02")) == {"f000"}


def test_the_fish_of_a_season_through_a_week_are_looked_up_once():
    snapshot = snapshot_of([fish(0, total_length_mm=600.0)])
    season = {"season": "2030-31"}
    first = measured_fish(snapshot, **season, through="2031-W02")
    assert measured_fish(snapshot, **season, through="2031-W02") is first
    before = measured_fish(snapshot, **season, through="2031-W01")
    assert (first.num_rows, before.num_rows) == (1, 0)


@pytest.mark.parametrize(("length", "is_legal"), [(558.9, False), (559.0, True), (None, None)])
def test_the_side_of_the_line(length, is_legal):
    assert measured([fish(0, total_length_mm=length)])["f000"]["is_legal"] is is_legal


def test_without_a_minimum_no_side_is_known():
    seasons = [OPENING | {"min_length_mm": None}]
    assert measured([fish(0, total_length_mm=600.0)], seasons=seasons)["f000"]["is_legal"] is None


def line_of(n, *, first=100, **given):
    """Return fish with both lengths, total = 1.05 fork + 6 but for alternate ±1 mm."""
    forks = np.linspace(420, 800, n)
    return [
        fish(
            first + number,
            fork_length_mm=float(fork),
            total_length_mm=float(1.05 * fork + 6 + (-1) ** number),
            **given,
        )
        for number, fork in enumerate(forks)
    ]


def test_a_fork_length_is_converted_by_the_seasons_own_line():
    found = measured([*line_of(20), fish(0, fork_length_mm=600.0)])["f000"]
    assert found["total_mm"] == pytest.approx(1.05 * 600 + 6, abs=0.5)
    assert (found["is_converted"], found["is_legal"]) == (True, True)


def test_a_measured_total_length_is_never_replaced():
    rows = [*line_of(20), fish(0, fork_length_mm=500.0, total_length_mm=612.0)]
    found = measured(rows)["f000"]
    assert (found["total_mm"], found["is_converted"]) == (612.0, False)


def test_too_few_fish_take_the_line_of_all_seasons():
    earlier = line_of(40, date=MONDAY - dt.timedelta(days=360))
    rows = [*earlier, fish(0, fork_length_mm=600.0)]
    found = measured(rows, seasons=(OPENING, EARLIER))["f000"]
    assert found["total_mm"] == pytest.approx(636, abs=0.5)
    snapshot = snapshot_of(rows, seasons=(OPENING, EARLIER))
    length, _ = conversions(snapshot, season="2030-31", through="2031-W11")
    assert length.source == coded("regression_of_lengths", n=40, span="all_seasons")


def test_fish_after_the_last_week_tell_nothing_of_lengths():
    later = line_of(40, date=MONDAY + dt.timedelta(days=7))
    rows = [*later, fish(0, fork_length_mm=600.0)]
    assert measured(rows, through="2031-W03")["f000"]["total_mm"] == pytest.approx(636, abs=0.5)
    found = measured(rows, through="2031-W02")["f000"]
    assert found["total_mm"] == pytest.approx(600 * TOTAL_PER_FORK)
    for through, n, span in (("2031-W02", 0, "all_seasons"), ("2031-W03", 40, "season")):
        length, _ = conversions(snapshot_of(rows), season="2030-31", through=through)
        assert coded("regression_of_lengths", n=n, span=span) in length.source


def test_without_any_pair_the_stated_factor_is_taken():
    found = measured([fish(0, fork_length_mm=520.0)])["f000"]
    assert found["total_mm"] == pytest.approx(520 * TOTAL_PER_FORK)
    assert (found["is_converted"], found["is_legal"]) == (True, False)


def test_weight_goes_by_the_length_that_more_fish_have():
    rows = [
        fish(number, fork_length_mm=500.0 + number, weight_g=1.2e-5 * (500.0 + number) ** 3)
        for number in range(30)
    ]
    _, weight = conversions(snapshot_of(rows), season="2030-31", through="2031-W11")
    assert (weight.given, str(weight.form)) == ("fork_length_mm", "power")
    assert weight.predict(500.0) == pytest.approx(1500)


def warned(rows):
    snapshot = snapshot_of(rows)
    found = row_warnings(snapshot, prepare_survey(snapshot).design)
    return {(one.column, one.seen) for one in found if one.table == "fish"}


def test_a_season_lists_its_kept_undersized_fish_by_either_length():
    rows = [
        fish(0, interview_id="s00000-0", kept=True, total_length_mm=540.0),
        fish(1, interview_id="s00000-0", kept=True, fork_length_mm=500.0),
        fish(2, kept=True, total_length_mm=550.0),  # measured on the dock, of no interview
        fish(3, kept=True, total_length_mm=550.0, date=MONDAY - dt.timedelta(days=30)),
        fish(4, kept=True, total_length_mm=600.0),
    ]
    assert warned(rows) == {
        ("total_length_mm", "2 rows, the first: 540.0 mm kept under 559.0 mm"),
        (
            "fork_length_mm",
            "1 row: 500.0 mm fork, about 532 mm total, kept under 559.0 mm",
        ),
    }


def test_undersized_fish_that_were_kept_stay_in_every_sum():
    short = [fish(0, interview_id="s00000-0", kept=True, total_length_mm=540.0)]
    long = [fish(0, interview_id="s00000-0", kept=True, total_length_mm=640.0)]
    first, second = (estimate_snapshot(snapshot_of(rows), by=("season",)) for rows in (short, long))
    assert figures(first, "kept_fish")["estimate"] == pytest.approx(10 / 2 * 6)
    assert first.equals(second)
    (row,) = measured(short).values()
    assert (row["kept"], row["is_legal"]) == (True, False)
