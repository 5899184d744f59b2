"""What counts of shares must be before they are fitted, each refusal in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa
from pandas.api.types import is_bool_dtype, is_numeric_dtype
from scipy.optimize import linprog

from analytics.errors import WrongUse
from analytics.models.beta_binomial import MOST_TRIALS
from analytics.models.terms import column_of
from analytics.models.wording import listed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.models.terms import Terms


@dataclass(frozen=True, slots=True, eq=False)
class Counts:
    """Rows with at least one trial.

    Parameters
    ----------
    frame : pandas.DataFrame
        Those rows.
    successes, trials : ndarray of int, shape (N,)
    """

    frame: pd.DataFrame
    successes: NDArray[np.int64]
    trials: NDArray[np.int64]


def counts_of(frame: pd.DataFrame, *, successes: str, trials: str) -> Counts:
    """Return the counts of a frame, checked.

    Raises
    ------
    WrongUse
        If there is no such column, a cell is empty, negative or no whole number, successes
        exceed trials, or no row has a trial.
    """
    if isinstance(frame, pa.Table):
        frame = frame.to_pandas()
    if not isinstance(frame, pd.DataFrame):
        raise WrongUse(f"a {type(frame).__name__} was given; a pandas frame is needed")
    s, m = whole_counts(frame, successes), whole_counts(frame, trials)
    if (wrong := np.flatnonzero(s > m)).size:
        row = wrong[0]
        raise WrongUse(
            f"{len(wrong)} rows with more {successes!r} than {trials!r}, first row {row}: "
            f"{s[row]} of {m[row]}; trials are successes and failures together"
        )
    told = m > 0
    if not told.any():
        raise WrongUse(
            f"no row with a trial: {len(frame)} rows, {trials!r} sums to 0; at least one is needed"
        )
    if m.sum() > MOST_TRIALS:
        raise WrongUse(
            f"{trials!r} sums to {m.sum():,}; at most {MOST_TRIALS:,} are allowed: fit fewer rows"
        )
    return Counts(frame[told], s[told], m[told])


def whole_counts(frame: pd.DataFrame, name: str) -> NDArray[np.int64]:
    """Return a column of whole numbers from 0.

    Raises
    ------
    WrongUse
        If there is none, or a cell is empty or anything else.
    """
    column = column_of(frame, name)
    if not is_numeric_dtype(column) or is_bool_dtype(column):
        raise WrongUse(f"column {name!r} holds {column.dtype}; counts are whole numbers from 0")
    numbers = column.to_numpy(np.float64, na_value=np.nan)
    wrong = np.flatnonzero(~((numbers >= 0) & (numbers == np.floor(numbers)) & (numbers < 2**53)))
    if wrong.size:
        seen = numbers[wrong[0]]
        what = "an empty cell" if np.isnan(seen) else f"{seen:g}"
        raise WrongUse(
            f"column {name!r}: {what} in row {wrong[0]} ({len(wrong)} such rows); counts are whole "
            "numbers from 0 with none empty: mend or drop those rows"
        )
    counts: NDArray[np.int64] = numbers.astype(np.int64)
    return counts


def require_overlap(counts: Counts, design: Terms) -> None:
    r"""Refuse counts for which no finite coefficients are best.

    There are none where some combination t of the columns has ``x_i't >= 0`` in every row of
    successes alone, ``<= 0`` in every row of failures alone, ``= 0`` in rows of both, and not 0
    everywhere (Albert & Anderson 1984, On the existence of maximum likelihood estimates in
    logistic regression models, Biometrika 71; from memory). It is looked for by linear programming.

    Raises
    ------
    WrongUse
        If there is such a combination, or all rows of two trials or more are all or none.
    """
    s, m = counts.successes, counts.trials
    side = np.where(s == m, 1.0, np.where(s == 0, -1.0, 0.0))
    if abs(side.sum()) == len(side):
        what = "success" if side[0] > 0 else "failure"
        raise WrongUse(
            f"every one of the {m.sum()} trials is a {what}; a share is fitted only where both "
            "successes and failures were seen"
        )
    if terms := separating(design.names, design.matrix, side):
        verb = "tells" if len(terms) == 1 else "together tell"
        raise WrongUse(
            f"{listed(terms)} {verb} rows of successes alone or failures alone from the others "
            "without an exception, so no finite coefficient is best: join levels, or "
            "leave the term out"
        )
    if (m > 1).any() and ((s == 0) | (s == m))[m > 1].all():
        raise WrongUse(
            "every row of two trials or more is all successes or all failures: the correlation "
            "within rows would be 1; count each row as one trial instead"
        )


def separating(
    names: Sequence[str], matrix: NDArray[np.float64], side: NDArray[np.float64]
) -> list[str]:
    """Return the columns of a combination that separates rows.

    Parameters
    ----------
    names : sequence of str, length P
    matrix : ndarray of float, shape (N, P)
    side : ndarray of float, shape (N,)
        1, -1, or 0 for a row that stands on both sides.

    Returns
    -------
    list of str
        Empty where no combination does.
    """
    scale = np.abs(matrix).max(axis=0)
    rows = np.unique(np.column_stack([matrix / scale, side]), axis=0)
    matrix, side = rows[:, :-1], rows[:, -1]
    pulled = matrix[side != 0] * side[side != 0][:, None]
    if not len(pulled):
        return []
    both = matrix[side == 0]
    found = linprog(
        -pulled.sum(axis=0),
        A_ub=-pulled,
        b_ub=np.zeros(len(pulled)),
        A_eq=both if len(both) else None,
        b_eq=np.zeros(len(both)) if len(both) else None,
        bounds=(-1, 1),
        method="highs",
    )
    if found.x is None or float((pulled @ found.x).sum()) <= 1e-7:
        return []
    return [name for name, t in zip(names, found.x, strict=True) if abs(t) > 1e-7]
