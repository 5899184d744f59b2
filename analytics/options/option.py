"""An option: what would be changed in the rest of a season, and what is assumed of anglers."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date


class AtLimit(StrEnum):
    """What anglers do who have kept their daily limit."""

    GO_ON = "go_on"
    STOP = "stop"


@dataclass(frozen=True, slots=True)
class Change:
    """Changes in some areas; None leaves today's rule.

    Parameters
    ----------
    areas : tuple of str
        Empty for all areas.
    first, last : datetime.date or None
        First and last day of the changes; None for the first day to come and the last.
    close, open : datetime.date or None
        Closed from this day on; open through this day also after the planned close, on the
        weekdays that are open.
    reopen : datetime.date or None
        Open from this day on, through the planned close or `open`.
    weekdays : str
        ISO digits of the open days; empty for today's.
    daily_limit_fish : int or None
    at_limit : AtLimit
    min_length_mm : float or None
    mark_selective : bool or None
    method_mix : mapping of str to float
        Share of angler trips by method, summing to 1; empty for today's.
    release_rates : tuple of mapping
        Rows of `release_rates` that stand in the place of, or beside, those of the store.
    effort_factor : float
        Effort of an open day over today's.
    """

    areas: tuple[str, ...] = ()
    first: date | None = None
    last: date | None = None
    close: date | None = None
    open: date | None = None
    reopen: date | None = None
    weekdays: str = ""
    daily_limit_fish: int | None = None
    at_limit: AtLimit = AtLimit.GO_ON
    min_length_mm: float | None = None
    mark_selective: bool | None = None
    method_mix: Mapping[str, float] | None = None
    release_rates: tuple[Mapping[str, object], ...] = ()
    effort_factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Option:
    """A named set of changes with the response of anglers that is assumed.

    Parameters
    ----------
    name : str
    changes : tuple of Change
        Applied in order; empty for today's rule.
    elasticity : float
        Per cent of effort on an open day gained for each per cent of kept fish per trip gained.
    to_other_areas_prop : float
        Share of the trips of a day that an option closes which go to the areas open that day, in
        proportion to the trips these have.
    to_other_days_prop : float
        Share of them that go to the open days of the same area and week.
    """

    name: str
    changes: tuple[Change, ...] = ()
    elasticity: float = 0.0
    to_other_areas_prop: float = 0.0
    to_other_days_prop: float = 0.0
