"""Angler trips under an option: open days, and where the trips of closed days go."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analytics.options.baseline_arrays import ratio

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.options.baseline_arrays import BaselineArrays
    from analytics.options.option import Option
    from analytics.options.regulations import RegulationPlan

    Floats = NDArray[np.float32]


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
        lost = effort[closed, n].sum(axis=0)
        base = sum((self._own(area, n) for area in opens), start=np.zeros_like(lost))
        self.by_day[n] = ratio(lost * np.float32(share), base, np.float32(0))

    def _to_days(self, area: int, closed: NDArray[np.int64], share: float) -> None:
        week, plan = self.arrays.baseline.week, self.plans[area]
        for number in np.unique(week[closed]).tolist():
            opens = np.flatnonzero(plan.is_open & (week == number)).tolist()
            if opens:
                lost = self.arrays.effort[area, closed[week[closed] == number]].sum(axis=0)
                base = sum((self._own(area, n) for n in opens), start=np.zeros_like(lost))
                self.by_week[area, number] = ratio(lost * np.float32(share), base, np.float32(0))

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
