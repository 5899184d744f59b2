"""Season deaths by area: every group of fish with its rate, and their totals at low and high."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.estimates.result_rows import DomainEstimates, death_figures, result_row
from analytics.fish.mortality_rates import (
    ANY,
    DROP_OFF,
    KEPT_FATE,
    MOOCHING,
    RELEASED,
    TROLLING,
    evidence_of,
    rate_limits,
)
from analytics.fish.release_mortality import FATES, NO_RATE, plan_deaths, product_figures
from analytics.propagation import weighted_sum
from analytics.quantities import QuantityKind
from analytics.released.schemas import DEATH_SCHEMA, MIX_SCHEMA
from analytics.survey.convenience import clusters_of, convenience_design, convenience_interviews
from analytics.survey.domains import Domains
from analytics.survey.estimators import ConvenienceEstimator, DesignEstimator
from analytics.survey.reduction import Reduction

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from analytics.data.snapshot import Snapshot
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.fish.mortality_rates import MortalityRate, PublishedRate
    from analytics.fish.release_mortality import DeathPlan, FishByRate, Group
    from analytics.survey.domain_totals import DomainTotals
    from analytics.survey.estimators import TotalEstimator

    Row = dict[str, Any]


# Releases and losses of a season by size class and fishing method, made ready for its tables.

#: What a table says of a fishing method that the boat did not tell; null is all methods.
NOT_TOLD = "not told"
#: Domains of the tables: each area, and all together.
BY_AREA = (False, True)


@dataclass(frozen=True, slots=True, eq=False)
class DeathSums:
    """A season's fish by size class and method, in one pass over its interviews.

    Parameters
    ----------
    plan : DeathPlan
        In detail: no two size classes or methods together.
    ways : tuple of TotalEstimator
        Where totals come from; the first that tells a domain is taken.
    """

    plan: DeathPlan
    ways: tuple[TotalEstimator, ...]

    def totals(
        self, season: SeasonSurvey
    ) -> Iterator[tuple[DomainTotals, Domains, dict[int, int]]]:
        """Yield totals with the domains that each alone tells: places by code of the area."""
        for by_area in BY_AREA:
            domains = Domains(by_area, by_week=False, n_weeks=len(season.design.weeks))
            told: set[int] = set()
            for way in self.ways:
                totals = way.totals(self.plan.analysis, domains)
                places = {
                    code: place
                    for place, code in enumerate(totals.code.tolist())
                    if code not in told
                }
                told |= set(places)
                yield totals, domains, places


@dataclass(frozen=True, slots=True, eq=False)
class RowsOfAreas:
    """What the rows of each domain of some totals are made from.

    Parameters
    ----------
    plan : DeathPlan
    season : SeasonSurvey
    totals : DomainTotals
    found : FishByRate
        The fish of each rate in those totals.
    level : float
    """

    plan: DeathPlan
    season: SeasonSurvey
    totals: DomainTotals
    found: FishByRate
    level: float

    def at(self, place: int, area: int | None) -> Iterator[Row]:
        """Yield the rows of one domain, without season, area and level."""
        raise NotImplementedError


def table_of_areas(
    sums: DeathSums,
    season: SeasonSurvey,
    *,
    level: float,
    rows_of: type[RowsOfAreas],
    schema: pa.Schema,
) -> pa.Table:
    """Return the rows of all areas together, then those of each area."""
    rows: list[tuple[str, Row]] = []
    for totals, domains, places in sums.totals(season):
        found = sums.plan.fish(totals.total, totals.cov_of_sums)
        made = rows_of(sums.plan, season, totals, found, level)
        for code, place in places.items():
            area = domains.cell(code)[0]
            name = None if area is None else season.design.areas[area]
            first: Row = {"basis": "reported", "season": season.design.season, "area": name}
            first |= {"ci_level": level}
            rows += [(name or "", first | row) for row in made.at(place, area)]
    rows.sort(key=lambda pair: pair[0])
    named = [{name: row.get(name) for name in schema.names} for _, row in rows]
    return pa.Table.from_pylist(named, schema)


def death_sums(snapshot: Snapshot, season: SeasonSurvey) -> DeathSums:
    """Reduce the interviews of a season to the sums that deaths by class need.

    Parameters
    ----------
    snapshot : Snapshot
    season : SeasonSurvey
        Prepared from it; its design and its rules for thin strata are used.

    Returns
    -------
    DeathSums
    """
    interviews = snapshot.source("interviews")
    rates, drop_off = snapshot["release_rates"], snapshot["drop_off"]
    met = convenience_interviews(snapshot, season=season.design.season)
    plan = plan_deaths(interviews, rates, drop_off, detail=True, unsized=season.deaths.unsized)
    reduced = partial(Reduction, measures=plan.measures, analyses=[plan.analysis])
    ways: list[TotalEstimator] = [
        DesignEstimator(season.design, season.plans, reduced(interviews, design=season.design))
    ]
    if len(met):
        by_day = convenience_design(season.design, clusters_of(met))
        ways.insert(0, ConvenienceEstimator(by_day, reduced(met, design=by_day)))
    return DeathSums(plan, tuple(ways))


def method_of(group: Group) -> str | None:
    """Return the fishing method of a group as a table tells it, None for all."""
    if group.size_class == ANY and not group.methods:
        return None
    return " or ".join(sorted(NOT_TOLD if one is None else one for one in group.methods))


ALL = "all"
#: The rows of totals, each with the quantity of the result rows that it is.
_TOTALS = {
    RELEASED: "release_deaths_fish",
    DROP_OFF: "drop_off_deaths_fish",
    ALL: "total_deaths_fish",
}
_ENDS = "low and high: all rates at the low or the high end of their intervals at once"
_NO_ENDS = "no standard error given with the rate: no low and high, and no error from the rate"
_NO_SUM_OF_ENDS = "a rate has no interval of its own: no low and high"
_NO_END_SHOWN = "a rate of 0 or 1 has no interval on the logit scale: no low and high"
_AS_SUBLEGAL = "sublegal rate taken for unknown size, the higher as a rule"
_NONE = ("",)


def death_table(
    snapshot: Snapshot, season: SeasonSurvey, *, level: float, sums: DeathSums | None = None
) -> pa.Table:
    """Return kept fish, release deaths and drop-off deaths of a season by class.

    A row for each fate, size class, fishing method and wound class that take one rate, then rows of
    size ``any`` without a method for all released, all lost and everything (fate ``all``), whose
    deaths are those of the result rows. Low and high are the same fish at the ends of the rate's
    interval (logit scale).

    Parameters
    ----------
    snapshot : Snapshot
    season : SeasonSurvey
    level : float
        Confidence level.
    sums : DeathSums, optional
        From `death_sums`, where they are at hand.

    Returns
    -------
    pyarrow.Table
        In `DEATH_SCHEMA`: all areas (null) first, then each area.
    """
    return table_of_areas(
        sums or death_sums(snapshot, season),
        season,
        level=level,
        rows_of=_DeathRows,
        schema=DEATH_SCHEMA,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _DeathRows(RowsOfAreas):
    """The rows of each domain of some totals."""

    def at(self, place: int, area: int | None) -> Iterator[Row]:
        """Yield the rows of one domain: kept, released, lost, each before its total."""
        for fate in (KEPT_FATE, RELEASED, DROP_OFF):
            for part, (group, _) in enumerate(self.plan.parts):
                if self.plan.groups[group].fate == fate and self._is_used(part, place):
                    yield self._part(part, place, area)
            if fate in _TOTALS:
                yield self._total(fate, place, area)
        yield self._total(ALL, place, area)

    def _is_used(self, part: int, place: int) -> bool:
        """Return whether a part stands for fish here: by wound where told, else of any wound."""
        group, rate = self.plan.parts[part]
        choice = self.plan.groups[group].choice
        if not choice.is_split or choice.whole is None:
            return True
        return bool(self.found.wound_unknown[place, group]) == (rate is choice.whole)

    def _part(self, part: int, place: int, area: int | None) -> Row:
        group_place, rate = self.plan.parts[part]
        group = self.plan.groups[group_place]
        fish, spread = self.found.fish[:, part], self.found.cov[:, part, part]
        lacking = self.plan.missing_of(self.found, (group_place,))
        none = _NONE * len(fish)
        shown = self._finished(
            DomainEstimates(QuantityKind.TOTAL, fish, spread, spread, "", none), place, area
        )
        value, of_fish, whole = product_figures(fish, spread, rate)
        row = self._finished(
            DomainEstimates(QuantityKind.DEATHS, value, whole, of_fish, "", lacking), place, area
        )
        row = _deaths_of(row, of_fish[place], whole[place])
        row |= {
            "fate": group.fate,
            "size_class": group.size_class,
            "method": method_of(group),
            "wound_class": ANY if rate is NO_RATE else rate.wound_class,
            "fish": shown.get("estimate"),
            "fish_se": shown.get("se"),
        }
        if not lacking[place] and rate is not NO_RATE:
            row |= self._rate(row, rate, is_unknown=group.size_class == "unknown")
            row["reason"] = "; ".join(filter(None, [group.base, row["reason"]]))
        return row

    def _rate(self, row: Row, rate: MortalityRate, *, is_unknown: bool) -> Row:
        """Return a rate with its interval and standing, and the deaths at its ends."""
        fish = row["fish"]
        found: Row = {"rate_prop": rate.rate_prop, "rate_se": rate.rate_se}
        if rate.fate != KEPT_FATE:
            standing = evidence_of(rate.source, rate.rate_prop)
            found |= {"source": rate.source or None, "standing": str(standing)}
        low, high = rate_limits(rate.rate_prop, rate.rate_se, level=self.level)
        found |= {"rate_low": low, "rate_high": high}
        if low is not None and high is not None and fish is not None:
            found |= {"deaths_low": fish * low, "deaths_high": fish * high}
        words = [row["reason"]] if row["reason"] else []
        if rate.rate_se is None:
            words.append(_NO_ENDS)
        elif low is None:
            words.append(_NO_END_SHOWN)
        if is_unknown and rate.size_class == "sublegal":
            words.append(_AS_SUBLEGAL)
        return found | {"reason": "; ".join(words)}

    def _total(self, fate: str, place: int, area: int | None) -> Row:
        """Return the row of one quantity of deaths, with its ends."""
        quantity = _TOTALS[fate]
        figures = death_figures(self.plan, quantity, self.totals)
        found = self._finished(figures, place, area)
        of_fish, whole = figures.sample_variance[place], figures.variance[place]
        row = _deaths_of(found, of_fish, whole) | {
            "fate": fate,
            "size_class": ANY,
            "wound_class": ANY,
        }
        words = found["method"].removeprefix("releases_times_rates").removeprefix("; ")
        if row["deaths"] is None:
            return row | {"reason": found["method"]}
        places = [
            part
            for part, (group, _) in enumerate(self.plan.parts)
            if self.plan.groups[group].fate in FATES[quantity]
        ]
        ends = self._ends(places, place)
        if ends is not None:
            row |= {"deaths_low": ends[0], "deaths_high": ends[1]}
        if fate != ALL:
            spread = self.found.cov[place][np.ix_(places, places)].sum()
            row["fish"] = float(self.found.fish[place, places].sum())
            row["fish_se"] = float(np.sqrt(spread)) if spread >= 0 and row["se"] else None
        groups = [
            self.plan.groups[group] for group in {self.plan.parts[part][0] for part in places}
        ]
        base = (
            " and ".join(sorted({group.base for group in groups} - {""}))
            if fate == DROP_OFF
            else ""
        )
        words = [base, words, _ENDS if ends else _NO_SUM_OF_ENDS]
        return row | {"reason": "; ".join(filter(None, words))}

    def _ends(self, parts: list[int], place: int) -> tuple[float, float] | None:
        """Return the deaths of some parts at the ends of their rates; None where one has none."""
        low = high = 0.0
        for part in parts:
            rate = self.plan.parts[part][1]
            ends = rate_limits(rate.rate_prop, rate.rate_se, level=self.level)
            fish = float(self.found.fish[place, part])
            if fish <= 0:
                continue
            if ends[0] is None or ends[1] is None:
                return None
            low, high = low + fish * ends[0], high + fish * ends[1]
        return low, high

    def _finished(self, figures: DomainEstimates, place: int, area: int | None) -> Row:
        return result_row(
            self.season.design, self.totals, figures, place, area=area, level=self.level
        )


def _deaths_of(row: Row, of_fish: float, whole: float) -> Row:
    """Return the deaths of a finished row in the columns of the table."""
    value, se = row.get("estimate"), row.get("se")
    no_value = value is None
    no_error = "" if no_value or se is not None else row["method"].rpartition("; ")[2]
    return {
        "deaths": value,
        "se": se,
        "ci_low": row.get("ci_low"),
        "ci_high": row.get("ci_high"),
        "from_fish_prop": float(of_fish / whole) if se and of_fish >= 0 else None,
        "reason": row["method"] if no_value else no_error,
    }


# What the mix of mooching and trolling does to the deaths of sublegal releases.

AS_GIVEN = "rates as given"
AS_FISHED = "printed rates, as fished"
ALL_MOOCHED = "all by mooching, printed rate"
ALL_TROLLED = "all by trolling, printed rate"
_NEITHER = (
    "no sublegal fish was released by mooching or trolling here: the printed rates say nothing"
)
_NO_SIZES = "the size of released fish was recorded in no interview: no sublegal release is known"
#: Letters of a method's free text that name it, whatever comes with them.
_STEMS = (("mooch", MOOCHING), ("troll", TROLLING))


@dataclass(frozen=True, slots=True)
class _Rate:
    """The rate that a part of the fish takes in one case; fish of one key share its error."""

    key: object
    rate_prop: float
    rate_se: float | None
    low: float | None
    high: float | None
    source: str
    standing: str


def printed_rate(method: str | None) -> PublishedRate | None:
    """Return the printed rate of a fishing method, from the words that a user wrote for it.

    Parameters
    ----------
    method : str or None

    Returns
    -------
    RateInPrint or None
        That of mooching or of trolling, if its letters hold ``mooch`` or ``troll`` in any case.
    """
    words = (method or "").casefold()
    return next((rate for stem, rate in _STEMS if stem in words), None)


def mix_table(
    snapshot: Snapshot, season: SeasonSurvey, *, level: float, sums: DeathSums | None = None
) -> pa.Table:
    """Return deaths of sublegal releases at the rates given and at printed rates by method.

    Four cases, each a total (method null) and its part by fishing method: the rates given; printed
    rates of mooching (Grover et al. 2002) and trolling (Wertheimer 1988) for the fish so caught,
    other methods at the rates given; every fish as if mooched; every fish as if trolled. The
    printed rates are of other fisheries.

    Parameters
    ----------
    snapshot : Snapshot
    season : SeasonSurvey
    level : float
        Confidence level.
    sums : DeathSums, optional
        From `death_sums`, where they are at hand.

    Returns
    -------
    pyarrow.Table
        In `MIX_SCHEMA`: all areas (null) first; one row with a reason where nobody mooched or
        trolled.
    """
    return table_of_areas(
        sums or death_sums(snapshot, season),
        season,
        level=level,
        rows_of=_MixRows,
        schema=MIX_SCHEMA,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _MixRows(RowsOfAreas):
    """The rows of each domain of some totals."""

    def at(self, place: int, area: int | None) -> Iterator[Row]:
        parts = [
            part
            for part, (group, _) in enumerate(self.plan.parts)
            if self.plan.groups[group].fate == RELEASED
            and self.plan.groups[group].size_class == "sublegal"
        ]
        if not parts:
            yield {"case": AS_FISHED, "reason": _NO_SIZES}
            return
        named = [part for part in parts if printed_rate(method_of(self._group(part)))]
        if not self.found.fish[place, named].sum() > 0:
            none = self._row({part: self._given(part) for part in parts}, place, area)
            reason = _NEITHER if none["fish"] is not None else none["reason"]
            yield {"case": AS_FISHED, "reason": reason}
            return
        cases: tuple[tuple[str, Callable[[int], _Rate]], ...] = (
            (AS_GIVEN, self._given),
            (AS_FISHED, self._as_fished),
            (ALL_MOOCHED, lambda _: self._printed(MOOCHING)),
            (ALL_TROLLED, lambda _: self._printed(TROLLING)),
        )
        methods = dict.fromkeys(method_of(self._group(part)) for part in parts)
        for case, rate_of in cases:
            rates = {part: rate_of(part) for part in parts}
            yield {"case": case, **self._row(rates, place, area)}
            for method in methods:
                mine = {
                    part: rate
                    for part, rate in rates.items()
                    if method_of(self._group(part)) == method
                }
                yield {"case": case, "method": method, **self._row(mine, place, area)}

    def _group(self, part: int) -> Group:
        return self.plan.groups[self.plan.parts[part][0]]

    def _given(self, part: int) -> _Rate:
        rate: MortalityRate = self.plan.parts[part][1]
        low, high = rate_limits(rate.rate_prop, rate.rate_se, level=self.level)
        standing = str(evidence_of(rate.source, rate.rate_prop)) if rate is not NO_RATE else ""
        return _Rate(rate, rate.rate_prop, rate.rate_se, low, high, rate.source, standing)

    def _printed(self, rate: PublishedRate) -> _Rate:
        low, high = rate.limits(self.level)
        return _Rate(rate, rate.rate_prop, rate.rate_se, low, high, rate.source, str(rate.standing))

    def _as_fished(self, part: int) -> _Rate:
        printed = printed_rate(method_of(self._group(part)))
        return self._printed(printed) if printed else self._given(part)

    def _row(self, rates: dict[int, _Rate], place: int, area: int | None) -> Row:
        """Return fish and deaths of some parts, each at its rate."""
        parts = list(rates)
        fish = self.found.fish[:, parts].sum(axis=1)
        figures = self._figures(rates)
        spread = self.found.cov[:, parts][:, :, parts].sum(axis=(1, 2))
        known = DomainEstimates(QuantityKind.TOTAL, fish, spread, spread, "", ("",) * len(fish))
        shown, done = (
            result_row(self.season.design, self.totals, one, place, area=area, level=self.level)
            for one in (known, figures)
        )
        row: Row = {"fish": shown.get("estimate"), "reason": done["method"]}
        if "estimate" not in done:
            return row
        some = {part: rate for part, rate in rates.items() if self.found.fish[place, part] > 0}
        low, high = (
            _sum(self.found.fish[place, part] * end for part, end in _ends_of(some, side))
            for side in ("low", "high")
        )
        no_error = "se" not in done
        row |= {
            "deaths": done["estimate"],
            "deaths_low": low,
            "deaths_high": high,
            "se": done.get("se"),
            "ci_low": done.get("ci_low"),
            "ci_high": done.get("ci_high"),
            "reason": done["method"].rpartition("; ")[2] if no_error else "",
        }
        return row | _told_rate(set(some.values()), row)

    def _figures(self, rates: dict[int, _Rate]) -> DomainEstimates:
        """Return the deaths of some parts over all domains; parts of one key share its error."""
        parts, keys = list(rates), list(dict.fromkeys(rate.key for rate in rates.values()))
        first = {rate.key: rate for rate in reversed(rates.values())}
        by_key = np.array([[rates[part].key == key for part in parts] for key in keys], dtype=float)
        fish, cov = self.found.fish[:, parts], self.found.cov[:, parts][:, :, parts]
        value, of_fish, whole = weighted_sum(
            fish @ by_key.T,
            np.einsum("qp,dpr,sr->dqs", by_key, cov, by_key),
            weight=np.array([first[key].rate_prop for key in keys]),
            weight_se=np.array([first[key].rate_se or 0.0 for key in keys]),
        )
        lacking = tuple({self.plan.parts[part][0] for part in parts if _is_given(rates[part])})
        missing = self.plan.missing_of(self.found, lacking)
        return DomainEstimates(QuantityKind.DEATHS, value, whole, of_fish, "", missing)


def _is_given(rate: _Rate) -> bool:
    """Return whether a rate is the user's, which can lack, and not a printed one."""
    return rate.key not in (MOOCHING, TROLLING)


def _ends_of(rates: dict[int, _Rate], side: str) -> Iterator[tuple[int, float]]:
    """Yield parts with one end of their rates, NaN where a rate has none."""
    for part, rate in rates.items():
        end = rate.low if side == "low" else rate.high
        yield part, math.nan if end is None else end


def _sum(deaths: Iterable[float]) -> float | None:
    """Return the deaths at one end together; None where a rate has no such end."""
    whole = float(sum(deaths))
    return None if math.isnan(whole) else whole


def _told_rate(used: set[_Rate], row: Row) -> Row:
    """Return the one rate behind a row, else the mean of several, with their sources."""
    if not used:
        return {}
    if len(used) == 1:
        (one,) = used
        found: Row = {"rate_prop": one.rate_prop, "rate_se": one.rate_se}
    else:
        found = {"rate_prop": row["deaths"] / row["fish"]}
    for column in ("source", "standing"):
        found[column] = "; ".join(sorted({getattr(one, column) for one in used} - {""})) or None
    return found
