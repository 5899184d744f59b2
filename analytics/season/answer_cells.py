"""Numbers of an answer as they stand in a table: rounded by their error, chances, dates."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

#: Shown where a number would stand and there is none.
NONE = "–"
#: Draws cannot tell chances nearer to none or all than this.
_LEAST = 0.005
#: From this chance on a limit is likely to be passed.
HALF = 0.5
#: Under this a total that is uncertain is told to a tenth.
_TENTHS = 10
_MARKUP = re.compile(r"([\\`*_\[\]<>|#])")


def plain(text: str) -> str:
    """Return text so that Markdown shows it as it is, on one line."""
    return _MARKUP.sub(r"\\\1", " ".join(text.split()))


def count_likely(reach: Sequence[Mapping[str, Any]], option: str) -> tuple[int, int]:
    """Return how many limits an option passes with a chance of a half or more, and of how many."""
    told = [row["pass_prob"] for row in reach if row["option"] == option]
    known = [one for one in told if one is not None]
    return sum(one >= HALF for one in known), len(known)


def likely(reach: Sequence[Mapping[str, Any]], option: str) -> str:
    """Return how many limits an option likely passes, as ``5 of 8``."""
    n, of = count_likely(reach, option)
    return f"{n} of {of}" if of else NONE


def amount(row: Mapping[str, Any], name: str, low: str, high: str, *, signed: bool = False) -> str:
    """Return a number with its interval, such as ``1,240 (980 to 1,570)``.

    Two digits of half the interval are shown; never fewer than two of a total, nor more than a
    tenth of one. The dashboard rounds alike.

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
    place = _place(row[name], (ends[1] - ends[0]) / 2, signed=signed)
    low_word, high_word = (_rounded(one, place, signed=signed) for one in ends)
    return f"{words} ({low_word} to {high_word})"


def first_number(
    row: Mapping[str, Any], name: str, low: str, high: str, *, signed: bool = False
) -> str:
    """Return the number of `amount` without its interval, rounded alike."""
    value, ends = row[name], (row[low], row[high])
    if value is None:
        return NONE
    place = 0 if None in ends else _place(value, (ends[1] - ends[0]) / 2, signed=signed)
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
        return "no change" if difference == 0 else "under ±1 point"
    shown = f"{100 * difference:+.0f}".replace("-", "−")
    return f"{shown} point{'' if shown[1:] == '1' else 's'}"


def day(one: date | None) -> str:
    """Return a date as ``14 March 2036``."""
    return NONE if one is None else f"{one.day} {one:%B %Y}"


def reached(
    row: Mapping[str, Any], *, through: date | None = None, passed: float | None = None
) -> str:
    """Return the days by which a limit is passed with probability 10, 50 and 90 %.

    Parameters
    ----------
    row : mapping
        Of `analytics.season.tables.REACH_SCHEMA`.
    through : datetime.date, optional
        Last day of the totals so far: a limit that is reached on it may be passed already.
    passed : float, optional
        Chance that it is.
    """
    days = {share: row[f"date_{share}"] for share in (10, 50, 90)}
    told = [
        f"{share} % by {day(one)}"
        for share, one in days.items()
        if one is not None and one != through
    ]
    if through is not None and through in days.values():
        told.insert(0, already(passed))
    return ", ".join(told) or "not reached with 10 %"


def already(passed: float | None) -> str:
    """Return that the total so far may be over a limit, with the chance where it is known."""
    return "may be passed already" + ("" if passed is None else f" ({chance(passed)})")


def _place(value: float, half: float, *, signed: bool) -> int:
    """Return the power of ten of the last digit.

    Digits of a difference follow its interval alone, for its size may be near none.
    """
    if not half:
        return 0
    least = -1 if not signed and 0 < abs(value) < _TENTHS else 0
    by_error = max(_power(half) - 1, least)
    if signed:
        return by_error
    return max(min(by_error, _power(value) - 1), least) if value else 0


def _power(size: float) -> int:
    return math.floor(math.log10(abs(size))) if size else 0


def _rounded(value: float, place: int, *, signed: bool) -> str:
    """Return a number to a place; one that would read as zero keeps its own first digit."""
    if value and round(value, -place) == 0:
        place = max(_power(value), -1)
    part = round(value, -place) + 0.0
    sign = "+" if signed and part else ""
    return f"{part:{sign},.{max(-place, 0)}f}".replace("-", "−")
