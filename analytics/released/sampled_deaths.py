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
    Sampled,
    drawn_classes,
    sampled_classes,
    sampled_figures,
)
from analytics.fish.mark_composition import mark_analysis, mark_measures
from analytics.fish.mortality_rates import ANY, DROP_OFF, KEPT_FATE, RELEASED
from analytics.fish.release_mortality import KEPT_RATE, NO_RATE, OF_KEPT, deaths_at_rates
from analytics.intervals import log_t
from analytics.propagation import joint_df
from analytics.quantities import QuantityKind
from analytics.released.deaths import BY_AREA, DeathSums, death_sums, deaths_at_ends
from analytics.released.schemas import DEATH_SCHEMA
from analytics.survey.domains import Domains

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analytics.arrays import Floats
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.estimates.size_mark_classes import ClassExpansion
    from analytics.fish.mortality_rates import MortalityRate
    from analytics.fish.release_mortality import DeathPlan, FishByRate
    from analytics.survey.domain_totals import DomainTotals

    Row = dict[str, Any]


# The rate of a kind of fish whose methods and wounds are given by reports alone.


@dataclass(frozen=True, slots=True)
class MeanRate:
    """Rates in use, each with its share of the fish; shares add up to 1.

    `weighted`: code of what the shares are of; `missing`: why there is no rate, empty where there
    is.
    """

    parts: tuple[tuple[MortalityRate, float], ...]
    weighted: str = ""
    missing: str = ""

    def limits(self, level: float) -> tuple[float | None, float | None]:
        """Return the mean of the low and of the high ends; None where a rate has none."""
        return deaths_at_ends(self.parts, level)

    def columns(self, level: float) -> dict[str, Any]:
        """Return the rate, its error and limits, its sources and standing."""
        errors = [rate.rate_se for rate, _ in self.parts]
        squares = [
            (share * error) ** 2
            for (_, share), error in zip(self.parts, errors, strict=True)
            if error is not None
        ]
        low, high = self.limits(level)
        sources = dict.fromkeys(rate.source for rate, _ in self.parts if rate.source)
        grades = {rate.evidence for rate, _ in self.parts}
        return {
            "rate_prop": sum(share * rate.rate_prop for rate, share in self.parts),
            "rate_se": sum(squares) ** 0.5 if len(squares) == len(errors) else None,
            "rate_low": low,
            "rate_high": high,
            "source": "; ".join(sources) or None,
            "evidence": grades.pop() if len(grades) == 1 else None,
        }


def mean_rate(plan: DeathPlan, found: FishByRate, place: int, fate: str, size: str) -> MeanRate:
    """Return the mean of the rates in use of one kind of fish in a domain.

    Weighted by reported fish; where none was reported, the one rate if there is only one. `plan`:
    in detail; `place`: index of the domain; `size`: ``any`` for the base of drop-off.
    """
    if fate in plan.absent:
        return MeanRate((), missing=plan.absent[fate])
    groups = [
        at for at, one in enumerate(plan.groups) if one.fate == fate and one.size_class == size
    ]
    lacking = plan.missing_of(found, tuple(groups))[place]
    if lacking:
        return MeanRate((), missing=lacking)
    fish: dict[MortalityRate, float] = {}
    for part, (group, rate) in enumerate(plan.parts):
        if group in groups and rate is not NO_RATE:
            fish[rate] = fish.get(rate, 0.0) + max(float(found.fish[place, part]), 0.0)
    all_fish = sum(fish.values())
    noun = "met_or_kept" if fate == DROP_OFF else f"{size}_releases"
    if not all_fish and len(fish) == 1:
        return MeanRate(tuple((rate, 1.0) for rate in fish), noun)
    if not all_fish:
        return MeanRate((), missing=coded("no_reported_for_rate", of=noun))
    return MeanRate(tuple((rate, many / all_fish) for rate, many in fish.items() if many), noun)


ALL, LEGAL, SUBLEGAL = "all", "legal", "sublegal"
#: The five columns of sampled classes and the fish kept, in the order of every joint covariance.
_KEPT = 5
#: Fish of each kind as sums of those six.
_KINDS: dict[tuple[str, str], tuple[int, ...]] = {
    (KEPT_FATE, ANY): (0, 0, 0, 0, 0, 1),
    (RELEASED, LEGAL): (1, 1, 0, 0, 0, -1),
    (RELEASED, SUBLEGAL): (0, 0, 1, 1, 0, 0),
}
_OF_MET, _OF_KEPT = (0, 0, 0, 0, 1, 0), (0, 0, 0, 0, 0, 1)


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
    kept = np.isin(list(mark_measures()), ["kept_all"]).astype(np.float64)
    beside = np.broadcast_to(kept, (len(totals.code), 1, len(kept)))
    found = sampled_classes(season, pooled, domains, totals, beside=beside)
    of_all = sampled_figures(found, _KEPT - 1, totals)
    reported = sums.estimators[-1].totals(sums.plan.analysis, domains)
    by_rate = sums.plan.fish(reported.total, reported.cov_of_sums)
    places = {int(code): place for place, code in enumerate(reported.code)}
    for place, code in enumerate(totals.code.tolist()):
        area = domains.cell(code)[0]
        row = result_row(design, totals, of_all, place, area=area, level=level)
        if row.get("estimate") is None or code not in places:
            continue
        made = _Domain(sums, by_rate, places[code], found, totals, place, level)
        first = domain_names(design, domains, code) | {"basis": "sampled", "ci_level": level}
        no_error = "" if row.get("se") is not None else why_no_error(row["method"])
        kept_row = result_row(design, totals, _kept(totals), place, area=area, level=level)
        yield from (first | one for one in made.rows(no_error, kept_row))


def _kept(totals: DomainTotals) -> DomainEstimates:
    value, variance = totals.total[:, 0], totals.cov_of_sums[:, 0, 0]
    return DomainEstimates(QuantityKind.TOTAL, value, variance, variance, "", ("",) * len(value))


@dataclass(frozen=True, slots=True, eq=False)
class _Domain:
    """One domain: its reported fish by rate, and its sampled classes."""

    sums: DeathSums
    by_rate: FishByRate
    at: int
    found: Sampled
    totals: DomainTotals
    place: int
    level: float

    def rows(self, no_error: str, kept_row: Row) -> Iterator[Row]:
        """Yield kept fish, releases by size and in all, drop-off, everything."""
        kinds, rates = dict(_KINDS), self._rates()
        none_released = self._fish(kinds[RELEASED, LEGAL]) < 0
        if none_released:
            kinds[RELEASED, LEGAL] = (0,) * 6
        bases = {group.base for group in self.sums.plan.groups if group.fate == DROP_OFF}
        kinds[DROP_OFF, ANY] = _OF_KEPT if bases == {OF_KEPT} else _OF_MET
        if len(bases) > 1 and not rates[DROP_OFF, ANY].missing:
            rates[DROP_OFF, ANY] = MeanRate((), missing=coded("two_drop_off_bases"))
        groups = [
            [(RELEASED, LEGAL)],
            [(RELEASED, SUBLEGAL)],
            [(RELEASED, LEGAL), (RELEASED, SUBLEGAL)],
            [(DROP_OFF, ANY)],
            list(kinds),
        ]
        yield self._kept_row(kept_row)
        for keys in groups:
            fate = ALL if len(keys) == len(kinds) else keys[0][0]
            size = keys[0][1] if len(keys) == 1 else ANY
            row = {"fate": fate, "size_class": size, "wound_class": ANY}
            chosen = [(np.array(kinds[key], dtype=np.float64), rates[key]) for key in keys]
            said = (
                [coded("fewer_legal_than_kept")]
                if none_released and (RELEASED, LEGAL) in keys
                else []
            )
            said += [*bases] if fate == DROP_OFF and len(bases) == 1 else []
            yield row | self._row(chosen, said, no_error, is_all=fate == ALL)

    def _rates(self) -> dict[tuple[str, str], MeanRate]:
        """Return the mean rate of every kind of fish."""
        found = {(KEPT_FATE, ANY): MeanRate(((KEPT_RATE, 1.0),))}
        for fate, size in ((RELEASED, LEGAL), (RELEASED, SUBLEGAL), (DROP_OFF, ANY)):
            found[fate, size] = mean_rate(self.sums.plan, self.by_rate, self.at, fate, size)
        return found

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

    def _row(
        self,
        chosen: Sequence[tuple[Floats, MeanRate]],
        words: list[str],
        no_error: str,
        *,
        is_all: bool,
    ) -> Row:
        """Return the deaths of some kinds of fish, with their error."""
        row: Row = {}
        kind = np.sum([kind for kind, _ in chosen], axis=0)
        if not is_all:
            row["fish"] = self._fish(kind)
            row["fish_se"] = self._se(kind, no_error)
        missing = list(dict.fromkeys(rate.missing for _, rate in chosen if rate.missing))
        if missing:
            return row | {"reason": join_codes([*words, *missing])}
        if len(chosen) == 1:
            rate = chosen[0][1]
            row |= rate.columns(self.level)
            words = [
                *words,
                *([coded("mean_rate", of=rate.weighted)] if len(rate.parts) > 1 else []),
            ]
        row |= self._deaths(chosen, no_error)
        fish = [(rate, self._fish(one)) for one, rate in chosen]
        row["deaths_low"], row["deaths_high"] = deaths_at_ends(fish, self.level)
        if row["deaths_low"] is None:
            words = [*words, coded("a_rate_without_interval")]
        no_error = no_error or ("" if row["se"] else coded("none_at_composition"))
        return row | {"reason": join_codes([*words, *([no_error] * (not row["se"]))])}

    def _deaths(self, chosen: Sequence[tuple[Floats, MeanRate]], no_error: str) -> Row:
        """Return deaths with standard error, interval and the part of the variance of the fish."""
        by_rate: dict[MortalityRate, Floats] = {}
        for kind, mean in chosen:
            for rate, weight in mean.parts:
                by_rate[rate] = by_rate.get(rate, np.zeros(_KEPT + 1)) + weight * kind
        rates, map_ = list(by_rate), np.stack(list(by_rate.values()))
        survey, sample = self._covs()
        fish, cov = map_ @ self._all(), map_ @ (survey + sample) @ map_.T
        (value,), (of_fish,), (variance,) = deaths_at_rates(fish[None], cov[None], rates)
        row: Row = {"deaths": float(value), "se": None}
        if no_error or not variance > 0:
            return row
        slope = np.array([rate.rate_prop for rate in rates]) @ map_
        parts = [slope @ survey @ slope, slope @ sample @ slope]
        n_fish = self.found.n_class[self.place, -1]
        df = joint_df(parts, [self.totals.support.df[self.place], max(n_fish - 1, 0)])
        row["se"] = math.sqrt(variance)
        low, high = log_t(row["deaths"], row["se"], df=float(df), level=self.level)
        limits = {} if math.isnan(low) else {"ci_low": low, "ci_high": high}
        return row | limits | {"catch_variance_prop": float(of_fish / variance)}

    def _all(self) -> Floats:
        return np.append(self.found.value[self.place], self.totals.total[self.place, 0])

    def _covs(self) -> tuple[Floats, Floats]:
        """Return what interviews and sample bring to the covariance of the six."""
        across = self.found.across[self.place, :, 0]
        survey = np.empty((_KEPT + 1, _KEPT + 1))
        survey[:_KEPT, :_KEPT] = self.found.from_survey[self.place]
        survey[_KEPT, :_KEPT] = survey[:_KEPT, _KEPT] = across
        survey[_KEPT, _KEPT] = self.totals.cov_of_sums[self.place, 0, 0]
        return survey, np.pad(self.found.from_sample[self.place], (0, 1))

    def _fish(self, kind: Sequence[int] | Floats) -> float:
        return float(np.asarray(kind, dtype=np.float64) @ self._all())

    def _se(self, kind: Floats, no_error: str) -> float | None:
        variance = float(kind @ np.sum(self._covs(), axis=0) @ kind)
        return None if no_error or not variance > 0 else math.sqrt(variance)
