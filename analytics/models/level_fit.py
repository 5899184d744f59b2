r"""A level for every area and week of counts or shares, each finite however few its fish.

Two steps. First areas and weeks add up, with a bias-reducing penalty (`penalties.BiasReduced`):
that gives every area-week a centre, low where nobody met a fish. Then every area-week has a level
of its own, with a prior worth `WORTH` fish about its centre (`penalties.Towards`): an area-week of
y fish keeps about ``y/(y + WORTH)`` of what it says itself, so that thick ones stay where their own
fish put them, and one without a fish is low, with an error as wide as a guess from its neighbours
deserves. That one fish is our choice, no source.

The covariance is ``H⁻¹ + J V J'``: H the curvature at the top, J the slopes of the coefficients in
the first step's, V the first step's covariance (Kass & Steffey 1989, Approximate Bayesian inference
in conditionally independent hierarchical models, J. Am. Stat. Assoc. 84; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from analytics.errors import WrongUse
from analytics.models.climb import RUNS_OFF
from analytics.models.coded_rows import independent
from analytics.models.maximum import top
from analytics.models.penalties import BiasReduced, Towards
from analytics.models.terms import coding_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from analytics.models.maximum import Likelihood
    from analytics.models.terms import Coding

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

#: Fish that the prior on an area-week is worth.
WORTH = 1.0


class Ground(Protocol):
    """Rows that are fitted: of counts or of shares."""

    @property
    def groups(self) -> pd.DataFrame:
        """Every combination of the covariates, G rows."""

    @property
    def size(self) -> Floats:
        """Exposure or trials of each, shape (G,)."""

    @property
    def is_share(self) -> bool:
        """Whether the link is the logit."""

    @property
    def base(self) -> float:
        """Log rate, or logit of the share, of all rows together."""

    def laws(self) -> Sequence[str]:
        """Return the families to try, the one asked for first."""

    def likelihood(self, law: str, rows: Floats) -> Likelihood:
        """Return the likelihood of a family, its first parameters the coefficients of `rows`."""

    def more(self, law: str) -> Floats:
        """Return where the other parameters start."""

    def is_inside(self, law: str, params: Floats) -> bool:
        """Return whether the other parameters are not at an edge of what is allowed."""


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """The second step, at its top.

    Parameters
    ----------
    law : str
    likelihood : Likelihood
        Without the prior.
    params : ndarray of float, shape (K,)
    cov, bread : ndarray of float, shape (K, K)
        With the centres' errors in it, and without.
    coding : Coding
    keep : ndarray of bool, shape (P,)
        Columns of the coding that are fitted; the others follow from these and stand at 0.
    """

    law: str
    likelihood: Likelihood
    params: Floats
    cov: Floats
    bread: Floats
    coding: Coding
    keep: NDArray[np.bool_]


def fit_levels(ground: Ground, *, cell: str, parts: Sequence[str], others: Sequence[str]) -> Found:
    """Fit both steps by the family asked for; by a simpler one where that does not arrive.

    Parameters
    ----------
    ground : Ground
        `groups` has a column for every name.
    cell : str
        Column of the area-weeks.
    parts : sequence of str
        Columns that add up to the centre of an area-week.
    others : sequence of str
        Terms beside them.

    Returns
    -------
    Found

    Raises
    ------
    WrongUse
        If no search arrives, or an effect runs off.
    """
    cells, parts = (
        [name for name in names if len(ground.groups[name].unique()) > 1]
        for names in ((cell,), parts)
    )
    first, second = (_Matrix.of(ground, one, others) for one in (parts, cells))
    for law in ground.laws():
        found = _both(ground, law, first, second)
        if found is not None:
            return found
    raise WrongUse("the search for a level of every area and week did not arrive: leave a term out")


@dataclass(frozen=True, slots=True, eq=False)
class _Matrix:
    """A coding with its independent columns, and the rows of area-weeks at the mean of the rest.

    `n_own` columns, the first, are those of the levels.
    """

    coding: Coding
    keep: NDArray[np.bool_]
    rows: Floats
    levels: Floats
    n_own: int

    @classmethod
    def of(cls, ground: Ground, own: Sequence[str], others: Sequence[str]) -> _Matrix:
        coding = coding_of(ground.groups, [*own, *others])
        rows = coding.matrix(ground.groups)
        keep = independent(rows)
        # Columns of the others come last; a level stands at their mean.
        n_own = rows.shape[1] - len(coding_of(ground.groups, others).names) + 1
        levels = rows.copy()
        levels[:, n_own:] = ground.size @ rows[:, n_own:] / ground.size.sum()
        return cls(coding, keep, rows[:, keep], levels[:, keep], int(keep[:n_own].sum()))

    @property
    def names(self) -> list[str]:
        return [name for name, one in zip(self.coding.names, self.keep, strict=True) if one]


def _both(ground: Ground, law: str, first: _Matrix, second: _Matrix) -> Found | None:
    start = np.concatenate([[ground.base], np.zeros(first.rows.shape[1] - 1), ground.more(law)])
    plain = ground.likelihood(law, first.rows)
    reduced = BiasReduced(plain, first.rows, ground.size, ground.is_share)
    centred = top(reduced, start)
    if centred is None or not ground.is_inside(law, centred):
        return None
    p = first.rows.shape[1]
    each, place = np.unique(second.levels, axis=0, return_inverse=True)
    at = np.zeros(len(each), dtype=np.int64)
    at[place.ravel()] = np.arange(len(second.levels))
    centre = first.levels[at] @ centred[:p]
    known = dict(zip(first.names, centred[:p], strict=True))
    b = np.array([known.get(name, 0.0) for name in second.names])
    # The levels themselves start from their centres.
    own = second.n_own
    b[:own] = np.linalg.lstsq(each[:, :own], centre - each[:, own:] @ b[own:], rcond=None)[0]
    pull = second.rows.T @ reduced.pull(centred)
    whole = ground.likelihood(law, second.rows)
    prior = Towards(whole, each, centre, pull, WORTH, ground.is_share)
    params = top(prior, np.concatenate([b, centred[p:]]))
    if params is None or not ground.is_inside(law, params):
        return None
    bread = np.asarray(np.linalg.inv(-prior.hessian(params)), dtype=np.float64)
    if not np.sqrt(np.diag(bread)[: len(b)].max()) < RUNS_OFF:
        raise WrongUse("some terms pick out rows that are all without a fish: leave a term out")
    wide = np.linalg.inv(-plain.hessian(centred))[:p, :p]
    slope = bread @ prior.by_centre(params) @ first.levels[at]
    cov: Floats = bread + slope @ wide @ slope.T
    return Found(law, whole, params, cov, bread, second.coding, second.keep)


def spread_by_cluster(
    score: Floats, information: Floats, cell: Ints, cluster: Ints, has: NDArray[np.bool_]
) -> float:
    r"""Return the variance of scores by cluster over that expected of rows, pooled over cells.

    In a cell of score s and information I whose clusters have s_d and I_d, ``Σ_d (s_d - s I_d/I)²``
    has the mean ``I - Σ_d I_d²/I`` where rows stand alone. The factor is the sum of the former over
    that of the latter, over all cells of two clusters or more, and never below 1: thick cells tell
    it, thin ones share it. Our choice, no source; in one cell of D equal clusters it is the
    sandwich with its ``D/(D-1)``.

    Parameters
    ----------
    score, information : ndarray of float, shape (N,)
        Of rows, in the linear predictor.
    cell, cluster : ndarray of int, shape (N,)
        Codes from 0.
    has : ndarray of bool, shape (C,)
        Whether a cell has fish that can tell anything.

    Returns
    -------
    float
        NaN where no cell with fish has two clusters.
    """
    n = len(has)
    pairs, place = np.unique(cluster * n + cell, return_inverse=True)
    s, i = (np.bincount(place.ravel(), one, len(pairs)) for one in (score, information))
    of = pairs % n
    n_days, s_all, i_all, squares = (
        np.bincount(of, one, n) for one in (np.ones(len(pairs)), s, i, i**2)
    )
    i_all = np.maximum(i_all, 1e-300)
    several = n_days >= 2
    if not (several & has).any():
        return float("nan")
    seen = np.bincount(of, (s - s_all[of] * i / i_all[of]) ** 2, n)
    expected = i_all - squares / i_all
    return max(float(seen[several].sum() / expected[several].sum()), 1.0)
