"""From columns and terms to the matrix of a regression, with every refusal in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from pandas.api.types import is_bool_dtype, is_numeric_dtype

from analytics.errors import WrongUse

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from numpy.typing import NDArray

INTERCEPT = "intercept"
#: Between the columns of an interaction.
TIMES = ":"


@dataclass(frozen=True, slots=True, eq=False)
class Terms:
    """The matrix of a regression.

    Parameters
    ----------
    names : tuple of str, length P
        One for each column: ``intercept``, a number's column, ``column[level]`` of a factor, and
        both joined by ``:`` for an interaction.
    matrix : ndarray of float, shape (N, P)
    """

    names: tuple[str, ...]
    matrix: NDArray[np.float64]


def terms_of(frame: pd.DataFrame, terms: Sequence[str]) -> Terms:
    """Code terms as the columns of a regression with an intercept.

    Parameters
    ----------
    frame : pandas.DataFrame
        N rows.
    terms : sequence of str
        Columns, or ``a:b`` for the interaction of two. Text is a factor whose first level in
        sorting order is the base; numbers are slopes.

    Returns
    -------
    Terms

    Raises
    ------
    WrongUse
        If a column is missing, has empty or infinite cells or a single level, a term is named
        twice, or one column of the matrix follows from others.
    """
    asked = [terms] if isinstance(terms, str) else list(terms)
    if len(set(asked)) != len(asked):
        raise WrongUse(f"terms {', '.join(asked)}: each is allowed once; leave the second out")
    names, columns = [INTERCEPT], [np.ones(len(frame))]
    for term in asked:
        for name, column in _coded(frame, term):
            names.append(name)
            columns.append(column)
    matrix = np.column_stack(columns)
    _require_rank(names, matrix)
    return Terms(tuple(names), matrix)


def column_of(frame: pd.DataFrame, name: str) -> pd.Series:
    """Return a column of a frame.

    Raises
    ------
    WrongUse
        If there is none or several of that name.
    """
    found = [str(one) for one in frame.columns].count(name)
    if found != 1 or name not in frame.columns:
        has = ", ".join(map(str, frame.columns)) or "none"
        raise WrongUse(f"column {name!r} stands {found} times in the frame, which has {has}")
    column: pd.Series = frame[name]
    return column


def _coded(frame: pd.DataFrame, term: str) -> list[tuple[str, NDArray[np.float64]]]:
    if term in frame.columns or TIMES not in term:
        return _main(frame, term)
    first, _, second = term.partition(TIMES)
    return [
        (f"{a}{TIMES}{b}", x * y)
        for a, x in _main(frame, first.strip())
        for b, y in _main(frame, second.strip())
    ]


def _main(frame: pd.DataFrame, name: str) -> list[tuple[str, NDArray[np.float64]]]:
    column = column_of(frame, name)
    if gaps := int(column.isna().sum()):
        raise WrongUse(
            f"column {name!r} is empty in {gaps} of {len(column)} rows; a term needs a value in "
            "every row: fill or drop those rows"
        )
    if is_numeric_dtype(column) and not is_bool_dtype(column):
        numbers = column.to_numpy(np.float64)
        if not np.isfinite(numbers).all():
            raise WrongUse(f"column {name!r} holds an infinite number; slopes need finite ones")
        return [(name, numbers)]
    labels = column.astype(str).to_numpy(object)
    levels = sorted(set(labels))
    if len(levels) < 2:
        raise WrongUse(
            f"factor {name!r} has the one level {levels[0]!r}; at least two are needed: leave the "
            "term out"
        )
    return [(f"{name}[{level}]", (labels == level).astype(np.float64)) for level in levels[1:]]


def _require_rank(names: Sequence[str], matrix: NDArray[np.float64]) -> None:
    """Refuse a matrix with a column that the columns before it give."""
    scale = np.linalg.norm(matrix, axis=0)
    unit = matrix / np.where(scale > 0, scale, 1.0)
    rank = int(np.linalg.matrix_rank(unit))
    if rank == len(names):
        return
    follows, before = [], 0
    for place, name in enumerate(names):
        now = int(np.linalg.matrix_rank(unit[:, : place + 1]))
        if now == before:
            follows.append(name)
        before = now
    raise WrongUse(
        f"{len(names)} coefficients from {len(matrix)} rows, but only {rank} can be told apart: "
        f"{', '.join(follows)} would follow from the others; leave a term out, or give rows "
        "for the levels that have none"
    )
