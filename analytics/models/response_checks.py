"""What counts of shares must be before they are fitted, each refusal in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa
from pandas.api.types import is_bool_dtype, is_numeric_dtype

from analytics.errors import UsageError
from analytics.models.beta_binomial import MOST_TRIALS
from analytics.models.formula import column_of, listed, parts_of, require_rank

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from analytics.arrays import Bools, Floats, Ints
    from analytics.models.count_likelihood import CountLikelihood
    from analytics.models.formula import Coding


@dataclass(frozen=True, slots=True, eq=False)
class Counts:
    """The N rows of a frame with at least one trial, and their counts."""

    frame: pd.DataFrame
    successes: Ints
    trials: Ints


def counts_of(frame: pd.DataFrame, *, successes: str, trials: str) -> Counts:
    """Return the counts of a frame.

    Raises `UsageError` if there is no such column, a cell is empty, negative or no whole number,
    successes exceed trials, or no row has a trial.
    """
    frame = _pandas(frame)
    s, m = whole_counts(frame, successes), whole_counts(frame, trials)
    if (wrong := np.flatnonzero(s > m)).size:
        row = wrong[0]
        raise UsageError(
            f"{len(wrong)} rows with more {successes!r} than {trials!r}, first row {row}: "
            f"{s[row]} of {m[row]}; trials are successes and failures together"
        )
    has_trials = m > 0
    if not has_trials.any():
        raise UsageError(
            f"no row with a trial: {len(frame)} rows, {trials!r} sums to 0; at least one is needed"
        )
    if m.sum() > MOST_TRIALS:
        raise UsageError(
            f"{trials!r} sums to {m.sum():,}; at most {MOST_TRIALS:,} are allowed: fit fewer rows"
        )
    return Counts(frame[has_trials], s[has_trials], m[has_trials])


def whole_counts(frame: pd.DataFrame, name: str) -> Ints:
    """Return a column of whole numbers from 0.

    Raises `UsageError` if there is none, or a cell is empty or anything else.
    """
    found = _numbers(
        frame,
        name,
        lambda one: (one >= 0) & (one == np.floor(one)) & (one < 2**53),
        "counts are whole numbers from 0",
        " with none empty",
    )
    return found.astype(np.int64)


def _numbers(
    frame: pd.DataFrame, name: str, allowed: Callable[[Floats], Bools], words: str, more: str = ""
) -> Floats:
    """Return a column of numbers; raises `UsageError` if some are not what the words say."""
    column = column_of(frame, name)
    if not is_numeric_dtype(column) or is_bool_dtype(column):
        raise UsageError(f"column {name!r} holds {column.dtype}; {words}")
    numbers = column.to_numpy(np.float64, na_value=np.nan)
    wrong = np.flatnonzero(~allowed(numbers))
    if wrong.size:
        seen = numbers[wrong[0]]
        what = "an empty cell" if np.isnan(seen) else f"{seen:g}"
        raise UsageError(
            f"column {name!r}: {what} in row {wrong[0]} ({len(wrong)} such rows); {words}{more}: "
            "correct or drop those rows"
        )
    return numbers


def _pandas(frame: object) -> pd.DataFrame:
    frame = frame.to_pandas() if isinstance(frame, pa.Table) else frame
    if not isinstance(frame, pd.DataFrame):
        raise UsageError(f"a {type(frame).__name__} was given; a pandas frame is needed")
    return frame


def require_overlap(counts: Counts, names: Sequence[str], matrix: Floats) -> None:
    """Refuse counts without finite best coefficients, or with all rows of two all or none.

    There are none where some combination t of the columns has ``x_i't >= 0`` in every row of
    successes alone, ``<= 0`` in every row of failures alone, ``= 0`` in rows of both, and not 0
    everywhere (Albert & Anderson 1984, On the existence of maximum likelihood estimates in logistic
    regression models, Biometrika 71; from memory). It is looked for by linear programming.
    """
    s, m = counts.successes, counts.trials
    side = np.where(s == m, 1.0, np.where(s == 0, -1.0, 0.0))
    if abs(side.sum()) == len(side):
        what = "success" if side[0] > 0 else "failure"
        raise UsageError(
            f"every one of the {m.sum()} trials is a {what}; a share is fitted only where both "
            "successes and failures were seen"
        )
    if terms := separating(names, matrix, side):
        verb = "tells" if len(terms) == 1 else "together tell"
        raise UsageError(
            f"{listed(terms)} {verb} rows of successes alone or failures alone from the others "
            "without an exception, so no finite coefficient is best: join levels, or "
            "leave the term out"
        )
    if (m > 1).any() and ((s == 0) | (s == m))[m > 1].all():
        raise UsageError(
            "every row of two trials or more is all successes or all failures: the correlation "
            "within rows would be 1; count each row as one trial instead"
        )


def separating(names: Sequence[str], matrix: Floats, side: Floats) -> list[str]:
    """Return the columns of a combination that separates N rows; empty where none does.

    `side` (N,): 1, -1, or 0 for a row that stands on both sides.
    """
    from scipy.optimize import linprog  # noqa: PLC0415

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


# What rows of counts must be before they are fitted, each refusal in words.

#: Largest count: sums up to it are held by the likelihood.
MOST_COUNT = 1_000_000


@dataclass(frozen=True, slots=True, eq=False)
class CountRows:
    """N rows of counts, their covariates held once for each of G combinations.

    `group` (N,): place of the covariates in `groups`. `cluster` (N,): codes from 0.
    """

    y: Ints
    group: Ints
    exposure: Floats
    groups: pd.DataFrame
    cluster: Ints | None

    @property
    def n_clusters(self) -> int | None:
        """Number of clusters, None where rows stand on their own."""
        return None if self.cluster is None else int(self.cluster.max()) + 1


def require_fit(coding: Coding, zero_coding: Coding, likelihood: CountLikelihood) -> None:
    """Refuse covariates for which no finite coefficients are best.

    One column follows from others, or a combination of them picks out rows without a count (as
    `require_overlap`, for counts).
    """
    counts, matrix = likelihood.counts, likelihood.rows
    if not isinstance(matrix, np.ndarray):
        raise TypeError("the checks of a fit look at every column: an array is needed")
    size = len(matrix)
    require_rank(coding.names, matrix)
    has = np.bincount(counts.group, counts.y > 0, size) > 0
    _require_counts(separating(coding.names, matrix, np.where(has, 0.0, -1.0)))
    if not likelihood.family.has_zero_part:
        return
    require_rank(zero_coding.names, likelihood.zero_rows)
    zeros = np.bincount(counts.group, counts.y == 0, size) > 0
    side = np.where(has & zeros, 0.0, np.where(has, 1.0, -1.0))
    _require_counts(separating(zero_coding.names, likelihood.zero_rows, side))


def rows_of(
    frame: pd.DataFrame,
    *,
    response: str,
    exposure: str | None,
    terms: Sequence[str],
    cluster: str | None,
) -> CountRows:
    """Return the rows of a frame.

    Raises `UsageError` if a column is missing, a count is no whole number from 0 to `MOST_COUNT`,
    an exposure is not above 0, a cell of a term or a cluster is empty, or no row has a count above
    0.
    """
    frame = _pandas(frame)
    y = whole_counts(frame, response)
    if not y.sum():
        raise UsageError(
            f"column {response!r} sums to 0 over {len(y)} rows; at least one is needed"
        )
    if y.max() > MOST_COUNT:
        raise UsageError(
            f"column {response!r}: {y.max()} in row {y.argmax()}; a count is at most "
            f"{MOST_COUNT:,}: correct or drop that row"
        )
    columns = dict.fromkeys(name for term in terms for name in parts_of(frame, term).values())
    groups, group = _combinations(frame, list(columns))
    return CountRows(
        y=y,
        group=group,
        exposure=np.ones(len(y)) if exposure is None else positive(frame, exposure),
        groups=groups,
        cluster=None if cluster is None else _codes(frame, cluster)[0],
    )


def positive(frame: pd.DataFrame, name: str) -> Floats:
    """Return a column of exposure; raises `UsageError` if it is missing or a cell not above 0."""
    words = "an exposure is a number above 0"
    return _numbers(frame, name, lambda one: (one > 0) & (one < np.inf), words)


def _combinations(frame: pd.DataFrame, columns: Sequence[str]) -> tuple[pd.DataFrame, Ints]:
    """Return every combination of some columns, and the place of each row among them."""
    code, size = np.zeros(len(frame), dtype=np.int64), min(1, len(frame))
    for name in columns:
        codes, n_values = _codes(frame, name)
        codes += code * n_values
        # Made dense at each step, so that products stay small.
        code, size = _dense(codes, size * n_values)
    first = np.empty(size, dtype=np.int64)
    # Backwards, so that the first row of each combination is the one that stays.
    first[code[::-1]] = np.arange(len(code) - 1, -1, -1)
    return frame.iloc[first][list(columns)].reset_index(drop=True), code


def _dense(codes: Ints, size: int) -> tuple[Ints, int]:
    """Return codes without those that no row has, and how many there are."""
    if size > 2 * len(codes):
        code, seen = pd.factorize(codes)
        return code, len(seen)
    place = np.cumsum(np.bincount(codes, minlength=size) > 0) - 1
    return place[codes], int(place[-1]) + 1


def _codes(frame: pd.DataFrame, name: str) -> tuple[Ints, int]:
    codes, values = pd.factorize(column_of(frame, name))
    gaps = int((codes < 0).sum())
    # Text without a letter is no level.
    gaps += sum(int((codes == place).sum()) for place, one in enumerate(values) if one == "")
    if gaps:
        raise UsageError(
            f"column {name!r} is empty in {gaps} of {len(codes)} rows; it needs a value in every "
            "row: fill or drop those rows"
        )
    return codes.astype(np.int64, copy=False), len(values)


def _require_counts(terms: Sequence[str]) -> None:
    if terms:
        verb = "picks" if len(terms) == 1 else "together pick"
        raise UsageError(
            f"{listed(terms)} {verb} out rows that are all without a count, or none of them, "
            "so no finite coefficient is best: join levels, or leave the term out"
        )
