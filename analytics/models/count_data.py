"""Rows of counts, collapsed once for many regressions."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analytics.models.count_likelihood import CollapsedCounts, collapse
from analytics.models.formula import coding_of, parts_of
from analytics.models.response_checks import rows_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from analytics.models.formula import Coding

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]


#: Part of a column that those before it leave, under which it follows from them.
NO_RANK = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Regressors:
    """Terms as a matrix.

    - `matrix` (G, P)
    - `keep` (P,): columns that do not follow from those before them.
    """

    coding: Coding
    matrix: Floats
    keep: Bools


@dataclass(frozen=True, slots=True, eq=False)
class Coded:
    """Rows of counts, collapsed, before any regression is chosen.

    Parameters
    ----------
    counts : CollapsedCounts
        M rows.
    groups : pandas.DataFrame
        G rows: every combination of the columns of the terms.
    place : ndarray of int, shape (N,)
        Place of every row of the frame among the M.
    cluster : ndarray of int, shape (N,) or None
    """

    counts: CollapsedCounts
    groups: pd.DataFrame
    place: Ints
    cluster: Ints | None
    exposure: str
    _regressors: dict[tuple[str, ...], Regressors] = field(
        default_factory=dict, init=False, repr=False
    )

    def regressors(self, terms: Sequence[str]) -> Regressors:
        """Return how some terms are coded and their matrix, worked out once for all fits."""
        key = tuple(terms)
        if key not in self._regressors:
            coding = coding_of(self.groups, key)
            matrix = coding.matrix(self.groups)
            self._regressors[key] = Regressors(coding, matrix, independent(matrix))
        return self._regressors[key]

    def only(self, keep: Bools) -> Coded:
        """Return the rows of some groups, shape (G,), without their clusters."""
        new = np.cumsum(keep) - 1
        rows = keep[self.counts.group]
        part = CollapsedCounts(
            self.counts.y[rows],
            new[self.counts.group[rows]],
            self.counts.log_exposure[rows],
            self.counts.weight[rows],
        )
        groups = self.groups[keep].reset_index(drop=True)
        return Coded(part, groups, np.arange(len(part.y)), None, self.exposure)


def coded(
    frame: pd.DataFrame,
    *,
    response: str,
    exposure: str,
    terms: Sequence[str],
    cluster: str | None = None,
) -> Coded:
    """Collapse rows of counts by the columns of some terms.

    Parameters
    ----------
    frame : pandas.DataFrame
        N rows.
    response, exposure : str
        As in `analytics.models.count_regression.fit_counts`.
    terms : sequence of str
        All terms of the regressions to come.

    Raises
    ------
    UsageError
        As in `analytics.models.response_checks.rows_of`.
    """
    columns = [name for term in terms for name in parts_of(frame, term).values()]
    rows = rows_of(frame, response=response, exposure=exposure, terms=columns, cluster=cluster)
    counts, place = collapse(rows.y, rows.group, rows.exposure)
    text = rows.groups.select_dtypes(exclude=["number", "bool"]).columns
    # Each text is looked at once here, and by its code ever after.
    groups = rows.groups.astype(dict.fromkeys(text, "category"))
    return Coded(counts, groups, place, rows.cluster, exposure)


def independent(matrix: Floats) -> Bools:
    """Return which columns of a matrix do not follow from those before them, shape (P,).

    By elimination in the cross-products: small next to the matrix, whatever its rows.
    """
    scale = np.linalg.norm(matrix, axis=0)
    unit = matrix / np.where(scale > 0, scale, 1.0)
    left = unit.T @ unit
    keep = np.zeros(len(left), dtype=bool)
    for place in range(len(left)):
        keep[place] = left[place, place] > NO_RANK**2
        if keep[place]:
            row = left[place] / left[place, place]
            left = left - left[:, place, None] * row
    return keep
