"""The rules of one area on each day to come: today's, and today's with an option's changes."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.options.option import AtLimit
from analytics.weeks import weekday_of

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from analytics.arrays import Bools, Floats, Ints
    from analytics.options.baseline import Baseline
    from analytics.options.option import Change, Option

    Row = tuple[tuple[str, Any], ...]


@dataclass(frozen=True, slots=True)
class Regulation:
    """What a boat may keep, how it fishes, and what released fish die at.

    - `limit`: daily limit; infinite for none. `stop_from`: today's, where anglers stop at the
      option's; None where they go on.
    - `min_length`: mm; 0 where none is given.
    - `mix`: share of trips by fishing method; empty for that so far.
    - `rates`: release rates in the place of those of the store.
    """

    limit: float
    stop_from: float | None
    min_length: float
    is_selective: bool
    mix: tuple[tuple[str, float], ...] = ()
    rates: tuple[Row, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class RegulationPeriod:
    """Open days of one week under one regulation; `today` is the place of the one of today."""

    week: int
    regulation: int
    today: int
    days: tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class RegulationPlan:
    """The rules of an area over N days; `factor` (N,) is effort over today's."""

    is_open: Bools
    factor: Floats
    regulations: tuple[Regulation, ...]
    regulation: Ints

    def is_as(self, other: RegulationPlan) -> bool:
        """Return whether both plans mean the same on every day that is open in one of them."""
        if not np.array_equal(self.is_open, other.is_open):
            return False
        days = np.flatnonzero(self.is_open)
        return bool((self.factor[days] == other.factor[days]).all()) and all(
            self.regulations[self.regulation[n]] == other.regulations[other.regulation[n]]
            for n in days
        )

    def periods(self, week: Ints, today: RegulationPlan) -> tuple[RegulationPeriod, ...]:
        """Return the open days by their week, (N,), and regulation, in the order of days."""
        found: dict[tuple[int, int, int], list[int]] = {}
        for n in np.flatnonzero(self.is_open).tolist():
            key = int(week[n]), int(self.regulation[n]), int(today.regulation[n])
            found.setdefault(key, []).append(n)
        return tuple(RegulationPeriod(*key, tuple(days)) for key, days in found.items())


def today_plan(baseline: Baseline, area: int) -> RegulationPlan:
    """Return today's rules of an area."""
    return _Draft(baseline, area).plan()


def option_plan(baseline: Baseline, option: Option, area: int) -> RegulationPlan:
    """Return the rules of an area under an option that was checked before."""
    draft = _Draft(baseline, area)
    for change in option.changes:
        if not change.areas or baseline.areas[area] in change.areas:
            draft.apply(change)
    return draft.plan()


def index_of(baseline: Baseline, day: date) -> int:
    """Return how many days after `through` a day comes, less one: its place among the days."""
    return (day - baseline.through).days - 1


class _Draft:
    """The rules of an area while changes are applied, a value a day."""

    def __init__(self, baseline: Baseline, area: int) -> None:
        rules, so_far = baseline.rules, baseline.rules_to_date
        n = len(baseline.days)
        self.baseline = baseline
        self.weekday = weekday_of(baseline.days)
        is_open = rules.is_open[area]
        opens = np.flatnonzero(is_open)
        self.close = int(opens[-1]) if len(opens) else -1
        usual = np.ones(n, dtype=bool)
        if len(opens):
            usual = np.isin(self.weekday, np.unique(self.weekday[opens]))
        # An opening runs on over days of the week that it leaves out.
        self.span = _filled(is_open, self.weekday, has_begun=bool(so_far.is_open[area, 0]))
        self.on_day = np.where(self.span, is_open, usual)
        self.factor = np.ones(n)
        limit = rules.daily_limit_fish[area]
        self.today_limit = np.where(np.isnan(limit), np.inf, limit)
        self.limit = self.today_limit.copy()
        self.stops = np.zeros(n, dtype=bool)
        before = float(so_far.min_length_mm[area, 0])
        length = rules.min_length_mm[area]
        self.length = np.nan_to_num(np.where(np.isnan(length), before, length))
        self.selective = rules.is_mark_selective[area].copy()
        self.mix: list[tuple[tuple[str, float], ...]] = [()] * n
        self.rates: list[tuple[Row, ...]] = [()] * n

    def apply(self, change: Change) -> None:
        inside = self._window(change)
        self._open(change, inside)
        self.factor[inside] *= change.effort_factor
        if change.daily_limit_fish is not None:
            self.limit[inside] = change.daily_limit_fish
            self.stops[inside] = change.at_limit is AtLimit.STOP
        if change.min_length_mm is not None:
            self.length[inside] = change.min_length_mm
        if change.mark_selective is not None:
            self.selective[inside] = change.mark_selective
        if change.method_mix:
            mix = tuple((name, share) for name, share in sorted(change.method_mix.items()) if share)
            self.mix = [mix if is_in else old for is_in, old in zip(inside, self.mix, strict=True)]
        if change.release_rates:
            rows = [as_row(row) for row in change.release_rates]
            self.rates = [
                _over(old, rows) if is_in else old
                for is_in, old in zip(inside, self.rates, strict=True)
            ]

    def _window(self, change: Change) -> Bools:
        place = np.arange(len(self.factor))
        inside = np.ones(len(place), dtype=bool)
        if change.first_day is not None:
            inside &= place >= index_of(self.baseline, change.first_day)
        if change.last_day is not None:
            inside &= place <= index_of(self.baseline, change.last_day)
        return inside

    def _open(self, change: Change, inside: Bools) -> None:
        place = np.arange(len(self.factor))
        end = self.close
        if change.close_from is not None:
            self.span &= ~(inside & (place >= index_of(self.baseline, change.close_from)))
        if change.open_through is not None:
            end = index_of(self.baseline, change.open_through)
            self.span |= inside & (place > self.close) & (place <= end)
            end = max(end, self.close)
        if change.reopen_from is not None:
            start = index_of(self.baseline, change.reopen_from)
            self.span |= inside & (place >= start) & (place <= end)
        if change.open_weekdays:
            digits = [int(one) for one in change.open_weekdays]
            self.on_day = np.where(inside, np.isin(self.weekday, digits), self.on_day)

    def plan(self) -> RegulationPlan:
        places: dict[Regulation, int] = {}
        first = self._first_days()
        each = [places.setdefault(self._regulation(n), len(places)) for n in first.tolist()]
        n_days = np.diff(first, append=len(self.factor))
        regulation = np.repeat(np.array(each, dtype=np.int64), n_days)
        return RegulationPlan(self.span & self.on_day, self.factor, tuple(places), regulation)

    def _first_days(self) -> Ints:
        """Return the days from which some value is another than the day before."""
        of_day = (self.limit, self.today_limit, self.stops, self.length, self.selective)
        turns = np.any([one[1:] != one[:-1] for one in of_day], axis=0)
        for values in (self.mix, self.rates):
            turns |= np.array([one is not other for one, other in pairwise(values)], dtype=bool)
        return np.concatenate([[0], np.flatnonzero(turns) + 1])[: len(self.factor)]

    def _regulation(self, n: int) -> Regulation:
        limit, today = float(self.limit[n]), float(self.today_limit[n])
        stops = self.stops[n] and limit != today
        return Regulation(
            limit,
            today if stops else None,
            float(self.length[n]),
            bool(self.selective[n]),
            self.mix[n],
            self.rates[n],
        )


def as_row(row: Mapping[str, Any]) -> Row:
    """Return a row of `release_rates` as a tuple of its columns."""
    return (
        ("size_class", row["size_class"]),
        ("method", row["method"]),
        ("wound_class", row["wound_class"]),
        ("rate_prop", row["rate_prop"]),
        ("rate_se", row.get("rate_se")),
        ("source", row.get("source") or ""),
    )


def _over(old: tuple[Row, ...], new: list[Row]) -> tuple[Row, ...]:
    """Return rows of rates with newer ones in the place of those of the same key."""
    return tuple({row[:3]: row for row in (*old, *new)}.values())


def _filled(is_open: Bools, weekday: Ints, *, has_begun: bool) -> Bools:
    """Return open days with the days of the week that their opening leaves out, (N,).

    Such a gap is shorter than a week, and all its days of the week are closed in the week before or
    after it, too; else an opening ends and another begins. One before the first open day counts
    where its opening `has_begun`: before its own first day an opening leaves nothing out.
    """
    span, opens = is_open.copy(), np.flatnonzero(is_open)
    ends = [-1, *opens.tolist()] if has_begun else opens.tolist()
    for before, after in pairwise(ends):
        if not 1 < after - before <= 7:
            continue
        weeks = [slice(after, after + 7)] if after + 7 <= len(is_open) else []
        weeks += [slice(before - 6, before + 1)] if before >= 6 else []
        gap = weekday[before + 1 : after]
        is_left_out = [not np.isin(gap, weekday[one][is_open[one]]).any() for one in weeks]
        if any(is_left_out) or not weeks:
            span[before + 1 : after] = True
    return span
