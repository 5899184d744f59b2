"""Numbers of an answer as they stand in a table: rounded by their error, chances, dates."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

#: Shown where a number would stand and there is none.
NONE = "–"
#: Draws cannot tell chances nearer to none or all than this.
_LEAST = 0.01


def amount(row: Mapping[str, Any], name: str, low: str, high: str, *, signed: bool = False) -> str:
    """Return a number with its interval, such as ``1,240 (980 to 1,570)``.

    Two digits of half the interval are shown, never fewer than two of the number, and no tenths.

    Parameters
    ----------
    row : mapping
    name, low, high : str
        Its columns with the number and the ends.
    signed : bool
        With a plus where it is over 0, as differences are.
    """
    words = first_number(row, name, low, high, signed=signed)
    ends = (row[low], row[high])
    if row[name] is None or None in ends or row[name] == ends[0] == ends[1]:
        return words
    place = _place(row[name], (ends[1] - ends[0]) / 2)
    low_word, high_word = (_rounded(one, place, signed=signed) for one in ends)
    return f"{words} ({low_word} to {high_word})"


def first_number(
    row: Mapping[str, Any], name: str, low: str, high: str, *, signed: bool = False
) -> str:
    """Return the number of `amount` without its interval, rounded alike."""
    value, ends = row[name], (row[low], row[high])
    if value is None:
        return NONE
    place = 0 if None in ends else _place(value, (ends[1] - ends[0]) / 2)
    return _rounded(value, place, signed=signed)


def chance(part: float | None) -> str:
    """Return a probability in whole per cent, never as certain."""
    if part is None:
        return NONE
    if part < _LEAST:
        return "under 1 %"
    if part > 1 - _LEAST:
        return "over 99 %"
    return f"{100 * part:.0f} %"


def points(difference: float | None) -> str:
    """Return a difference of probabilities in percentage points."""
    if difference is None:
        return NONE
    if not round(100 * difference):
        return "0 points" if difference == 0 else "under ±1 point"
    return f"{100 * difference:+.0f} points".replace("-", "−")


def day(one: date | None) -> str:
    """Return a date as ``14 March 2036``."""
    return NONE if one is None else f"{one.day} {one:%B %Y}"


def reached(row: Mapping[str, Any]) -> str:
    """Return the days by which a limit is passed with probability 10, 50 and 90 %."""
    told = [
        f"{share} % by {day(row[f'date_{share}'])}"
        for share in (10, 50, 90)
        if row[f"date_{share}"] is not None
    ]
    return ", ".join(told) or "not reached with 10 %"


def _place(value: float, half: float) -> int:
    """Return the power of ten of the last digit."""
    if not half:
        return 0
    by_error = max(_power(half) - 1, 0)
    return min(by_error, max(_power(value) - 1, 0)) if value else by_error


def _power(size: float) -> int:
    return math.floor(math.log10(abs(size))) if size else 0


def _rounded(value: float, place: int, *, signed: bool) -> str:
    whole = round(round(value, -place))
    return f"{whole:{'+' if signed and whole else ''},}".replace("-", "−")
