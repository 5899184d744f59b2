"""Does a plan keep its word? Plans by the program from the first weeks, the week redrawn at random.

Ratio (i) is the spread of the estimates over redraws, relative to their mean, over the planned PSE;
ratio (ii) is the mean reported PSE over that spread. Both are 1 where plan and bulletin are honest.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any
from unittest import mock

import numpy as np
import pandas as pd
import pyarrow.compute as pc
import pytest
from scipy.stats import binomtest

from analytics.data.snapshot import Snapshot
from analytics.estimates.season_survey import prepare_survey
from analytics.options.baseline import Limit
from analytics.outlook.projection import project_from
from analytics.planning import make_plan as planner
from analytics.planning import week_ahead as variance_kernel
from analytics.planning.allocation import Bounded, even
from analytics.planning.call_plan import AreaVariances, Call, sharpest
from analytics.planning.make_plan import Objective, PlanRequest, make_plan
from analytics.planning.schedule import redraw
from analytics.simulation.fishery import simulate_population
from analytics.simulation.sampling import draw_sample
from analytics.survey import pooled_variance as unit_kernel
from tests.simulation import seasons
from tests.sizes import IS_FULL, n_sized

if TYPE_CHECKING:
    from collections.abc import Callable

    from analytics.planning.plan import Plan, PlannedStratum
    from analytics.simulation.fishery import Population
    from analytics.simulation.scenario import Sound

SEED, N_PLANS, N_REDRAWS = 67, n_sized(4, 44), n_sized(200, 400)
#: Plans of the demo's sound, whose areas differ more: each takes four times as long.
N_WIDE = n_sized(2, 48)
QUANTITIES = ("kept_fish", "encounter_fish")
CAPACITY = 10
#: Last sampled week of each plan, in turn: the small season has nine, the demo's more.
LAST_WEEKS = {"small": (3, 4, 6, 7), "demo": (4, 7, 10, 13)}
N_SEASONS = n_sized(4_000, 40_000)
_N_ALL = len(QUANTITIES)
#: What each objective makes least, of PSEs by area and then of all areas together.
MEASURES: dict[Objective, Callable[[np.ndarray], float]] = {
    Objective.WORST: lambda pse: np.nanmax(pse[:-_N_ALL]),
    Objective.SUM: lambda pse: np.sqrt(np.nanmean(pse[:-_N_ALL] ** 2)),
    Objective.ALL_AREAS: lambda pse: np.sqrt(np.nanmean(pse[-_N_ALL:] ** 2)),
}
FOR = {
    Objective.WORST: "the worst PSE by area",
    Objective.SUM: "the root mean square PSE by area",
    Objective.ALL_AREAS: "the PSE of all areas",
}


@dataclass(frozen=True)
class Case:
    """A season sampled through some week, and what the next one is made of."""

    survey: Any
    baseline: Any
    population: Population
    sound: Sound
    week: str


def sampled_season(number: int, name: str = "small") -> Case:
    sound, frame, reference = seasons.place(name)
    rng = np.random.default_rng([SEED, number])
    population = simulate_population(sound, frame, rng=rng)
    at = LAST_WEEKS[name][number % len(LAST_WEEKS[name])]
    last, week = frame.weeks[at], frame.weeks[at + 1]
    sample = draw_sample(sound, population, rng=rng, options=seasons.SAMPLE, through=last)
    survey = prepare_survey(Snapshot.of({**reference, **sample.tables}), season=seasons.SEASON)
    assert (
        pc.max(sample.tables["site_days"]["date"]).as_py()
        <= pd.Timestamp(str(frame.dates[-1])).date()
    )
    baseline = project_from(survey, {}, n_draws=500).baseline
    return Case(survey, baseline, population, sound, week)


def plan_of(case: Case, objective: Objective = Objective.WORST) -> Plan:
    n_strata = len(
        planner.strata_of_week(case.survey.snapshot, season=seasons.SEASON, week=case.week)
    )
    request = PlanRequest(case.week, shifts=4 * n_strata, objective=objective)
    return make_plan(case.survey, case.baseline, (), request)


def boats_of(case: Case, stratum: PlannedStratum) -> list[np.ndarray]:
    """Return the boats of each site-day (sites, then dates): a column an area and quantity."""
    frame, trips, reported = case.population.frame, case.population.trips, case.population.reported
    fish = {
        "kept_fish": reported.kept,
        "encounter_fish": reported.kept + reported.legal + reported.sublegal + reported.unknown,
    }
    areas = range(len(case.sound.areas))
    columns = [fish[name] * (trips.area == area) for name in QUANTITIES for area in areas]
    table = np.column_stack([*columns, *(fish[name] for name in QUANTITIES)]).astype(float)
    site_of = np.array([ramp.site for ramp in case.sound.ramps])[frame.site]
    date_of = frame.dates[frame.day].astype(object)
    unit = {key: at for at, key in enumerate(zip(site_of.tolist(), date_of, strict=True))}
    ends = np.searchsorted(trips.unit, np.arange(len(frame.site) + 1))
    places = [unit[site, day] for site in stratum.sites for day in stratum.dates]
    return [table[ends[at] : ends[at + 1]] for at in places]


def unit_estimates(boats: np.ndarray, rng: np.random.Generator, n: int) -> tuple[Any, Any]:
    """Return n interviewed totals of a site-day and the variance reported for each."""
    size, m = len(boats), min(len(boats), CAPACITY)
    if size == m:
        total = np.broadcast_to(boats.sum(axis=0), (n, boats.shape[1]))
        return total, np.zeros_like(total)
    chosen = rng.permuted(np.tile(np.arange(size), (n, 1)), axis=1)[:, :m]
    drawn = boats[chosen]
    return size * drawn.mean(axis=1), size * (size - m) / m * drawn.var(axis=1, ddof=1)


def redrawn(case: Case, strata: tuple[PlannedStratum, ...], rng: np.random.Generator) -> Any:
    """Return estimates and reported variances of many redraws, (R, F) each, by the textbook."""
    n_figures = len(QUANTITIES) * (len(case.sound.areas) + 1)
    estimate, variance = np.zeros((2, N_REDRAWS, n_figures))
    for one in strata:
        boats = boats_of(case, one)
        taken = redraw(one, rng, n_draws=N_REDRAWS).reshape(N_REDRAWS, -1)
        total, within = np.zeros((2, len(boats), N_REDRAWS, n_figures))
        for at, some in enumerate(boats):
            rows = np.flatnonzero(taken[:, at])
            total[at, rows], within[at, rows] = unit_estimates(some, rng, len(rows))
        size, n = one.frame_size, one.n
        mean = total.sum(axis=0) / n
        squares = (np.where(taken.T[:, :, None], total - mean, 0.0) ** 2).sum(axis=0)
        estimate += size * mean
        variance += size**2 * (1 - n / size) * squares / max(n - 1, 1) / n
        variance += size / n * within.sum(axis=0)
    return estimate, variance


def exact_pse(case: Case, strata: tuple[PlannedStratum, ...]) -> np.ndarray:
    """Return the true PSE of each figure, from every boat of the week."""
    variance = total = np.zeros(len(QUANTITIES) * (len(case.sound.areas) + 1))
    for one in strata:
        boats, size, n = boats_of(case, one), one.frame_size, one.n
        sums = np.stack([some.sum(axis=0) for some in boats])
        within = np.zeros_like(total)
        for some in boats:
            if len(some) > CAPACITY:
                factor = len(some) * (len(some) - CAPACITY) / CAPACITY
                within = within + factor * some.var(axis=0, ddof=1)
        between = size**2 * (1 - n / size) / n * sums.var(axis=0, ddof=1)
        variance = variance + between + size / n * within
        total = total + sums.sum(axis=0)
    return np.sqrt(variance) / np.where(total > 0, total, np.nan)


def ratios(case: Case, plan: Plan, rng: np.random.Generator) -> pd.DataFrame:
    """Return both ratios of each figure that the plan promises."""
    estimate, variance = redrawn(case, plan.strata, rng)
    areas = [one.area for one in case.sound.areas]
    names = [(area, name) for name in QUANTITIES for area in areas]
    names += [(None, name) for name in QUANTITIES]
    rows_of = {(one.area, one.quantity): one for one in plan.expected}
    promised = {key: one.pse_planned for key, one in rows_of.items()}
    rows = []
    for at, key in enumerate(names):
        mean, spread = estimate[:, at].mean(), estimate[:, at].std(ddof=1)
        if promised.get(key) and spread > 0:
            some = estimate[:, at] > 0
            reported = (np.sqrt(variance[some, at]) / estimate[some, at]).mean()
            rows.append(
                {
                    "area": key[0] or "all",
                    "quantity": key[1],
                    "planned": promised[key],
                    "is_within": rows_of[key].pse_low < spread / mean < rows_of[key].pse_high,
                    "kept_word": spread / mean / promised[key],
                    "reported_over_reached": reported / (spread / mean),
                    "error_ratio": float(np.sqrt(variance[:, at].mean())) / spread,
                }
            )
    return pd.DataFrame(rows)


def raw_variances() -> Any:
    """Planted: every stratum's own variance of the last week, no prior."""
    fitted = unit_kernel.fitted_function

    def alone(*args: Any) -> Any:
        found = fitted(*args)
        return replace(found, df=found.df * 1e-9)

    return mock.patch.multiple(unit_kernel, fitted_function=alone, DISCOUNT=0.0)


def terms(change: Callable[..., Any]) -> Any:
    return mock.patch.object(variance_kernel, "two_stage_terms", change)


def no_strays() -> Any:
    found = variance_kernel.variances_of_units

    def home_alone(*args: Any, **given: Any) -> Any:
        units = found(*args, **given)
        return replace(units, stray_variance=0 * units.stray_variance)

    return mock.patch.object(variance_kernel, "variances_of_units", home_alone)


#: Faults, each with what it takes to plant it.
FAULTS: dict[str, Callable[[], Any]] = {
    "own variances of the last week alone": raw_variances,
    "the constant left out": lambda: terms(lambda n, s, w: (n**2 * s, 0 * w)),
    "boats taken off the steering term": lambda: terms(
        lambda n, s, w: (n**2 * np.maximum(s - w, 0), n * (s - w))
    ),
    "the spread of units taken as their mean's": lambda: terms(lambda n, s, w: (n * s, 0 * w)),
    "strays left out": no_strays,
}


def one_plan(number: int) -> pd.DataFrame:
    case = sampled_season(number)
    found = []
    for fault, plant in {"": None, **FAULTS}.items():
        rng = np.random.default_rng([SEED, number, 1])  # the same redraws for each
        # A fault is planted beneath what a season keeps once it is made.
        fresh = replace(case, survey=replace(case.survey, _made={}))
        if plant is None:
            plan = plan_of(fresh)
        else:
            with plant():
                plan = plan_of(fresh)
        found.append(ratios(case, plan, rng).assign(fault=fault, number=number))
    return pd.concat([*found, margins(case, number)], ignore_index=True)


def margins(case: Case, number: int) -> pd.DataFrame:
    """Return what plan and even spread reach of every measure, a row an objective planned for."""
    rows = []
    for objective in Objective:
        strata = plan_of(case, objective).strata
        spread = tuple(replace(one, n=one.n_even) for one in strata)
        row: dict[str, Any] = {"fault": str(objective), "number": number}
        for name, some in (("optimal", strata), ("even", spread)):
            pse = exact_pse(case, some)
            row |= {f"{name} {one}": float(of(pse)) for one, of in MEASURES.items()}
        rows.append(row)
    return pd.DataFrame(rows)


def several(numbers: range) -> pd.DataFrame:
    return pd.concat([one_plan(number) for number in numbers], ignore_index=True)


def several_wide(numbers: range) -> pd.DataFrame:
    found = [margins(sampled_season(number, "demo"), number) for number in numbers]
    return pd.concat(found, ignore_index=True)


def in_processes(make: Callable[[range], pd.DataFrame], n: int) -> pd.DataFrame:
    return seasons.in_processes(make, n, seasons.default_processes() if IS_FULL else 1)


@pytest.fixture(scope="module")
def plans() -> pd.DataFrame:
    return in_processes(several, N_PLANS)


@pytest.fixture(scope="module")
def wide_plans() -> pd.DataFrame:
    return in_processes(several_wide, N_WIDE)


def by_plan(plans: pd.DataFrame, fault: str, column: str) -> pd.Series:
    """Return the mean over figures of each plan."""
    mine = plans[(plans["fault"] == fault) & plans[column].notna()]
    means: pd.Series = mine.groupby("number")[column].mean()
    return means


def words(found: pd.Series) -> str:
    low, middle, high = found.quantile([0.25, 0.5, 0.75])
    mean = f"mean {found.mean():.3f} (± {found.sem():.3f})"
    return f"{mean}, quartiles {low:.2f} {middle:.2f} {high:.2f}"


#: What is looked at, in words, and how far its mean may lie from 1. Reported PSEs are low on the
#: mean where two or three site-days stand behind each: a root of few squares is, which Student's t
#: makes up for in intervals; their mean square is not.
RATIOS = {
    "kept_word": ("reached over planned PSE", 0.10),
    "error_ratio": ("root mean reported variance over the spread reached", 0.05),
    "reported_over_reached": ("mean reported over reached PSE", 0.15),
}


@pytest.mark.parametrize("column", RATIOS)
def test_plan_and_bulletin_keep_their_word(plans, column, record_property):
    found, (name, most) = by_plan(plans, "", column), RATIOS[column]
    record_property(f"{name}, {len(found)} plans of {N_REDRAWS} redraws", words(found))
    assert abs(found.mean() - 1) < most + (0 if IS_FULL else 3.3 * found.sem())


@pytest.mark.parametrize("fault", FAULTS)
def test_planted_faults_are_seen(plans, fault, record_property):
    """A fault moves the ratio to one side of that of the sound plan, plan by plan."""
    sound, broken = (by_plan(plans, one, "kept_word") for one in ("", fault))
    moved = (broken - sound).dropna()
    low, middle, high = broken.quantile([0.25, 0.5, 0.75])
    up = int((moved > 0).sum())
    record_property(
        f"planted, {fault}: reached over planned PSE",
        f"quartiles {low:.2f} {middle:.2f} {high:.2f}; above that of the sound plan in {up} of "
        f"{len(moved)}",
    )
    if IS_FULL:
        assert binomtest(up, len(moved)).pvalue < 0.001


def margin_words(margin: pd.Series) -> str:
    return (
        f"{margin.mean():+.1%} (± {margin.sem():.1%}); better in {(margin < 0).mean():.0%} of "
        f"{len(margin)} plans"
    )


@pytest.mark.parametrize("objective", Objective)
@pytest.mark.parametrize("sound", ["plans", "wide_plans"])
def test_the_best_plan_against_the_even_spread(sound, objective, request, record_property):
    """Each objective by what it makes least, and by the worst figure, which a reader sees first.

    The margin is reported, whatever it is; it is that of the true PSEs, without redraws. A plan
    that clearly loses more than 5 % of its own measure is a fault.
    """
    found = request.getfixturevalue(sound)
    mine = found[found["fault"] == str(objective)]
    where = "" if sound == "plans" else "the demo's sound, "
    for measure in dict.fromkeys((objective, Objective.WORST)):
        margin = mine[f"optimal {measure}"] / mine[f"even {measure}"] - 1
        record_property(
            f"{where}plan for {FOR[objective]}: {FOR[measure]} reached, against as many site-days "
            "spread evenly",
            margin_words(margin),
        )
        if measure is objective:
            # On the demo's sound the margin of the worst figure is known to a few points alone.
            free = 0 if IS_FULL and sound == "plans" else (1.6 if IS_FULL else 3.3)
            assert margin.mean() < 0.05 + free * margin.sem()


def test_the_reach_of_a_planned_pse_holds_what_is_said(plans, record_property):
    """Two thirds of PSEs are to be reached within one standard error, as a page shows it."""
    mine = plans[plans["fault"] == ""]
    within = mine.groupby("number")["is_within"].mean()
    record_property(
        "PSEs reached within the error of the planned one",
        f"{within.mean():.0%} (± {within.sem():.0%}) of {len(mine)}; 68 % were it exact",
    )
    assert abs(within.mean() - 0.68) < 0.12 + (0 if IS_FULL else 3.3 * within.sem())


# Calls: unlike areas, of which one says most of the rest of the season.


@functools.cache
def calls() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return wrong calls of simulated seasons with nothing seen, an even spread and the best plan.

    Totals are lognormal and skew, as draws are; the call is made by the moments of other draws.
    """
    rng = np.random.default_rng([SEED, 3])
    size, mean = np.array([0.35, 0.2, 0.2, 0.1]), np.array([900.0, 500, 700, 250])
    weeks_left = np.array([6.0, 1.0, 0.5, 2.0])

    def seasons_of(n: int) -> tuple[np.ndarray, np.ndarray]:
        week = mean * np.exp(size * rng.standard_normal((n, 4)) - size**2 / 2)
        rest = week * weeks_left * np.exp(0.15 * rng.standard_normal((n, 4)))
        return week, 8000 + week.sum(axis=1) + rest.sum(axis=1)

    known, total = seasons_of(4000)
    limit = float(np.median(total))
    frame = np.repeat([12.0, 9.0], 4)
    area = np.tile(np.arange(4), 2)
    gain = np.zeros((8, 4))
    gain[np.arange(8), area] = frame**2 * (0.7 * mean[area] / 2 / frame) ** 2
    constant = (gain / frame[:, None]).sum(axis=0)
    variances = AreaVariances(gain, constant)
    bounds = Bounded(np.full(8, 2), frame.astype(int), np.ones(8))
    call = Call.of_draws(total, known, limit)
    spread = even(bounds.high, 20)
    best = sharpest(call, variances, bounds, 20, start=spread)
    week, truth = seasons_of(N_SEASONS)
    noise = rng.standard_normal(week.shape)  # the same luck for both

    def wrong(n: np.ndarray | None) -> np.ndarray:
        said = np.full(N_SEASONS, call.mean)
        if n is not None:
            error = variances.at(n)
            seen = week + np.sqrt(error) * noise
            said = said + (seen - known.mean(axis=0)) @ call.slopes(error)
        return (said > limit) != (truth > limit)

    return wrong(None), wrong(spread), wrong(best)


def test_the_decision_plan_makes_fewer_wrong_calls(record_property):
    nothing, spread, best = calls()
    only_even, only_best = int((spread & ~best).sum()), int((best & ~spread).sum())
    p = binomtest(only_best, only_best + only_even, alternative="less").pvalue
    record_property(
        f"wrong calls in {N_SEASONS:,} seasons: unseen, even spread, decision plan",
        f"{nothing.mean():.1%}, {spread.mean():.1%}, {best.mean():.1%}; wrong by one alone "
        f"{only_even} and {only_best}, McNemar p {f'{p:.1g}' if p else 'under 1e-300'}",
    )
    assert best.mean() < spread.mean()
    assert p < 0.01


def test_a_limit_of_a_season_gets_its_call(record_property):
    case = sampled_season(0)
    kept = sum(case.baseline.to_date["kept_fish"].mean(axis=0))
    areas = case.baseline.areas
    limits = [Limit("L1", areas, ("kept_fish",), float(kept) * 1.8)]
    request = PlanRequest(case.week, shifts=18)
    plan = make_plan(case.survey, case.baseline, limits, request)
    assert plan.decision is not None
    found = plan.decision
    record_property(
        "chance of a wrong call, today and with the plan",
        f"{found.wrong_now:.3f}, {found.wrong_planned:.3f}",
    )
    assert found.wrong_ceiling <= found.wrong_decision + 1e-9
    assert found.wrong_decision <= found.wrong_planned + 1e-9
    assert found.wrong_planned <= found.wrong_now + 1e-9
    assert sum(found.n) == plan.n_site_days
