"""The sublegal share by area and week on two bases: the survey's ratio, and pooled by a model."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.codes import coded, join_codes
from analytics.estimates.estimate import result_rows
from analytics.intervals import logit_t
from analytics.models.partial_pooling import NO_RHO, RHO_BOUNDS, pool_shares
from analytics.quantities import CiMethod, Status
from analytics.released.schemas import SHARE_SCHEMA
from analytics.survey.estimators import ConvenienceEstimator
from analytics.survey.reduction import UNKNOWN_RECORDED, catch_analyses

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from analytics.arrays import Bools, Floats, Ints
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.models.partial_pooling import PooledShares
    from analytics.survey.design import Design
    from analytics.survey.reduction import Analysis, Moments, Reduction


# Fish reported at site-days, by area fished and week: what shares and models are made from.

SHARE = "sublegal_prop"


@dataclass(frozen=True, slots=True, eq=False)
class ReportedFish:
    """Cells of one site-day and one area fished, R of them, with the fish its boats reported.

    - `area`, `week` (R,): codes of the season's design.
    - `sublegal`, `fish`, `interviews` (R,): sublegal releases and all encounters, of the boats that
      gave both numbers, and those boats.
    """

    area: Ints
    week: Ints
    is_convenience: Bools
    sublegal: Ints
    fish: Ints
    interviews: Ints


def reported_fish(season: SeasonSurvey) -> ReportedFish:
    """Return the cells of a season through its last week, site-days of convenience too."""
    analysis = season.analyses[SHARE]
    parts = []
    for design, reduction, is_convenience in _sources(season):
        moments = reduction.moments(analysis)
        week = _week(design, moments)
        mine = week < season.design.n_weeks_estimated
        numbers = np.rint(np.column_stack([moments.sums, moments.n])).astype(np.int64)
        columns = (moments.area, week, np.full(len(week), is_convenience), *numbers.T)
        parts.append([column[mine] for column in columns])
    return ReportedFish(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def unknown_only(season: SeasonSurvey) -> frozenset[tuple[int, int]]:
    """Return the (area, week) codes where fish were released, none of known size."""
    own = catch_analyses()
    sized = _by_domain(season, own["released_legal_fish"])
    sized |= _by_domain(season, own["released_sublegal_fish"])
    return frozenset(_by_domain(season, UNKNOWN_RECORDED) - sized)


def _by_domain(season: SeasonSurvey, analysis: Analysis) -> set[tuple[int, int]]:
    """Return the (area, week) codes where a total of one measure is above 0 in the sample."""
    found: set[tuple[int, int]] = set()
    for design, reduction, _ in _sources(season):
        moments = reduction.moments(analysis)
        some = moments.sums[:, 0] > 0
        areas, weeks = moments.area[some], _week(design, moments)[some]
        found |= set(zip(areas.tolist(), weeks.tolist(), strict=True))
    return found


def _sources(season: SeasonSurvey) -> list[tuple[Design, Reduction, bool]]:
    met = [
        (estimator.design, estimator.reduction, True)
        for estimator in season.estimators
        if isinstance(estimator, ConvenienceEstimator)
    ]
    return [(season.design, season.reduction, False), *met]


def _week(design: Design, moments: Moments) -> Ints:
    """Return the week of each cell; its unit in the sums is a site-day."""
    return design.units.week[design.site_days.unit[moments.unit]]


Row = dict[str, Any]
Domain = tuple[str, str | None]
SURVEY, POOLED = "survey", "pooled"
WEIGHT = "encounter_fish"
UNKNOWN = coded("all_of_unknown_size")
_FIGURES = ("estimate", "se", "ci_low", "ci_high", "df")


def shares_table(season: SeasonSurvey, *, level: float) -> pa.Table:
    """Return the sublegal share of every area and week, and of every area, on both bases.

    The survey's rows are the result rows of `sublegal_prop`; the pooled ones come from
    `partial_pooling.pool_shares` over site-day by area fished, and an area's is the mean of its
    weeks, weighted by their encounters. In `SHARE_SCHEMA`, survey before pooled, by area and week;
    week null for all weeks of an area.
    """
    rows: dict[str, dict[Domain, Row]] = {SHARE: {}, WEIGHT: {}}
    for by in (("area", "week"), ("area",)):
        for row in result_rows(season, by=by, level=level, quantities=rows):
            rows[row["quantity"]][row["area"], row["week"]] = row
    by_domain = _DomainCells.of(season, reported_fish(season))
    domains = sorted(rows[SHARE], key=lambda domain: (domain[0], domain[1] or ""))
    survey = [_survey_row(rows[SHARE][domain], by_domain, domain) for domain in domains]
    weekly = [domain for domain in domains if domain[1] is not None]
    model = _model(by_domain, weekly)
    pooled = [
        _pooled_row(
            rows[SHARE][domain], by_domain, model, _weights(rows[WEIGHT], by_domain, model, domain)
        )
        for domain in domains
    ]
    return pa.Table.from_pylist(survey + pooled, schema=SHARE_SCHEMA)


@dataclass(frozen=True, slots=True, eq=False)
class _DomainCells:
    """Cells by their domain, and the domains whose releases are all unsized.

    `areas`, `weeks`: codes by label.
    """

    cells: ReportedFish
    areas: Mapping[str, int]
    weeks: Mapping[str, int]
    unknown: frozenset[Domain]

    @classmethod
    def of(cls, season: SeasonSurvey, cells: ReportedFish) -> _DomainCells:
        design = season.design
        unknown = {(design.areas[a], design.weeks[w]) for a, w in unknown_only(season)}
        areas, weeks = (
            {label: code for code, label in enumerate(labels)}
            for labels in (design.areas, design.weeks)
        )
        return cls(cells, areas, weeks, frozenset(unknown))

    def rows(self, domain: Domain, *, is_convenience: bool | None = None) -> NDArray[np.intp]:
        """Return the cells of a domain, of one kind of interview or of both."""
        area, week = domain
        mine = self.cells.area == self.areas[area]
        if week is not None:
            mine &= self.cells.week == self.weeks[week]
        if is_convenience is not None:
            mine &= self.cells.is_convenience == is_convenience
        return np.flatnonzero(mine)

    def places(self, domains: Mapping[Domain, int]) -> Ints:
        """Return the place of each cell's area and week among some domains, -1 for others."""
        place = np.full((len(self.areas), len(self.weeks)), -1)
        for (area, week), at in domains.items():
            if week is not None:
                place[self.areas[area], self.weeks[week]] = at
        found: Ints = place[self.cells.area, self.cells.week]
        return found

    def is_unknown(self, domain: Domain) -> bool:
        """Return whether every fish reported as released in a domain is of unknown size."""
        if domain[1] is not None:
            return domain in self.unknown
        mine = {self.weeks[week] for area, week in self.unknown if area == domain[0] and week}
        rows = self.rows(domain)
        met = np.unique(self.cells.week[rows[self.cells.fish[rows] > 0]])
        return bool(mine) and mine.issuperset(met.tolist())

    def counts(self, rows: NDArray[np.intp]) -> Row:
        fish, sublegal = self.cells.fish[rows], self.cells.sublegal[rows]
        return {"n_fish": int(fish.sum()), "n_sublegal": int(sublegal.sum())}


def _survey_row(row: Row, by_domain: _DomainCells, domain: Domain) -> Row:
    """Return a result row with the fish behind it and its design effect.

    ``v(p)/[p(1-p)/n]``: the variance of the survey's share over that of a share of as many fish
    sampled one by one. Where much of the fleet was interviewed the finite sample makes it small.
    """
    is_convenience = row["n_psu_frame"] is None
    counts = by_domain.counts(by_domain.rows(domain, is_convenience=is_convenience))
    found = row | counts | {"basis": SURVEY}
    if by_domain.is_unknown(domain):
        empty: Row = dict.fromkeys(_FIGURES)
        words = {"status": str(Status.NO_SAMPLE), "method": UNKNOWN}
        return found | empty | words | {"ci_method": str(CiMethod.NONE)}
    p, se, n = row.get("estimate"), row.get("se"), counts["n_fish"]
    if p is None or se is None or not 0 < p < 1:
        return found
    if row["status"] == Status.IMPUTED and domain[1] is not None:
        return found | {"method": join_codes([row["method"], coded("no_design_effect")])}
    return found | {"design_effect": se**2 * n / (p * (1 - p)) if n else None}


@dataclass(frozen=True, slots=True, eq=False)
class _Model:
    """The fitted model, the place of each domain in it, or why there is none."""

    shares: PooledShares | None
    place: Mapping[Domain, int]
    effects: tuple[str, ...]
    why_not: str
    areas: frozenset[str]


def _model(by_domain: _DomainCells, domains: Sequence[Domain]) -> _Model:
    """Fit the model to weeks and areas; domains of fish of unknown size alone are left out."""
    cells = by_domain.cells
    usable = {one: at for at, one in enumerate(domains) if one not in by_domain.unknown}
    mine = np.flatnonzero((cells.fish > 0) & (by_domain.places(usable) >= 0))
    s, m = cells.sublegal[mine], cells.fish[mine]
    seen = set(np.unique(cells.area[mine]).tolist())
    areas = frozenset(label for label, code in by_domain.areas.items() if code in seen)
    place = {one: at for at, one in enumerate(one for one in domains if one[0] in areas)}
    why_not = ""
    if not m.sum():
        why_not = UNKNOWN if by_domain.unknown else coded("no_fish_with_both")
    elif s.sum() in (0, m.sum()):
        why_not = coded("no_sublegal_all_season" if s.sum() == 0 else "all_sublegal_all_season")
    if why_not:
        return _Model(None, place, (), why_not, areas)
    codes = [np.unique([one[k] for one in place], return_inverse=True)[1] for k in (0, 1)]
    shares = pool_shares(s, m, by_domain.places(place)[mine], area=codes[0], week=codes[1])
    sds = shares.components
    effects = tuple(word for word, sd in (("areas", sds.area), ("weeks", sds.week)) if sd)
    return _Model(shares, place, effects, "", areas)


@dataclass(frozen=True, slots=True, eq=False)
class _Weights:
    """Weights of the model's domains in one row, with their variances and a code about them."""

    weight: Floats
    variance: Floats
    note: str


def _weights(
    encounters: Mapping[Domain, Row], by_domain: _DomainCells, model: _Model, domain: Domain
) -> _Weights:
    """Return the weights whose mean is a domain's share: its weeks' encounters for an area."""
    weight, variance = np.zeros((2, len(model.place)))
    if domain[1] is not None:
        if domain in model.place:
            weight[model.place[domain]] = 1
        return _Weights(weight, variance, "")
    weeks = [one for one in model.place if one[0] == domain[0]]
    totals = {one: encounters[one] for one in weeks if encounters[one].get("estimate") is not None}
    for one, row in totals.items():
        weight[model.place[one]] = row["estimate"]
        variance[model.place[one]] = (row.get("se") or 0.0) ** 2
    if weight.any():
        n_lacking = len(weeks) - len(totals)
        note = coded("mean_of_weeks")
        if n_lacking:
            note = coded("mean_of_weeks_without", weeks=n_lacking)
        return _Weights(weight, variance, note)
    for one in weeks:
        weight[model.place[one]] = by_domain.cells.fish[by_domain.rows(one)].sum()
    return _Weights(weight, variance, coded("mean_of_weeks_by_fish"))


def _pooled_row(row: Row, by_domain: _DomainCells, model: _Model, weights: _Weights) -> Row:
    """Return the row of a domain from the model, or why it has none."""
    domain: Domain = row["area"], row["week"]
    cells = by_domain.rows(domain)
    cells = cells[by_domain.cells.fish[cells] > 0]
    found: Row = {
        **{name: row[name] for name in ("season", "area", "week", "quantity", "unit", "ci_level")},
        **by_domain.counts(cells),
        "basis": POOLED,
        "n_psu": len(cells),
        "n_interviews": int(by_domain.cells.interviews[cells].sum()),
        "ci_method": str(CiMethod.NONE),
    }
    why_not = model.why_not
    if by_domain.is_unknown(domain):
        why_not = UNKNOWN
    elif not why_not and domain[0] not in model.areas:
        why_not = coded("no_fish_of_area")
    if model.shares is None or why_not:
        return found | {"status": str(Status.NO_SAMPLE), "method": why_not}
    return found | _figures(model.shares, model.effects, weights, row["ci_level"], len(cells))


def _figures(
    shares: PooledShares, effects: tuple[str, ...], weights: _Weights, level: float, n_cells: int
) -> Row:
    """Return estimate, error and interval of a weighted mean of the model's shares, with codes."""
    value, se = shares.mean(weights.weight, weights.variance)
    low, high = logit_t(value, se, df=shares.df, level=level)
    pooled = coded("beta_binomial_pooled", over=effects) if effects else coded("beta_binomial")
    words = [pooled, weights.note]
    if not n_cells:
        words.append(coded("from_area_and_week"))
    if math.isnan(low):
        words.append(coded("few_site_days_with_fish"))
    rho, why_not = _overdispersion(shares.rho)
    words.append(why_not)
    has_limits = not math.isnan(low)
    return {
        "estimate": value,
        "se": se,
        "ci_low": low if has_limits else None,
        "ci_high": high if has_limits else None,
        "ci_method": str(CiMethod.LOGIT_T if has_limits else CiMethod.NONE),
        "df": float(shares.df),
        "status": str(Status.MODELLED),
        "method": join_codes(words),
        "overdispersion": rho,
    }


def _overdispersion(rho: float) -> tuple[float | None, str]:
    """Return the intraclass correlation, or why it is no number."""
    if math.isnan(rho):
        return None, coded("no_two_fish")
    if rho <= NO_RHO:
        return None, coded("dispersion_low")
    if rho >= RHO_BOUNDS[1] - NO_RHO:
        return None, coded("dispersion_high")
    return rho, ""
