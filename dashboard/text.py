"""Numbers for people: ``1,240 fish (95 % CI 980–1,570)``, and the words for what has no number.

Rounding follows the error: two digits of half the interval, never fewer than two of the estimate;
a total is never finer than a tenth.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

from analytics.units import QUANTITIES, Kind, Status
from dashboard.book import monday

if TYPE_CHECKING:
    from datetime import date

    from dashboard.book import Change, Row

#: Shown where a number would stand and there is none.
DASH = "–"
#: A percent sign that stays on the line of its number.
PERCENT = "\u00a0%"
#: Relative errors (PSE) above which a figure carries a caution; common practice, no source.
CAUTION_PSE, STRONG_CAUTION_PSE = 0.30, 0.50

#: The signs of those cautions, in words.
CAUTION_SIGNS = (
    ("!", f"error over {100 * CAUTION_PSE:.0f}{PERCENT} of the estimate"),
    ("!!", f"over {100 * STRONG_CAUTION_PSE:.0f}{PERCENT}"),
)

#: A ratio beyond which percent read badly and "times" is said instead.
LARGE_RATIO = 3.0

_UNITS = {
    "fish": ("fish", "fish"),
    "boat_trip": ("boat trip", "boat trips"),
    "angler_trip": ("angler trip", "angler trips"),
    "angler_hour": ("angler-hour", "angler-hours"),
    "1": ("", ""),
}

#: What stands behind a figure: a short word for tables and a sentence that explains it.
STATUS_WORDS: dict[str, tuple[str, str]] = {
    Status.OK: ("sampled", "Sampled as designed; the interval holds the sampling error."),
    Status.CENSUS: ("all sampled", "Every site-day was sampled, so sampling adds no error."),
    Status.ZERO_TOTAL: (
        "none seen",
        "None was seen in the sample. The estimate is zero, but no error can be given: "
        "a few may have been there.",
    ),
    Status.COLLAPSED: (
        "error borrowed",
        "A stratum with a single sampled site-day borrowed its spread from a neighbour.",
    ),
    Status.IMPUTED: (
        "gap filled",
        "A stratum with open days and no sample was filled from its neighbours.",
    ),
    Status.NO_SAMPLE: ("no sample", "Open days, but no sampled site-day: there is no estimate."),
    Status.NO_DESIGN: (
        "no design",
        "Interviews of convenience: they give catch rates and shares, never totals.",
    ),
    Status.MODELLED: ("modelled", "The figure comes from a model, not from the sample alone."),
}

_CHANGE_WORDS = frozenset({"up", "down", "no clear change"})


def number(value: float, *, place: int) -> str:
    """Return a number with its last digit at ``10**place`` and thousands apart.

    A positive value that would read as zero keeps its own first digit.
    """
    if value and round(value, -place) == 0:
        place = math.floor(math.log10(abs(value)))
    return f"{round(value, -place):,.{max(-place, 0)}f}".replace("-", "−")


def value(row: Row) -> str:
    """Return the estimate alone, such as ``1,240`` or ``78 %``; a dash where there is none."""
    if row.estimate is None:
        return DASH
    return _scaled(row, row.estimate) + _percent(row)


def coarse(row: Row) -> str:
    """Return the estimate in the fewest digits that a column of figures can share."""
    if row.estimate is None:
        return DASH
    place = {Kind.RATE: -2}.get(QUANTITIES[row.quantity].kind, 0)
    return number((100 if _is_share(row) else 1) * row.estimate, place=place) + _percent(row)


def interval(row: Row) -> str:
    """Return the interval alone, such as ``980–1,570``; empty where there is none."""
    if row.estimate is None or row.ci_low is None or row.ci_high is None:
        return ""
    return f"{_scaled(row, row.ci_low)}–{_scaled(row, row.ci_high)}{_percent(row)}"


def bracket(row: Row, *, full: bool = True) -> str:
    """Return the interval in brackets, or why there is none; `full` names its level."""
    limits = interval(row)
    if not limits:
        return f"({why_no_interval(row)})"
    return f"({level(row.ci_level)} CI {limits})" if full else f"({limits})"


def figure(row: Row | None) -> str:
    """Return ``1,240 fish (95 % CI 980–1,570)``, or in words why there is no number."""
    if row is None or row.estimate is None:
        return why_no_estimate(row)
    unit = unit_words(row.unit, plural=row.estimate != 1)
    return " ".join(part for part in (value(row), unit, bracket(row)) if part)


def level(part: float | None) -> str:
    """Return a confidence level as ``95 %``."""
    return f"{100 * (0.95 if part is None else part):.4g}{PERCENT}"


def unit_words(unit: str, *, plural: bool = True) -> str:
    """Return a unit of the result rows in words; empty for shares."""
    if unit in _UNITS:
        return _UNITS[unit][plural]
    above, _, below = unit.partition(" per ")
    return f"{_UNITS.get(above, (above, above))[1]} per {_UNITS.get(below, (below, below))[0]}"


def why_no_estimate(row: Row | None) -> str:
    """Return why there is no number, in a few words."""
    if row is None:
        return "no open day"
    if row.status == Status.NO_SAMPLE:
        return "no sample"
    kind = QUANTITIES[row.quantity].kind
    if row.status == Status.NO_DESIGN:
        return "no total: interviews of convenience"
    if kind in (Kind.RATE, Kind.SHARE):
        return "none met to divide by" if kind is Kind.SHARE else "nothing to divide by"
    if kind is Kind.DEATHS:
        return "no rates given"
    return "not known"


def why_no_interval(row: Row) -> str:
    """Return why a figure has no interval, in a few words."""
    if row.status == Status.CENSUS:
        return "all sampled, no sampling error"
    if row.status == Status.ZERO_TOTAL or row.estimate == 0:
        return "none seen, no interval"
    return "no interval"


def caution(row: Row | None) -> tuple[str, str]:
    """Return the caution mark of a figure and its words; both empty where none is due."""
    pse = None if row is None else row.pse
    if pse is None or pse <= CAUTION_PSE:
        return "", ""
    if pse <= STRONG_CAUTION_PSE:
        return "!", f"take with caution: error {100 * pse:.0f}{PERCENT} of the estimate"
    return "!!", f"very uncertain: error {100 * pse:.0f}{PERCENT} of the estimate"


def change(one: Change | None) -> str:
    """Return a change in words first, such as ``up: +23 % (95 % CI +5 to +44 %)``."""
    if one is None or one.change is None:
        return "change not known"
    unit = " points" if one.form == "difference" else PERCENT
    amount = _shift(one, one.change) + unit
    word = change_word(one)
    if one.ci_low is None or one.ci_high is None:
        return f"not known: {amount}, without an interval"
    if one.form == "ratio" and max(one.change, one.ci_high) > LARGE_RATIO:
        limits = f"{one.ci_low:.1f}–{one.ci_high:.1f}"
        return f"{word}: {one.change:.1f} times ({level(one.ci_level)} CI {limits})"
    limits = f"{_shift(one, one.ci_low)} to {_shift(one, one.ci_high)}"
    limits += unit if unit == PERCENT else ""
    return f"{word}: {amount} ({level(one.ci_level)} CI {limits})"


def change_word(one: Change | None) -> str:
    """Return up, down, no clear change, or not known."""
    word = one.word if one else None
    return word if word in _CHANGE_WORDS else "not known"


def short(row: Row | None) -> str:
    """Return the figure without its unit, such as ``1,240 (980–1,570)``, or why there is none."""
    if row is None or row.estimate is None:
        return why_no_estimate(row).partition(":")[0]
    return f"{value(row)} {bracket(row, full=False)}"


def week_dates(week: str) -> str:
    """Return the days of an ISO week, such as ``28 Jan – 3 Feb 2036``."""
    first = monday(week)
    last = first.fromordinal(first.toordinal() + 6)
    left = f"{first.day} {first:%b}" if first.month != last.month else f"{first.day}"
    if first.year != last.year:
        left += f" {first.year}"
    return f"{left} – {_day(last)}"


def plain(words: object) -> str:
    """Return text with the marks of Markdown made harmless, for names that come from data."""
    return re.sub(r"([\\`*_{}\[\]()#+\-!|<>$~:])", r"\\\1", str(words))


def _day(day: date) -> str:
    return f"{day.day} {day:%b} {day.year}"


def _is_share(row: Row) -> bool:
    return QUANTITIES[row.quantity].kind is Kind.SHARE


def _percent(row: Row) -> str:
    return PERCENT if _is_share(row) else ""


def _scaled(row: Row, amount: float) -> str:
    factor = 100 if _is_share(row) else 1
    return number(factor * amount, place=_place(row, factor=factor))


def _place(row: Row, *, factor: int) -> int:
    """Return the power of ten of the last digit worth showing."""
    size = factor * abs(row.estimate or 0.0)
    smallest = _smallest(row, size)
    if size == 0:
        return smallest
    if row.ci_low is None or row.ci_high is None:
        return max(_power(size) - 2, smallest)
    half = factor * (row.ci_high - row.ci_low) / 2
    by_error = _power(half) - 1 if half > 0 else smallest
    return max(min(by_error, _power(size) - 1), smallest)


def _smallest(row: Row, size: float) -> int:
    kind = QUANTITIES[row.quantity].kind
    if kind is Kind.RATE:
        return (0 if size == 0 else -3) if size < 0.1 else -2
    return 0 if size >= 10 or size == 0 else -1


def _power(size: float) -> int:
    return math.floor(math.log10(size))


def _shift(one: Change, amount: float) -> str:
    """Return a change as signed percent (ratio) or signed percentage points (difference)."""
    points = 100 * (amount if one.form == "difference" else amount - 1)
    shown = f"{points:+,.1f}" if 0.05 <= abs(points) < 1 else f"{points + 0.0:+,.0f}"
    return "0" if shown in ("+0", "-0") else shown.replace("-", "−")
