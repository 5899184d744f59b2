"""Scenarios of reported sublegal releases: their rows, their words, and the command."""

from __future__ import annotations

import pandas as pd
import pyarrow.parquet as pq
import pytest

from analytics.cli import main
from analytics.codes import coded
from analytics.errors import UsageError
from analytics.estimates.alternative_estimates import (
    SCENARIO_SCHEMA,
    divided_reports,
    scenario_table,
)
from analytics.estimates.estimate import estimate_snapshot
from analytics.quantities import QUANTITIES
from analytics.result_table import RESULT_COLUMNS, to_frame
from tests.tables import SiteDay, figures, interview, survey

RATES = [
    {
        "size_class": size,
        "method": "any",
        "wound_class": "any",
        "rate_prop": rate,
        "rate_se": 0.0,
    }
    for size, rate in (("legal", 0.1), ("sublegal", 0.2))
]
SAID = [
    {"kept": 1, "released_legal": 1, "released_sublegal": 11, "released_sublegal_marked": 5},
    {"kept": 2, "released_legal": 0, "released_sublegal": 22, "released_sublegal_marked": 9},
]
SNAPSHOT = survey(
    [SiteDay(1, [interview(**said)], stratum="all", frame=10) for said in SAID],
    release_rates=RATES,
)


def scenario(multiplier, quantity, **more):
    table = scenario_table(SNAPSHOT, by=("season",), reports_over=[multiplier], **more)
    return figures(to_frame(table), quantity)


def test_reports_are_divided_by_the_multiplier():
    # N/n = 5; 33 sublegal reported, 15 released; 3 kept and 1 legal released stay as reported.
    assert scenario(2.2, "released_sublegal_fish")["estimate"] == pytest.approx(5 * 15)
    assert scenario(2.2, "kept_fish")["estimate"] == pytest.approx(5 * 3)
    assert scenario(2.2, "encounter_fish")["estimate"] == pytest.approx(5 * (15 + 3 + 1))
    assert scenario(2.2, "sublegal_prop")["estimate"] == pytest.approx(15 / 19)
    deaths = scenario(2.2, "release_deaths_fish")["estimate"]
    assert deaths == pytest.approx(5 * (0.2 * 15 + 0.1))
    marked = scenario(2.2, "encounter_sublegal_marked_fish")["estimate"]
    assert marked == pytest.approx(5 * 14 / 2.2)


def test_multiplier_one_gives_the_result_rows_themselves():
    by = ("area", "week")
    found = to_frame(scenario_table(SNAPSHOT, by=by, reports_over=[1.0], level=0.9))
    assert set(found["alternative"]) == {"as_reported"}
    plain = estimate_snapshot(SNAPSHOT, by=by, level=0.9)
    pd.testing.assert_frame_equal(found[list(RESULT_COLUMNS)], plain, check_exact=True)


def test_rows_say_what_was_done_before_the_columns_of_a_result():
    table = scenario_table(SNAPSHOT, by=("season",))
    assert table.schema == SCENARIO_SCHEMA
    assert table.column_names == ["alternative", *RESULT_COLUMNS]
    frame = to_frame(table)
    assert list(frame["alternative"].unique()) == [
        "as_reported",
        "sublegal_reports_divided_by_1.5",
        "sublegal_reports_divided_by_2.2",
    ]
    assert (frame.groupby("alternative").size() == len(QUANTITIES)).all()
    words = frame["method"].str.endswith(coded("divided_by", multiplier="2.2"))
    assert words.equals(frame["alternative"] == "sublegal_reports_divided_by_2.2")


def test_the_snapshot_given_stays_as_it_was():
    before = SNAPSHOT.key
    other = divided_reports(SNAPSHOT, 2.2)
    assert SNAPSHOT.key == before
    for name, table in other.tables.items():
        assert (table == SNAPSHOT[name]) == (name != "interviews")
    changed = [
        name
        for name in SNAPSHOT["interviews"].column_names
        if other["interviews"][name] != SNAPSHOT["interviews"][name]
    ]
    assert changed == ["released_sublegal", "released_sublegal_marked"]


def test_a_report_that_was_not_given_stays_so():
    boats = [interview(released_sublegal=None), interview(released_sublegal=4)]
    divided = divided_reports(survey([SiteDay(2, boats)]), 2)
    assert divided["interviews"]["released_sublegal"].to_pylist() == [None, 2.0]


@pytest.mark.parametrize(
    ("multipliers", "words"),
    [
        ([0.0], "reports over 0 times the fish released; allowed: 0.1 to 10"),
        ([220], "reports over 220 times"),
        ([-1.5], "reports over -1.5 times"),
        ([float("nan")], "reports over nan times"),
        ([1.5, 1.5], "multipliers 1.5, 1.5; allowed: one or more, each once"),
        ([], "multipliers none; allowed: one or more, each once"),
    ],
)
def test_multipliers_that_make_no_sense_are_refused(multipliers, words):
    with pytest.raises(UsageError, match=words.replace(".", r"\.")):
        scenario_table(SNAPSHOT, reports_over=multipliers)


@pytest.fixture
def run(capsys):
    def command(*args):
        with pytest.raises(SystemExit) as ended:
            main([str(arg) for arg in args])
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        return int(ended.value.code or 0), said.out, said.err

    return command


@pytest.fixture
def stored(field):
    return field / "store"


def test_the_command_writes_scenarios_and_leaves_the_estimates_alone(stored, run, tmp_path):
    asked = ("--store", stored, "--by", "season", "--out")
    _, before, _ = run("estimate", *asked, "-")
    path = tmp_path / "scenarios.parquet"
    status, out, err = run("scenarios", *asked, path)
    assert (status, out) == (0, "")
    assert err.endswith(f"rows of 3 scenarios in {path}\n")
    assert pq.read_table(path).schema.equals(SCENARIO_SCHEMA)
    status, out, _ = run("scenarios", *asked, "-", "--reports-over", "1,3")
    assert status == 0
    assert out.startswith("alternative,season,area,")
    assert "sublegal_reports_divided_by_3," in out
    assert run("estimate", *asked, "-")[1] == before


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--reports-over", "twice"], "--reports-over twice; allowed: numbers joined by commas"),
        (["--reports-over", "50"], "reports over 50 times the fish released"),
        (["--by", "port"], "--by port; allowed"),
        (["--through", "2031-5"], "an ISO week is written like 2031-W05"),
        (["--season", "1999"], "no season '1999'"),
    ],
)
def test_wrong_use_of_the_command_is_told_in_words(stored, run, options, words):
    status, out, err = run("scenarios", "--store", stored, "--out", "-", *options)
    assert (status, out) == (2, "")
    assert words in err


def test_the_help_names_the_command_with_an_example(run):
    status, out, _ = run("scenarios", "--help")
    assert status == 0
    assert "blackmouth scenarios" in out.split("Examples:")[1]
