"""ISO 8601 weeks written ``2031-W05``, and days as arrays of datetime64[D].

A step between days always carries its unit: numpy gives a bare integer none.
"""

from __future__ import annotations

import re
from datetime import timedelta
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.errors import UsageError

if TYPE_CHECKING:
    from datetime import date

    from numpy.typing import NDArray

    from analytics.arrays import Ints

DAYS_A_WEEK = 7
_WEEK = re.compile(r"\d{4}-W\d{2}")


def iso_week(dates: pd.Series) -> pd.Series:
    """Return the ISO week of each day of a column.

    Parameters
    ----------
    dates : pandas.Series of datetime64, shape (n,)

    Returns
    -------
    pandas.Series of str, shape (n,)
    """
    place, days = pd.factorize(dates, use_na_sentinel=False)
    weeks = np.array(week_of_days(days.to_numpy()), dtype=object)
    return pd.Series(weeks[place], index=dates.index, dtype="str")


def week_of(day: date) -> str:
    """Return the ISO week of one day."""
    year, number, _ = day.isocalendar()
    return f"{year}-W{number:02d}"


def week_of_days(days: NDArray[np.datetime64]) -> list[str]:
    """Return the ISO week of each day of an array."""
    return [week_of(day) for day in days.astype("datetime64[D]").tolist()]


def week_start(week: str) -> pd.Timestamp:
    """Return the Monday of an ISO week.

    Raises
    ------
    UsageError
        If it is not a week of the calendar so written.
    """
    try:
        if not _WEEK.fullmatch(week):
            raise ValueError
        return pd.Timestamp.fromisocalendar(int(week[:4]), int(week[6:]), 1)
    except ValueError:
        raise UsageError(
            f"week {week!r}: an ISO week is written like 2031-W05, 01 to 52 or 53"
        ) from None


def week_end(week: str) -> date:
    """Return the Sunday of an ISO week; `UsageError` as by `week_start`."""
    return week_start(week).date() + timedelta(days=DAYS_A_WEEK - 1)


@lru_cache(maxsize=4096)  # columns of many rows have few weeks
def week_number(week: str) -> int:
    """Return an ISO week as weeks since a fixed one, so that differences count closed weeks."""
    return week_start(week).toordinal() // DAYS_A_WEEK


def weeks_after(week: str, n: int) -> tuple[str, ...]:
    """Return the `n` ISO weeks after one."""
    monday = week_start(week).date()
    return tuple(week_of(monday + timedelta(weeks=1 + step)) for step in range(n))


def weeks_between(first: str, last: str) -> tuple[str, ...]:
    """Return every ISO week from `first` to `last`, both included; none if `last` is earlier."""
    n = week_number(last) - week_number(first)
    return (first, *weeks_after(first, n)) if n >= 0 else ()


def days_from(first: date, n: int) -> NDArray[np.datetime64]:
    """Return `n` days from one on, as datetime64[D], shape (n,)."""
    return np.datetime64(first, "D") + np.arange(n).astype("timedelta64[D]")


def weekday_of(days: NDArray[np.datetime64]) -> Ints:
    """Return the ISO weekday of each day, 1 for Monday."""
    # Day 0 of datetime64[D] was a Thursday.
    return (days.astype("datetime64[D]").astype(np.int64) + 3) % DAYS_A_WEEK + 1
