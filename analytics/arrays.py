"""Types of arrays, and small verbs on tables of numbers that are kept column by column.

A table of many sums has far more rows than columns and is read a column at a time: each column in
one piece of memory makes that several times quicker.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np

#: Columns of so many rows are made in threads, so many at once: numpy lets others run meanwhile.
LONG, THREADS = 100_000, 2
#: Numbers of a table that are few: kept in memory, and worked on at once.
FEW = 1_000_000

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]


class Columns:
    """Columns that are made when they are asked for: all at once they would fill the memory.

    Of few numbers they are made at once, since many short columns cost more one by one.

    Parameters
    ----------
    make : callable
        Returns a column by its number.
    count : int
        Number of columns.
    held : ndarray of float, shape (P, R), optional
        All of them, where they are there; they are not written to.
    """

    def __init__(
        self, make: Callable[[int], Floats], count: int, held: Floats | None = None
    ) -> None:
        self._make, self._count, self.held = make, count, held

    @classmethod
    def of(cls, table: Floats) -> Columns:
        """Return the columns of a table (R, P) that is there."""
        return cls(lambda column: table[:, column], table.shape[1], table.T)

    @classmethod
    def sized(cls, make: Callable[[int], Floats], count: int, *, n_rows: int) -> Columns:
        """Return columns of so many rows, made at once where their numbers are few."""
        if not 0 < count * n_rows <= FEW:
            return cls(make, count)
        return cls.of(np.stack([make(column) for column in range(count)]).T)

    @property
    def table(self) -> Floats:
        """All of them at once, shape (R, P)."""
        return np.stack(list(self)).T if self.held is None else self.held.T

    def __len__(self) -> int:
        return self._count

    def __getitem__(self, column: int) -> Floats:
        return self._make(column)

    def __iter__(self) -> Iterator[Floats]:
        return map(self._make, range(self._count))

    def add_at(self, place: Ints, size: int, *, factor: Floats) -> Floats:
        """Sum the columns, each row times its factor, by place: shape (size, P)."""
        return self.reduced(lambda column: sums_at(place, column * factor, size), size=size).T

    def reduced(self, verb: Callable[[Floats], Floats], *, size: int) -> Floats:
        """Return what a verb makes of each column, shape (P, size); long ones some at a time.

        The verb takes a column, or all of them as rows.
        """
        if self.held is not None and len(self):
            return verb(self.held)
        made = np.empty((len(self), size))

        def fill(place: int) -> int:
            column = self[place]
            made[place] = verb(column)
            return len(column)

        rest = range(1, len(self))
        if len(self) and fill(0) >= LONG:
            with ThreadPoolExecutor(THREADS) as pool:
                list(pool.map(fill, rest))
        else:
            list(map(fill, rest))
        return made

    def each(self, verb: Callable[[Floats], Floats]) -> Columns:
        """Return the columns after a verb, which takes a column, or all of them as rows."""
        if self.held is not None:
            return Columns.of(verb(self.held).T)
        return Columns(lambda column: verb(self[column]), len(self))

    def each_with(self, other: Floats, verb: Callable[[Floats, Floats], Floats]) -> Columns:
        """Return the columns after a verb of each and its row of `other`, shape (columns, ...)."""
        if self.held is not None:
            return Columns.of(verb(self.held, other).T)
        return Columns(lambda column: verb(self[column], other[column]), len(self))

    def pick(self, columns: Sequence[int]) -> Columns:
        """Return some of the columns."""
        if self.held is not None:
            return Columns.of(self.held[list(columns)].T)
        return Columns(lambda column: self[columns[column]], len(columns))


def rows_of(values: Floats, rows: Ints) -> Floats:
    """Return some rows of a table (R, K), column by column; the table itself where all are asked.

    Rows are places from 0 to R - 1.
    """
    if is_all(rows, len(values)):
        return values
    taken = np.empty((values.shape[1], len(rows)))
    for column in range(len(taken)):
        np.take(values[:, column], rows, out=taken[column], mode="clip")
    return taken.T


def equal_pairs(some: Ints, others: Ints) -> tuple[Ints, Ints]:
    """Return the places of every pair of equal values in two lists, of which `others` is sorted."""
    first = np.searchsorted(others, some, side="left")
    count = np.searchsorted(others, some, side="right") - first
    place = np.repeat(np.arange(len(some)), count)
    step = np.arange(len(place)) - np.repeat(np.cumsum(count) - count, count)
    return place, np.repeat(first, count) + step


def places_of(some: Ints, others: Ints) -> Ints:
    """Return the place of each value in a sorted list where each is once; -1 where it is not."""
    if not len(others):
        return np.full(len(some), -1)
    at = np.minimum(np.searchsorted(others, some), len(others) - 1)
    return np.where(others[at] == some, at, -1)


def is_all(rows: Ints, size: int) -> bool:
    """Return whether some places from 0 to `size` - 1 are all of them in their order."""
    return len(rows) == size and bool((np.diff(rows) == 1).all())


def scaled(values: Floats, factor: Floats) -> Floats:
    """Return a table (R, K) with each row times its factor, column by column."""
    product: Floats = (values.T * factor).T
    return product


def cross(x: Floats, pair: Ints) -> Floats:
    """Return the products of pairs of columns, shape (R, P), column by column."""
    products = np.empty((len(pair), len(x)))
    for p, (i, j) in enumerate(pair.tolist()):
        np.multiply(x[:, i], x[:, j], out=products[p])
    return products.T


def add_at(place: Ints, values: Floats, size: int, *, factor: Floats | None = None) -> Floats:
    """Sum `values` of shape (R, ...), each row times its factor, by place: shape (size, ...)."""
    flat = values.reshape(len(place), math.prod(values.shape[1:]))
    sums = np.empty((flat.shape[1], size))
    for column, row in enumerate(sums):
        weights = flat[:, column] if factor is None else flat[:, column] * factor
        row[:] = np.bincount(place, weights=weights, minlength=size)
    return sums.T.reshape(size, *values.shape[1:])


def sums_at(place: Ints, values: Floats, size: int) -> Floats:
    """Sum along the last axis by place: a column (R,) to (size,), or rows (P, R) to (P, size)."""
    if values.ndim == 1:
        return np.asarray(np.bincount(place, values, minlength=size), dtype=np.float64)
    n = len(values)
    at = (np.arange(n)[:, None] * size + place).ravel()
    sums = np.bincount(at, values.ravel(), minlength=n * size).reshape(n, size)
    return np.asarray(sums, dtype=np.float64)


def add_cross_at(place: Ints, x: Floats, size: int, *, pair: Ints) -> Floats:
    """Sum the products of pairs of columns of x by place, shape (size, P)."""
    sums = np.empty((len(pair), size))
    for row, (i, j) in zip(sums, pair.tolist(), strict=True):
        row[:] = np.bincount(place, weights=x[:, i] * x[:, j], minlength=size)
    return sums.T


def count_at(place: Ints, values: NDArray[np.generic], size: int) -> Ints:
    """Sum whole numbers by place, shape (size,)."""
    sums = np.bincount(place, weights=values.astype(np.float64), minlength=size)
    return np.rint(sums).astype(np.int64)


def any_at(place: Ints, size: int) -> Bools:
    """Return which places some row has, shape (size,)."""
    there: Bools = np.bincount(place, minlength=size) > 0
    return there


def groups_of_linked(one: Ints, other: Ints, size: int) -> Ints:
    """Return the group of each of some things, of which links tie pairs together, shape (size,).

    Groups count from 0 in the order of their first things. Our own few lines: the library of graphs
    loads all of linear algebra, which estimates need for nothing else.
    """
    first, before = np.arange(size), np.full(size, -1)
    while (first != before).any():
        before = first
        first = first.copy()
        np.minimum.at(first, one, before[other])
        np.minimum.at(first, other, before[one])
        first = first[first]
    return np.asarray(np.unique(first, return_inverse=True)[1].ravel(), dtype=np.int64)
