"""What each option changes, beside today's rule, in a few words a line."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.catch_limits import join_words
from analytics.data.calendar import weekday_words
from analytics.options.option import AtLimit
from analytics.precision import percent
from analytics.units import day_words, length_words
from analytics.wording.regulations import marked_words

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from analytics.options.baseline import Baseline
    from analytics.options.option import Change, Option

#: Said where an option changes none of a kind of rule.
AS_TODAY = "as today"
#: Rules that differ by area: what is said before them, and the unit of their numbers.
RULES = {
    "close": ("open through ", ""),
    "weekdays": ("", ""),
    "daily_limit": ("", "Chinook"),
    "min_length": ("", "mm"),
    "marked": ("", ""),
}


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
    now = TodaysRules(baseline, change.areas)
    if dates := _dates(change):
        yield "Opening and closing", dates, now.words("close")
    if change.open_weekdays:
        yield "Days of the week", weekday_words(change.open_weekdays), now.words("weekdays")
    if change.daily_limit_fish is not None:
        stops = "; anglers stop at it" if change.at_limit is AtLimit.STOP else ""
        yield "Daily limit", f"{change.daily_limit_fish} Chinook{stops}", now.words("daily_limit")
    if change.min_length_mm is not None:
        yield "Minimum length", length_words(change.min_length_mm), now.words("min_length")
    if change.mark_selective is not None:
        yield "Fish that may be kept", marked_words(change.mark_selective), now.words("marked")
    if change.method_mix:
        yield "Fishing methods", _mix(change.method_mix), _mix(now.mix()) or "not known"
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


class TodaysRules:
    """Today's rules in words over the areas of a change, said apart where areas differ.

    Parameters
    ----------
    baseline : Baseline
    areas : sequence of str
        Codes; none for all.
    area_name : callable
        Name of an area for people.
    """

    def __init__(
        self, baseline: Baseline, areas: Sequence[str], area_name: Callable[[str], str] = str
    ) -> None:
        known = baseline.areas
        mine = [at for at, area in enumerate(known) if area in areas] or range(len(known))
        self.baseline, self.area_name = baseline, area_name
        self.rows = list(mine)
        #: Areas with an open day to come: the others have no rule that could change.
        self.open_rows = [row for row in self.rows if baseline.rules.is_open[row].any()]

    def of_areas(self, rule: str) -> dict[str, list[str]]:
        """Return the names of areas by their rule in words; `rule` is one of `RULES`."""
        found: dict[tuple[Any, str], list[str]] = {}
        for row in self.open_rows:
            name = self.area_name(self.baseline.areas[row])
            found.setdefault(getattr(self, f"_{rule}")(row), []).append(name)
        return {words: found[value, words] for value, words in sorted(found)}

    def words(self, rule: str, *, are_named: bool = False) -> str:
        """Return a rule, such as ``1 Chinook in 3 areas, 2 in 3``; areas named if asked."""
        found = self.of_areas(rule)
        if not found:
            return "no day left"
        before, unit = RULES[rule]
        first, *others = found
        start = before + (f"{first} {unit}" if unit and first[:1].isdigit() else first)
        if not others:
            return start
        many = f"area{'s' if len(found[first]) > 1 else ''}"
        parts = [f"{start} in {len(found[first])} {many}"]
        parts += [f"{words} in {len(found[words])}" for words in others]
        if are_named:
            named = zip(parts, found.values(), strict=True)
            parts = [f"{part} ({', '.join(names)})" for part, names in named]
        return ("; " if any("," in words for words in found) else ", ").join(parts)

    # The rule of one area: its value, by which areas are sorted, and its words.

    def _close(self, row: int) -> tuple[Any, str]:
        last = np.flatnonzero(self.baseline.rules.is_open[row])[-1]
        close = self.baseline.days[last].astype(date)
        return close, day_words(close)

    def _weekdays(self, row: int) -> tuple[Any, str]:
        days = self.baseline.days[self.baseline.rules.is_open[row]]
        digits = "".join(sorted({str(one.astype(date).isoweekday()) for one in days}))
        return digits, weekday_words(digits)

    def _daily_limit(self, row: int) -> tuple[Any, str]:
        return self._in_turn(self.baseline.rules.daily_limit_fish, row, "no daily limit")

    def _min_length(self, row: int) -> tuple[Any, str]:
        return self._in_turn(self.baseline.rules.min_length_mm, row, "no minimum length")

    def _in_turn(self, values: np.ndarray, row: int, none: str) -> tuple[Any, str]:
        """Return the values of the open days of an area, each new one after the one before."""
        known = values[row][self.baseline.rules.is_open[row]]
        turns = [value for value, _ in groupby(np.nan_to_num(known, nan=np.inf).tolist())]
        words = (f"{value:g}" if np.isfinite(value) else none for value in turns)
        return tuple(turns), ", then ".join(words)

    def _marked(self, row: int) -> tuple[Any, str]:
        rules = self.baseline.rules
        found = sorted(set(rules.is_mark_selective[row][rules.is_open[row]].tolist()))
        words = marked_words(found[0]) if len(found) < 2 else "marked fish only on some days"
        return tuple(found), words

    def mix(self) -> dict[str, float]:
        """Return the shares of trips by method so far, of those whose method is known."""
        trips = self.baseline.by_method[:, self.rows, :, 0].mean(axis=0, dtype=float).sum(axis=0)
        known = {
            name: float(part)
            for name, part in zip(self.baseline.methods, trips, strict=True)
            if name
        }
        total = sum(known.values())
        return {name: part / total for name, part in known.items()} if total else {}

    def rate(self, row: Mapping[str, object]) -> str:
        """Return the rate of today that a row takes the place of."""
        names = ("size_class", "method", "wound_class")
        for one in self.baseline.rates:
            if all(one.get(name) == row[name] for name in names):
                return percent(float(str(one["rate_prop"])))
        return "no rate of this kind"
