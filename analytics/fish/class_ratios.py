"""Encounters of each class per fish of the base that interviews tell, from a sample."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.fish.composition_sample import SIZE_MARK

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]

#: The classes, then all of them together.
COLUMNS = (*SIZE_MARK, "all")
#: Fish of the base class in the pool under which the damped form is used: above, the bias of the
#: plain one is under 5 % (a choice of this program, no source).
DAMPED_UNDER = 20


@dataclass(frozen=True, slots=True, eq=False)
class ClassRatios:
    """Ratios of C area-weeks over sample cells that they may share.

    Parameters
    ----------
    value : ndarray of float, shape (C, 5)
        Encounters of each of `COLUMNS` per encounter of the base; 0 where there is no ratio.
    slope : ndarray of float, shape (C, 5, K)
        Slope of the ratios in the pooled number of each kind of fish; of a damped one scaled so
        that the variance of a pool alone is unbiased.
    is_damped, is_served : ndarray of bool, shape (C,)
        Whether the damped form was used; whether the pool holds a fish of the base.
    n : ndarray of float, shape (G, K)
        Sampled fish of each kind.
    member : ndarray of bool, shape (C, G)
        Pools.
    base : ndarray of bool, shape (C, 4)
        Classes in the base.
    of_class : ndarray of bool, shape (C, 4, K)
        Which kinds make each class by the minimum length of each area-week.
    """

    value: Floats
    slope: Floats
    is_damped: Bools
    is_served: Bools
    n: Floats
    member: Bools
    base: Bools
    of_class: Bools

    def covariance(self, weight: Floats) -> Floats:
        r"""Return what the sample adds to the (co)variance of weighted sums of ratios.

        With the sampled fish independent Poisson counts,
        ``Σ_g Σ_k n_gk (Σ_c w_c h_cjk)(Σ_c w_c h_cik)`` over the area-weeks c whose pool holds
        the sample cell g, h their slopes. For one pool and one class this is
        ``E² (1/n_j + 1/n_LM)``, and ``E² (1 - p)/(n p)`` for all classes (Conrad & McHugh 2008);
        for the damped form ``N² n_j (n_j + n_LM + 1)/((n_LM + 1)² (n_LM + 2))``.

        Parameters
        ----------
        weight : ndarray of float, shape (D, C)
            Encounters of the base in each area-week of each domain.

        Returns
        -------
        ndarray of float, shape (D, 5, 5)
        """
        n_columns, n_kinds = self.slope.shape[1:]
        found = np.zeros((len(weight), n_columns, n_columns))
        member = self.member.astype(np.float64)
        for k in range(n_kinds):
            slopes = self.slope[:, :, k]
            parts = np.stack([(weight * slopes[:, j]) @ member for j in range(n_columns)], axis=2)
            found += np.einsum("dgj,g,dgi->dji", parts, self.n[:, k], parts, optimize=True)
        return found


def class_ratios(n: Floats, member: Bools, base: Bools, of_class: Bools) -> ClassRatios:
    r"""Return the ratios of every class to the base.

    Where the base is legal marked fish, ``r_j = n_j/n_LM``; damped, for a pool with fewer than
    `DAMPED_UNDER` fish of the base, ``r_j = n_j/(n_LM + 1)``, so that all classes together are
    ``(n + 1)/(n_LM + 1)`` (Conrad & McHugh 2008, Assessment of two methods for estimating total
    Chinook salmon encounters in Puget Sound/Strait of Juan de Fuca mark-selective Chinook
    fisheries; formulas derived). Classes within the base are its shares and add up to 1.

    Parameters
    ----------
    n : ndarray of float, shape (G, K)
        Sampled fish by sample cell and kind.
    member : ndarray of bool, shape (C, G)
        Which sample cells stand for each area-week.
    base : ndarray of bool, shape (C, 4)
        Classes that the interviews tell, one or more for each area-week.
    of_class : ndarray of bool, shape (C, 4, K)
        Which kinds make each class by the minimum length of each area-week.
    """
    pooled = np.einsum("cg,gk,cjk->cj", member, n, of_class, optimize=True)
    below = np.einsum("ck,ck->c", pooled, base)
    is_served, is_damped = below > 0, below < DAMPED_UNDER
    divisor = below[:, None] + np.where(is_damped[:, None] & ~base, 1.0, 0.0)
    divisor = np.where(is_served[:, None], divisor, np.inf)
    value = pooled / divisor
    own, by_base = _unbiased(below, is_damped)
    stretch = np.where(base, 1.0, own[:, None])[:, :, None] * np.eye(len(SIZE_MARK))
    pull = np.where(base, 1.0, by_base[:, None]) * value
    by_class = (stretch - pull[:, :, None] * base[:, None, :]) / divisor[:, :, None]
    slope = np.einsum("cji,cik->cjk", by_class, of_class)
    return ClassRatios(
        value=np.concatenate([value, value.sum(axis=1, keepdims=True)], axis=1),
        slope=np.concatenate([slope, slope.sum(axis=1, keepdims=True)], axis=1),
        is_damped=is_damped & is_served,
        is_served=is_served,
        n=n,
        member=member,
        base=base,
        of_class=of_class,
    )


def _unbiased(below: Floats, is_damped: Bools) -> tuple[Floats, Floats]:
    r"""Return by how much a damped ratio's slopes in its class and in the base are scaled.

    For Poisson counts A and B, ``A (A - 1)/((B + 1)(B + 2))`` estimates the square of what
    ``r = A/(B + 1)`` does, but for terms in ``exp(-E B)``, so
    ``v(r) = r² - A (A - 1)/((B + 1)(B + 2)) = [A (B + 1)/(B + 2) + r² (B + 1)²/(B + 2)]/(B + 1)²``
    (own derivation, after the estimators of capture and recapture in Chapman 1951, from memory).
    Linearised, the brackets hold A and r² B: too little where B is small.
    """
    own = np.sqrt((below + 1) / (below + 2))
    by_base = (below + 1) / np.sqrt(np.where(below > 0, below * (below + 2), 1.0))
    return np.where(is_damped, own, 1.0), np.where(is_damped, by_base, 1.0)


# Joint draws of encounters by class: interviews and composition sample uncertain at once.

N_DRAWS = 10_000
#: Draws made at a time, so that memory stays small.
_AT_ONCE = 500


@dataclass(frozen=True, slots=True, eq=False)
class DrawnClasses:
    """What joint draws say of D domains and the five `COLUMNS`; arrays of shape (D, 5).

    - `low`, `high`: quantiles at the level asked; NaN where the survey's error is not known.
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
