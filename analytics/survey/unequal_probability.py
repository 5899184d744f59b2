"""Sites drawn within a day by unequal probability without replacement: weights and variances.

Sites are drawn one after the other, each time with probability proportional to the single-draw
probabilities of those that are left. Each function returns a `SiteDraw`: the day's total is
``Σ w_i y_i`` and its variance from the choice of sites is estimated by ``Σ_ij a_ij y_i y_j``.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Nodes of the quadrature over the clocks; enough for 1e-12 in the cases of `tests/properties`.
_NODES = 400
#: A probability within this of 1 is certainty.
_CERTAIN = 1 - 1e-12


class SiteRule(StrEnum):
    """How a day's total follows from its sampled sites; the codes stand in `method`."""

    EVERY_SITE = "every_site"
    MURTHY = "two_sites_murthy"
    HORVITZ_THOMPSON = "sites_horvitz_thompson"
    SINGLE_DRAW = "one_site_drawn"


@dataclass(frozen=True, slots=True, eq=False)
class SiteDraw:
    """Weights of the n sampled sites of a day.

    - `weight` (n,): w of the day's total ``Σ w_i y_i``.
    - `form` (n, n): a of the variance estimator ``Σ a_ij y_i y_j``; zeros where the day has no such
      variance or it cannot be given (`SiteRule.SINGLE_DRAW`).
    """

    weight: Floats
    form: Floats
    rule: SiteRule


def site_draw(sampled: Floats, left: Floats) -> SiteDraw:
    """Return the weights of a day's sites.

    `sampled` (n,): single-draw probabilities of the sampled sites, in (0, 1]. `left` (m,): those of
    the sites that were not sampled; with `sampled` they sum to 1. They are used where three or more
    sites were drawn.
    """
    n, left = len(sampled), left[left > 0]  # a site that is never drawn is none of the frame
    nothing = np.zeros((n, n))
    if not len(left) or sampled.sum() >= _CERTAIN:
        return SiteDraw(np.ones(n), nothing, SiteRule.EVERY_SITE)
    if n == 1:
        return SiteDraw(1 / sampled, nothing, SiteRule.SINGLE_DRAW)
    if n == 2:
        return murthy(sampled)
    return horvitz_thompson(*inclusion(sampled, left, n_drawn=n))


def murthy(p: Floats) -> SiteDraw:
    r"""Return Murthy's weights of two sites.

    ``T = [(1-p2) y1/p1 + (1-p1) y2/p2] / (2-p1-p2)`` with the unbiased variance estimator
    ``(1-p1)(1-p2)(1-p1-p2)/(2-p1-p2)² (y1/p1 - y2/p2)²`` (Murthy 1957, Ordered and unordered
    estimators in sampling without replacement, Sankhya 18).

    `p` (2,): single-draw probabilities.
    """
    below = 2 - p.sum()
    weight = (1 - p[::-1]) / (p * below)
    between = np.prod(1 - p) * (1 - p.sum()) / below**2
    return SiteDraw(weight, _pair_form(np.array([[0, between], [between, 0]]), p), SiteRule.MURTHY)


def horvitz_thompson(single: Floats, joint: Floats) -> SiteDraw:
    r"""Return Horvitz-Thompson weights with the variance of Sen, Yates and Grundy.

    ``T = Σ y_i/π_i`` and ``Σ_{i<j} (π_i π_j - π_ij)/π_ij (y_i/π_i - y_j/π_j)²`` (Yates & Grundy
    1953, Selection without replacement from within strata with probability proportional to size,
    J. R. Stat. Soc. B 15; from memory).

    `single` (n,): inclusion probabilities π_i of the sampled sites. `joint` (n, n): joint ones
    π_ij; the diagonal is not used.
    """
    between = np.outer(single, single) / joint - 1
    np.fill_diagonal(between, 0)
    return SiteDraw(1 / single, _pair_form(between, single), SiteRule.HORVITZ_THOMPSON)


def _pair_form(between: Floats, size: Floats) -> Floats:
    """Return the matrix of ``Σ_{i<j} c_ij (y_i/q_i - y_j/q_j)²``."""
    form: Floats = (np.diag(between.sum(axis=1)) - between) / np.outer(size, size)
    return form


def inclusion(sampled: Floats, left: Floats, *, n_drawn: int) -> tuple[Floats, Floats]:
    r"""Return inclusion probabilities of sites under successive drawing, single and joint.

    The order of successive draws is that of independent exponential clocks with the draw
    probabilities as rates, and the sample is the first n to ring. A site is in it when fewer than
    n others rang before it: ``π_i = ∫ p_i e^(-p_i t) P(fewer than n of the others by t) dt``; two
    are, when fewer than n - 1 others rang before the later of them. One integral each, by
    Gauss-Legendre quadrature in ``ln t`` (the identity: Rosen 1972, Asymptotic theory for
    successive sampling, Ann. Math. Stat. 43; from memory; checked against enumeration).

    `sampled` (k,): single-draw probabilities of the sites asked for. `left` (m,): those of all
    other sites. `n_drawn`: sites drawn, n.

    `single` (k,). `joint` (k, k): its diagonal is `single`.
    """
    everyone = np.concatenate([sampled, left])
    time, width = _clock_nodes(everyone.min())
    silent = np.exp(-np.outer(everyone, time))  # P(no ring by t), shape (sites, nodes)
    rings = everyone[:, None] * silent  # density of the ring
    k = len(sampled)
    joint = np.empty((k, k))
    for i in range(k):
        others = np.delete(silent, i, axis=0)
        joint[i, i] = width @ (rings[i] * _fewer_than(n_drawn, others))
        for j in range(i + 1, k):
            later = rings[i] * (1 - silent[j]) + rings[j] * (1 - silent[i])
            rest = np.delete(silent, [i, j], axis=0)
            joint[i, j] = joint[j, i] = width @ (later * _fewer_than(n_drawn - 1, rest))
    return np.diag(joint).copy(), joint


def _clock_nodes(slowest: float) -> tuple[Floats, Floats]:
    """Return times and weights that integrate over (0, ∞), fine near 0 and out to the slowest."""
    at, weight = np.polynomial.legendre.leggauss(_NODES)
    # t = exp(x): clocks of very unlike rates are all met by an even grid of ln t.
    low, high = np.log(1e-13), np.log(45 / slowest)
    x = low + (high - low) * (at + 1) / 2
    time = np.exp(x)
    return time, weight * (high - low) / 2 * time


def _fewer_than(n: int, silent: Floats) -> Floats:
    """Return P(fewer than n clocks rang) at each node: the tail of a Poisson-binomial."""
    count = np.zeros((n, silent.shape[1]))
    count[0] = 1
    for quiet in silent:
        rang = count * (1 - quiet)
        count *= quiet
        count[1:] += rang[:-1]
    total: Floats = count.sum(axis=0)
    return total
