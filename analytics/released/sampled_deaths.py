"""Season deaths at the composition of test fishing, beside those of releases as reported."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.codes import coded, join_codes, why_no_error
from analytics.estimates.result_rows import DomainEstimates, domain_names, result_row
from analytics.estimates.size_mark_classes import (
    classes_with_kept,
    drawn_classes,
    sampled_figures,
)
from analytics.fish.mark_composition import mark_analysis
from analytics.fish.mortality_rates import ANY, DROP_OFF, KEPT_FATE, RELEASED
from analytics.fish.sampled_releases import (
    KEPT,
    LEGAL,
    SUBLEGAL,
    SampledReleases,
    deaths_at_ends,
)
from analytics.intervals import log_t
from analytics.propagation import joint_df
from analytics.quantities import QuantityKind
from analytics.released.deaths import BY_AREA, DeathSums, death_sums
from analytics.released.schemas import DEATH_SCHEMA
from analytics.survey.domains import Domains

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analytics.arrays import Floats
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.estimates.size_mark_classes import ClassExpansion
    from analytics.fish.sampled_releases import MeanRate
    from analytics.survey.domain_totals import DomainTotals

    Row = dict[str, Any]


ALL = "all"


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
            fate = ALL if len(keys) == len(every) else keys[0][0]
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
