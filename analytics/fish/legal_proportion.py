"""Share of the fish met that are legal at a minimum length, with fish of one place alike."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.codes import coded
from analytics.intervals import t_quantile, wilson

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True)
class LegalShare:
    """A share of fish and its interval.

    - `share`, `low`, `high`: None where there is no fish.
    - `n_fish`, `n_legal`: fish of known length; of those, fish on the line or longer.
    - `design_effect`: by what the likeness of fish of one cluster multiplies the variance; 1 where
      none is seen.
    - `n_clusters`: clusters with fish; 0 where none were given.
    - `reason`: why there is no share, or what the interval takes as given.
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

    Wilson's interval at the effective sample size ``n/d`` (Rao & Scott 1992, A simple method for
    the analysis of clustered binary data, Biometrics 48; from memory). As d comes from k clusters,
    n/d shrinks by ``(z/t)²`` with t of k - 1 degrees of freedom (Korn & Graubard 1998, Confidence
    intervals for proportions with small expected number of positive counts estimated from survey
    data, Survey Methodology 24; from memory); it is never more than n.

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
        return LegalShare(None, None, None, 0, 0, 1.0, 0, coded("no_length_known"))
    effect, k, n_effective = math.nan, 0, float(n)
    if clusters is not None:
        labels = np.asarray(clusters)
        if labels.shape != mm.shape:
            raise ValueError(f"{len(labels)} clusters for {len(mm)} fish: give one for each fish")
        _, place = np.unique(labels[known], return_inverse=True)
        size = np.bincount(place).astype(np.float64)
        legal = np.bincount(place[is_legal], minlength=len(size)).astype(np.float64)
        k, effect = len(size), design_effect(legal, size)
    if effect > 0:
        shrunk = (t_quantile(level, math.inf) / t_quantile(level, k - 1)) ** 2
        n_effective = min(n / effect * shrunk, float(n))
    low, high = wilson(y / n, n_effective, level=level)
    reason = _why(effect, k, n_effective, n, is_mixed=0 < y < n) if clusters is not None else ""
    shown = effect if effect > 1 else 1.0
    return LegalShare(y / n, low, high, n, y, shown, k, reason)


def design_effect(legal: NDArray[np.float64], size: NDArray[np.float64]) -> float:
    r"""Return the design effect of a share over clusters of fish.

    ``d = v(p)/[p(1-p)/n]`` with the variance of a ratio over k clusters,
    ``v(p) = k/(k-1) Σ (y_i - p m_i)²/n²`` (Rao & Scott 1992, as in `legal_share`).

    `legal`, `size` (k,): legal fish and all fish of every cluster.

    NaN where a single cluster, or fish all on one side of the line, can tell nothing.
    """
    n, k = size.sum(), len(size)
    p = legal.sum() / n
    if k < 2 or p in (0, 1):
        return math.nan
    variance = k / (k - 1) * ((legal - p * size) ** 2).sum() / n**2
    return float(variance / (p * (1 - p) / n))


def _why(effect: float, k: int, n_effective: float, n: int, *, is_mixed: bool) -> str:
    if not is_mixed:
        return coded("one_side")
    if k < 2:
        return coded("one_cluster")
    if n_effective >= n:
        return coded("no_clustering", clusters=k)
    if effect <= 1:
        return coded("few_clusters", clusters=k, n=f"{n_effective:.0f}")
    return coded("clustered", effect=f"{effect:.2f}", clusters=k, n=f"{n_effective:.0f}")
