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
        areas = range(len(self.today))
        plans = [option_plan(self.baseline, option, area) for area in areas]
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
        places = [self.baseline.areas.index(one) for one in areas]
        plans = [option_plan(self.baseline, option, place) for place in places]
        return np.flatnonzero(np.any([plan.is_open for plan in plans], axis=0))
