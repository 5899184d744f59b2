"""The total that a limit is held against: one result row, or several summed with one error."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.catch_limits import why_no_sum
from analytics.codes import coded, has_code, join_codes
from analytics.estimates.season_survey import borrowed_marks
from analytics.estimates.size_mark_classes import SAMPLED, pooled_of, sampled_classes
from analytics.fish.mark_composition import CLASSES, mark_analysis, mark_measures, marked
from analytics.fish.release_mortality import FATES, FishByRate, fish_of_group
from analytics.intervals import log_t
from analytics.options.baseline_io import limit_of
from analytics.quantities import QUANTITIES, Status
from analytics.settings import FishBasis
from analytics.survey.domain_totals import joint_area_totals
from analytics.survey.domains import Domains

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.arrays import Bools, Floats
    from analytics.data.snapshot import Snapshot
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.fish.composition_sample import CompositionSample
    from analytics.options.baseline import Limit
    from analytics.survey.domain_totals import DomainTotals
    from analytics.survey.estimators import DesignEstimator
    from analytics.survey.reduction import Analysis

    Row = dict[str, Any]
    Rows = Mapping[tuple[str | None, str], Row]


# Joint error of encounters by size and mark between classes and areas.

CLASS_NAMES = tuple(CLASSES)


def class_covariance(season: SeasonSurvey, rows: Rows) -> Floats:
    """Return the covariance of the four classes within each area, and of the sample between areas.

    Shape (A, 4, A, 4), 0 for areas without a figure. Each area by the method that its result row
    names: test fishing or marks reported in interviews. Between areas only what they share of the
    sample of fish is there: the survey's part follows that of kept and released fish.
    """
    design, n = season.design, len(CLASS_NAMES)
    estimator = season.design_estimator
    domains = Domains(by_area=True, by_week=False, n_weeks=len(design.weeks))
    totals = estimator.totals(mark_analysis(), domains)
    area = domains.areas_of(totals.code)
    words = [rows.get((name, CLASS_NAMES[0]), {}).get("method") or "" for name in design.areas]
    is_sampled = np.array([has_code(one, SAMPLED) for one in words], dtype=bool)
    found = np.zeros((len(design.areas), n, len(design.areas), n))
    reported = _reported(season, estimator, domains, totals)
    for place, one in enumerate(area):
        found[one, :, one, :] = reported[place]
    sample = season.by_sample.sample if season.by_sample else None
    if is_sampled.any() and sample is not None:
        _add_sampled(
            found, season, estimator, sample, domains=domains, totals=totals, is_sampled=is_sampled
        )
    return np.nan_to_num(found)


def _add_sampled(
    found: Floats,
    season: SeasonSurvey,
    estimator: DesignEstimator,
    sample: CompositionSample,
    *,
    domains: Domains,
    totals: DomainTotals,
    is_sampled: Bools,
) -> None:
    """Put in place the covariance of areas whose classes come from test fishing."""
    n = len(CLASS_NAMES)
    pooled = pooled_of(season, estimator, sample)
    made = sampled_classes(season, pooled, domains, totals)
    area = domains.areas_of(totals.code)
    between = pooled.ratios.joint_covariance(made.weight)[:, :n, :, :n]
    for place, one in enumerate(area):
        if not is_sampled[one]:
            continue
        for other_place, other in enumerate(area):
            if is_sampled[other]:
                found[one, :, other, :] = between[place, :, other_place, :]
        found[one, :, one, :] = made.cov[place, :n, :n]


def _reported(
    season: SeasonSurvey, estimator: DesignEstimator, domains: Domains, totals: DomainTotals
) -> Floats:
    """Return the covariance of classes by marks reported in interviews, shape (D, 4, 4)."""
    borrowed = borrowed_marks(season, estimator, domains, totals)
    cov = totals.cov_of_sums
    made = [marked(one, totals.total, cov, borrowed=borrowed) for one in CLASS_NAMES]
    slope = np.stack([one.gradient for one in made], axis=1)
    found: Floats = np.einsum("djk,dkl,dil->dji", slope, cov, slope)
    variance = np.stack([one.variance for one in made], axis=1)
    at = np.arange(len(CLASS_NAMES))
    # A borrowed share brings an error of its own, opposite for marked and unmarked fish of a part.
    extra = np.maximum(variance - found[:, at, at], 0)
    found[:, at, at] += extra
    for one, other in ((0, 1), (2, 3)):
        shared = -np.sqrt(extra[:, one] * extra[:, other])
        found[:, one, other] += shared
        found[:, other, one] += shared
    return found


# The limits of one season: what each is set on, and why nothing can be given against one.


@dataclass(frozen=True, slots=True)
class SeasonLimit:
    """A limit of a season as it is set, and as it can be given.

    - `open_areas`: its areas that belong to the season; the others hold no fish of it.
    - `reason`: why no limit status can be given, empty where it can; `note`: what goes with the
      total.
    """

    limit: Limit
    open_areas: tuple[str, ...]
    reason: str
    note: str

    @property
    def unit(self) -> str | None:
        """The unit of its quantities; None where one is not known."""
        known = [QUANTITIES[one].unit for one in self.limit.quantities if one in QUANTITIES]
        return known[0] if known else None


def limits_of_season(snapshot: Snapshot, *, season: str, areas: Sequence[str]) -> list[SeasonLimit]:
    """Return the limits of a season in the order of their ids; those of other seasons wait."""
    rows = [row for row in snapshot["limits"].to_pylist() if row["season"] == season]
    rows.sort(key=lambda row: str(row["limit_id"]))
    return [_limit(limit_of(row), season, areas) for row in rows]


def _limit(limit: Limit, season: str, areas: Sequence[str]) -> SeasonLimit:
    known = tuple(one for one in limit.areas if one in areas)
    never = [one for one in limit.areas if one not in areas]
    words = coded("areas_never_open", areas=never, season=season) if never else ""
    reason = why_no_sum(limit.quantities)
    if not reason and not known:
        reason = words or coded("no_area_named")
    return SeasonLimit(limit, known, reason, words)


# Variance of totals over sets of areas: shared site-days and shared rates count once.

#: Measures of the analysis of marks that each count of fish is the sum of.
_COUNTS = {
    "kept_fish": ("kept_all",),
    "released_legal_fish": ("released_legal_all",),
    "released_sublegal_fish": ("released_sublegal_all",),
    "released_unknown_fish": ("released_unknown_all",),
    "released_fish": ("released_legal_all", "released_sublegal_all", "released_unknown_all"),
    "encounter_fish": (
        "kept_all",
        "released_legal_all",
        "released_sublegal_all",
        "released_unknown_all",
    ),
}


def catch_variance(season: SeasonSurvey, codes: Sequence[int], quantities: Sequence[str]) -> float:
    """Return the variance of a sum of counted fish, or of one effort, over some areas.

    `quantities` are totals without error of a rate or a mark; several only of fish.
    """
    if len(quantities) == 1:
        analysis, row = season.analyses[quantities[0]], np.ones((1, 1))
    else:
        analysis, names = mark_analysis(), list(mark_measures())
        added = [one for quantity in quantities for one in _COUNTS[quantity]]
        row = np.array([[float(added.count(name)) for name in names]])
    maps = dict.fromkeys(codes, row)
    return float(_mapped(season, analysis, maps)[1][0, 0])


def death_variance(season: SeasonSurvey, codes: Sequence[int], fates: tuple[str, ...]) -> float:
    """Return the variance of deaths of some fates over some areas.

    The fish of each rate are linear in the totals of their area; a rate has one error in all areas
    (`analytics.fish.release_mortality.DeathPlan.deaths`).
    """
    plan = season.deaths
    order = list(plan.measures)
    domains = Domains(by_area=True, by_week=False, n_weeks=len(season.design.weeks))
    totals = season.design_estimator.totals(plan.analysis, domains)
    slopes = [one for group in plan.groups for one in fish_of_group(group, totals.total, order)[1]]
    area = domains.areas_of(totals.code).tolist()
    maps = {code: np.stack([one[area.index(code)] for one in slopes]) for code in codes}
    fish, cov = _mapped(season, plan.analysis, maps)
    none = np.zeros((1, len(plan.groups)), dtype=bool)
    found = FishByRate(fish[None], cov[None], np.zeros((1, len(order))), none, none)
    return float(plan.deaths(found, fates)[2][0])


def class_variance(
    season: SeasonSurvey, rows: Rows, codes: Sequence[int], quantities: Sequence[str]
) -> float:
    """Return the variance of a sum of classes by size and mark over some areas.

    Between areas the survey's part is that of kept and legal, or sublegal, fish as reported, of
    which each class is a share.
    """
    picked = [CLASS_NAMES.index(one) for one in quantities]
    own = class_covariance(season, rows)[np.ix_(codes, picked, codes, picked)]
    names = list(mark_measures())
    total, cov = _joint(season, mark_analysis())
    slope = np.zeros((len(codes), len(names)))
    for place, code in enumerate(codes):
        for quantity in quantities:
            parts = [names.index(f"{one}_all") for one in CLASSES[quantity][0]]
            fish = total[code, parts].sum()
            value = rows[season.design.areas[code], quantity]["estimate"]
            slope[place, parts] += value / fish if fish > 0 else 0.0
    joint = cov.reshape(*total.shape, *total.shape)[codes][:, :, codes]
    across = np.einsum("ak,akbl,bl->ab", slope, joint, slope)
    np.fill_diagonal(across, 0.0)
    return float(own.sum() + across.sum())


def _mapped(
    season: SeasonSurvey, analysis: Analysis, by_area: dict[int, Floats]
) -> tuple[Floats, Floats]:
    """Return ``Σ_a A_a T_a`` over the areas of some maps, and its covariance, shape (J, J)."""
    total, cov = _joint(season, analysis)
    k = total.shape[1]
    one = next(iter(by_area.values()))
    matrix = np.zeros((one.shape[0], total.size))
    for code, part in by_area.items():
        matrix[:, code * k : (code + 1) * k] = part
    return matrix @ total.ravel(), matrix @ cov @ matrix.T


def _joint(season: SeasonSurvey, analysis: Analysis) -> tuple[Floats, Floats]:
    """Return the totals of every area, shape (A, K), and their covariance, areas' too."""
    moments = season.design_estimator.reduction.moments(analysis)
    return joint_area_totals(season.design, moments, plans=season.plans)


#: Totals of deaths, and kept fish, which die too: any of them may be summed with one error.
_FATES = FATES | {"kept_fish": ("kept",)}
#: Sums of sampled classes and deaths of sampled fish: no error over some areas together.
SAMPLED_SUMS = (set(_COUNTS) - {"kept_fish"}) | set(FATES)
#: Reservations, the strongest first.
_STRONGEST = (Status.NO_SAMPLE, Status.NO_DESIGN, Status.IMPUTED, Status.COLLAPSED, Status.OK)
NOT_OPEN_YET = coded("not_open_yet")


@dataclass(frozen=True, slots=True)
class LimitTotal:
    """A total so far, None where there is none, and `reason`, why; empty where there is one."""

    estimate: float | None = None
    se: float | None = None
    ci_low: float | None = None
    ci_high: float | None = None
    df: float | None = None
    status: str = str(Status.NO_SAMPLE)
    method: str = ""
    reason: str = ""


class LimitTotals:
    """Totals of a season over sets of areas and quantities, from rows by (area, quantity)."""

    def __init__(self, season: SeasonSurvey, rows: Rows, *, level: float) -> None:
        self._season, self._rows, self._level = season, rows, level
        self._areas = {area for area, _ in rows if area is not None}

    def of(self, areas: Sequence[str], quantities: Sequence[str]) -> LimitTotal:
        """Return the total of some quantities over some areas.

        One quantity of one area or of all areas is its result row. Else the estimate is the sum of
        the rows of areas and its error that of the sum: areas share site-days, and deaths share
        the rates they are calculated with. Degrees of freedom are those of the areas together, at
        most the season's.
        """
        known = [area for area in areas if area in self._areas]
        if not known:
            return LimitTotal(0.0, status=str(Status.ZERO_TOTAL), method=NOT_OPEN_YET)
        is_all = self._areas <= set(known)
        if len(quantities) == 1 and (is_all or len(known) == 1):
            return _of_row(self._rows[None if is_all else known[0], quantities[0]])
        return self._sum(known, quantities)

    def _sum(self, areas: Sequence[str], quantities: Sequence[str]) -> LimitTotal:
        rows = [self._rows[area, name] for area in areas for name in quantities]
        lacking = [
            area
            for area in areas
            if any(self._rows[area, name].get("estimate") is None for name in quantities)
        ]
        known = [area for area in areas if area not in lacking]
        why = join_codes(str(row["method"]) for row in rows if row.get("estimate") is None)
        if not known:
            status = next(str(row["status"]) for row in rows if row.get("estimate") is None)
            return LimitTotal(status=status, reason=why)
        rows = [self._rows[area, name] for area in known for name in quantities]
        estimate = math.fsum(float(row["estimate"]) for row in rows)
        variance, words = self._variance(known, quantities, rows)
        notes = [coded("sum_of_areas" if len(known) > 1 else "sum_of_quantities"), *words]
        if lacking:
            notes += [coded("without_total", areas=lacking), why]
        status = str(Status.NO_SAMPLE) if lacking else _status(rows)
        method, df = join_codes(notes), self._df(known, quantities)
        if variance is None or estimate == 0:
            return LimitTotal(estimate, df=df, status=status, method=method)
        se = math.sqrt(variance)
        ends = log_t(estimate, se, df=df, level=self._level)
        low, high = (None if math.isnan(one) else one for one in ends)
        return LimitTotal(estimate, se, low, high, df=df, status=status, method=method)

    def _variance(
        self, areas: Sequence[str], quantities: Sequence[str], rows: Sequence[Row]
    ) -> tuple[float | None, list[str]]:
        """Return the variance of a sum, None with a code where it cannot be had."""
        if any(row.get("se") is None and row["estimate"] for row in rows):
            return None, [coded("part_without_error")]
        names, codes = set(quantities), [self._season.design.areas.index(one) for one in areas]
        if self._season.basis is FishBasis.SAMPLED and names & SAMPLED_SUMS:
            return None, [coded("no_joint_error")]
        if names <= set(CLASS_NAMES):
            found = class_variance(self._season, self._rows, codes, quantities)
        elif names <= set(_FATES) and names & set(FATES):
            fates = tuple(fate for one in quantities for fate in _FATES[one])
            found = death_variance(self._season, codes, fates)
        elif not names & (set(CLASS_NAMES) | set(FATES)):
            found = catch_variance(self._season, codes, quantities)
        else:
            return None, [coded("no_joint_error")]
        if not np.isfinite(found) or found < 0:
            return None, [coded("no_error")]
        return (found if found > 0 else None), [] if found > 0 else [coded("no_error")]

    def _df(self, areas: Sequence[str], quantities: Sequence[str]) -> float:
        """Return the degrees of freedom: of the areas together, at most the season's."""
        by_name = []
        for name in quantities:
            own = sum(float(self._rows[area, name].get("df") or 0.0) for area in areas)
            most = self._rows.get((None, name), {}).get("df")
            by_name.append(own if most is None else min(own, float(most)))
        return min(by_name)


def _of_row(row: Row) -> LimitTotal:
    """Return a result row as it is."""
    if row.get("estimate") is None:
        return LimitTotal(status=str(row["status"]), reason=str(row["method"]))
    numbers: dict[str, Any] = {
        name: row.get(name) for name in ("estimate", "se", "ci_low", "ci_high", "df")
    }
    return LimitTotal(**numbers, status=str(row["status"]), method=str(row["method"]))


def _status(rows: Sequence[Row]) -> str:
    """Return the strongest reservation of some rows that are summed."""
    found = {str(row["status"]) for row in rows}
    if len(found) == 1:
        return found.pop()
    # A sum is no census where a part is none, and a part of 0 leaves the reservations of others.
    return str(next((one for one in _STRONGEST if str(one) in found), Status.OK))
