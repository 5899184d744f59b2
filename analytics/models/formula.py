"""From columns and terms to the matrix of a regression, with every refusal in words."""

from __future__ import annotations

import datetime as dt
import itertools
from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from pandas.api.types import is_bool_dtype, is_datetime64_any_dtype, is_numeric_dtype

from analytics.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from analytics.arrays import Floats, Ints


# Smooth functions of a number: natural cubic splines, straight beyond their outer knots.


def knots_of(values: Floats, n_columns: int, *, name: str) -> tuple[float, ...]:
    """Return ``n_columns + 1`` knots at evenly spaced quantiles of the distinct values of a column.

    Raises `UsageError` if there are under two columns, or fewer distinct values than knots.
    """
    distinct = np.unique(values)
    if n_columns < 2 or len(distinct) < n_columns + 1:
        raise UsageError(
            f"a spline of {n_columns} columns over {len(distinct)} distinct values of {name!r}; "
            "allowed: 2 or more, and fewer than the distinct values"
        )
    return tuple(float(one) for one in np.quantile(distinct, np.linspace(0, 1, n_columns + 1)))


def natural_spline(x: Floats, knots: tuple[float, ...]) -> list[Floats]:
    """Return the columns (N,) of a natural cubic spline without its constant.

    ``x`` and ``d_k(x) - d_{K-1}(x)`` for k = 1 ... K-2, with ``d_k(x) = [(x - ξ_k)³₊ - (x -
    ξ_K)³₊]/(ξ_K - ξ_k)`` (Hastie, Tibshirani & Friedman 2009, The Elements of Statistical Learning,
    equation 5.4; from memory), on the scale of the knots' span.
    """
    span = knots[-1] - knots[0]
    z, at = (x - knots[0]) / span, (np.array(knots) - knots[0]) / span

    def bend(k: int) -> Floats:
        above, end = np.maximum(z - at[k], 0.0) ** 3, np.maximum(z - at[-1], 0.0) ** 3
        return np.asarray((above - end) / (at[-1] - at[k]), dtype=np.float64)

    last = bend(len(at) - 2)
    return [z, *(bend(k) - last for k in range(len(at) - 2))]


# Words for what was requested of a regression wrongly, or in a way that is easily misread.

#: Names that are listed before "and 75 more".
MOST_NAMES = 5
#: Distinct whole numbers up to which a slope may have been meant as levels.
MOST_LEVELS = 30


def listed(names: Iterable[object]) -> str:
    """Return the first names with commas, and how many more there are."""
    every = [str(one) for one in names]
    if len(every) <= MOST_NAMES + 1:
        return ", ".join(every) or "none"
    return f"{', '.join(every[:MOST_NAMES])} and {len(every) - MOST_NAMES} more"


def term_list(terms: Any, *, what: str = "terms") -> list[str]:
    """Return terms as a list of text.

    Raises `UsageError` if they are no list of texts.
    """
    if isinstance(terms, str):
        raise UsageError(f"{what} is a list: [{terms!r}] instead of {terms!r}")
    if not isinstance(terms, list | tuple) or not all(isinstance(one, str) for one in terms):
        raise UsageError(
            f"{what} is a list of column names, such as ['area', 'week'], not {terms!r}"
        )
    return list(terms)


def require_apart(**columns: Sequence[str]) -> None:
    """Refuse a column that is named for two parts, such as the response among the terms.

    Raises `UsageError` if there is one; both parts are named.
    """
    seen: dict[str, str] = {}
    for part, names in columns.items():
        for name in names:
            if name in seen and seen[name] != part:
                raise UsageError(
                    f"column {name!r} is both {seen[name]} and {part}: a column has one part"
                )
            seen[name] = part


def not_found(frame: pd.DataFrame, name: str, times: int) -> UsageError:
    """Return the error of a column that is not there, or there more than once."""
    has = [str(one) for one in frame.columns]
    if times > 1:
        return UsageError(f"column {name!r} stands {times} times in the frame; once is allowed")
    near = get_close_matches(name, has, 1)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    return UsageError(f"column {name!r} is not in the frame, which has {listed(has)}{hint}")


def require_no_dates(column: pd.Series, name: str) -> None:
    """Refuse a column of dates as a factor: it would have a level for every day.

    Raises `UsageError` if it holds dates or times.
    """
    is_date = is_datetime64_any_dtype(column) or (
        column.dtype == object and len(column) and isinstance(column.iloc[0], dt.date)
    )
    if is_date:
        raise UsageError(
            f"column {name!r} holds dates, which would be a factor with a level for each; give "
            "its week or month as text, or its days as a number"
        )


def cautions(frame: pd.DataFrame, columns: Iterable[str]) -> tuple[str, ...]:
    """Return what is easily misread in the columns of terms.

    Whole numbers of few values, which are a slope, and levels that differ in blanks or case alone.
    """
    found = []
    for name in dict.fromkeys(columns):
        values = frame[name].unique()
        if is_numeric_dtype(frame[name]) and not is_bool_dtype(frame[name]):
            numbers = np.asarray(values, dtype=np.float64)
            if 2 < len(numbers) <= MOST_LEVELS and (numbers == np.round(numbers)).all():
                found.append(f"{name}: whole numbers, taken as one slope; as text they are levels")
            continue
        alike: dict[str, list[str]] = {}
        for value in map(str, values):
            alike.setdefault("".join(value.split()).lower(), []).append(value)
        twins = [sorted(one) for one in alike.values() if len(one) > 1]
        found += [f"{name}: levels {', '.join(map(repr, one))} are nearly alike" for one in twins]
    return tuple(found)


INTERCEPT = "intercept"
#: Between the columns of an interaction, and between a column and the columns of its spline.
TIMES, SMOOTH = ":", "~"


@dataclass(frozen=True, slots=True)
class Main:
    """One column as a regression takes it: a factor (`levels`, base first), a spline or a slope."""

    column: str
    levels: tuple[str, ...] = ()
    knots: tuple[float, ...] = ()

    @property
    def names(self) -> list[str]:
        """Names of its columns in the matrix; the first level is the base and has none."""
        if self.knots:
            return [f"{self.column}{SMOOTH}{place}" for place in range(1, len(self.knots))]
        return [f"{self.column}[{level}]" for level in self.levels[1:]] or [self.column]

    def coded(self, frame: pd.DataFrame) -> list[Floats]:
        """Return its columns of the matrix for the rows of a frame.

        Raises `UsageError` if the column is missing, has an empty or infinite cell, or a level not
        seen before.
        """
        column = _filled(frame, self.column)
        if self.knots:
            return natural_spline(_numbers(column, self.column), self.knots)
        if not self.levels:
            return [_numbers(column, self.column)]
        known = self._codes(column)
        return [(known == place).astype(np.float64) for place in range(1, len(self.levels))]

    def codes(self, frame: pd.DataFrame) -> Ints:
        """Return the place of each row's level among those of the factor; raises as `coded`."""
        return self._codes(_filled(frame, self.column))

    def _codes(self, column: pd.Series) -> Ints:
        codes, labels = _labels(column)
        unseen = sorted(set(labels) - set(self.levels))
        if unseen:
            raise UsageError(
                f"factor {self.column!r} has the level {unseen[0]!r}, which the fit never saw; it "
                f"knows {listed(self.levels)}"
            )
        place = {level: at for at, level in enumerate(self.levels)}
        return np.array([place[label] for label in labels], dtype=np.int64)[codes]


@dataclass(frozen=True, slots=True)
class Coding:
    """How terms become the columns of a regression; it holds levels and no rows.

    - `terms`: the columns of each term; an interaction has two.
    """

    terms: tuple[tuple[Main, ...], ...]

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns of the frame that it reads, each once."""
        return tuple(dict.fromkeys(main.column for term in self.terms for main in term))

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the columns of the matrix."""
        of_terms = (
            TIMES.join(parts)
            for term in self.terms
            for parts in itertools.product(*(main.names for main in term))
        )
        return (INTERCEPT, *of_terms)

    def matrix(self, frame: pd.DataFrame) -> Floats:
        """Return the matrix for the rows of a frame, shape (N, P); raises as `Main.coded`."""
        mains = dict.fromkeys(main for term in self.terms for main in term)
        coded = {main: main.coded(frame) for main in mains}
        of_terms = (_products([coded[main] for main in term]) for term in self.terms)
        return np.column_stack([np.ones(len(frame)), *itertools.chain(*of_terms)])


def columns_of(term: tuple[Main, ...], frame: pd.DataFrame) -> list[Floats]:
    """Return the columns of one term for the rows of a frame; raises as `Main.coded`."""
    return _products([main.coded(frame) for main in term])


def _products(mains: Sequence[Sequence[Floats]]) -> list[Floats]:
    """Return the columns of a term from those of its one or two parts."""
    return [
        parts[0] if len(parts) == 1 else parts[0] * parts[1] for parts in itertools.product(*mains)
    ]


def coding_of(frame: pd.DataFrame, terms: Sequence[str]) -> Coding:
    """Learn from the N rows of a frame how terms are coded: columns, or ``a:b`` for an interaction.

    Text is a factor whose first level in sorting order is the base; numbers are slopes, with ``~k``
    a natural spline of k columns. Raises `UsageError` if a column is missing, has empty or infinite
    cells or a single level, or a term is named twice.
    """
    listed_terms = term_list(terms)
    if len(set(listed_terms)) != len(listed_terms):
        raise UsageError(
            f"terms {', '.join(listed_terms)}: each is allowed once; leave the second out"
        )
    mains: dict[str, Main] = {}
    coded = []
    for term in listed_terms:
        parts = parts_of(frame, term)
        for part, column in parts.items():
            if part not in mains:
                mains[part] = _main(frame, column, part)
        coded.append(tuple(mains[part] for part in parts))
    return Coding(tuple(coded))


def parts_of(frame: pd.DataFrame, term: str) -> dict[str, str]:
    """Return the parts of a term, one or for an interaction two, each with its column."""
    if term in frame.columns:
        return {term: term}
    parts = [part.strip() for part in term.split(TIMES, maxsplit=1)]
    return {
        part: part if part in frame.columns else part.partition(SMOOTH)[0].strip() for part in parts
    }


def column_of(frame: pd.DataFrame, name: str) -> pd.Series:
    """Return a column of a frame.

    Raises `UsageError` if there is none or several of that name.
    """
    columns = frame.columns
    # Names that are all text and all different are not looked through one by one.
    if not (isinstance(columns.dtype, pd.StringDtype) and columns.is_unique and name in columns):
        found = [str(one) for one in columns].count(name)
        if found != 1 or name not in columns:
            raise not_found(frame, name, found)
    column: pd.Series = frame[name]
    return column


def _main(frame: pd.DataFrame, name: str, part: str) -> Main:
    column = _filled(frame, name)
    if part != name:
        size = part.partition(SMOOTH)[2].strip()
        if not size.isdecimal():
            raise UsageError(f"term {part!r}; a spline is written column~4, with its columns")
        return Main(name, knots=knots_of(_numbers(column, name), int(size), name=name))
    if is_numeric_dtype(column) and not is_bool_dtype(column):
        numbers = _numbers(column, name)
        if len(numbers) and (numbers == numbers[0]).all():
            raise UsageError(f"{name!r} is {numbers[0]:g} in every row: leave it out of the terms")
        return Main(name)
    require_no_dates(column, name)
    levels = sorted(set(_labels(column)[1]))
    if len(levels) < 2:
        raise UsageError(
            f"factor {name!r} has the one level {levels[0]!r}; at least two are needed: leave the "
            "term out"
        )
    return Main(name, tuple(levels))


def _labels(column: pd.Series) -> tuple[Ints, list[str]]:
    """Return the place of each row among the levels that occur, and those levels as text."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        codes = np.asarray(column.array.codes, dtype=np.int64)
        occurs = np.bincount(codes, minlength=len(column.cat.categories)) > 0
        seen = [str(one) for one in column.cat.categories[occurs]]
        return (np.cumsum(occurs) - 1)[codes], seen
    codes, values = pd.factorize(column)
    return codes, [str(one) for one in values]


def _filled(frame: pd.DataFrame, name: str) -> pd.Series:
    column = column_of(frame, name)
    gaps = _n_empty(column)
    if gaps:
        raise UsageError(
            f"column {name!r} is empty in {gaps} of {len(column)} rows; a term needs a value in "
            "every row: fill or drop those rows"
        )
    return column


def _n_empty(column: pd.Series) -> int:
    """Return the number of cells without a value; text without a letter is no level."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        codes, known = column.array.codes, column.array.categories
        is_empty = codes < 0
        if "" in known:
            is_empty |= codes == known.get_loc("")
        return int(is_empty.sum())
    if column.dtype.kind == "f":
        return int(np.isnan(column.to_numpy(np.float64)).sum())
    gaps = int(column.isna().sum())
    return gaps if is_numeric_dtype(column) else gaps + int((column == "").sum())


def _numbers(column: pd.Series, name: str) -> Floats:
    if not is_numeric_dtype(column) or is_bool_dtype(column):
        raise UsageError(f"column {name!r} holds {column.dtype}; the fit has a slope for numbers")
    numbers = column.to_numpy(np.float64)
    if not np.isfinite(numbers).all():
        raise UsageError(f"column {name!r} holds an infinite number; slopes need finite ones")
    return numbers


def require_rank(names: Sequence[str], matrix: Floats) -> None:
    """Refuse a matrix with a column that the columns before it give.

    Raises `UsageError` if there is one; it is named.
    """
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
    raise UsageError(
        f"{len(names)} coefficients from {len(matrix)} rows, but only {rank} can be given apart: "
        f"{listed(follows)} would follow from the others; leave a term out, or give rows "
        "for the levels that have none"
    )
