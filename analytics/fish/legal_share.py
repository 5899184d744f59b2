"""Share of the fish met that are legal at a minimum length, with fish of one place alike."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.interval import t_quantile

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True)
class LegalShare:
    """A share of fish and its interval.

    Parameters
    ----------
    share, low, high : float or None
        None where there is no fish.
    n_fish, n_legal : int
        Fish of known length; of those, fish on the line or longer.
    design_effect : float
        By what the likeness of fish of one cluster multiplies the variance; 1 where none is seen.
    n_clusters : int
        Clusters with fish; 0 where none were given.
    reason : str
        Why there is no share, or what the interval takes as given.
    """

    share: float | None
    low: float | None
    high: float | None
    n_fish: int
    n_legal: int
    design_effect: float
    n_clusters: int
    reason: str


def legal_share(
    lengths: ArrayLike,
    min_length: float,
    clusters: ArrayLike | None = None,
    *,
    level: float = 0.95,
) -> LegalShare:
    r"""Return the share of fish that are legal at a minimum length, with its interval.

    Wilson's interval (1927, Probable inference, J. Am. Stat. Assoc. 22) at the effective sample
    size ``n/d`` (Rao & Scott 1992, A simple method for the analysis of clustered binary data,
    Biometrics 48; from memory). Where d is over 1 it came from k clusters, and n/d shrinks by
    ``(z/t)²`` with t of k - 1 degrees of freedom (Korn & Graubard 1998, Confidence intervals for
    proportions with small expected number of positive counts estimated from survey data, Survey
    Methodology 24; from memory).

    Parameters
    ----------
    lengths : array_like of float, shape (n,)
        Total lengths, mm; fish of unknown length (NaN) are left out.
    min_length : float
        Minimum, mm; a fish on the line is legal.
    clusters : array_like, shape (n,), optional
        Which fish were met together, such as area and week.
    level : float
        Confidence level.

    Returns
    -------
    LegalShare

    Raises
    ------
    ValueError
        If the level is not between 0 and 1, or the clusters are not one a fish.
    """
    if not 0 < level < 1:
        raise ValueError(f"level {level}: a confidence level lies between 0 and 1, such as 0.95")
    mm = np.asarray(lengths, dtype=np.float64)
    known = ~np.isnan(mm)
    is_legal = mm[known] >= min_length
    n, y = len(is_legal), int(is_legal.sum())
    if n == 0:
        return LegalShare(None, None, None, 0, 0, 1.0, 0, "no fish of known length")
    effect, k = 1.0, 0
    if clusters is not None:
        labels = np.asarray(clusters)
        if labels.shape != mm.shape:
            raise ValueError(f"{len(labels)} clusters for {len(mm)} fish: give one for each fish")
        _, place = np.unique(labels[known], return_inverse=True)
        size = np.bincount(place).astype(np.float64)
        legal = np.bincount(place[is_legal], minlength=len(size)).astype(np.float64)
        k, effect = len(size), design_effect(legal, size)
    z = t_quantile(level, math.inf)
    n_effective = n / effect
    if effect > 1:
        n_effective *= (z / t_quantile(level, k - 1)) ** 2
    low, high = wilson(y / n, n_effective, z=z)
    words = _words(effect, k, is_mixed=0 < y < n) if clusters is not None else ""
    return LegalShare(y / n, low, high, n, y, effect, k, words)


def design_effect(legal: NDArray[np.float64], size: NDArray[np.float64]) -> float:
    r"""Return the design effect of a share over clusters of fish, never below 1.

    ``d = v(p)/[p(1-p)/n]`` with the variance of a ratio over k clusters,
    ``v(p) = k/(k-1) Σ (y_i - p m_i)²/n²`` (Rao & Scott 1992, as in `legal_share`).

    Parameters
    ----------
    legal, size : ndarray of float, shape (k,)
        Legal fish and all fish of every cluster.

    Returns
    -------
    float
        1 where a single cluster, or fish all on one side of the line, can tell nothing.
    """
    n, k = size.sum(), len(size)
    p = legal.sum() / n
    if k < 2 or p in (0, 1):
        return 1.0
    variance = k / (k - 1) * ((legal - p * size) ** 2).sum() / n**2
    return max(1.0, float(variance / (p * (1 - p) / n)))


def wilson(share: float, n: float, *, z: float) -> tuple[float, float]:
    r"""Return Wilson's interval of a share; `n` need not be whole.

    ``[p + z²/2n ± z √(p(1-p)/n + z²/4n²)]/(1 + z²/n)``.
    """
    middle = share + z**2 / (2 * n)
    half = z * math.sqrt(share * (1 - share) / n + z**2 / (4 * n**2))
    whole = 1 + z**2 / n
    # At 0 and 1 the interval ends there, but for rounding.
    low = 0.0 if share == 0 else max(0.0, (middle - half) / whole)
    return low, 1.0 if share == 1 else min(1.0, (middle + half) / whole)


def _words(effect: float, k: int, *, is_mixed: bool) -> str:
    if not is_mixed:
        return "all fish on one side of the line: the interval takes them as independent"
    if k < 2:
        return "fish of one area and week only: the interval takes them as independent"
    if effect > 1:
        return (
            f"fish of one area and week are alike: design effect {effect:.2f} from {k} of them "
            "widens the interval"
        )
    return f"no likeness within {k} areas and weeks: the interval takes fish as independent"
