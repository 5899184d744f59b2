"""A sampling plan of one week: its strata with their frames and site-days, and what it promises.

`Plan` is what a schedule is drawn from, and what the command, the sheets and the page show. A
schedule needs `Plan.strata` alone: of each stratum, draw `n` of its frame. In design `site_day` the
frame is every (site, date) of `sites` and `dates`; in `day_site` the frame is `dates`, and on each
drawn day `sites_a_day` sites are drawn one after the other by `draw_probability`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analytics.survey.design import DAY_SITE

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    import pyarrow as pa


@dataclass(frozen=True, slots=True)
class PlannedStratum:
    """A stratum of the week to come: landing area and day group, its frame, and how many are drawn.

    - `area`, `week`, `day_group`: landing area, ISO week, and place of the group in the opening's
      `day_groups`; `weekdays`: words of the group's days, such as ``Mon–Fri``.
    - `design`: ``site_day`` or ``day_site``.
    - `dates`: open dates, in order; `sites`: the sites of the area, sorted; `draw_probability`:
      single-draw probability of each, summing to 1 (all alike where the design does not use it).
    - `frame_size`: units N, site-days or days; `n`: units drawn, 0 where the stratum gets none.
    - `n_now`: site-days that the last sampled week had there; `n_even`: under an even spread.
    - `sites_a_day`: sites drawn on each day of design ``day_site``; 1 of ``site_day``.
    - `one_more`: by what part one unit more would lower the PSE of its area (the plan's first
      quantity); None where that is not known.
    """

    area: str
    week: str
    day_group: int
    weekdays: str
    design: str
    dates: tuple[date, ...]
    sites: tuple[str, ...]
    draw_probability: tuple[float, ...]
    frame_size: int
    n: int
    n_now: int = 0
    n_even: int = 0
    sites_a_day: int = 1
    one_more: float | None = None

    @property
    def is_of_days(self) -> bool:
        """Whether days are drawn first, then sites within them."""
        return self.design == DAY_SITE

    @property
    def name(self) -> str:
        """The stratum in words, as `planned_site_days.stratum_name` has it."""
        return f"{self.area} {self.week} {self.weekdays}"

    @property
    def n_site_days(self) -> int:
        """Site-days drawn: shifts of one sampler."""
        return self.n * self.sites_a_day


@dataclass(frozen=True, slots=True)
class Expected:
    """What a plan promises of one area fished (None: all areas) and quantity.

    PSEs are proportions; None where they cannot be given. `pse_low` and `pse_high` are the planned
    one less and plus how far the PSE reached may lie off it (one standard error); `pse_even` is
    that of as many shifts spread evenly. `boats_part`: what lies between boats of a site-day of the
    planned variance; the rest lies between site-days.
    """

    area: str | None
    quantity: str
    unit: str
    site_days_now: int
    site_days_planned: int
    pse_now: float | None
    pse_planned: float | None
    pse_low: float | None = None
    pse_high: float | None = None
    pse_even: float | None = None
    boats_part: float | None = None


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """A figure's planned PSE at a number of site-days in all, and its own relative error."""

    site_days: int
    area: str | None
    quantity: str
    pse: float
    pse_error: float


#: A fall of the chance of the wrong call under a hundredth of a point is not shown (our choice).
LEAST_SHOWN = 1e-4


@dataclass(frozen=True, slots=True)
class DecisionPlan:
    """The allocation that sharpens a call most: is a limit exceeded by its planned close, or not.

    - `chance`: that it is exceeded, by the draws. `n`: units of each stratum of the plan.
    - `wrong_now`, `wrong_planned`, `wrong_decision`, `wrong_ceiling`: chance of the wrong call with
      nothing more known, with the plan, with this allocation, and were the week known exactly, each
      by the moments of the draws; what draws alone say of it is in the notes.
    - `one_more`: by how much one unit more in each stratum would lower `wrong_planned`; None where
      the plan holds its whole frame, or none of it.
    - `quantities`, `fish`: of the limit, what counts against it and its fish.
    - `notes`: what it says of the call, as codes.
    """

    limit_id: str
    areas: tuple[str, ...]
    chance: float
    n: tuple[int, ...]
    wrong_now: float
    wrong_planned: float
    wrong_decision: float
    wrong_ceiling: float
    notes: tuple[str, ...]
    quantities: tuple[str, ...] = ()
    fish: float = 0.0
    one_more: tuple[float | None, ...] = ()


@dataclass(frozen=True, slots=True)
class Likeness:
    """How much fish of the season so far are alike: correlations of its reported fish.

    `day`: of fish of two boats of one site-day; `boat`: what fish of one boat have beyond that;
    never below 0. `trip`: design effect of the fish of one test fishing trip, None where no fish
    names its trip.
    """

    day: float
    boat: float
    trip: float | None


@dataclass(frozen=True, slots=True)
class AreaSample:
    """What a site-day landing in an area brought of the share of fish caught in that area.

    - `share`: expected. `boats`, `returning`: a site-day interviewed and came back. `fish`: a boat.
    - `uneven_days`, `uneven_boats`: ``1 + cv²`` of the fish of a site-day and of a boat.
    - `site_days`, `frame`: planned, and all of the week. `df`: behind the planned error.
    - `measured`: fish of test fishing a sampled week.
    """

    area: str
    share: float
    boats: float
    returning: float
    fish: float
    uneven_days: float
    uneven_boats: float
    site_days: int
    frame: int
    df: float
    measured: float


@dataclass(frozen=True, slots=True)
class Plan:
    """A plan of one week.

    - `strata`: every stratum open that week, in order of area and day group.
    - `expected`: promised precision, a row an area fished and quantity.
    - `rule`: how shifts were allocated (a code); `notes`: what to know of it, as codes.
    - `curve`: promised precision against site-days, each number allocated for the sum of figures.
    - `decision`: the plan that serves the call on the limit reached first; None without one.
    - `like`, `samples`: how alike fish are and what a site-day brings, by area, for the boats and
      fish of a wanted interval (`sample_sizes.needs_of`).
    """

    season: str
    week: str
    strata: tuple[PlannedStratum, ...]
    expected: tuple[Expected, ...]
    rule: str
    notes: tuple[str, ...] = ()
    curve: tuple[CurvePoint, ...] = ()
    decision: DecisionPlan | None = None
    like: Likeness | None = None
    samples: tuple[AreaSample, ...] = ()

    @property
    def n_site_days(self) -> int:
        """Site-days of the week."""
        return sum(one.n_site_days for one in self.strata)


#: Columns of `expected_table` that hold the week's promise, as the contract names them.
_EXPECTED = ("area", "quantity", "unit", "site_days_now", "site_days_planned")


def expected_table(expected: Sequence[Expected]) -> pa.Table:
    """Return promises as ``area, quantity, unit, site_days_now, site_days_planned, pse_now, ...``.

    The last columns are ``pse_now`` and ``pse_planned``, proportions; null where none can be given.
    """
    import pyarrow as pa  # noqa: PLC0415

    kinds = (*[pa.string()] * 3, *[pa.int64()] * 2, *[pa.float64()] * 2)
    names = (*_EXPECTED, "pse_now", "pse_planned")
    rows = [{name: getattr(one, name) for name in names} for one in expected]
    return pa.Table.from_pylist(rows, pa.schema(list(zip(names, kinds, strict=True))))


def expected_of(plans: Sequence[Plan]) -> pa.Table:
    """Return the promises of one week, as `expected_table`; of several, after a column ``week``."""
    import pyarrow as pa  # noqa: PLC0415

    tables = [expected_table(one.expected) for one in plans]
    if len(plans) == 1:
        return tables[0]
    weeks = [pa.array([one.week] * len(table)) for one, table in zip(plans, tables, strict=True)]
    return pa.concat_tables(
        [table.add_column(0, "week", week) for table, week in zip(tables, weeks, strict=True)]
    )
