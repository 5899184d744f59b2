"""Ends and ticks of an axis of figures."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

#: Steps that read easily, within a power of ten; the largest first.
_STEPS = (5.0, 4.0, 2.5, 2.0, 1.0)
#: The part of figures that an axis holds at the least, and how far above it others may stretch it.
MOST, SPIKE = 0.95, 1.3
#: Ticks that an axis has at least.
FEWEST_TICKS = 3


def ticks(low: float, high: float) -> list[float]:
    """Return the fewest round numbers between two ends that are three or more.

    Parameters
    ----------
    low, high : float
        Ends of the axis, the second the higher.
    """
    power = math.floor(math.log10(high - low)) + 1
    for exponent in range(power, power - 4, -1):
        for step in (one * 10.0**exponent for one in _STEPS):
            first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
            if last - first + 1 >= FEWEST_TICKS:
                return [round(at * step, 12) for at in range(first, last + 1)]
    return [low, high]


def quantile(values: Sequence[float], part: float) -> float:
    """Return a quantile, between neighbours in proportion; 0 where there is no value."""
    if not values:
        return 0.0
    found = sorted(values)
    at = part * (len(found) - 1)
    left = math.floor(at)
    right = min(left + 1, len(found) - 1)
    return found[left] + (at - left) * (found[right] - found[left])


def without_spikes(values: Sequence[float]) -> float:
    """Return the highest of some figures; where it stands far above the most, the quantile of them.

    Few figures far above all others would squeeze the rest.
    """
    most = quantile(values, MOST)
    highest = max(values, default=0.0)
    return most if highest > SPIKE * most else highest
