"""Season deaths by area: every group of fish with its rate, and their totals at low and high."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any, ClassVar, TypeAlias

import numpy as np
import pyarrow as pa

from analytics.codes import coded, exclude, join_codes, why_no_error
from analytics.data.kept import MakesOnce
from analytics.estimates.estimate import add_intervals, bearing, result_rows
from analytics.estimates.result_rows import (
    DEATHS_ESTIMATOR,
    DomainEstimates,
    death_figures,
    domain_names,
    result_row,
)
from analytics.estimates.season_survey import deaths_in_detail, known_totals, season_estimators
from analytics.fish.mark_composition import deaths_at_ends
from analytics.fish.mortality_rates import ANY, DROP_OFF, KEPT_FATE, MOOCHING, RELEASED, TROLLING
from analytics.fish.release_mortality import FATES, NO_RATE, deaths_at_rates
from analytics.quantities import QuantityKind
from analytics.released.schemas import DEATH_SCHEMA, METHOD_MIX_SCHEMA
from analytics.settings import FishBasis
from analytics.survey.domains import Domains
from analytics.survey.reduction import Reduction

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.fish.mortality_rates import MortalityRate, PublishedRate
    from analytics.fish.release_mortality import DeathPlan, FishByRate, Group
    from analytics.survey.domain_totals import DomainTotals
    from analytics.survey.estimators import TotalEstimator

    Row = dict[str, Any]
    Rate: TypeAlias = MortalityRate | PublishedRate


# Releases and losses of a season by size class and fishing method, made ready for its tables.

#: What a table says of a fishing method that the boat did not report; null is all methods.
NOT_REPORTED = "not reported"
#: Domains of the tables: each area, and all together.
BY_AREA = (False, True)


@dataclass(frozen=True, slots=True, eq=False)
class DeathSums:
    """A season's fish in one pass over its interviews; no group mixes size classes or methods."""

    plan: DeathPlan
    estimators: tuple[TotalEstimator, ...]


def death_sums(season: SeasonSurvey) -> DeathSums:
    """Reduce the interviews of a season to the sums that deaths by class need."""
    plan = deaths_in_detail(season.snapshot, season.deaths)
    reduce = partial(Reduction, measures=plan.measures, analyses=[plan.analysis])
    return DeathSums(
        plan, tuple(season_estimators(season.snapshot, season.design, season.plans, reduce))
    )


@dataclass(frozen=True, slots=True, eq=False)
class AreaRows(MakesOnce):
    """What the rows of each domain of some totals are made from; `found` is their fish by rate.

    Figures of some parts are made once, for all domains.
    """

    schema: ClassVar[pa.Schema]
    plan: DeathPlan
    season: SeasonSurvey
    totals: DomainTotals
    found: FishByRate
    level: float
    _made: dict[object, Any] = field(default_factory=dict, init=False, repr=False)

    def at(self, place: int, area: int | None) -> Iterator[Row]:
        """Yield the rows of one domain, without season, area and level."""
        raise NotImplementedError

    def finished(self, figures: DomainEstimates, place: int, area: int | None) -> Row:
        """Return one of the figures as a result row."""
        return result_row(
            self.season.design, self.totals, figures, place, area=area, level=self.level
        )

    def fish_of(self, parts: Sequence[int]) -> DomainEstimates:
        """Return the fish of some parts together."""
        return self.once(tuple(parts), partial(self._fish_of, parts))

    def _fish_of(self, parts: Sequence[int]) -> DomainEstimates:
        chosen = list(parts)
        fish = self.found.fish[:, chosen].sum(axis=1)
        variance = self.found.cov[:, chosen][:, :, chosen].sum(axis=(1, 2))
        made = DomainEstimates(QuantityKind.TOTAL, fish, variance, variance, "", ("",) * len(fish))
        return self._with_intervals(made, dict.fromkeys(chosen, 1.0))

    def deaths_of(self, rates: Mapping[int, Rate], groups: tuple[int, ...]) -> DomainEstimates:
        """Return the deaths of some parts at their rates; none where one of `groups` lacks one."""
        return self.once((*rates.items(), groups), partial(self._deaths_of, rates, groups))

    def _deaths_of(self, rates: Mapping[int, Rate], groups: tuple[int, ...]) -> DomainEstimates:
        parts = list(rates)
        fish, cov = self.found.fish[:, parts], self.found.cov[:, parts][:, :, parts]
        value, of_fish, variance = deaths_at_rates(fish, cov, list(rates.values()))
        missing = self.plan.missing_of(self.found, groups)
        made = DomainEstimates(QuantityKind.DEATHS, value, variance, of_fish, "", missing)
        return self._with_intervals(made, {one: rate.rate_prop for one, rate in rates.items()})

    def _with_intervals(
        self, figures: DomainEstimates, rates: Mapping[int, float]
    ) -> DomainEstimates:
        """Return figures of some parts with intervals, each part bearing on them by its rate."""
        order = list(self.plan.measures)
        weight, of_group = np.zeros(len(order)), dict[int, list[float]]()
        for part, rate in rates.items():
            of_group.setdefault(self.plan.parts[part][0], []).append(rate)
        for group, some in of_group.items():
            weight[order.index(self.plan.groups[group].measure.name)] += sum(some) / len(some)
        return add_intervals(self.totals, figures, weight=weight, level=self.level)


def table_of_areas(
    sums: DeathSums, season: SeasonSurvey, rows_of: type[AreaRows], *, level: float
) -> pa.Table:
    """Return the rows of all areas together, then those of each area."""
    rows: list[Row] = []
    for by_area in BY_AREA:
        domains = Domains(by_area, by_week=False, n_weeks=len(season.design.weeks))
        for _, totals, places in known_totals(sums.estimators, sums.plan.analysis, domains):
            found = sums.plan.fish(totals.total, totals.cov_of_sums)
            made = rows_of(sums.plan, season, totals, found, level)
            for code, place in places.items():
                first = domain_names(season.design, domains, code)
                first |= {"basis": "reported", "ci_level": level}
                rows += [first | row for row in made.at(place, domains.cell(code)[0])]
    rows.sort(key=lambda row: row["area"] or "")
    return pa.Table.from_pylist(rows, rows_of.schema)


def method_of(group: Group) -> str | None:
    """Return the fishing method of a group as tables have it, None for all."""
    if group.size_class == ANY and not group.methods:
        return None
    return " or ".join(sorted(NOT_REPORTED if one is None else one for one in group.methods))


ALL = "all"
#: The rows of totals, each with the quantity of the result rows that it is.
_TOTALS = {
    RELEASED: "release_deaths_fish",
    DROP_OFF: "drop_off_deaths_fish",
    ALL: "total_deaths_fish",
}


def death_table(season: SeasonSurvey, *, level: float, sums: DeathSums | None = None) -> pa.Table:
    """Return kept fish, release deaths and drop-off deaths of a season by class, in `DEATH_SCHEMA`.

    All areas (null) first, then each area: a row for each fate, size class, fishing method and
    wound class that take one rate, then rows of size ``any`` without a method for all released, all
    dropped off and everything (fate ``all``), whose deaths are those of the result rows. Low and
    high are the same fish at the ends of the rate's interval (logit scale).
    """
    sums = sums or death_sums(season)
    table = table_of_areas(sums, season, _DeathRows, level=level)
    if season.basis is not FishBasis.REPORTED:
        return table
    return _with_intervals_of_rows(table, season, level=level)


def _with_intervals_of_rows(table: pa.Table, season: SeasonSurvey, *, level: float) -> pa.Table:
    """Return the table with the result rows' own intervals of totals.

    The groups of the table are finer, and would move what areas borrow a little.
    """
    of_total = {name: fate for fate, name in _TOTALS.items()}
    ends = {
        (row["area"], of_total[row["quantity"]]): {
            "ci_low": row["ci_low"],
            "ci_high": row["ci_high"],
        }
        for by in (("area",), ("season",))
        for row in result_rows(season, by=by, level=level, quantities=of_total)
    }
    rows = [
        row | ends.get((row["area"], row["fate"]), {})
        if row["size_class"] == ANY and row["method"] is None
        else row
        for row in table.to_pylist()
    ]
    return pa.Table.from_pylist(rows, table.schema)


@dataclass(frozen=True, slots=True, eq=False)
class _DeathRows(AreaRows):
    """The rows of each domain of some totals."""

    schema: ClassVar[pa.Schema] = DEATH_SCHEMA

    def at(self, place: int, area: int | None) -> Iterator[Row]:
        """Yield the rows of one domain: kept, released, drop-off, each before its total."""
        for fate in (KEPT_FATE, RELEASED, DROP_OFF):
            for part, (group, _) in enumerate(self.plan.parts):
                if self.plan.groups[group].fate == fate and self._is_used(part, place):
                    yield self._part(part, place, area)
            if fate in _TOTALS:
                yield self._total(fate, place, area)
        yield self._total(ALL, place, area)

    def _is_used(self, part: int, place: int) -> bool:
        """Return whether a part stands for fish: by wound where reported, else of any."""
        group, rate = self.plan.parts[part]
        choice = self.plan.groups[group].choice
        if not choice.is_split or choice.any_wound is None:
            return True
        return bool(self.found.wound_unknown[place, group]) == (rate is choice.any_wound)

    def _part(self, part: int, place: int, area: int | None) -> Row:
        group_place, rate = self.plan.parts[part]
        group = self.plan.groups[group_place]
        shown = self.finished(self.fish_of([part]), place, area)
        deaths = self.deaths_of({part: rate}, (group_place,))
        row = self._columns(deaths, place, area) | {
            "fate": group.fate,
            "size_class": group.size_class,
            "method": method_of(group),
            "wound_class": ANY if rate is NO_RATE else rate.wound_class,
            "fish": shown.get("estimate"),
            "fish_se": shown.get("se"),
        }
        if not deaths.missing[place] and rate is not NO_RATE:
            row |= self._rate(row, rate, is_unknown=group.size_class == "unknown")
            row["reason"] = join_codes([group.base, row["reason"]])
        return row

    def _rate(self, row: Row, rate: MortalityRate, *, is_unknown: bool) -> Row:
        """Return a rate with its interval and standing, and the deaths at its ends."""
        fish = row["fish"]
        found: Row = {"rate_prop": rate.rate_prop, "rate_se": rate.rate_se}
        if rate.fate != KEPT_FATE:
            found |= {"source": rate.source or None, "evidence": rate.evidence}
        low, high = rate.limits(self.level)
        found |= {"rate_low": low, "rate_high": high}
        if low is not None and high is not None and fish is not None:
            found |= {"deaths_low": fish * low, "deaths_high": fish * high}
        words = [row["reason"]] if row["reason"] else []
        if rate.rate_se is None:
            words.append(coded("rate_error_missing"))
        elif low is None:
            words.append(coded("rate_on_edge"))
        if is_unknown and rate.size_class == "sublegal":
            words.append(coded("sublegal_rate_for_unknown"))
        return found | {"reason": join_codes(words)}

    def _total(self, fate: str, place: int, area: int | None) -> Row:
        """Return the row of one quantity of deaths, with its ends."""
        quantity = _TOTALS[fate]
        figures = self.once(quantity, partial(self._total_of, quantity))
        row: Row = {"fate": fate, "size_class": ANY, "wound_class": ANY}
        row |= self._columns(figures, place, area)
        if row["deaths"] is None:
            return row
        method = self.finished(figures, place, area)["method"]
        words = exclude(method, [DEATHS_ESTIMATOR])
        places = [
            part
            for part, (group, _) in enumerate(self.plan.parts)
            if self.plan.groups[group].fate in FATES[quantity]
        ]
        fish = [float(self.found.fish[place, part]) for part in places]
        rates = [self.plan.parts[part][1] for part in places]
        low, high = deaths_at_ends(zip(rates, fish, strict=True), self.level)
        row |= {"deaths_low": low, "deaths_high": high}
        if fate != ALL:
            variance = self.found.cov[place][np.ix_(places, places)].sum()
            row["fish"] = float(self.found.fish[place, places].sum())
            row["fish_se"] = float(np.sqrt(variance)) if variance >= 0 and row["se"] else None
        groups = [
            self.plan.groups[group] for group in {self.plan.parts[part][0] for part in places}
        ]
        base = join_codes(sorted({group.base for group in groups})) if fate == DROP_OFF else ""
        of_ends = coded("a_rate_without_interval" if low is None else "all_rates_at_ends")
        return row | {"reason": join_codes([base, words, of_ends])}

    def _total_of(self, quantity: str) -> DomainEstimates:
        return add_intervals(
            self.totals,
            death_figures(self.plan, quantity, self.totals),
            weight=bearing(quantity, self.plan),
            level=self.level,
        )

    def _columns(self, figures: DomainEstimates, place: int, area: int | None) -> Row:
        """Return deaths in the columns of the table."""
        row = self.finished(figures, place, area)
        value, se = row.get("estimate"), row.get("se")
        of_fish, both = figures.sample_variance[place], figures.variance[place]
        no_error = "" if value is None or se is not None else why_no_error(row["method"])
        return {
            "deaths": value,
            **{name: row.get(name) for name in ("se", "ci_low", "ci_high")},
            "catch_variance_prop": float(of_fish / both) if se and of_fish >= 0 else None,
            "reason": row["method"] if value is None else no_error,
        }


# What the mix of mooching and trolling does to the deaths of sublegal releases.

AS_GIVEN = "as_given"
AS_FISHED = "published_as_fished"
ALL_MOOCHED = "all_mooching"
ALL_TROLLED = "all_trolling"
#: Letters of a method's free text that name it, whatever comes with them.
_STEMS = (("mooch", MOOCHING), ("troll", TROLLING))


def printed_rate(method: str | None) -> PublishedRate | None:
    """Return the printed rate of mooching or trolling, if a user's words hold its stem."""
    words = (method or "").casefold()
    return next((rate for stem, rate in _STEMS if stem in words), None)


def mix_table(season: SeasonSurvey, *, level: float, sums: DeathSums | None = None) -> pa.Table:
    """Return deaths of sublegal releases at given and printed rates, in `METHOD_MIX_SCHEMA`.

    Four cases, each a total (method null) and its part by fishing method: the rates given; printed
    rates of mooching (Grover et al. 2002) and trolling (Wertheimer 1988) for the fish so caught,
    other methods at the rates given; every fish as if mooched; every fish as if trolled. The
    printed rates are of other fisheries. All areas (null) come first; where nobody mooched or
    trolled there is one row with a reason.
    """
    sums = sums or death_sums(season)
    return table_of_areas(sums, season, _MixRows, level=level)


@dataclass(frozen=True, slots=True, eq=False)
class _MixRows(AreaRows):
    """The rows of each domain of some totals."""

    schema: ClassVar[pa.Schema] = METHOD_MIX_SCHEMA

    def at(self, place: int, area: int | None) -> Iterator[Row]:
        parts = [
            part
            for part, (group, _) in enumerate(self.plan.parts)
            if self.plan.groups[group].fate == RELEASED
            and self.plan.groups[group].size_class == "sublegal"
        ]
        if not parts:
            yield {"case": AS_FISHED, "reason": coded("no_sublegal_known")}
            return
        named = [part for part in parts if printed_rate(method_of(self._group(part)))]
        if not self.found.fish[place, named].sum() > 0:
            none = self._row({part: self._given(part) for part in parts}, place, area)
            reason = coded("no_printed_method") if none["fish"] is not None else none["reason"]
            yield {"case": AS_FISHED, "reason": reason}
            return
        cases: tuple[tuple[str, Callable[[int], Rate]], ...] = (
            (AS_GIVEN, self._given),
            (AS_FISHED, self._as_fished),
            (ALL_MOOCHED, lambda _: MOOCHING),
            (ALL_TROLLED, lambda _: TROLLING),
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

    def _given(self, part: int) -> Rate:
        return self.plan.parts[part][1]

    def _as_fished(self, part: int) -> Rate:
        return printed_rate(method_of(self._group(part))) or self._given(part)

    def _row(self, rates: dict[int, Rate], place: int, area: int | None) -> Row:
        """Return fish and deaths of some parts, each at its rate."""
        given = (at for at in rates if rates[at] not in (MOOCHING, TROLLING))
        groups = tuple({self.plan.parts[part][0] for part in given})
        shown = self.finished(self.fish_of(list(rates)), place, area)
        done = self.finished(self.deaths_of(rates, groups), place, area)
        row: Row = {"fish": shown.get("estimate"), "reason": done["method"]}
        if "estimate" not in done:
            return row
        fish = self.found.fish[place]
        used = {part: rate for part, rate in rates.items() if fish[part] > 0}
        at_ends = ((rate, float(fish[part])) for part, rate in used.items())
        row["deaths_low"], row["deaths_high"] = deaths_at_ends(at_ends, self.level)
        row |= {
            "deaths": done["estimate"],
            **{name: done.get(name) for name in ("se", "ci_low", "ci_high")},
            "reason": "" if "se" in done else why_no_error(done["method"]),
        }
        return row | _rate_columns(set(used.values()), row)


def _rate_columns(used: set[Rate], row: Row) -> Row:
    """Return the one rate behind a row, else the mean of several, with their sources."""
    if not used:
        return {}
    if len(used) == 1:
        (one,) = used
        found: Row = {"rate_prop": one.rate_prop, "rate_se": one.rate_se}
    else:
        found = {"rate_prop": row["deaths"] / row["fish"]}
    sources, grades = {one.source for one in used}, {one.evidence or "" for one in used}
    for column, words in (("source", sources), ("evidence", grades)):
        found[column] = "; ".join(sorted(words - {""})) or None
    return found
