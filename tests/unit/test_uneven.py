"""Days interviewed unevenly, and interviews that no estimate uses: found, counted and told."""

from __future__ import annotations

import datetime as dt

import pytest
from click.testing import CliRunner

from analytics.bulletin.build import bulletin_of
from analytics.cli.group import blackmouth
from analytics.cli.terminal import in_words
from analytics.codes import coded, has_code
from analytics.data.store import Store
from analytics.estimates.interview_quality import uneven_shares
from analytics.estimates.sampling_report import uneven_warnings
from analytics.estimates.season_survey import prepare_survey
from analytics.settings import EffortSource, EstimationSettings
from tests.tables import MONDAY, SiteDay, interview, survey

SEASON = {
    "season": "2030-31",
    "area": "A",
    "open_date": MONDAY,
    "close_date": MONDAY + dt.timedelta(days=20),
    "day_groups": "1234567",
}


def day(offset):
    return MONDAY + dt.timedelta(days=offset)


def survey_of(boats_by_day, hours_by_day):
    """Return a survey: boats counted once a day (a day has 10 hours), boats interviewed a day."""
    days = [
        SiteDay(
            len(said) + 1,
            [interview(hours_fished=hours, kept=1) for hours in said],
            date=day(offset),
        )
        for offset, said in hours_by_day.items()
    ]
    counts = [
        {
            "count_id": f"c{offset}",
            "area": "A",
            "date": day(offset),
            "time": dt.time(10),
            "boats": boats,
        }
        for offset, boats in boats_by_day.items()
    ]
    return survey(days, seasons=[SEASON], boat_counts=counts)


def found(snapshot):
    settings = EstimationSettings(effort=EffortSource.COUNTS, day_hours=10.0)
    counted = prepare_survey(snapshot, settings=settings).estimators[-1].counted
    return uneven_shares(snapshot, counted)


#: Monday 16 of 80 boat-hours, Tuesday 4 of 80; in the week after 40 of 80 and 6 of 40.
BOATS = {0: 8, 1: 8, 9: 8, 12: 4}
HOURS = {0: [4.0] * 4, 1: [4.0], 9: [8.0] * 5, 3: [5.0], 12: [6.0]}


def test_the_most_uneven_week_is_told_by_its_shares():
    (one,) = found(survey_of(BOATS, HOURS))
    assert (one.area, one.week) == ("A", "2031-W02")
    assert (one.low, one.high) == pytest.approx((4 / 80, 16 / 80))
    # Week 3 has 40 of 80 and 6 of 40: 3.3 times as much.
    assert (one.n_weeks, one.n_compared) == (2, 2)
    # Thursday was not counted, so its interview is in no share.
    assert (one.n_days, one.n_interviews) == (4, 11)


def test_weeks_are_not_compared_with_each_other():
    # 16 of 80 each day of week 2; 1 of 80 each day of week 3.
    hours = {0: [4.0] * 4, 1: [2.0] * 8, 9: [1.0], 10: [1.0]}
    assert found(survey_of(dict.fromkeys(hours, 8), hours)) == ()


@pytest.mark.parametrize(("times", "is_told"), [(2.9, False), (3.0, False), (3.1, True)])
def test_the_limit_is_three_times(times, is_told):
    hours = {0: [1.0] * 10, 1: [10.0 * times], 2: [10.0]}
    assert bool(found(survey_of(dict.fromkeys(hours, 8), hours))) is is_told


@pytest.mark.parametrize(
    "hours",
    [
        pytest.param({0: [9.0] * 10, 1: [1.0]}, id="two days"),
        pytest.param({0: [9.0] * 7, 1: [1.0], 9: [1.0]}, id="nine interviews"),
    ],
)
def test_too_little_is_not_judged(hours):
    assert found(survey_of(dict.fromkeys(hours, 20), hours)) == ()


def test_the_warning_names_the_range_and_stands_in_the_bulletin():
    snapshot = survey_of(BOATS, HOURS)
    (warning,) = uneven_warnings(snapshot, day_hours=10.0)
    assert in_words(warning).seen == (
        "A has uneven days: interviews cover 5.0 to 20.0 % of the boat-hours counted on a day in "
        "2031-W02, over 3 times as much on one day as on another in 2 of 2 weeks"
    )
    sites = snapshot["sites"].set_column(
        snapshot["sites"].schema.get_field_index("latitude"), "latitude", [[48.0]]
    )
    tables = {**snapshot.tables, "sites": sites}
    findings = bulletin_of(type(snapshot).of(tables)).findings.to_pylist()
    (finding,) = [one for one in findings if one["table"] == "boat_counts"]
    assert finding["severity"] == "warning"
    assert has_code(finding["seen"], "uneven_days")
    assert "n_weeks=2, n_compared=2" in finding["seen"]


def test_the_command_says_it_beside_the_rows(tmp_path):
    store = Store(tmp_path / "store")
    tables = survey_of(BOATS, HOURS).tables
    store.add({name: table for name, table in tables.items() if table.num_rows})
    asked = ["estimate", "--store", str(store.path), "--out", "-", "--by", "season"]
    counts = [*asked, "--effort", "counts", "--day-hours", "10"]
    ran = CliRunner().invoke(blackmouth, counts)
    assert ran.exit_code == 0, ran.stderr
    assert "warning: boat_counts: A has uneven days: interviews cover 5.0 to 20.0 %" in ran.stderr
    assert ran.stdout.startswith("season,area,week")
    assert "interviews told" not in ran.stdout
    assert "interviews told" not in CliRunner().invoke(blackmouth, asked).stderr


def test_interviews_of_convenience_are_counted_where_no_estimate_uses_them():
    snapshot = survey(
        [SiteDay(3, [interview(), interview(kept=1)]), SiteDay(2, [interview()], date=day(1))],
        sites={"r1": "A", "q1": "B"},
        seasons=[SEASON, SEASON | {"area": "B", "design": "opportunistic"}],
    )
    loose = [
        {"site": "r1", "date": day(0)},
        {"site": "r1", "date": day(2)},
        {"site": "q1", "date": day(2)},  # a use for it there
        {"site": "r1", "date": day(-1)},  # closed
        {"site": "r1", "date": day(20)},  # after the last week of the bulletin
    ]
    rows = snapshot["interviews"].to_pylist()
    rows += [
        rows[0] | {"interview_id": f"loose{at}", "sample_id": None, **one}
        for at, one in enumerate(loose)
    ]
    interviews = type(snapshot["interviews"]).from_pylist(rows, snapshot["interviews"].schema)
    tables = {**snapshot.tables, "interviews": interviews}
    findings = bulletin_of(type(snapshot).of(tables)).findings.to_pylist()
    seen = [one["seen"] for one in findings if has_code(one["seen"], "convenience_landed")]
    assert seen == [coded("convenience_landed", n=2, area="A")]
