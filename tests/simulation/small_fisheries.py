"""Seasons of invented fisheries as arrays, for intervals of small domains.

A population of every site-day and boat is made, sampled and estimated by the product's own designs,
estimators and intervals; only tables and files are left out, so that hundreds of seasons take
seconds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.arrays import Columns, add_at
from analytics.data.snapshot import Snapshot
from analytics.estimates.estimate import add_intervals, week_changes
from analytics.estimates.result_rows import catch_figures
from analytics.estimates.season_survey import prepare_survey
from analytics.intervals import t_quantiles
from analytics.quantities import QUANTITIES, QuantityKind
from analytics.simulation.fishery import AS_REPORTED, simulate_population, truth_rows
from analytics.simulation.sampling import draw_sample
from analytics.survey.design import Design, SiteDays, Strata, StratumTreatments, Units
from analytics.survey.domain_totals import DomainTotals
from analytics.survey.domains import Domains
from analytics.survey.estimators import DesignEstimator
from analytics.survey.reduction import JointMoments, Moments, catch_analyses
from tests.simulation.seasons import SAMPLE, SEASON
from tests.simulation.seasons import place as place_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.survey.reduction import Analysis

MEASURES = ("boat_trips", "angler_trips", "angler_hours", "kept_fish", "released_sublegal_fish")
MEASURES = (*MEASURES, "encounter_fish")
LEVELS = {"area-week": (True, True), "week": (False, True), "area": (True, False)}
LEVELS = LEVELS | {"season": (False, False)}
STUDIED = (
    "kept_fish",
    "encounter_fish",
    "encounters_per_angler_hour",
    "kept_per_angler_hour",
    "sublegal_prop",
)
ANALYSES = {name: one for name, one in catch_analyses().items() if set(one.measures) <= {*MEASURES}}


@dataclass(frozen=True)
class Fishery:
    """A fishery: `n` site-days sampled a stratum on weekdays and at weekends.

    `boats`: mean boats of a site-day; `day_cv`, `site_cv`, `boat_cv`: relative spread of boats
    between days, of boats between ramps, of the catch between boats; `fish_cv`: of the catch
    between days; `stray`: share of boats that land away from where they fished; `asked`: share of
    boats interviewed.
    """

    n: tuple[int, int] = (3, 2)
    areas: int = 4
    weeks: int = 8
    sites: int = 3
    boats: float = 4.0
    day_cv: float = 0.6
    site_cv: float = 0.3
    boat_cv: float = 1.0
    fish_cv: float = 0.5
    kept: float = 0.5
    released: float = 1.5
    stray: float = 0.08
    asked: float = 0.7


FISHERIES = {
    "thin": Fishery(),
    "skewed": Fishery(n=(2, 2), day_cv=1.0, fish_cv=0.9, boat_cv=1.5),
    "strays": Fishery(stray=0.35),
    "uneven": Fishery(site_cv=1.0, boats=8.0, asked=0.4),
}


def _gamma(rng, cv, size):
    """Return numbers of mean 1 with a relative spread, skewed."""
    return rng.gamma(1 / cv**2, cv**2, size) if cv > 0 else np.ones(size)


@dataclass(frozen=True, eq=False)
class Population:
    """All strata (`layout`), site-days with stratum and boats, and boats with what they say."""

    fishery: Fishery
    layout: pd.DataFrame
    stratum: np.ndarray
    boats: np.ndarray
    unit: np.ndarray
    fished: np.ndarray
    said: np.ndarray


def population(f: Fishery, rng: np.random.Generator) -> Population:
    """Return every site-day and boat of a season."""
    days = np.array([5, 2])
    area, week, group = (
        one.ravel() for one in np.meshgrid(range(f.areas), range(f.weeks), range(2), indexing="ij")
    )
    frame = f.sites * days[group]
    stratum = np.repeat(np.arange(len(area)), frame)
    site = np.concatenate([np.tile(np.arange(f.sites), days[one]) for one in group])
    of_site = _gamma(rng, f.site_cv, (f.areas, f.sites))
    course = np.exp(rng.normal(0, 0.35, (f.areas, f.weeks)))
    mean = f.boats * course[area, week] * np.where(group == 1, 1.8, 1.0)
    lam = mean[stratum] * of_site[area[stratum], site] * _gamma(rng, f.day_cv, len(stratum))
    boats = rng.poisson(lam)
    unit = np.repeat(np.arange(len(stratum)), boats)
    home = area[stratum[unit]]
    moved = rng.random(len(unit)) < f.stray
    fished = np.where(moved, (home + rng.integers(1, f.areas, len(unit))) % f.areas, home)
    anglers = 1 + rng.binomial(3, 0.4, len(unit))
    hours = rng.gamma(6, 0.9, len(unit))
    luck = _gamma(rng, f.fish_cv, len(stratum))[unit] * _gamma(rng, f.boat_cv, len(unit))
    by_area = np.exp(rng.normal(0, 0.3, f.areas))[fished]
    effort = anglers * hours / 11.0
    kept = rng.poisson(f.kept * luck * by_area * effort)
    sublegal = rng.poisson(f.released * luck * by_area * effort)
    legal = rng.poisson(0.15 * luck * by_area * effort)
    values = np.column_stack(
        [np.ones(len(unit)), anglers, anglers * hours, kept, sublegal, kept + sublegal + legal]
    ).astype(np.float64)
    layout = pd.DataFrame({"area": area, "week": week, "group": group, "frame": frame})
    return Population(f, layout, stratum, boats, unit, fished, values)


class ArrayReduction:
    """Sums of interviewed boats in the place of `analytics.survey.reduction.Reduction`."""

    def __init__(self, moments):
        self._moments = moments

    def joint(self, analysis: Analysis) -> JointMoments:
        """Return the sums of all analyses: every boat gave every number."""
        columns = {
            one: tuple(MEASURES.index(name) for name in one.measures) for one in ANALYSES.values()
        }
        return JointMoments(self._moments, columns)

    def n_responding(self, analysis: Analysis) -> float:
        """Return the number of interviews."""
        return float(self._moments.n.sum())


def sampled(people: Population, rng: np.random.Generator) -> DesignEstimator:
    """Return the estimator of one sample of a population."""
    f, layout, stratum, boats = people.fishery, people.layout, people.stratum, people.boats
    unit, fished, values = people.unit, people.fished, people.said
    order = np.lexsort((rng.random(len(stratum)), stratum))
    rank = np.empty(len(stratum), dtype=np.int64)
    start = np.concatenate([[0], np.cumsum(layout["frame"])])[:-1]
    rank[order] = np.arange(len(stratum)) - start[stratum[order]]
    want = np.array(f.n)[layout["group"].to_numpy()]
    chosen = np.flatnonzero(rank < want[stratum])
    code = np.full(len(stratum), -1)
    code[chosen] = np.arange(len(chosen))
    asked = np.minimum(np.maximum(np.ceil(f.asked * boats), 1), boats).astype(np.int64)
    mixed = np.lexsort((rng.random(len(unit)), unit))
    first = np.searchsorted(unit, np.arange(len(stratum)))
    place = np.empty(len(unit), dtype=np.int64)
    place[mixed] = np.arange(len(unit)) - first[unit[mixed]]
    rows = np.flatnonzero((code[unit] >= 0) & (place < asked[unit]))
    cell, where = np.unique(code[unit[rows]] * f.areas + fished[rows], return_inverse=True)
    pair = np.column_stack(np.triu_indices(len(MEASURES)))
    products = values[rows][:, pair[:, 0]] * values[rows][:, pair[:, 1]]
    moments = Moments(
        unit=cell // f.areas,
        area=cell % f.areas,
        n=np.bincount(where).astype(np.float64),
        sums=add_at(where, values[rows], len(cell)),
        pair=pair,
        products=Columns.of(add_at(where, products, len(cell))),
    )
    weeks = tuple(f"2031-W{week + 1:02d}" for week in range(f.weeks))
    design = Design(
        season="2030-31",
        through=weeks[-1],
        areas=tuple("ABCDEFGH"[: f.areas]),
        weeks=weeks,
        grid=frozenset((area, week) for area in range(f.areas) for week in range(f.weeks)),
        strata=Strata(
            label=tuple(map(str, layout.index)),
            landing_area=layout["area"].to_numpy(),
            week=layout["week"].to_numpy(),
            group=layout["group"].to_numpy(),
            n_frame=layout["frame"].to_numpy(np.float64),
            of_days=np.zeros(len(layout), dtype=bool),
            is_prorated=np.zeros(len(layout), dtype=bool),
        ),
        units=Units(
            stratum[chosen],
            layout["week"].to_numpy()[stratum[chosen]],
            np.zeros(len(chosen), dtype=np.int64),
        ),
        site_days=SiteDays.alone(chosen.astype(object), boats[chosen].astype(np.float64)),
        no_design=frozenset(),
    )
    return DesignEstimator(design, StratumTreatments(design), ArrayReduction(moments))


def truths(people: Population, domains: Domains, codes: np.ndarray) -> np.ndarray:
    """Return the true totals of each domain, shape (D, K)."""
    week = people.layout["week"].to_numpy()[people.stratum[people.unit]]
    code = domains.code(domains.area_key(people.fished), domains.week_key(week))
    return add_at(np.searchsorted(codes, code), people.said, len(codes))


Spoil = Callable[[DomainTotals], DomainTotals]


def rows_of(totals: DomainTotals, name: str) -> dict[str, np.ndarray]:
    """Return estimates with the intervals of today (`low`, `high`) and of before (`was_`)."""
    kind = QUANTITIES[name].kind if name in QUANTITIES else QuantityKind.RATE
    figures = add_intervals(
        totals,
        catch_figures(kind, totals),
        weight=np.eye(totals.total.shape[1])[0],
        level=0.95,
    )
    value = figures.value
    se = np.sqrt(np.where(figures.variance > 0, figures.variance, np.nan))
    df = totals.support.df.astype(float)
    is_share = kind is QuantityKind.SHARE
    has_error = np.isfinite(se) & (value > 0) & ((value < 1) | (not is_share))
    known = np.where(has_error, value, np.nan)
    scale = known * (1 - known) if is_share else known
    step = t_quantiles(0.95, df) * se / scale
    middle = np.log(known / (1 - known) if is_share else known)
    step = np.where(step < 300, step, np.nan)
    ends = (np.exp(middle + sign * step) for sign in (-1, 1))
    was_low, was_high = (one / (1 + one) if is_share else one for one in ends)
    return {
        "code": totals.code,
        "estimate": value,
        "se": se,
        "low": figures.intervals.low,
        "high": figures.intervals.high,
        "df": figures.intervals.df,
        "was_df": df,
        "was_low": was_low,
        "was_high": was_high,
    }


def one_season(
    fishery: Fishery, seed: int, number: int, names: Sequence[str], spoil: Spoil
) -> pd.DataFrame:
    """Return the rows of one season, each with its truth."""
    rng = np.random.default_rng([seed, number])
    people = population(fishery, rng)
    estimator = sampled(people, rng)
    found = []
    for level, (by_area, by_week) in enumerate(LEVELS.values()):
        domains = Domains(by_area=by_area, by_week=by_week, n_weeks=fishery.weeks)
        true = truths(people, domains, domains.all_of(estimator.design))
        for place, name in enumerate(names):
            totals = spoil(estimator.totals(ANALYSES[name], domains))
            rows = rows_of(totals, name)
            size = len(rows["code"])
            keys = {"season": number, "level": level, "quantity": place}
            filled = {key: np.full(size, one) for key, one in keys.items()}
            found.append({**rows, "truth": truth_of(true, name), **filled})
    columns = {key: np.concatenate([one[key] for one in found]) for key in found[0]}
    return named(pd.DataFrame(columns), names)


def named(rows: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    """Return rows with the names of levels and quantities in the place of their numbers."""
    return rows.assign(
        level=pd.Categorical.from_codes(rows["level"], list(LEVELS)),
        quantity=pd.Categorical.from_codes(rows["quantity"], list(names)),
    )


def truth_of(true: np.ndarray, name: str) -> np.ndarray:
    """Return the true figure of each domain from its totals of `MEASURES`."""
    above, *below = (true[:, MEASURES.index(one)] for one in ANALYSES[name].measures)
    return above / np.maximum(below[0], 1e-9) if below else above


def simulate(
    fishery: Fishery,
    *,
    n_seasons: int,
    seed: int,
    names: Sequence[str] = STUDIED,
    spoil: Spoil = lambda totals: totals,
) -> pd.DataFrame:
    """Return the rows of several seasons; `spoil` plants an error in their totals."""
    return pd.concat(one_season(fishery, seed, number, names, spoil) for number in range(n_seasons))


# The demonstration sound, by the product's own tables.


def demo_season(seed: int, number: int, names: Sequence[str] = STUDIED) -> pd.DataFrame:
    """Return the rows of one season of the demonstration sound, sampled and estimated in full."""
    sound, frame, reference = place_of("demo")
    rng = np.random.default_rng([seed, number])
    people = simulate_population(sound, frame, rng=rng)
    sample = draw_sample(sound, people, rng=rng, options=SAMPLE)
    survey = prepare_survey(Snapshot.of({**reference, **sample.tables}), season=SEASON)
    design, estimator = survey.design, survey.estimators[-1]
    known = truth_rows(sound, people)
    known = known[(known["basis"] == AS_REPORTED) & known["quantity"].isin(MEASURES)]
    found = []
    for level, (by_area, by_week) in enumerate(LEVELS.values()):
        domains = Domains(by_area=by_area, by_week=by_week, n_weeks=len(design.weeks))
        mine = known[(known["area"].notna() == by_area) & (known["week"].notna() == by_week)]
        wide = mine.fillna({"area": "", "week": ""}).pivot_table(
            index=["area", "week"], columns="quantity", values="value"
        )
        for place, name in enumerate(names):
            totals = estimator.totals(survey.analyses[name], domains)
            cells = [domains.cell(int(code)) for code in totals.code]
            keys = [
                ("" if a is None else design.areas[a], "" if w is None else design.weeks[w])
                for a, w in cells
            ]
            true = wide.reindex(keys)[list(MEASURES)].fillna(0).to_numpy()
            rows = rows_of(totals, name)
            numbers = {"season": number, "level": level, "quantity": place}
            filled = {key: np.full(len(keys), one) for key, one in numbers.items()}
            found.append({**rows, "truth": truth_of(true, name), **filled})
    columns = {key: np.concatenate([one[key] for one in found]) for key in found[0]}
    return named(pd.DataFrame(columns), names)


def demo_weeks() -> int:
    """Return the weeks of the demonstration season."""
    return len(set(place_of("demo")[1].week))


def summary(rows: pd.DataFrame) -> pd.DataFrame:
    """Return how intervals did by level and quantity, now and before.

    ``held``: share that hold the truth; ``below``, ``above``: that lie wholly below or above it;
    ``width``: mean width over the mean estimate. Rows without an interval count in none; a zero
    estimate had none before.
    """
    return pd.DataFrame(
        [
            {"level": level, "quantity": name, **_did(some, ""), **_did(some, "was_")}
            for (level, name), some in rows.groupby(
                ["level", "quantity"], sort=False, observed=True
            )
        ]
    )


def _did(rows: pd.DataFrame, was: str) -> dict[str, float]:
    some = rows[rows[f"{was}high"].notna()]
    low, high, truth = some[f"{was}low"], some[f"{was}high"], some["truth"]
    return {
        f"{was}rows": len(some),
        f"{was}held": ((low <= truth) & (truth <= high)).mean(),
        f"{was}below": (high < truth).mean(),
        f"{was}above": (low > truth).mean(),
        f"{was}width": (high - low).mean() / some["estimate"].mean(),
    }


def _width(width: float) -> str:
    return f"{width:.3f}" if width < 1000 else "over 1000"


def in_words(row: pd.Series) -> str:
    """Return a row of `summary` in words."""
    now, was = (
        f"{row[f'{when}held']:.1%} hold the truth, {row[f'{when}below']:.1%} below and "
        f"{row[f'{when}above']:.1%} above it, width {_width(row[f'{when}width'])}"
        for when in ("", "was_")
    )
    return f"{now}; without the pool {was}"


# Changes from the week before.


KEYS = ["season", "level", "quantity"]


def changes(rows: pd.DataFrame, n_weeks: int) -> pd.DataFrame:
    """Return the changes of consecutive weeks, with the true change and the word of before."""
    found = []
    for (_, level, name), some in rows.groupby(
        ["season", "level", "quantity"], sort=False, observed=True
    ):
        if level not in ("area-week", "week") or name not in QUANTITIES:
            continue
        week = some["code"].to_numpy() % (n_weeks + 1)
        table = some.assign(
            week=[f"2031-W{one:02d}" for one in week],
            area=some["code"].to_numpy() // (n_weeks + 1),
        )
        found.append(_of_quantity(table, name, level))
    return pd.concat(found)


def _of_quantity(table: pd.DataFrame, name: str, level: str) -> pd.DataFrame:
    table = table.rename(columns={"low": "ci_low", "high": "ci_high"})
    table = table.assign(season="s", quantity=name, sample_se=table["se"], n_psu=5)
    table["area"] = table["area"].astype(str)
    records = table.astype(object).where(table.notna(), None).to_dict("records")
    weeks = sorted(table["week"].unique())
    made = week_changes(records, weeks=weeks, open_days={}, level=0.95).to_pandas()
    known = table.set_index(["area", "week"])[["truth", "estimate", "se", "was_df"]]
    now, old = (
        known.loc[list(zip(made["area"], made[one], strict=True))].reset_index(drop=True)
        for one in ("week", "previous_week")
    )
    is_share = QUANTITIES[name].kind is QuantityKind.SHARE
    with np.errstate(divide="ignore", invalid="ignore"):
        true = now["truth"] - old["truth"] if is_share else now["truth"] / old["truth"]
    parts = [(one["se"] / (1 if is_share else one["estimate"])) ** 2 for one in (old, now)]
    both = parts[0] + parts[1]
    df = both**2 / (parts[0] ** 2 / old["was_df"] + parts[1] ** 2 / now["was_df"])
    step = t_quantiles(0.95, df.to_numpy()) * np.sqrt(both.to_numpy())
    middle = made["change"] if is_share else np.log(made["change"].where(made["change"] > 0))
    return made.assign(
        level=level,
        true=true,
        nothing=0.0 if is_share else 1.0,
        was_low=middle - step if is_share else np.exp(middle - step),
        was_high=middle + step if is_share else np.exp(middle + step),
    )


def words_of(made: pd.DataFrame) -> dict[str, float]:
    """Return how often a change had a word, how often its sign was wrong, now and before."""
    some = made[made["ci_low"].notna() & np.isfinite(made["true"])]
    found: dict[str, float] = {"changes": len(some)}
    for name, (low, high) in {
        "": (some["ci_low"], some["ci_high"]),
        "was_": (some["was_low"], some["was_high"]),
    }.items():
        up, down = low > some["nothing"], high < some["nothing"]
        if not name:
            up, down = some["direction"] == "up", some["direction"] == "down"
        wrong = (up & (some["true"] <= some["nothing"])) | (
            down & (some["true"] >= some["nothing"])
        )
        said = (up | down).sum()
        found |= {
            f"{name}held": ((low <= some["true"]) & (some["true"] <= high)).mean(),
            f"{name}said": said / len(some),
            f"{name}wrong": wrong.sum() / max(said, 1),
        }
    return found
