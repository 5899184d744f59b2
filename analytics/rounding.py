"""One rule of rounding for pages and reports: numbers are as fine as their error lets them be.

Two digits of half the interval are shown, and never fewer than so many of the number itself.
"""

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
#: Simulations cannot tell a proportion nearer to none or all than this.
_ALMOST = 0.005


def last_place(half: float, *, least: int, finest: int = 99) -> int:
    """Return the power of ten of the last digit worth showing.

    Parameters
    ----------
    half : float
        Half the interval; none is known where it is not over 0.
    least : int
        No digit is finer.
    finest : int
        The place of the last digit is never coarser, so that the number keeps its own first ones.
    """
    by_error = power(half) - 1 if half > 0 else least
    return max(min(by_error, finest), least)


def number(value: float, *, place: int, least: int = -99, signed: bool = False) -> str:
    """Return a number with its last digit at ``10**place`` and thousands apart.

    Parameters
    ----------
    value : float
        One that is not zero and would read as zero keeps its own first digit.
    place : int
    least : int
        No digit is finer, not even that one.
    signed : bool
        With a plus where it is over 0, as differences are.
    """
    if not math.isfinite(value):
        return DASH if math.isnan(value) else ENDLESS if value > 0 else f"−{ENDLESS}"
    if abs(value) >= HUGE:
        return f"{value:.0e}".replace("-", "−")
    if value and round(value, -place) == 0:
        place = max(power(value), least)
    part = round(value, -place) + 0.0
    sign = "+" if signed and part else ""
    return f"{part:{sign},.{max(-place, 0)}f}".replace("-", "−")


def power(size: float) -> int:
    """Return the power of ten of the first digit of a finite number that is not zero."""
    return math.floor(math.log10(abs(size)))


def percent(part: float, *, digits: int = 0) -> str:
    """Return a proportion in percent."""
    return number(100 * part, place=-digits) + PERCENT


def chance(part: float, *, almost: float = _ALMOST) -> str:
    """Return a proportion in whole percent, never as 0 or 100 %: ``under 1 %``, ``over 99 %``.

    It is said so where it is no further than `almost` from none or all.
    """
    if part <= almost:
        return f"under 1{PERCENT}"
    return f"over 99{PERCENT}" if part >= 1 - almost else percent(part)
