"""The rest of a season under one option after another, on what all of them share."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from analytics.options.area_projection import AreaProjection, CatchCalculator, DisplacedEffort
from analytics.options.baseline_arrays import BaselineArrays
from analytics.options.option import Option
from analytics.options.regulations import option_plan, today_plan

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.options.baseline import Baseline
    from analytics.options.regulations import RegulationPlan

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
