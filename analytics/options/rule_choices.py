"""What a season brings at each choice of a rule: draws over a limit, trips and fish kept.

Where days do not act on each other, two projections give every choice at once: what each day brings
with the rule on one side, and on the other. Else every choice is projected.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.intervals import clopper_pearson
from analytics.options.limit_exceedance import LEVEL, WEEKDAY_SETS, switched
from analytics.options.option import Change, Find, Option
from analytics.options.option_checks import change_faults
from analytics.weeks import weekday_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.options.baseline import Limit
    from analytics.options.season_projection import SeasonProjector

    Floats = NDArray[np.float64]

#: Daily limits that are tried, and millimetres of minimum lengths about today's (our choice).
DAILY_LIMITS = tuple(range(11))
LENGTH_STEP_MM, LENGTH_SPAN_MM = 20, 100
#: Middle of the minimum lengths that are tried where none was in force (our choice).
LENGTH_UNKNOWN_MM = 550
#: Part of a total that is rounding: sums of days are of single precision.
_ROUNDING = 1e-5
_N_THREADS = 2
_GIVEN = ("angler_trips", "kept_fish")


@dataclass(frozen=True, slots=True, eq=False)
class Choices:
    """A rule's choices from strict to generous.

    - `values` (X): as in an option file; empty for the rule as it stands.
    - `over` (X, D): whether a draw exceeds any of the limits.
    - `trips`, `kept` (X): means of the season's totals.
    - `last_open` (X): last open day of the areas, for dates of closing.
    - `marked_share` (X): share of open days under marked fish only.
    - `is_known`: False where a draw of a limit has no number.
    - `moves`: whether a choice changes the fish of a limit in a draw.
    - `by_limit` (X, L): how many draws exceed each limit.
    """

    values: tuple[str, ...]
    over: NDArray[np.bool_]
    trips: Floats
    kept: Floats
    last_open: tuple[date | None, ...] = ()
    marked_share: Floats | None = None
    is_known: bool = True
    moves: bool = True
    by_limit: NDArray[np.int64] | None = None

    def at(self, place: int) -> dict[str, Any]:
        """Return what a choice brings, by the columns that tables of answers share."""
        count, n_draws = int(self.over[place].sum()), self.over.shape[1]
        low, high = clopper_pearson(count, n_draws, level=LEVEL)
        return {
            "last_open_day": self.last_open[place] if self.last_open else None,
            "prob": count / n_draws,
            "prob_low": low,
            "prob_high": high,
            "angler_trips": float(self.trips[place]),
            "kept_fish": float(self.kept[place]),
        }


@dataclass(frozen=True, slots=True, eq=False)
class _Measure:
    """A total of some areas: a limit, or what is given of all areas; `fish` None for the latter."""

    places: tuple[int, ...]
    quantities: tuple[str, ...]
    fish: float | None


class ChoiceScale:
    """What choices of rules are measured by: limits of which none may be exceeded."""

    def __init__(self, season: SeasonProjector, limits: Sequence[Limit]) -> None:
        self.season, baseline = season, season.baseline
        #: What each day brings with areas closed at once, by the areas and what is assumed.
        self._closed: dict[tuple[Any, ...], list[Floats]] = {}
        codes = baseline.areas
        self.measures = [
            _Measure(
                tuple(codes.index(one) for one in limit.areas if one in codes),
                tuple(limit.quantities),
                limit.fish,
            )
            for limit in limits
        ]
        every = tuple(range(len(codes)))
        self.measures += [_Measure(every, (name,), None) for name in _GIVEN]
        #: Of each area, its totals that are asked for, and the measures that hold them.
        self._alike: dict[int, dict[tuple[str, ...], list[int]]] = {}
        for at, one in enumerate(self.measures):
            for place in one.places:
                self._alike.setdefault(place, {}).setdefault(one.quantities, []).append(at)
        self.to_date = [
            sum(
                (
                    baseline.to_date[name][:, a].astype(np.float64)
                    for a in one.places
                    for name in one.quantities
                ),
                start=np.zeros(season.arrays.n_draws),
            )
            for one in self.measures
        ]

    def choices(self, find: Find, option: Option, areas: Sequence[str]) -> Choices:
        """Return every choice of a rule in some areas, beside what the option changes."""
        makers = {
            Find.CLOSE: self._closing,
            Find.MARKED: self._marked,
            Find.WEEKDAYS: self._weekdays,
            Find.DAILY_LIMIT: self._limits,
            Find.MIN_LENGTH: self._lengths,
        }
        return makers[find](option, tuple(areas))

    def longest_minimum(self, areas: Sequence[str]) -> float:
        """Return the greatest minimum length in mm that was in force in some areas; 0 for none."""
        baseline = self.season.baseline
        places = [baseline.areas.index(one) for one in areas]
        return float(np.nan_to_num(baseline.rules_to_date.min_length_mm[places, 0]).max())

    def _closing(self, option: Option, areas: tuple[str, ...]) -> Choices:
        opens = self.season.open_days(option, areas)
        days = [self._day(n) for n in opens.tolist()]
        firsts = [self._day(0), *(one + timedelta(days=1) for one in days[:-1])]
        values = (*(one.isoformat() for one in firsts), "")
        if option.to_other_days_prop:
            found = self._by_week(option, areas, opens, values)
        else:
            sides = self._by_day(option), self._closed_at_once(option, areas)
            found = self._dated(sides, opens, values)
        return replace(found, last_open=(None, *days))

    def _marked(self, option: Option, areas: tuple[str, ...]) -> Choices:
        opens = self.season.open_days(option, areas)
        values = (*(self._day(n).isoformat() for n in opens.tolist()), "")
        after = _with(option, Change(areas, mark_selective=True))
        found = self._dated((self._by_day(option), self._by_day(after)), opens, values)
        return replace(found, marked_share=1 - np.arange(len(values)) / max(len(opens), 1))

    def _weekdays(self, option: Option, areas: tuple[str, ...]) -> Choices:
        if option.to_other_days_prop:
            changes = [Change(areas, open_weekdays=one) for one in WEEKDAY_SETS]
            found = self._each(option, changes, WEEKDAY_SETS)
        else:
            every = self._by_day(_with(option, Change(areas, open_weekdays="1234567")))
            none = self._closed_at_once(option, areas)
            weekday = weekday_of(self.season.baseline.days)
            is_in = np.array([[str(day) in one for day in range(1, 8)] for one in WEEKDAY_SETS])
            totals = []
            for at, start in enumerate(self.to_date):
                of_open, of_shut = (
                    np.array([side[at][weekday == day].sum(0, np.float64) for day in range(1, 8)])
                    for side in (every, none)
                )
                totals.append(start + is_in @ of_open + ~is_in @ of_shut)
            found = self._made(WEEKDAY_SETS, totals)
        order = np.argsort(found.trips, kind="stable")
        return Choices(
            tuple(WEEKDAY_SETS[at] for at in order.tolist()),
            found.over[order],
            found.trips[order],
            found.kept[order],
            is_known=found.is_known,
            moves=found.moves,
            by_limit=None if found.by_limit is None else found.by_limit[order],
        )

    def _limits(self, option: Option, areas: tuple[str, ...]) -> Choices:
        changes = [Change(areas, daily_limit_fish=one) for one in DAILY_LIMITS]
        return self._each(option, changes, tuple(map(str, DAILY_LIMITS)))

    def _lengths(self, option: Option, areas: tuple[str, ...]) -> Choices:
        baseline, now = self.season.baseline, self.longest_minimum(areas)
        middle = LENGTH_STEP_MM * round((now or LENGTH_UNKNOWN_MM) / LENGTH_STEP_MM)
        steps = range(middle + LENGTH_SPAN_MM, middle - LENGTH_SPAN_MM - 1, -LENGTH_STEP_MM)
        changes = [Change(areas, min_length_mm=float(one)) for one in steps]
        sound = [one for one in changes if not change_faults(baseline, one)]
        values = tuple(f"{one.min_length_mm:g}" for one in sound)
        return self._each(option, sound, values)

    def _each(self, option: Option, changes: Sequence[Change], values: tuple[str, ...]) -> Choices:
        """Project every choice."""
        totals = [np.empty((len(changes), self.season.arrays.n_draws)) for _ in self.measures]

        def fill(row: int) -> None:
            made = self.season.projected(_with(option, changes[row])).areas
            for at, measure in enumerate(self.measures):
                mine = [made[place] for place in measure.places]
                totals[at][row] = self.to_date[at] + sum(
                    projection.total(name).astype(np.float64)
                    for projection in mine
                    if projection is not None
                    for name in measure.quantities
                )

        with ThreadPoolExecutor(_N_THREADS) as pool:
            list(pool.map(fill, range(len(changes))))
        return self._made(values, totals)

    def _closed_at_once(self, option: Option, areas: tuple[str, ...]) -> list[Floats]:
        """Return what each day to come brings with areas closed from the first on.

        No other rule acts in an area without an open day, so the changes of an option in these
        areas alone do not count.
        """
        acting = tuple(one for one in option.changes if not set(one.areas or ("",)) <= set(areas))
        shut = replace(option, changes=acting)
        key = (areas, repr(shut))
        if key not in self._closed:
            closed = Change(areas, close_from=self._day(0))
            self._closed[key] = self._by_day(_with(shut, closed))
        return self._closed[key]

    def _dated(
        self,
        sides: tuple[list[Floats], list[Floats]],
        opens: NDArray[np.int64],
        values: tuple[str, ...],
    ) -> Choices:
        """Return choices of a first day on which the second side takes the place of the first."""
        rows = [*opens.tolist(), len(self.season.baseline.days)]
        totals = [
            switched(*side, rows, start=start)
            for start, side in zip(self.to_date, zip(*sides, strict=True), strict=True)
        ]
        return self._made(values, totals)

    def _by_week(
        self,
        option: Option,
        areas: tuple[str, ...],
        opens: NDArray[np.int64],
        values: tuple[str, ...],
    ) -> Choices:
        """Return dates of closing where trips move within a week: weeks do not act on each other.

        Every week is projected closed from each of its days on.
        """
        baseline = self.season.baseline
        is_in = np.isin(baseline.areas, areas)
        weekday = weekday_of(baseline.days)
        starts = np.flatnonzero(np.diff(baseline.week, prepend=-1))
        cut = []
        for day in range(1, 9):
            shut = is_in[:, None] & (weekday >= day)[None]
            days = self._by_day(option, shut)
            cut.append([np.add.reduceat(one, starts, axis=0, dtype=np.float64) for one in days])
        totals = []
        for at, start in enumerate(self.to_date):
            whole = switched(cut[-1][at], cut[0][at], range(len(starts) + 1))
            rows = [
                whole[week] - cut[0][at][week] + cut[weekday[n] - 1][at][week]
                for n, week in ((n, baseline.week[n]) for n in opens.tolist())
            ]
            totals.append(start + np.array([*rows, whole[-1]]))
        return self._made(values, totals)

    def _by_day(self, option: Option, shut: NDArray[np.bool_] | None = None) -> list[Floats]:
        """Return what each day to come brings by each measure, shape (N, D)."""
        baseline, made = self.season.baseline, self.season.projected(option, shut=shut).areas
        shape = len(baseline.days), self.season.arrays.n_draws
        found = [np.zeros(shape, dtype=np.float32) for _ in self.measures]
        for place, alike in self._alike.items():
            projection = made[place]
            if projection is not None:
                projection.add_by_day(
                    [(names, [found[at] for at in measures]) for names, measures in alike.items()]
                )
        return found  # type: ignore[return-value]

    def _made(self, values: tuple[str, ...], totals: Sequence[Floats]) -> Choices:
        over = np.zeros((len(values), self.season.arrays.n_draws), dtype=bool)
        is_known, moves, by_limit = True, False, []
        for measure, total in zip(self.measures, totals, strict=True):
            if measure.fish is not None:
                mine = total > measure.fish
                over |= mine
                by_limit.append(mine.sum(axis=1))
                is_known &= bool(np.isfinite(total).all())
                moves |= bool((np.ptp(total, axis=0) > _ROUNDING * total.max(axis=0)).any())
        trips, kept = (one.mean(axis=1) for one in totals[-len(_GIVEN) :])
        counts = np.array(by_limit, dtype=np.int64).T if by_limit else None
        return Choices(values, over, trips, kept, is_known=is_known, moves=moves, by_limit=counts)

    def _day(self, n: int) -> date:
        return self.season.baseline.through + timedelta(days=n + 1)


def _with(option: Option, change: Change) -> Option:
    return replace(option, changes=(*option.changes, change))
