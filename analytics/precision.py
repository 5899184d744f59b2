"""How precise an estimate is, in percent of itself, what may be done with it, how it is rounded.

One rule of rounding for pages and reports: numbers are as fine as their error lets them be. Two
digits of half the interval are shown, and never fewer than so many of the number itself.
"""

from __future__ import annotations

import math
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from analytics.arrays import Floats


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


#: Percent standard errors over which an estimate is shown with a warning, and not published: NOAA
#: recreational survey standards (seen). Exactly 30 and exactly 50 stay in the lower class.
CAUTION_OVER, WITHHELD_OVER = 30.0, 50.0
#: A percent standard error this close to a limit, relative to it, stands at the limit: 0.3 times an
#: estimate is seldom 30 percent of it to the last bit.
ROUNDING = 1e-9


class Precision(StrEnum):
    """What the percent standard error of an estimate says of its use."""

    UNKNOWN = "no percent standard error"
    FAIR = "within 30 percent"
    CAUTION = "use with caution"
    WITHHELD = "not for publication"


def pse(estimate: ArrayLike, se: ArrayLike) -> Floats:
    """Return percent standard errors, ``100 se / |estimate|``.

    Parameters
    ----------
    estimate, se : array_like of float, any shapes that broadcast
        Estimates and their standard errors in the same unit; NaN or None where there is none.

    Returns
    -------
    ndarray of float
        Percent; NaN where the estimate is 0 or missing, or there is no standard error.
    """
    value, error = np.broadcast_arrays(np.asarray(estimate, float), np.asarray(se, float))
    known = np.isfinite(value) & (value != 0) & ~np.isnan(error)
    found = np.full(value.shape, np.nan)
    with np.errstate(over="ignore"):  # an estimate next to nothing: an error beyond any number
        np.divide(error, np.abs(value), out=found, where=known)
        return found * 100


def pse_of(estimate: float | None, se: float | None) -> float | None:
    """Return `pse` of one estimate, None where it is NaN: pages ask it thousands of times."""
    if estimate is None or se is None:
        return None
    if estimate == 0 or not math.isfinite(estimate) or math.isnan(se):
        return None
    return se / abs(estimate) * 100


def mark_of(percent: float | None) -> Precision:
    """Return what a percent standard error says of the use of its estimate.

    Parameters
    ----------
    percent : float or None
        Percent, as `pse` returns it; None or NaN where there is none.

    Returns
    -------
    Precision
        `CAUTION` over 30, `WITHHELD` over 50; the limits themselves belong to the lower class.
    """
    if percent is None or math.isnan(percent):
        return Precision.UNKNOWN
    if percent > WITHHELD_OVER * (1 + ROUNDING):
        return Precision.WITHHELD
    return Precision.CAUTION if percent > CAUTION_OVER * (1 + ROUNDING) else Precision.FAIR


def marks_of(percents: ArrayLike) -> list[Precision]:
    """Return `mark_of` for each percent standard error of a sequence."""
    return [mark_of(float(one)) for one in np.atleast_1d(np.asarray(percents, float))]
