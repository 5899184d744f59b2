"""Joint draws of encounters by class: interviews and composition sample uncertain at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.fish.sampled import COLUMNS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from analytics.fish.sampled import ClassRatios

    Floats = NDArray[np.float64]

N_DRAWS = 10_000
#: Draws made at a time, so that memory stays small.
_AT_ONCE = 500


@dataclass(frozen=True, slots=True, eq=False)
class DrawnClasses:
    """What joint draws say of D domains and the five `COLUMNS`; arrays of shape (D, 5).

    Parameters
    ----------
    low, high : ndarray of float
        Quantiles at the level asked; NaN where the survey's error is not known.
    mean, sd : ndarray of float
    """

    low: Floats
    high: Floats
    mean: Floats
    sd: Floats


def draw_classes(
    ratios: ClassRatios,
    weight: Floats,
    survey_cv: Floats,
    *,
    level: float = 0.95,
    n_draws: int = N_DRAWS,
    seed: int,
) -> DrawnClasses:
    r"""Draw the ratios of shared pools and the base of each domain together.

    Each sampled count n becomes a gamma variate of shape n (a Poisson count seen through a flat
    prior on the logarithm of its mean). The divisor of a plain ratio takes one more unit of shape,
    that of a damped one two: the draws then have the estimate as their mean,
    ``n_j / (n_LM + δ)`` with δ 0 or 1. Interviews multiply all classes of a domain by one
    log-normal variate of mean 1, with the coefficient of variation of each class's survey part.

    Parameters
    ----------
    ratios : ClassRatios
    weight : ndarray of float, shape (D, C)
        Base fish of each area-week in each domain.
    survey_cv : ndarray of float, shape (D, 5)
        Coefficient of variation that interviews bring; NaN where it is not known.
    level : float
        Share of draws between the two quantiles.
    n_draws : int
    seed : int

    Returns
    -------
    DrawnClasses
    """
    rng = np.random.default_rng(seed)
    size = len(weight)
    draws = np.empty((n_draws, size, len(COLUMNS)))
    sigma = np.sqrt(np.log1p(survey_cv**2))
    start = 0
    for ratio in _ratio_draws(ratios, n_draws, rng):
        stop = start + len(ratio)
        factor = np.exp(sigma * rng.normal(size=(len(ratio), size, 1)) - sigma**2 / 2)
        draws[start:stop] = np.einsum("dc,rcj->rdj", weight, ratio, optimize=True) * factor
        start = stop
    low, high = np.quantile(draws, [0.5 - level / 2, 0.5 + level / 2], axis=0)
    return DrawnClasses(low, high, draws.mean(axis=0), draws.std(axis=0, ddof=1))


def _ratio_draws(ratios: ClassRatios, n_draws: int, rng: np.random.Generator) -> Iterator[Floats]:
    """Yield draws of all ratios, shape (r, C, 5), some at a time."""
    member, outside = ratios.member.astype(np.float64), ~ratios.base
    more = np.where(ratios.is_damped, 2.0, 1.0)
    for start in range(0, n_draws, _AT_ONCE):
        many = min(_AT_ONCE, n_draws - start)
        fish = rng.gamma(ratios.n, size=(many, *ratios.n.shape))
        pooled = np.einsum("cg,rgk,cjk->rcj", member, fish, ratios.of_class, optimize=True)
        base = np.einsum("rck,ck->rc", pooled, ratios.base)
        base = np.where(ratios.is_served, base, np.inf)
        wider = base + rng.gamma(more, size=base.shape)
        value = pooled / np.where(outside, wider[:, :, None], base[:, :, None])
        yield np.concatenate([value, value.sum(axis=2, keepdims=True)], axis=2)
