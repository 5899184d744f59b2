"""``blackmouth plan`` as a user meets it, and the plan of a week by its laws."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import pypdf
import pytest

from analytics import import_files
from analytics.cli import main
from analytics.codes import has_code, parse
from analytics.data.snapshot import Snapshot
from analytics.data.store import Store
from analytics.errors import UsageError
from analytics.estimates.season_survey import prepare_survey
from analytics.options.baseline import Limit
from analytics.outlook.projection import project_from
from analytics.planning.allocation import even
from analytics.planning.make_plan import ALLOCATED_FOR, Objective, PlanRequest, make_plan
from analytics.planning.plan import expected_of as expected_table_of
from analytics.planning.samplers import Sampler
from analytics.planning.season_plan import other_plan, plan_week, plan_weeks, ready_season
from analytics.planning.week_ahead import strata_of_week
from analytics.simulation.fishery import simulate_population
from analytics.simulation.sampling import draw_sample
from tests.field_week import sampled_week, write_week
from tests.simulation import seasons

COLUMNS = [
    *("area", "quantity", "unit", "site_days_now", "site_days_planned"),
    *("pse_now", "pse_planned"),
]


@pytest.fixture(scope="module")
def tables():
    """Return a small season sampled through its fifth week, and the week after."""
    sound, frame, reference = seasons.place("small")
    rng = np.random.default_rng(11)
    population = simulate_population(sound, frame, rng=rng)
    sample = draw_sample(sound, population, rng=rng, options=seasons.SAMPLE, through=frame.weeks[4])
    return {**reference, **sample.tables}, frame.weeks[5]


@pytest.fixture(scope="module")
def known(tables):
    """Return the survey of the season, its draws and the week to plan."""
    survey = prepare_survey(Snapshot.of(tables[0]), season=seasons.SEASON)
    return survey, project_from(survey, {}, n_draws=400).baseline, tables[1]


def planned(known, **asked):
    survey, baseline, week = known
    return make_plan(survey, baseline, (), PlanRequest(week, **asked))


def expected_of(folder, quantity: str) -> float:
    """Return the planned PSE of all areas, as the file has it."""
    rows = pa_csv.read_csv(folder / "expected.csv").to_pylist()
    return next(r["pse_planned"] for r in rows if not r["area"] and r["quantity"] == quantity)


def worst(plan) -> float:
    return max(
        one.pse_planned
        for one in plan.expected
        if one.area and one.quantity in ALLOCATED_FOR and one.pse_planned is not None
    )


def test_shifts_are_spent_within_bounds_and_more_never_promise_less(known):
    plans = [planned(known, shifts=n, objective=Objective.WORST) for n in (14, 17, 24)]
    for plan, n in zip(plans, (14, 17, 24), strict=True):
        assert plan.n_site_days == n
        assert all(min(2, one.frame_size) <= one.n <= one.frame_size for one in plan.strata)
    promised = [worst(one) for one in plans]
    assert promised == sorted(promised, reverse=True)
    middle = plans[1]
    spread = max(
        one.pse_even for one in middle.expected if one.area and one.quantity in ALLOCATED_FOR
    )
    assert worst(middle) <= spread + 1e-9


def test_boats_of_a_site_day_bring_part_of_every_variance(known):
    few = planned(known, shifts=18)
    all_days = planned(known, shifts=sum(one.frame_size for one in few.strata))
    parts = {
        (one.area, one.quantity): (one.boats_part, full.boats_part)
        for one, full in zip(few.expected, all_days.expected, strict=True)
        if one.pse_planned
    }
    assert parts
    assert all(0 < one <= full == pytest.approx(1) for one, full in parts.values())


def test_a_target_takes_the_fewest_shifts(known):
    target = worst(planned(known, shifts=20, objective=Objective.WORST)) * 1.0001
    plan = planned(known, target_pse=target)
    assert worst(plan) <= target
    assert has_code(plan.rule, "plan_for_target")
    of_all = planned(known, target_pse=0.5, objective=Objective.ALL_AREAS)
    assert has_code(of_all.rule, "plan_for_target_of_all")
    assert plan.n_site_days <= 20
    with pytest.raises(UsageError, match="out of reach") as refused:
        planned(known, target_pse=0.001)
    # The worst figure comes first, and the target that is named can be reached.
    said = [float(one) for one in re.findall(r"([\d.]+)\u00a0%", str(refused.value))]
    assert said[1:-1] == sorted(said[1:-1], reverse=True)
    assert said[-1] >= said[1]
    assert planned(known, target_pse=said[-1] / 100).n_site_days
    assert has_code(planned(known, target_pse=0.99).notes[-2], "plan_target_at_least")


def test_all_areas_together_do_at_least_as_well_by_their_own_measure(known):
    def of_all(objective):
        plan = planned(known, shifts=20, objective=objective)
        mine = [o for o in plan.expected if o.area is None and o.quantity in ALLOCATED_FOR]
        return sum(one.pse_planned**2 for one in mine)

    assert of_all(Objective.ALL_AREAS) <= of_all(Objective.WORST) + 1e-12


def test_a_plan_that_is_the_even_spread_is_not_compared_with_it(known):
    least = planned(known, shifts=2 * len(planned(known, shifts=20).strata))
    assert [one.n for one in least.strata] == [one.n_even for one in least.strata]
    assert not any(has_code(one, "plan_beside_even") for one in least.notes)
    more = planned(known, shifts=20)
    assert [one.n for one in more.strata] != [one.n_even for one in more.strata]
    assert any(has_code(one, "plan_beside_even") for one in more.notes)


def test_none_or_two_and_the_areas_without_a_figure_are_named(known):
    plan = planned(known, shifts=5)
    assert all(one.n != 1 or one.frame_size == 1 for one in plan.strata)
    areas = {one.area for one in plan.strata}
    met = {one.area for one in plan.strata if one.n}
    assert areas - met
    assert any(has_code(one, "plan_without_figure") for one in plan.notes)
    lost = [one for one in plan.expected if one.area in areas - met]
    assert lost
    assert all(one.pse_planned is None for one in lost)


def test_a_season_of_convenience_has_no_week_that_follows(tmp_path):
    rows = sampled_week()
    for season in rows["seasons"]:
        season["design"] = "opportunistic"
    store = Store(tmp_path / "store")
    assert import_files(store, write_week(rows, tmp_path / "week")).batch
    with pytest.raises(UsageError, match="no open week follows"):
        strata_of_week(store.snapshot(), season="2030-31", week="2031-W06")


def test_what_cannot_be_planned_is_said(known):
    survey, baseline, week = known
    most = sum(one.frame_size for one in planned(known, shifts=14).strata)
    with pytest.raises(UsageError, match=f"at most {most}"):
        planned(known, shifts=most + 1)
    with pytest.raises(UsageError, match="no error of its own"):
        planned(known, shifts=1)
    for asked in ({}, {"shifts": 9, "target_pse": 0.3}, {"shifts": 0}, {"target_pse": 30.0}):
        with pytest.raises(UsageError):
            PlanRequest(week, **asked)
    with pytest.raises(UsageError, match="allowed"):
        PlanRequest(week, shifts=9, quantities=("length",))
    with pytest.raises(UsageError, match="no open day"):
        make_plan(survey, baseline, (), PlanRequest("2031-W30", shifts=9))
    with pytest.raises(UsageError, match="not one to come"):
        make_plan(survey, baseline, (), PlanRequest(survey.design.weeks[0], shifts=9))


def test_a_season_without_a_sample_promises_nothing(tables):
    empty = {
        name: table.slice(0, 0) if name in ("site_days", "interviews") else table
        for name, table in tables[0].items()
    }
    snapshot = Snapshot.of(empty)
    plan = plan_week(snapshot, PlanRequest(tables[1], shifts=15), season=seasons.SEASON)
    assert plan.n_site_days == 15
    assert has_code(plan.rule, "plan_no_history")
    assert {one.pse_planned for one in plan.expected} == {None}
    high = np.array([one.frame_size for one in plan.strata])
    assert [one.n_even for one in plan.strata] == even(high, 15).tolist()
    # With too few for two a stratum, those that get none are named here too.
    few = plan_week(snapshot, PlanRequest(tables[1], shifts=3), season=seasons.SEASON)
    assert any(has_code(one, "plan_without_figure") for one in few.notes)
    with pytest.raises(UsageError, match="give --shifts"):
        plan_week(snapshot, PlanRequest(tables[1], target_pse=0.3), season=seasons.SEASON)


def test_an_area_of_one_ramp_and_a_frame_of_one(tables):
    sites = tables[0]["sites"]
    first = sites.slice(0, 1)["site"][0].as_py()
    days, trips = tables[0]["site_days"], tables[0]["interviews"]
    at = [site == first or site[:3] != first[:3] for site in days["site"].to_pylist()]
    kept = set(days.filter(at)["sample_id"].to_pylist())
    one_ramp = tables[0] | {
        "sites": sites.filter(
            [s == first or s[:3] != first[:3] for s in sites["site"].to_pylist()]
        ),
        "site_days": days.filter(at),
        "interviews": trips.filter([one in kept for one in trips["sample_id"].to_pylist()]),
    }
    plan = plan_week(Snapshot.of(one_ramp), PlanRequest(tables[1], shifts=14))
    mine = [one for one in plan.strata if one.sites == (first,)]
    assert mine
    assert all(one.frame_size == len(one.dates) for one in mine)
    assert plan.n_site_days == 14


def test_a_site_that_nobody_visits_is_never_drawn_and_what_that_does_is_said(tables, known):
    survey, _, week = known
    whole = planned(known, shifts=16)
    area = whole.strata[0].area
    sites = whole.strata[0].sites
    plan = planned(known, shifts=16, not_covered=sites[:1])
    assert plan.n_site_days == 16
    assert all(sites[0] not in one.sites for one in plan.strata)
    (note,) = [one for one in plan.notes if has_code(one, "not_covered_known")]
    counts = tables[0]["site_days"].to_pandas().groupby("site")["boats_returned"].mean()
    counts = counts.reindex(list(sites))
    part = dict(parse(note)[0].arguments)
    assert part["part"] == (f"{100 * counts.iloc[0] / counts.sum():.0f}",)
    off = 100 * (counts.iloc[1:].mean() / counts.mean() - 1)
    assert part["off"] == (f"{off:+.0f}".replace("-", "−"),)
    # Relative errors are those of the same number of site-days in the area.
    none = planned(known, shifts=16, not_covered=sites)
    assert any(has_code(one, "not_covered_area") for one in none.notes)
    assert not any(has_code(one, "plan_without_figure") for one in none.notes)
    mine = [one for one in none.expected if one.area == area]
    assert {one.pse_planned for one in mine} == {None}
    assert {one.n for one in none.strata if one.area == area} == {0}
    assert none.n_site_days == 16
    target = worst(none) * 1.0001
    assert planned(known, target_pse=target, not_covered=sites).n_site_days <= 16
    every = tuple(site for one in whole.strata for site in one.sites)
    for wrong in (("X",), every):
        with pytest.raises(UsageError, match="site"):
            planned(known, shifts=16, not_covered=wrong)
    assert survey.design.season == plan.season
    assert week == plan.week


def test_samplers_bound_a_plan(known):
    whole = planned(known, shifts=16)
    area = whole.strata[0].area
    mine = Sampler("near", areas=frozenset([area]), most_shifts=5)
    away = [
        Sampler(f"S{k}", areas=frozenset(one.area for one in whole.strata) - {area})
        for k in range(6)
    ]
    plan = planned(known, shifts=16, samplers=(mine, *away))
    assert sum(one.n for one in plan.strata if one.area == area) <= 5
    assert plan.n_site_days == 16
    with pytest.raises(UsageError, match="samplers"):
        planned(known, shifts=16, samplers=(mine,))
    with pytest.raises(UsageError, match="no area"):
        planned(known, shifts=16, samplers=(Sampler("A", areas=frozenset("?")),))


def weeks_planned(tables, known, *, first=None, last=None, **asked):
    survey, baseline, week = known
    return plan_weeks(
        survey.snapshot,
        lambda one: PlanRequest(one, **asked),
        first=first or week,
        last=last,
        season=seasons.SEASON,
        known=(baseline, ()),
    )


def test_shifts_of_several_weeks_go_where_the_worst_figure_gains_most(tables, known):
    n = 3 * 18
    weeks = [known[1].weeks[at] for at in range(3)]
    asked = {"objective": Objective.WORST}
    plans = weeks_planned(tables, known, last=weeks[2], shifts=n, **asked)
    assert [one.week for one in plans] == weeks
    assert sum(one.n_site_days for one in plans) == n
    alike = [make_plan(*known[:2], (), PlanRequest(week, shifts=18, **asked)) for week in weeks]
    assert max(map(worst, plans)) <= max(map(worst, alike)) * 1.002
    rest = weeks_planned(tables, known, target_pse=0.9)
    assert len(rest) > 3
    assert [one.week for one in rest] == list(known[1].weeks[: len(rest)])
    assert all(worst(one) <= 0.9 for one in rest)


def test_a_season_is_made_ready_once_and_promises_of_weeks_stand_in_one_table(tables, known):
    survey, baseline, week = known
    ready = ready_season(survey.snapshot, season=seasons.SEASON, known=(baseline, ()))
    first, second = ready.weeks(week)[:2]
    requests = ready.divided([PlanRequest(one, shifts=30) for one in (first, second)])
    assert sum(one.shifts for one in requests) == 30
    plans = [ready.plan(one) for one in requests]
    assert plans == list(weeks_planned(tables, known, last=second, shifts=30))
    table = expected_table_of(plans)
    assert table.column_names[0] == "week"
    assert set(table["week"].to_pylist()) == {first, second}
    assert expected_table_of(plans[:1]).column_names == COLUMNS


def test_a_sum_over_weeks_is_least(tables, known):
    weeks = [known[1].weeks[at] for at in range(2)]

    def loss(plans) -> float:
        rows = [o for p in plans for o in p.expected if o.area and o.quantity in ALLOCATED_FOR]
        return sum(one.pse_planned**2 for one in rows)

    asked = {"objective": Objective.SUM}
    plans = weeks_planned(tables, known, last=weeks[1], shifts=36, **asked)
    assert sum(one.n_site_days for one in plans) == 36
    for first in (14, 16, 18, 20):
        others = [
            make_plan(*known[:2], (), PlanRequest(week, shifts=n, **asked))
            for week, n in zip(weeks, (first, 36 - first), strict=True)
        ]
        assert loss(plans) <= loss(others) + 1e-12


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"shifts": 3}, "two a stratum"),
        ({"shifts": 99_999}, "the frame at most"),
        ({"shifts": 60, "first": "2035-W01"}, "no open week to come"),
        ({"shifts": 60, "last": "week 9"}, "week"),
    ],
)
def test_weeks_that_cannot_be_planned_are_said(tables, known, asked, words):
    with pytest.raises(UsageError, match=words):
        weeks_planned(tables, known, **asked)


def test_the_call_floors_its_area_or_says_why_not(known):
    survey, baseline, week = known
    middle = float(np.median(sum(baseline.to_date["kept_fish"].T)))
    limits = [
        Limit("far", baseline.areas, ("kept_fish",), middle * 1e4),
        Limit("near", baseline.areas, ("kept_fish",), middle * 1.6),
    ]
    plan = make_plan(survey, baseline, limits, PlanRequest(week, shifts=18))
    assert plan.decision is not None
    assert sum(plan.decision.n) == 18
    assert plan.decision.wrong_decision <= plan.decision.wrong_planned + 1e-9
    assert plan.n_site_days == 18
    # Which check was made by draws is said.
    codes = [one for note in plan.decision.notes for one in parse(note)]
    (check,) = [one for one in codes if one.name in ("call_smoothed", "call_by_draws")]
    assert float(check["planned"]) <= 100 * (plan.decision.wrong_now + 0.05)
    assert (plan.decision.quantities, plan.decision.fish) == (("kept_fish",), limits[1].fish)
    # One more shift goes to one stratum: what that does to the call was said before.
    after = make_plan(survey, baseline, limits, PlanRequest(week, shifts=19))
    grown = [one.n - before.n for one, before in zip(after.strata, plan.strata, strict=True)]
    assert sorted(grown) == [0] * (len(grown) - 1) + [1]
    gain = plan.decision.one_more[grown.index(1)]
    assert gain == pytest.approx(plan.decision.wrong_planned - after.decision.wrong_planned)
    assert gain > 0
    full = [one.n in (0, one.frame_size) for one in plan.strata]
    assert [one is None for one in plan.decision.one_more] == full
    both = ("kept_fish", "released_legal_fish")
    several = [dataclasses.replace(limits[1], quantities=both)]
    stands_in = make_plan(survey, baseline, several, PlanRequest(week, shifts=18)).decision
    assert stands_in is not None
    assert any(has_code(one, "call_by_encounters") for one in stands_in.notes)


def test_a_call_that_is_certain_is_never_said_to_be_0_or_100_percent(known):
    survey, baseline, week = known
    for fish in (1.0, 1e9):
        limits = [Limit("one", baseline.areas, ("kept_fish",), fish)]
        decision = make_plan(survey, baseline, limits, PlanRequest(week, shifts=18)).decision
        assert decision is not None
        code = next(one for one in parse(decision.notes[0]) if one.name == "call_is_certain")
        assert dict(code.arguments)["chance"] in (("under 1\u00a0%",), ("over 99\u00a0%",))


def assert_weeks_are_written(run, asked, folder, *, first: str) -> None:
    status, said, _ = run(*asked, folder, "--through", "end", "--target-pse", 0.9)
    assert status == 0
    folders = sorted(one.name for one in folder.iterdir())
    assert folders[0] == first
    assert all(one in said for one in folders)
    assert all((folder / one / "planned_site_days.csv").is_file() for one in folders)
    assert [(folder / one / "sheets.pdf").is_file() for one in folders[:2]] == [True, False]
    last = ("--through", folders[1], "--all-sheets", "--target-pse", 0.9)
    assert run(*asked, folder, *last)[0] == 0
    assert all((folder / one / "sheets.pdf").is_file() for one in folders[:2])


def bytes_but_the_time(folder) -> dict[str, bytes]:
    """Return the bytes of a plan's files, without the time at which a calendar was made."""
    return {one.name: re.sub(rb"DTSTAMP:\w+", b"", one.read_bytes()) for one in folder.iterdir()}


def test_the_command_writes_a_plan_that_can_be_imported(tables, tmp_path, capsys):
    folder, store, out = tmp_path / "in", tmp_path / "store", tmp_path / "plan"
    folder.mkdir()
    for name, table in tables[0].items():
        pq.write_table(table, folder / f"{name}.parquet")

    def run(*args: object) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as ended:
            main([str(arg) for arg in args])
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        return int(ended.value.code or 0), said.out, said.err

    assert run("import", folder, "--store", store)[0] == 0
    asked = ("plan", "--store", store, "--week", tables[1], "--seed", 5, "--out", out)
    status, said, _ = run(*asked, "--shifts", 15)
    assert status == 0
    assert "15 site-days" in said
    assert {one.name for one in out.iterdir()} == {
        *("planned_site_days.csv", "expected.csv", "sheets.pdf", "schedule.ics"),
        "sample_sizes.csv",
    }
    sizes = pa_csv.read_csv(out / "sample_sizes.csv")
    assert set(sizes["quantity"].to_pylist()) == {"sublegal_prop", "size_mark_classes"}
    assert set(sizes["half_width"].to_pylist()) == {0.1}
    assert f"{100 * expected_of(out, 'kept_fish'):.0f}" in said  # of all areas, as planned
    expected = pa_csv.read_csv(out / "expected.csv")
    assert expected.column_names == COLUMNS
    first = bytes_but_the_time(out)
    assert run(*asked, "--shifts", 15)[0] == 0
    assert bytes_but_the_time(out) == first
    assert run("import", out / "planned_site_days.csv", "--store", store)[0] == 0
    drawn = Store(store).snapshot()["planned_site_days"]
    assert sum(not one for one in drawn["is_reserve"].to_pylist()) == 15
    assert "15 site-days, seed 5" in run(*asked, "--shifts", 16)[2]
    given = {"season": seasons.SEASON, "week": tables[1]}
    assert other_plan(drawn, drawn, **given) == ""
    assert has_code(other_plan(drawn, drawn.slice(1), **given), "plan_beside_plan")
    for wrong in ((), ("--shifts", 9, "--target-pse", 0.2), ("--shifts", 9999)):
        assert run(*asked, *wrong)[0] == 2
    assert run(*asked, "--shifts", 9, "--season", "1999-00")[0] == 2
    assert run(*asked, "--shifts", 9, "--half-width", 0.6)[0] == 2
    assert run(*asked, "--shifts", 9, "--paper", "a0")[0] == 2
    assert run(*asked, "--shifts", 9, "--shift-hours", 30)[0] == 2
    assert_weeks_are_written(run, asked[:-1], tmp_path / "weeks", first=tables[1])
    assert run(*asked, "--shifts", 15, "--through", "1999-W01")[0] == 2
    who = tmp_path / "samplers.csv"
    who.write_text("sampler,rest_days\n" + "".join(f"S{k},1\n" for k in range(14)))
    assert run(*asked, "--shifts", 15, "--paper", "letter", "--samplers", who)[0] == 0
    rows = pa_csv.read_csv(out / "planned_site_days.csv").to_pylist()
    assert all(bool(row["sampler"]) != row["is_reserve"] for row in rows)
    for wrong in ("sampler,shoes\nA,3\n", "", "sampler\nA\nA\n"):
        who.write_text(wrong)
        assert run(*asked, "--shifts", 15, "--samplers", who)[0] == 2
    assert run(*asked, "--shifts", 15, "--samplers", tmp_path)[0] == 2
    assert run(*asked, "--shifts", 15, "--not-covered", "X1,X2")[0] == 2
    box = pypdf.PdfReader(out / "sheets.pdf").pages[0].mediabox
    assert sorted((float(box.width), float(box.height))) == [612, 792]
    assert run(*asked[:4], "week 6", *asked[5:], "--shifts", 9)[0] == 2
