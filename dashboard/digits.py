"""Digits: rounding to a place, thousands apart, and the characters that stand with numbers."""

from __future__ import annotations

import math

#: Shown where a number would stand and there is none.
DASH = "–"
#: A percent sign that stays on the line of its number.
PERCENT = "\u00a0%"
#: Shown for a number beyond every bound.
ENDLESS = "∞"
#: From here on a number is written with its power of ten.
HUGE = 1e15


def number(value: float, *, place: int) -> str:
    """Return a number with its last digit at ``10**place`` and thousands apart.

    A positive value that would read as zero keeps its own first digit.
    """
    if not math.isfinite(value):
        return DASH if math.isnan(value) else ENDLESS if value > 0 else f"−{ENDLESS}"
    if abs(value) >= HUGE:
        return f"{value:.0e}".replace("-", "−")
    if value and round(value, -place) == 0:
        place = power(value)
    return f"{round(value, -place):,.{max(-place, 0)}f}".replace("-", "−")


def power(size: float) -> int:
    """Return the power of ten of the first digit of a finite number that is not zero."""
    return math.floor(math.log10(abs(size)))


def percent(part: float, *, digits: int = 0) -> str:
    """Return a proportion in percent."""
    return number(100 * part, place=-digits) + PERCENT
