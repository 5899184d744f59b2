"""What each option changes, beside today's rule, in a few words a line."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from analytics.catch_limits import join_words
from analytics.codes import day_words
from analytics.data.calendar import weekday_words
from analytics.options.option import AtLimit
from analytics.rounding import percent
from analytics.units import length_words
from analytics.wording.regulations import marked_words

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from analytics.options.baseline import Baseline
    from analytics.options.option import Change, Option

#: Said where an option changes none of a kind of rule.
AS_TODAY = "as today"


@dataclass(frozen=True, slots=True)
class RuleLine:
    """One rule that an option changes: where and when, what, its own words and today's."""

    option: str
    where: str
    rule: str
    changed: str
    today: str


def rule_lines(
    baseline: Baseline, options: Sequence[Option], area_name: Callable[[str], str] = str
) -> list[RuleLine]:
    """Return what options change, a line a rule; one without changes has a line that says so."""
    found = []
    for option in options:
        lines = [
            RuleLine(option.name, _where(change, area_name), *words)
            for change in option.changes
            for words in _words(change, baseline)
        ]
        found += lines or [RuleLine(option.name, "all areas", "all rules", AS_TODAY, AS_TODAY)]
    return found


def _where(change: Change, area_name: Callable[[str], str]) -> str:
    """Return the areas of a change, and its days where it has any."""
    areas = join_words([area_name(area) for area in change.areas]) or "all areas"
    first, last = change.first_day, change.last_day
    if first and last:
        return f"{areas}, {day_words(first)} to {day_words(last)}"
    if first or last:
        return f"{areas}, {'from' if first else 'to'} {day_words(first or last or date.min)}"
    return areas


def _words(change: Change, baseline: Baseline) -> Iterator[tuple[str, str, str]]:
    """Yield the rule, its words under the change, and today's."""
    now = _Today(baseline, change.areas)
    if dates := _dates(change):
        yield "Opening and closing", dates, now.close
    if change.open_weekdays:
        yield "Days of the week", weekday_words(change.open_weekdays), now.weekdays
    if change.daily_limit_fish is not None:
        stops = "; anglers stop at it" if change.at_limit is AtLimit.STOP else ""
        yield "Daily limit", f"{change.daily_limit_fish} Chinook{stops}", now.daily_limit
    if change.min_length_mm is not None:
        yield "Minimum length", length_words(change.min_length_mm), now.min_length
    if change.mark_selective is not None:
        yield "Fish that may be kept", marked_words(change.mark_selective), now.marked
    if change.method_mix:
        yield "Fishing methods", _mix(change.method_mix), now.mix
    for row in change.release_rates:
        kind = f"{row['size_class']} fish, {row['method']} method, {row['wound_class']} wound"
        yield f"Deaths after release: {kind}", percent(row["rate_prop"]), now.rate(row)
    if change.effort_factor != 1.0:
        yield "Effort of an open day", f"{change.effort_factor:g} times today's", "1"


def _dates(change: Change) -> str:
    parts = [
        f"{words} {day_words(day)}"
        for words, day in (
            ("closed from", change.close_from),
            ("open again from", change.reopen_from),
            ("open through", change.open_through),
        )
        if day is not None
    ]
    return "; ".join(parts)


def _mix(shares: Mapping[str, float]) -> str:
    return ", ".join(f"{method} {percent(part)}" for method, part in shares.items())


class _Today:
    """Today's rules in words, over the areas of a change; ranges where they differ."""

    def __init__(self, baseline: Baseline, areas: Sequence[str]) -> None:
        mine = [at for at, area in enumerate(baseline.areas) if area in areas]
        self.baseline = baseline
        self.rows = mine or list(range(len(baseline.areas)))
        self.is_open = baseline.rules.is_open[self.rows]

    @property
    def close(self) -> str:
        """The planned close."""
        lasts = {
            baseline_day.astype(date)
            for row in self.is_open
            if row.any()
            for baseline_day in [self.baseline.days[np.flatnonzero(row)[-1]]]
        }
        if not lasts:
            return "no day left"
        first, last = min(lasts), max(lasts)
        if first == last:
            return f"open through {day_words(last)}"
        return f"open through {day_words(first)} to {day_words(last)}, by area"

    @property
    def weekdays(self) -> str:
        """The weekdays that are open."""
        days = self.baseline.days[self.is_open.any(axis=0)]
        found = sorted({one.astype(date).isoweekday() for one in days})
        return weekday_words("".join(map(str, found))) if found else "no day left"

    @property
    def daily_limit(self) -> str:
        """Fish that may be kept a day."""
        return self._range(self.baseline.rules.daily_limit_fish, "Chinook") or "no daily limit"

    @property
    def min_length(self) -> str:
        """The minimum length."""
        return self._range(self.baseline.rules.min_length_mm, "mm") or "no minimum length"

    def _range(self, values: np.ndarray, unit: str) -> str:
        known = values[self.rows][self.is_open]
        known = known[np.isfinite(known)]
        if not known.size:
            return ""
        low, high = known.min(), known.max()
        return f"{low:g} {unit}" if low == high else f"{low:g} to {high:g} {unit}"

    @property
    def marked(self) -> str:
        """Whether marked fish alone may be kept."""
        found = set(self.baseline.rules.is_mark_selective[self.rows][self.is_open].tolist())
        return marked_words(found == {True}) if len(found) < 2 else "marked fish only in part"

    @property
    def mix(self) -> str:
        """Shares of trips by method, of those whose method is known."""
        trips = self.baseline.by_method[:, self.rows, :, 0].mean(axis=0, dtype=float).sum(axis=0)
        known = {
            name: part for name, part in zip(self.baseline.methods, trips, strict=True) if name
        }
        total = sum(known.values())
        return _mix({name: part / total for name, part in known.items()}) if total else "not known"

    def rate(self, row: Mapping[str, object]) -> str:
        """Return the rate of today that a row takes the place of."""
        names = ("size_class", "method", "wound_class")
        for one in self.baseline.rates:
            if all(one.get(name) == row[name] for name in names):
                return percent(float(str(one["rate_prop"])))
        return "no rate of this kind"
