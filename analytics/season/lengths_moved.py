"""Fish that another minimum length moves between legal and sublegal."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analytics.season.rate_draws import law_at, luck

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.season.baseline import Baseline

    Floats = NDArray[np.float32]

#: Measured fish that a share needs; with fewer, those of all areas count.
LEAST_MEASURED = 30


def so_far_mm(baseline: Baseline, area: int) -> float:
    """Return the minimum length that the totals so far were fished under; 0 where none is told."""
    told = float(baseline.so_far.min_length_mm[area, 0])
    return 0.0 if np.isnan(told) else told


def measured(baseline: Baseline, area: int, size: str) -> tuple[str, NDArray[np.float64]] | None:
    """Return lengths of a size and the area they are of (empty: all); None where too few.

    Parameters
    ----------
    baseline : Baseline
    area : int
    size : str
        ``legal`` or ``sublegal``.

    Returns
    -------
    (str, ndarray of float) or None
    """
    told = so_far_mm(baseline, area)
    for name in (baseline.areas[area], ""):
        lengths = np.asarray(baseline.lengths.get((name, size), ()), dtype=np.float64)
        if told:
            lengths = lengths[lengths >= told] if size == "legal" else lengths[lengths < told]
        if len(lengths) >= LEAST_MEASURED:
            return name, lengths
    return None


def moved_share(baseline: Baseline, area: int, minimum_mm: float) -> tuple[str, Floats] | None:
    """Return which fish a minimum length moves, and what share of them.

    The share of measured fish, drawn from the beta law of ``x + 1/2`` and ``n - x + 1/2`` (the law
    of a share after x of n, from Jeffreys' prior; from memory), its quantile at the normal number
    of the lengths: a longer minimum then moves more fish in every draw.

    Parameters
    ----------
    baseline : Baseline
        With `measured` fish of the size that is moved.
    area : int
    minimum_mm : float

    Returns
    -------
    (str, ndarray of float32 of shape (D,)) or None
        ``legal`` fish that become sublegal, or ``sublegal`` ones that become legal; None where the
        minimum is as it was.
    """
    told = so_far_mm(baseline, area)
    if minimum_mm == told:
        return None
    size = "legal" if minimum_mm > told else "sublegal"
    found = measured(baseline, area, size)
    if found is None:
        return None
    name, lengths = found
    under = int((lengths < minimum_mm).sum())
    n, moves = len(lengths), under if size == "legal" else len(lengths) - under
    normal = luck(baseline.normal, f"length {name}", len(baseline.wanted_size))
    return size, law_at(moves + 0.5, n - moves + 0.5, normal)
