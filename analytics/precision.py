"""How precise an estimate is, in percent of itself, and what may be done with it."""

from __future__ import annotations

import math
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from analytics.arrays import Floats

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
