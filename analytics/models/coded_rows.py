"""Rows of counts, collapsed once for many regressions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.models.count_checks import rows_of
from analytics.models.count_likelihood import CollapsedCounts, collapse
from analytics.models.terms import parts_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from numpy.typing import NDArray

    Ints = NDArray[np.int64]


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
    exposure : str
    """

    counts: CollapsedCounts
    groups: pd.DataFrame
    place: Ints
    cluster: Ints | None
    exposure: str

    def only(self, keep: NDArray[np.bool_]) -> Coded:
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
        As in `analytics.models.counts.fit_counts`.
    terms : sequence of str
        All terms of the regressions to come.
    cluster : str, optional

    Returns
    -------
    Coded

    Raises
    ------
    WrongUse
        As in `analytics.models.count_checks.rows_of`.
    """
    columns = [name for term in terms for name in parts_of(frame, term).values()]
    rows = rows_of(frame, response=response, exposure=exposure, terms=columns, cluster=cluster)
    counts, place = collapse(rows.y, rows.group, rows.exposure)
    return Coded(counts, rows.groups, place, rows.cluster, exposure)
