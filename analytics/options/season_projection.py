"""A season under an option: trips of every open day and the fish they bring, area by area."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from analytics.options.baseline import (
    LEGAL_MARKED,
    LEGAL_UNMARKED,
    SUBLEGAL_MARKED,
    SUBLEGAL_UNMARKED,
    BaselineArrays,
    ratio,
)
from analytics.options.catch_per_trip import PerTrip, death_rates, per_trip
from analytics.options.option import Option
from analytics.options.regulations import option_plan, today_plan

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from analytics.options.baseline import Baseline
    from analytics.options.catch_per_trip import DeathRates
    from analytics.options.regulations import Regulation, RegulationPeriod, RegulationPlan

    Floats = NDArray[np.float32]
    #: A part of the stream, and what each of its fish counts; None for one.
    Terms = list[tuple[str, Floats | None]]


_PARTS = ("kept", "legal", "sublegal", "unknown")
#: Totals that are sums of parts.
_SUMS = {
    "angler_trips": ("trips",),
    "kept_fish": ("kept",),
    "released_legal_fish": ("legal",),
    "released_sublegal_fish": ("sublegal",),
    "released_unknown_fish": ("unknown",),
    "released_fish": _PARTS[1:],
    "encounter_fish": _PARTS,
}
_PAIRS = {LEGAL_MARKED: SUBLEGAL_MARKED, LEGAL_UNMARKED: SUBLEGAL_UNMARKED}
_DEATHS = ("release_deaths_fish", "drop_off_deaths_fish", "total_deaths_fish")
#: Totals that go with trips at their share so far.
_WITH_TRIPS = ("boat_trips", "angler_hours")
#: Every total that can be given ahead.
TOTALS = (*_SUMS, *_WITH_TRIPS, *_PAIRS, *_PAIRS.values(), *_DEATHS)


class CatchCalculator:
    """Makes streams on one arrays, and keeps what today's rules take per trip."""

    def __init__(self, arrays: BaselineArrays, today: Sequence[RegulationPlan]) -> None:
        self.arrays = arrays
        self.today = today
        self._per_trip: dict[tuple[int, Regulation], PerTrip] = {}
        self._rates: dict[tuple[object, ...], DeathRates] = {}

    def per_trip(self, area: int, regulation: Regulation) -> PerTrip:
        """Return fish per trip; those of today's regulations are kept."""
        found = self._per_trip.get((area, regulation))
        if found is None:
            found = per_trip(self.arrays, area, regulation)
            if regulation in self.today[area].regulations:
                self._per_trip[area, regulation] = found
        return found

    def deaths(self, area: int, regulation: Regulation) -> DeathRates:
        """Return deaths per fish."""
        key = area, regulation.mix, regulation.rates
        if key not in self._rates:
            self._rates[key] = death_rates(self.arrays, *key)
        return self._rates[key]


class AreaProjection:
    """What an area brings by period: parts of shape (S, D), and any total of them."""

    def __init__(
        self, calculator: CatchCalculator, area: int, trips: DisplacedEffort, elasticity: float
    ) -> None:
        self.calculator, self.area, self.day_trips = calculator, area, trips
        arrays, plan, today = calculator.arrays, trips.plans[area], calculator.today[area]
        self.plan = plan
        self.periods: tuple[RegulationPeriod, ...] = plan.periods(arrays.baseline.week, today)
        shape = len(self.periods), arrays.n_draws
        self.came = np.empty(shape, dtype=np.float32)
        for row, period in zip(self.came, self.periods, strict=True):
            row[:] = trips.of_days(area, period.days)
        self.parts: dict[str, Floats] = {"trips": self.came}
        self._sums: dict[tuple[str, int], Floats] = {}
        groups: dict[tuple[int, int], list[int]] = {}
        for place, one in enumerate(self.periods):
            groups.setdefault((one.regulation, one.today), []).append(place)
        #: Places of the periods under each regulation.
        self.groups = [(key[0], np.array(places)) for key, places in groups.items()]
        for (regulation, was), places in groups.items():
            self._fill(
                plan.regulations[regulation], today.regulations[was], np.array(places), elasticity
            )

    def _fill(
        self, regulation: Regulation, was: Regulation, places: NDArray[np.int64], elasticity: float
    ) -> None:
        """Calculate the periods of one regulation."""
        weeks = np.array([self.periods[place].week for place in places])
        found = self.calculator.per_trip(self.area, regulation).rows(weeks)
        is_all = len(places) == len(self.periods)
        trips = self.came if is_all else self.came[places]
        if elasticity and regulation != was:
            before = self.calculator.per_trip(self.area, was).rows(weeks).kept
            gain = ratio(found.kept, before, np.float32(1)) ** np.float32(elasticity)
            trips = trips * gain
            self._put("trips", trips, places, is_all=is_all)
        for name in (*_PARTS, "moved"):
            each = getattr(found, name)
            if each is not None:
                self._put(name, trips * each, places, is_all=is_all)

    def _put(self, name: str, values: Floats, places: NDArray[np.int64], *, is_all: bool) -> None:
        if is_all:
            self.parts[name] = values
            return
        if name not in self.parts:
            self.parts[name] = np.zeros_like(self.came)
        elif self.parts[name] is self.came:
            self.parts[name] = self.came.copy()
        self.parts[name][places] = values

    def _terms(self, total: str, regulation: Regulation) -> Terms:
        """Return a total as parts with what each of their fish counts."""
        if total in _SUMS:
            return [(part, None) for part in _SUMS[total]]
        if total in _WITH_TRIPS:
            return [("trips", self._per_angler_trip(total))]
        if total in _DEATHS:
            return self._death_terms(total, regulation)
        return self._class_terms(total)

    def _per_angler_trip(self, total: str) -> Floats:
        to_date, none = self.calculator.arrays.baseline.to_date, np.float32(np.nan)
        over, trips = to_date[total], to_date["angler_trips"]
        every = ratio(over.sum(axis=1), trips.sum(axis=1), none)
        return ratio(over[:, self.area], trips[:, self.area], every)

    def _death_terms(self, total: str, regulation: Regulation) -> Terms:
        rates = self.calculator.deaths(self.area, regulation)
        zero = np.zeros_like(rates.legal)
        found = dict.fromkeys(_PARTS, zero)
        if total != "release_deaths_fish":
            found = dict.fromkeys(_PARTS, rates.per_encounter)
            found["kept"] = found["kept"] + rates.per_kept
        if total != "drop_off_deaths_fish":
            for name in _PARTS[1:]:
                found[name] = found[name] + getattr(rates, name)
        if total == "total_deaths_fish":
            found["kept"] = found["kept"] + 1
        return [(name, each) for name, each in found.items() if each is not zero]

    def _class_terms(self, total: str) -> Terms:
        """Return the terms of a class; fish moved between sizes keep the marks of where they were.

        Legal fish as reported so far are kept + legal + moved, sublegal ones sublegal - moved.
        """
        per_fish, area = self.calculator.arrays.baseline.class_per_fish, self.area
        legal = total if total in _PAIRS else {two: one for one, two in _PAIRS.items()}[total]
        if not {legal, _PAIRS[legal]} <= set(per_fish):
            return [("trips", np.full(self.came.shape[1], np.nan, dtype=np.float32))]
        of_legal, of_sublegal = per_fish[legal][:, area], per_fish[_PAIRS[legal]][:, area]
        is_legal = total == legal
        terms: Terms = [("kept", of_legal), ("legal", of_legal)]
        if not is_legal:
            terms = [("sublegal", of_sublegal)]
        if "moved" in self.parts:
            # A part with both signs: what went down is of legal fish, what came up of sublegal.
            terms.append(("down" if not is_legal else "up", of_legal - of_sublegal))
        return terms

    def _part(self, name: str, at: int | slice | NDArray[np.int64] = slice(None)) -> Floats | None:
        if name == "down":
            return np.maximum(self.parts["moved"][at], 0)
        if name == "up":
            return np.minimum(self.parts["moved"][at], 0)
        part = self.parts.get(name)
        return None if part is None else part[at]

    def total(self, total: str) -> Floats:
        """Return a total of all days to come, shape (D,)."""
        found = np.zeros(self.came.shape[1], dtype=np.float32)
        for number, (regulation, places) in enumerate(self.groups):
            for name, weight in self._terms(total, self.plan.regulations[regulation]):
                if name in self.parts or name in ("down", "up"):
                    summed = self._sum(name, number, places)
                    found += summed if weight is None else summed * weight
        return found

    def _sum(self, name: str, number: int, places: NDArray[np.int64]) -> Floats:
        """Return the sum of a part over the periods of a regulation; many totals ask for it."""
        if (name, number) not in self._sums:
            part = self._part(name, slice(None) if len(self.groups) == 1 else places)
            self._sums[name, number] = np.asarray(part).sum(axis=0)
        return self._sums[name, number]

    def add_by_week(self, total: str, weeks: Floats) -> None:
        """Add a total to the rows of its weeks, shape (W, D).

        A row at a time: it stays in the cache, where all parts would not.
        """
        for number, places in self.groups:
            terms = self._terms(total, self.plan.regulations[number])
            for place in places.tolist():
                self._add(terms, place, weeks[self.periods[place].week])

    def _add(self, terms: Terms, place: int, row: Floats) -> None:
        for name, weight in terms:
            part = self._part(name, place)
            if part is not None:
                row += part if weight is None else part * weight

    def of_period(self, totals: Sequence[str], place: int) -> Floats:
        """Return the sum of some totals in one period, shape (D,)."""
        found = np.zeros(self.came.shape[1], dtype=np.float32)
        for total in totals:
            terms = self._terms(total, self.plan.regulations[self.periods[place].regulation])
            self._add(terms, place, found)
        return found

    def by_day(self, totals: Sequence[str], week: int) -> Iterator[tuple[int, Floats]]:
        """Yield each open day of a week and the sum of some totals on it, shape (D,)."""
        for place, period in enumerate(self.periods):
            if period.week == week:
                per_trip = self._per_trip(totals, place)
                for n in period.days:
                    yield n, per_trip * self.day_trips.of_day(self.area, n)

    def add_by_day(self, sums: Sequence[tuple[Sequence[str], Sequence[Floats]]]) -> None:
        """Add sums of totals to the rows of the open days of their tables, shape (N, D) each."""
        for place, period in enumerate(self.periods):
            per_trip = [self._per_trip(totals, place) for totals, _ in sums]
            for n in period.days:
                trips = self.day_trips.of_day(self.area, n)
                for each, (_, tables) in zip(per_trip, sums, strict=True):
                    brought = each * trips
                    for days in tables:
                        days[n] += brought

    def _per_trip(self, totals: Sequence[str], place: int) -> Floats:
        return ratio(self.of_period(totals, place), self.came[place], np.float32(0))


# Angler trips under an option: open days, and where the trips of closed days go.


class DisplacedEffort:
    """The trips of every open day, before any gain or loss from what is kept.

    A share of the trips of a day that an option closes goes to the areas open that day, another to
    the open days of the same area and week, each in proportion to the trips these have; the rest
    are not made, nor are shares that find nothing open. Days that it opens bring trips of their
    own. An area whose trips are not known neither gives nor takes; `left_out` names those where any
    would.
    """

    def __init__(
        self,
        arrays: BaselineArrays,
        plans: Sequence[RegulationPlan],
        today: Sequence[RegulationPlan],
        option: Option,
    ) -> None:
        self.arrays = arrays
        self.plans = plans
        closed = np.array(
            [was.is_open & ~now.is_open for was, now in zip(today, plans, strict=True)]
        )
        elsewhere = bool(option.to_other_areas_prop and closed.any())
        moves = elsewhere or bool(option.to_other_days_prop and closed.any())
        areas = arrays.baseline.areas
        unknown = [
            moves and self._is_unknown(a, each | plans[a].is_open) for a, each in enumerate(closed)
        ]
        self.left_out = tuple(one for one, out in zip(areas, unknown, strict=True) if out)
        self._known = ~np.array(unknown, dtype=bool)
        closed &= self._known[:, None]
        #: Gains of a day in all open areas; of a week in one area.
        self.by_day: dict[int, Floats] = {}
        self.by_week: dict[tuple[int, int], Floats] = {}
        if elsewhere:
            for n in np.flatnonzero(closed.any(axis=0)).tolist():
                self._to_areas(n, np.flatnonzero(closed[:, n]), option.to_other_areas_prop)
        if option.to_other_days_prop:
            for area in np.flatnonzero(closed.any(axis=1)).tolist():
                self._to_days(area, np.flatnonzero(closed[area]), option.to_other_days_prop)

    def _is_unknown(self, area: int, days: NDArray[np.bool_]) -> bool:
        """Return whether the trips of some of an area's days are no numbers."""
        return bool(np.isnan(self.arrays.effort[area, days]).any())

    def _to_areas(self, n: int, closed: NDArray[np.int64], share: float) -> None:
        opens = [a for a, plan in enumerate(self.plans) if plan.is_open[n] and self._known[a]]
        if not opens:
            return
        effort = self.arrays.effort
        displaced = effort[closed, n].sum(axis=0)
        base = sum((self._own(area, n) for area in opens), start=np.zeros_like(displaced))
        self.by_day[n] = ratio(displaced * np.float32(share), base, np.float32(0))

    def _to_days(self, area: int, closed: NDArray[np.int64], share: float) -> None:
        week, plan = self.arrays.baseline.week, self.plans[area]
        for number in np.unique(week[closed]).tolist():
            opens = np.flatnonzero(plan.is_open & (week == number)).tolist()
            if opens:
                displaced = self.arrays.effort[area, closed[week[closed] == number]].sum(axis=0)
                base = sum((self._own(area, n) for n in opens), start=np.zeros_like(displaced))
                self.by_week[area, number] = ratio(
                    displaced * np.float32(share), base, np.float32(0)
                )

    def gains(self, area: int) -> bool:
        """Return whether trips come to an area from elsewhere."""
        is_open = self.plans[area].is_open
        return any(is_open[n] for n in self.by_day) or any(one == area for one, _ in self.by_week)

    def of_day(self, area: int, n: int) -> Floats:
        """Return the trips of an open day, shape (D,)."""
        own = self._own(area, n)
        week = int(self.arrays.baseline.week[n])
        gains = [self.by_day.get(n), self.by_week.get((area, week))]
        found = own
        for gain in gains:
            if gain is not None:
                found = found + own * gain
        return found

    def of_days(self, area: int, days: Sequence[int]) -> Floats:
        """Return the trips of some open days together, shape (D,)."""
        total = self.of_day(area, days[0])
        if len(days) > 1:
            total = total + self.of_day(area, days[1])
        for n in days[2:]:
            total += self.of_day(area, n)
        return total

    def _own(self, area: int, n: int) -> Floats:
        factor, effort = self.plans[area].factor[n], self.arrays.effort[area, n]
        found: Floats = effort if factor == 1 else effort * np.float32(factor)
        return found


#: Options whose rules are kept: a question asks for those of one several times.
_MOST_KEPT = 16


@dataclass(frozen=True, slots=True, eq=False)
class SeasonProjection:
    """An option projected: the trips of every open day, and each area, None without an open day."""

    trips: DisplacedEffort
    areas: tuple[AreaProjection | None, ...]


class SeasonProjector:
    """A baseline made ready once for every option on it."""

    def __init__(self, baseline: Baseline) -> None:
        self.baseline = baseline
        self.arrays = BaselineArrays(baseline)
        self.today = [today_plan(baseline, area) for area in range(len(baseline.areas))]
        self.calculator = CatchCalculator(self.arrays, self.today)
        self._last: dict[int, tuple[Option, list[RegulationPlan]]] = {}

    @cached_property
    def as_today(self) -> SeasonProjection:
        """The season under today's rules."""
        trips = DisplacedEffort(self.arrays, self.today, self.today, Option("as today"))
        areas = tuple(
            AreaProjection(self.calculator, area, trips, 0.0) if plan.is_open.any() else None
            for area, plan in enumerate(self.today)
        )
        return SeasonProjection(trips, areas)

    def projected(
        self, option: Option, *, shut: NDArray[np.bool_] | None = None
    ) -> SeasonProjection:
        """Return the season under an option; an area that it does not touch is that of `as_today`.

        `shut`, shape (A, N), closes days beside.
        """
        areas, plans = range(len(self.today)), self._plans(option)
        if shut is not None:
            plans = [
                replace(plan, is_open=plan.is_open & ~one)
                for plan, one in zip(plans, shut, strict=True)
            ]
        trips = DisplacedEffort(self.arrays, plans, self.today, option)
        return SeasonProjection(trips, tuple(self._area(area, trips, option) for area in areas))

    def _area(self, area: int, trips: DisplacedEffort, option: Option) -> AreaProjection | None:
        plan = trips.plans[area]
        if plan.is_as(self.today[area]) and not trips.gains(area):
            return self.as_today.areas[area]
        if not plan.is_open.any():
            return None
        return AreaProjection(self.calculator, area, trips, option.elasticity)

    def open_days(self, option: Option, areas: Sequence[str]) -> NDArray[np.int64]:
        """Return the days to come on which an option opens some of the areas."""
        plans = self._plans(option)
        mine = [plans[self.baseline.areas.index(one)].is_open for one in areas]
        return np.flatnonzero(np.any(mine, axis=0))

    def _plans(self, option: Option) -> list[RegulationPlan]:
        """Return the rules of every area under an option; those of the last few are kept."""
        found = self._last.get(id(option))
        if found is None or found[0] is not option:
            areas = range(len(self.today))
            found = option, [option_plan(self.baseline, option, area) for area in areas]
            if len(self._last) >= _MOST_KEPT:
                self._last.clear()
            self._last[id(option)] = found
        return found[1]
