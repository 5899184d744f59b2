"""Encounters by size and mark on two bases, interviews and test fishing, their ratio, their deaths.

Season deaths at the composition of test fishing stand beside those of releases as reported.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.codes import coded, join_codes, why_no_error
from analytics.estimates.estimate import LEVELS, add_intervals, bearing
from analytics.estimates.result_rows import (
    DomainEstimates,
    catch_figures,
    domain_names,
    mark_figures,
    not_recorded,
    result_row,
)
from analytics.estimates.season_survey import borrowed_marks
from analytics.estimates.size_mark_classes import (
    ClassExpansion,
    Sampled,
    classes_with_kept,
    drawn_classes,
    sampled_classes,
    sampled_figures,
)
from analytics.fish.composition_sample import COLUMNS
from analytics.fish.mark_composition import (
    CLASSES,
    KEPT,
    LEGAL,
    PARTS,
    SUBLEGAL,
    SampledReleases,
    deaths_at_ends,
    mark_analysis,
    mark_measures,
    marked,
)
from analytics.fish.mortality_rates import ANY, DROP_OFF, KEPT_FATE, RELEASED
from analytics.intervals import log_t
from analytics.propagation import joint_df
from analytics.quantities import QUANTITIES, QuantityKind
from analytics.released.deaths import BY_AREA, DeathSums, death_sums
from analytics.released.schemas import COMPOSITION_RATIO_SCHEMA, COMPOSITION_SCHEMA, DEATH_SCHEMA
from analytics.survey.domains import Domains
from analytics.survey.reduction import catch_measures

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analytics.arrays import Floats
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.fish.composition_sample import ClassRatios
    from analytics.fish.mark_composition import BorrowedShares, MeanRate
    from analytics.survey.domain_totals import DomainTotals

    Row = dict[str, Any]


ALL = "encounter_fish"
#: The four classes and their sum, in the order of the sampled columns.
COMPARED = (*CLASSES, ALL)
REPORTED_BASIS, SAMPLED_BASIS = "reported", "sampled"
#: Seed of the draws: the same data give the same table.
SEED = 20_301
N_DRAWS = 10_000
#: Draws made at a time, so that memory stays small.
_DRAWS_AT_ONCE = 500
_SAME = coded("same_interviews")
_MET = np.isin(
    list(mark_measures()), [f"{part}_all" for part in (*PARTS, "released_unknown")]
).astype(np.float64)


def composition_tables(
    season: SeasonSurvey, *, level: float = 0.95, n_draws: int = N_DRAWS
) -> tuple[pa.Table, pa.Table]:
    """Return encounters by class on both bases, and one over the other.

    Totals are those at listed sites, expanded from the sampled units, however the season itself is
    calculated. `encounter_fish` is, as reported, the result row itself, releases of unknown size
    among them; as sampled, the sum of the four classes, whose base holds no fish of unknown size.
    """
    rows: list[Row] = []
    compared: list[Row] = []
    pooled = drawn_classes(season)
    n_weeks = len(season.design.weeks)
    levels = [
        _Level.of(season, pooled, Domains("area" in by, "week" in by, n_weeks)) for by in LEVELS
    ]
    ends_of_draws = _draws([one.found for one in levels], level, n_draws)
    for one, ends in zip(levels, ends_of_draws, strict=True):
        level_rows, level_compared = one.tables(level, ends)
        rows += level_rows
        compared += level_compared
    return _table(rows, COMPOSITION_SCHEMA), _table(compared, COMPOSITION_RATIO_SCHEMA)


@dataclass(frozen=True, slots=True, eq=False)
class _Level:
    """Everything that the two tables say of one choice of domains."""

    season: SeasonSurvey
    domains: Domains
    totals: DomainTotals
    of_all: DomainTotals
    borrowed: BorrowedShares
    found: Sampled
    has_responses: bool
    was_met: bool

    @classmethod
    def of(cls, season: SeasonSurvey, pooled: ClassExpansion, domains: Domains) -> _Level:
        estimator = pooled.estimator
        totals = estimator.totals(mark_analysis(), domains)
        of_all = estimator.totals(season.analyses[ALL], domains)
        borrowed = borrowed_marks(season, estimator, domains, totals)
        slopes = [
            marked(one, totals.total, totals.cov, borrowed=borrowed).gradient for one in CLASSES
        ]
        beside = np.stack([*slopes, np.broadcast_to(_MET, totals.total.shape)], axis=1)
        found = sampled_classes(season, pooled, domains, totals, beside=beside)
        responses = map(estimator.has_responses, (mark_analysis(), season.analyses[ALL]))
        return cls(season, domains, totals, of_all, borrowed, found, *responses)

    def tables(self, level: float, ends_of_draws: Floats) -> tuple[list[Row], list[Row]]:
        """Return the rows of both tables."""
        rows: list[Row] = []
        compared: list[Row] = []
        for column, name in enumerate(COMPARED):
            reported = self._rows(name, *self._reported(name), level)
            sampled = self._rows(
                name, sampled_figures(self.found, column, self.totals), self.totals, level
            )
            for place, (one, other) in enumerate(zip(reported, sampled, strict=True)):
                extra: Row = {"basis": SAMPLED_BASIS, "rule": self.found.rule[place]}
                n = self.found.n_class[place]
                extra |= {"n_measured": round(float(n[-1])), "n_class": round(float(n[column]))}
                if other.get("se") is not None and other.get("ci_low") is not None:
                    extra |= {
                        "draws_low": float(ends_of_draws[0][place, column]),
                        "draws_high": float(ends_of_draws[1][place, column]),
                    }
                rows += [one | {"basis": REPORTED_BASIS}, other | extra]
                compared.append(self._compared(place, column, one, other, level))
        return rows, compared

    def _reported(self, name: str) -> tuple[DomainEstimates, DomainTotals]:
        if name == ALL:
            figures = catch_figures(QuantityKind.TOTAL, self.of_all)
            if not self.was_met:
                figures = figures.withheld(not_recorded([catch_measures()[ALL]]))
            return figures, self.of_all
        return mark_figures(name, self.totals, self.borrowed), self.totals

    def _rows(
        self, name: str, figures: DomainEstimates, totals: DomainTotals, level: float
    ) -> list[Row]:
        """Return one quantity's result rows over the domains that interviews and marks share."""
        if not self.has_responses and name != ALL:
            figures = figures.withheld(not_recorded(mark_measures().values()))
        of_marks = name == ALL and totals is self.totals
        weight = _MET if of_marks else bearing(name, self.season.deaths)
        figures = add_intervals(totals, figures, weight=weight, level=level)
        design = self.season.design
        place_of = {int(code): place for place, code in enumerate(totals.code)}
        rows = []
        for code in self.totals.code.tolist():
            area, place = self.domains.cell(code)[0], place_of[code]
            names = domain_names(design, self.domains, code)
            names |= {"quantity": name, "unit": QUANTITIES[name].unit}
            rows.append(names | result_row(design, totals, figures, place, area=area, level=level))
        return rows

    def _compared(self, place: int, column: int, one: Row, other: Row, level: float) -> Row:
        """Return sampled over reported; the covariance of both comes from the same interviews."""
        row = {key: one[key] for key in ("season", "area", "week", "quantity")}
        row |= {"reported": one.get("estimate"), "sampled": other.get("estimate")}
        row |= {"ci_level": level, "reason": _why_no_ratio(one, other)}
        if row["reason"]:
            return row
        reported, sampled = row["reported"], row["sampled"]
        row["ratio"] = sampled / reported
        if sampled > 0 and self.found.from_sample[place, column, column] == 0:
            return row | {"reason": _SAME}
        if sampled == 0 or one.get("se") is None or other.get("se") is None:
            row["reason"] = _why_no_interval(one, other)
            return row
        shared = self.found.across[place, column, column] / (reported * sampled)
        of_fish = self.found.from_sample[place, column, column] / sampled**2
        cv2 = (one["se"] / reported) ** 2 + (other["se"] / sampled) ** 2 - 2 * shared
        of_survey = max(cv2 - of_fish, 0.0)
        df = joint_df([of_survey, of_fish], [one["df"], max(self.found.n_class[place, -1] - 1, 0)])
        se = row["ratio"] * math.sqrt(of_survey + of_fish)
        low, high = log_t(row["ratio"], se, df=float(df), level=level)
        if math.isnan(low):
            return row | {"reason": coded("too_few_units")}
        return row | {"ci_low": low, "ci_high": high}


def _why_no_ratio(one: Row, other: Row) -> str:
    if one.get("estimate") is None:
        return join_codes([coded("nothing_reported"), one["method"]])
    if other.get("estimate") is None:
        return join_codes([coded("nothing_sampled"), other["method"]])
    return coded("none_reported") if one["estimate"] == 0 else ""


def _why_no_interval(one: Row, other: Row) -> str:
    if other["estimate"] == 0:
        return coded("none_of_class")
    lacking = one if one.get("se") is None else other
    return join_codes([coded("no_interval"), why_no_error(lacking["method"])])


def _draws(levels: Sequence[Sampled], level: float, n_draws: int) -> list[Floats]:
    """Return low and high quantiles of each choice of domains, from draws of the same ratios."""
    value, survey, weight = (
        np.concatenate([getattr(one, name) for one in levels])
        for name in ("value", "from_survey", "weight")
    )
    variance = np.maximum(np.einsum("djj->dj", survey), 0)
    cv = np.nan_to_num(np.sqrt(variance) / np.where(value > 0, value, np.nan))
    draws = draw_classes(levels[0].ratios, weight, cv, n_draws=n_draws, seed=SEED)
    ends = np.quantile(draws, [0.5 - level / 2, 0.5 + level / 2], axis=0, overwrite_input=True)
    return np.split(ends, np.cumsum([len(one.value) for one in levels])[:-1], axis=1)


def draw_classes(
    ratios: ClassRatios, weight: Floats, survey_cv: Floats, *, n_draws: int = N_DRAWS, seed: int
) -> Floats:
    """Draw the ratios of shared pools and the base of D domains together, shape (R, D, 5).

    Each sampled count n becomes a gamma variate of shape n (a Poisson count seen through a flat
    prior on the logarithm of its mean). The divisor of a plain ratio takes one more unit of shape,
    that of a damped one two: the draws then have the estimate as their mean,
    ``n_j / (n_LM + δ)`` with δ 0 or 1. With a design effect d of trips shapes are n/d and ``1 +
    δ/d``, and variates d times as large. Interviews multiply all classes of a domain by one
    log-normal variate of mean 1, with the coefficient of variation of each class's survey part.

    `weight` (D, C): base fish of each area-week; `survey_cv` (D, 5): what interviews bring, NaN
    where it is not known.
    """
    rng = np.random.default_rng(seed)
    size = len(weight)
    draws = np.empty((n_draws, size, len(COLUMNS)))
    sigma = np.sqrt(np.log1p(survey_cv**2))
    alike = ratios.effect
    member, outside = ratios.member.astype(np.float64), ~ratios.base
    more = np.where(ratios.is_damped, 2.0, 1.0)
    for start in range(0, n_draws, _DRAWS_AT_ONCE):
        many = min(_DRAWS_AT_ONCE, n_draws - start)
        fish = alike * rng.gamma(ratios.n / alike, size=(many, *ratios.n.shape))
        pooled = np.einsum("cg,rgk,cjk->rcj", member, fish, ratios.of_class, optimize=True)
        base = np.einsum("rck,ck->rc", pooled, ratios.base)
        base = np.where(ratios.is_served, base, np.inf)
        wider = base + alike * rng.gamma(1 + (more - 1) / alike, size=base.shape)
        ratio = pooled / np.where(outside, wider[:, :, None], base[:, :, None])
        ratio = np.concatenate([ratio, ratio.sum(axis=2, keepdims=True)], axis=2)
        factor = np.exp(sigma * rng.normal(size=(many, size, 1)) - sigma**2 / 2)
        encounters = np.einsum("dc,rcj->rdj", weight, ratio, optimize=True)
        draws[start : start + many] = encounters * factor
    return draws


def _table(rows: Sequence[Row], schema: pa.Schema) -> pa.Table:
    """Return rows in a schema, by domain and in the order of quantities; missing keys are null."""
    order = {name: rank for rank, name in enumerate(COMPARED)}

    def key(row: Row) -> tuple[str, str, int, str]:
        return row["area"] or "", row["week"] or "", order[row["quantity"]], row.get("basis", "")

    return pa.Table.from_pylist(sorted(rows, key=key), schema=schema)


ALL_DEATHS = "all"


def sampled_death_table(
    season: SeasonSurvey, *, level: float, sums: DeathSums | None = None
) -> pa.Table:
    """Return deaths of a season with releases from test fishing, in `DEATH_SCHEMA`.

    Legal releases are the legal fish met less those kept, sublegal ones the sublegal fish met, by
    `size_mark_classes.sampled_classes`. The rate of a size is the mean of the rates in use,
    weighted by reported releases of that size by fishing method and wound; the error of those
    weights is left out. Errors follow from the joint covariance of classes and kept fish, which
    rest on the same interviews, and from the rates. All areas (null) first, then each area; no row
    for a domain without sampled classes.
    """
    sums = sums or death_sums(season)
    pooled = drawn_classes(season)
    rows: list[Row] = []
    for by_area in BY_AREA:
        rows += _rows(season, pooled, sums, by_area=by_area, level=level)
    rows.sort(key=lambda row: row["area"] or "")
    return pa.Table.from_pylist(rows, DEATH_SCHEMA)


def _rows(
    season: SeasonSurvey, pooled: ClassExpansion, sums: DeathSums, *, by_area: bool, level: float
) -> Iterator[Row]:
    design = season.design
    domains = Domains(by_area, by_week=False, n_weeks=len(design.weeks))
    totals = pooled.estimator.totals(mark_analysis(), domains)
    found, both, survey, sample = classes_with_kept(season, pooled, domains, totals)
    of_all = sampled_figures(found, KEPT - 1, totals)
    reported = sums.estimators[-1].totals(sums.plan.analysis, domains)
    by_rate = sums.plan.fish(reported.total, reported.cov_of_sums)
    places = {int(code): place for place, code in enumerate(reported.code)}
    for place, code in enumerate(totals.code.tolist()):
        area = domains.cell(code)[0]
        row = result_row(design, totals, of_all, place, area=area, level=level)
        if row.get("estimate") is None or code not in places:
            continue
        fish = SampledReleases.of(
            both[place],
            survey[place],
            sample[place],
            plan=sums.plan,
            by_rate=by_rate,
            at=places[code],
        )
        df = float(totals.support.df[place]), max(float(found.n_class[place, -1]) - 1, 0.0)
        made = _Domain(fish, df, level)
        first = domain_names(design, domains, code) | {"basis": "sampled", "ci_level": level}
        no_error = "" if row.get("se") is not None else why_no_error(row["method"])
        kept_row = result_row(design, totals, _kept(totals), place, area=area, level=level)
        yield from (first | one for one in made.rows(no_error, kept_row))


def _kept(totals: DomainTotals) -> DomainEstimates:
    value, variance = totals.total[:, 0], totals.cov_of_sums[:, 0, 0]
    return DomainEstimates(QuantityKind.TOTAL, value, variance, variance, "", ("",) * len(value))


def rate_columns(mean: MeanRate, level: float) -> Row:
    """Return a mean rate, its error and limits, its sources and standing."""
    errors = [rate.rate_se for rate, _ in mean.parts]
    squares = [
        (share * error) ** 2
        for (_, share), error in zip(mean.parts, errors, strict=True)
        if error is not None
    ]
    low, high = mean.limits(level)
    sources = dict.fromkeys(rate.source for rate, _ in mean.parts if rate.source)
    grades = {rate.evidence for rate, _ in mean.parts}
    return {
        "rate_prop": sum(share * rate.rate_prop for rate, share in mean.parts),
        "rate_se": sum(squares) ** 0.5 if len(squares) == len(errors) else None,
        "rate_low": low,
        "rate_high": high,
        "source": "; ".join(sources) or None,
        "evidence": grades.pop() if len(grades) == 1 else None,
    }


@dataclass(frozen=True, slots=True, eq=False)
class _Domain:
    """One domain: its fish, and the degrees of freedom of survey and sample."""

    fish: SampledReleases
    df: tuple[float, float]
    level: float

    def rows(self, no_error: str, kept_row: Row) -> Iterator[Row]:
        """Yield kept fish, releases by size and in all, drop-off, everything."""
        bases, none_released = self.fish.drop_off_bases, self.fish.lacks_legal
        every = list(self.fish.kinds)
        groups = [
            [(RELEASED, LEGAL)],
            [(RELEASED, SUBLEGAL)],
            [(RELEASED, LEGAL), (RELEASED, SUBLEGAL)],
            [(DROP_OFF, ANY)],
            every,
        ]
        yield self._kept_row(kept_row)
        for keys in groups:
            fate = ALL_DEATHS if len(keys) == len(every) else keys[0][0]
            size = keys[0][1] if len(keys) == 1 else ANY
            row = {"fate": fate, "size_class": size, "wound_class": ANY}
            said = (
                [coded("fewer_legal_than_kept")]
                if none_released and (RELEASED, LEGAL) in keys
                else []
            )
            said += [*bases] if fate == DROP_OFF and len(bases) == 1 else []
            yield row | self._row(keys, said, no_error)

    def _kept_row(self, row: Row) -> Row:
        limits = {name: row.get(name) for name in ("se", "ci_low", "ci_high")}
        fish = {"fish": row.get("estimate"), "fish_se": row.get("se")}
        rate = {"rate_prop": 1.0, "rate_se": 0.0, "rate_low": 1.0, "rate_high": 1.0}
        ends = dict.fromkeys(("deaths", "deaths_low", "deaths_high"), row.get("estimate"))
        first = {"fate": KEPT_FATE, "size_class": ANY, "wound_class": ANY}
        lacks = why_no_error(row["method"]) if row.get("se") is None else ""
        reason = row["method"] if row.get("estimate") is None else lacks
        part = 1.0 if row.get("se") else None
        return first | fish | rate | ends | limits | {"catch_variance_prop": part, "reason": reason}

    def _row(self, keys: Sequence[tuple[str, str]], words: list[str], no_error: str) -> Row:
        """Return the deaths of some kinds of fish, with their error."""
        row: Row = {}
        kinds, rates = self.fish.kinds, [self.fish.rates[key] for key in keys]
        if len(keys) < len(kinds):
            kind = np.sum([kinds[key] for key in keys], axis=0)
            row["fish"] = self.fish.many(kind)
            row["fish_se"] = self._se(kind, no_error)
        missing = list(dict.fromkeys(rate.missing for rate in rates if rate.missing))
        if missing:
            return row | {"reason": join_codes([*words, *missing])}
        if len(rates) == 1:
            row |= rate_columns(rates[0], self.level)
            words = [
                *words,
                *([coded("mean_rate", of=rates[0].weighted)] if len(rates[0].parts) > 1 else []),
            ]
        row |= self._deaths(keys, no_error)
        fish = [(self.fish.rates[key], self.fish.many(kinds[key])) for key in keys]
        row["deaths_low"], row["deaths_high"] = deaths_at_ends(fish, self.level)
        if row["deaths_low"] is None:
            words = [*words, coded("a_rate_without_interval")]
        no_error = no_error or ("" if row["se"] else coded("none_at_composition"))
        return row | {"reason": join_codes([*words, *([no_error] * (not row["se"]))])}

    def _deaths(self, keys: Sequence[tuple[str, str]], no_error: str) -> Row:
        """Return deaths with standard error, interval and the part of the variance of the fish."""
        found = self.fish.deaths(keys)
        row: Row = {"deaths": found.value, "se": None}
        if no_error or not found.variance > 0:
            return row
        df = joint_df([found.from_survey, found.from_sample], self.df)
        row["se"] = math.sqrt(found.variance)
        low, high = log_t(row["deaths"], row["se"], df=float(df), level=self.level)
        limits = {} if math.isnan(low) else {"ci_low": low, "ci_high": high}
        return row | limits | {"catch_variance_prop": found.of_fish / found.variance}

    def _se(self, kind: Floats, no_error: str) -> float | None:
        variance = self.fish.variance(kind)
        return None if no_error or not variance > 0 else math.sqrt(variance)
