"""Days to come of a season, and the rules of each area on them, from the table of seasons."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.data.calendar import season_days
from analytics.options.baseline import Rules
from analytics.weeks import days_from, week_end, week_of_days

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.arrays import Ints
    from analytics.data.snapshot import Snapshot

#: Days after the last planned close on which an option may still open.
AFTER_CLOSE = 28
#: The most weeks to come.
MOST_WEEKS = 53


@dataclass(frozen=True, slots=True, eq=False)
class SeasonCalendar:
    """The calendar of A areas of a season around `through`, the last day of its totals.

    - `days` (N,), `weeks`, `week` (N,): days to come, their ISO weeks, and the index of each day's
      week; none of a season that is over.
    - `rules`: of the days to come; `rules_to_date`: of the most open days so far, N = 1, or of an
      area's first opening where it is not open yet.
    - `last_open`: last open day of each area of the season.
    """

    areas: tuple[str, ...]
    through: date
    days: NDArray[np.datetime64]
    weeks: tuple[str, ...]
    week: Ints
    rules: Rules
    rules_to_date: Rules
    last_open: dict[str, date]

    def planned_close(self, areas: Sequence[str]) -> date | None:
        """Return the last open day of some areas; None where none is ever open."""
        return max((self.last_open[one] for one in areas if one in self.last_open), default=None)


def season_calendar(
    snapshot: Snapshot, *, season: str, through: str, areas: tuple[str, ...]
) -> SeasonCalendar:
    """Return the days to come of a season.

    They run from the day after `through` to the Sunday on or after 28 days past the last planned
    close, for at most 53 weeks. The totals run through the Sunday of `through`, or the season's
    last open day where that is earlier.

    Parameters
    ----------
    snapshot : Snapshot
    season : str
    through : str
        Last ISO week of the totals.
    areas : tuple of str
    """
    opened = season_days(snapshot, season)
    last = {str(area): one.date() for area, one in opened.groupby("area")["date"].max().items()}
    end = max(last.values())
    sunday = week_end(through)
    day = min(sunday, end)
    days = days_from(sunday + timedelta(days=1), 0 if end <= sunday else _n_days(sunday, end))
    labels = week_of_days(days)
    weeks = tuple(dict.fromkeys(labels))
    openings = [row for row in snapshot["seasons"].to_pylist() if row["season"] == season]
    is_open = {(str(a), d.date()) for a, d in zip(opened["area"], opened["date"], strict=True)}
    return SeasonCalendar(
        areas=areas,
        through=day,
        days=days,
        weeks=weeks,
        week=np.array([weeks.index(one) for one in labels], dtype=np.int64),
        rules=_rules(openings, areas, days, is_open),
        rules_to_date=_rules_to_date(
            openings, areas, day, is_open, first=sunday + timedelta(days=1)
        ),
        last_open=last,
    )


def _n_days(sunday: date, end: date) -> int:
    last = end + timedelta(days=AFTER_CLOSE)
    last += timedelta(days=6 - last.weekday())
    return min((last - sunday).days, 7 * MOST_WEEKS)


def _rules(
    openings: Sequence[dict[str, Any]],
    areas: tuple[str, ...],
    days: NDArray[np.datetime64],
    is_open: set[tuple[str, date]],
) -> Rules:
    """Return the rules of each day: of the opening that holds it, else of the nearest."""
    civil: list[date] = days.astype(object).tolist()
    nearest = [_nearest([one for one in openings if one["area"] == area], days) for area in areas]
    numbers = [[[_number(one, name) for name in _FIELDS] for one in row] for row in nearest]
    shape = (len(areas), len(days))
    length, limit, selective = np.moveaxis(
        np.array(numbers, dtype=np.float64).reshape(*shape, len(_FIELDS)), -1, 0
    )
    opened = [[(area, day) in is_open for day in civil] for area in areas]
    return Rules(np.array(opened, dtype=bool).reshape(shape), length, limit, selective > 0)


_FIELDS = ("min_length_mm", "daily_limit_fish", "mark_selective")


def _number(opening: dict[str, Any] | None, field: str) -> float:
    value = None if opening is None else opening[field]
    return float("nan") if value is None else float(value)


def _nearest(
    openings: Sequence[dict[str, Any]], days: NDArray[np.datetime64]
) -> list[dict[str, Any] | None]:
    """Return the opening that holds each day, else the nearest; the later one at a tie."""
    if not openings:
        return [None] * len(days)
    ranked = sorted(openings, key=lambda one: one["open_date"], reverse=True)
    begins, ends = (
        np.array([one[name] for one in ranked], dtype="datetime64[D]")
        for name in ("open_date", "close_date")
    )
    before = (begins - days[:, None]).astype(np.int64)
    after = (days[:, None] - ends).astype(np.int64)
    return [ranked[place] for place in np.maximum(np.maximum(before, after), 0).argmin(axis=1)]


def _rules_to_date(
    openings: Sequence[dict[str, Any]],
    areas: tuple[str, ...],
    through: date,
    is_open: set[tuple[str, date]],
    *,
    first: date,
) -> Rules:
    """Return the rules that most open days so far were fished under, shape (A, 1).

    `is_open`: whether the opening of the next open day has begun by the `first` day to come.
    """
    found = []
    for place, area in enumerate(areas):
        past = sorted(day for name, day in is_open if name == area and day <= through)
        ahead = min((day for name, day in is_open if name == area), default=through)
        days = np.array(past or [ahead], dtype="datetime64[D]")
        mine = _rules(openings, areas[place : place + 1], days, is_open)
        rules = np.stack(
            [mine.min_length_mm, mine.daily_limit_fish, mine.is_mark_selective], axis=-1
        )
        kinds, count = np.unique(rules[0], axis=0, return_counts=True, equal_nan=True)
        coming = min((day for name, day in is_open if name == area and day >= first), default=None)
        runs = coming is not None and any(
            one["area"] == area and one["open_date"] <= first and coming <= one["close_date"]
            for one in openings
        )
        found.append((runs, *kinds[count.argmax()]))
    table = np.array(found, dtype=np.float64).reshape(len(areas), 4)[:, :, None]
    return Rules(table[:, 0] > 0, table[:, 1], table[:, 2], table[:, 3] > 0)
