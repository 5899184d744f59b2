"""The matrix of a regression in which factors of many levels stand by their codes.

A factor of L levels as 0 and 1 in L - 1 columns costs L numbers a row and L² a row in each
cross-product; by its codes it costs one, and sums by code give the same products.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from analytics.arrays import add_at
from analytics.models.formula import columns_of

if TYPE_CHECKING:
    import pandas as pd

    from analytics.arrays import Bools, Floats, Ints
    from analytics.models.formula import Coding, Main

#: Levels of a factor from which it stands by its codes.
MANY_LEVELS = 30


@dataclass(frozen=True, slots=True, eq=False)
class CodedFactor:
    """A factor by its codes: row i has 1 in column ``place[code[i]]``, nothing where that is -1.

    `code` (G,), `place` (L,): of the matrix' columns, -1 for a level without one.
    """

    code: Ints
    place: Ints

    def weights(self, b: Floats) -> Floats:
        """Return the number of each row's level among one for each column, 0 without one."""
        return np.where(self.place >= 0, b[self.place], 0.0)[self.code]

    def sums(self, values: Floats) -> Floats:
        """Return sums of values (G, ...) over the rows of each level, shape (L, ...)."""
        return add_at(self.code, values, len(self.place))

    @property
    def known(self) -> Ints:
        """The levels that have a column."""
        return np.flatnonzero(self.place >= 0)


@dataclass(frozen=True, slots=True, eq=False)
class FactorMatrix:
    """G rows and P columns: numbers in some, factors by their codes in the others.

    `numbers` (G, p), `places` (p,): columns of numbers, and their places.
    """

    numbers: Floats
    places: Ints
    factors: tuple[CodedFactor, ...]
    n_columns: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return len(self.numbers), self.n_columns

    def __len__(self) -> int:
        return len(self.numbers)

    def __matmul__(self, b: Floats) -> Floats:
        """Return ``X b`` of a vector, shape (G,)."""
        total: Floats = self.numbers @ b[self.places]
        for factor in self.factors:
            total = total + factor.weights(b)
        return total


Matrix: TypeAlias = "Floats | FactorMatrix"


def matrix_of(coding: Coding, frame: pd.DataFrame) -> Matrix:
    """Return the matrix of a coding for the rows of a frame; raises as `Coding.matrix`.

    It is an array where no factor that stands alone in a term has `MANY_LEVELS` or more.
    """
    if not any(map(_is_coded, coding.terms)):
        return coding.matrix(frame)
    columns, at, factors, place = [np.ones(len(frame))], [0], [], 1
    for term in coding.terms:
        if _is_coded(term):
            n = len(term[0].levels) - 1
            own = np.append(-1, np.arange(place, place + n))
            factors.append(CodedFactor(term[0].codes(frame), own))
        else:
            own_columns = columns_of(term, frame)
            n = len(own_columns)
            columns += own_columns
            at += range(place, place + n)
        place += n
    numbers = np.column_stack(columns)
    return FactorMatrix(numbers, np.array(at, dtype=np.int64), tuple(factors), place)


def _is_coded(term: tuple[Main, ...]) -> bool:
    return len(term) == 1 and len(term[0].levels) >= MANY_LEVELS


def chosen_columns(x: Matrix, keep: Bools) -> Matrix:
    """Return some columns of a matrix, those that `keep`, shape (P,), names."""
    if isinstance(x, np.ndarray):
        return x[:, keep]
    new = np.append(np.where(keep, np.cumsum(keep) - 1, -1), -1)
    mine = keep[x.places]
    factors = tuple(replace(one, place=new[one.place]) for one in x.factors)
    return FactorMatrix(x.numbers[:, mine], new[x.places[mine]], factors, int(keep.sum()))


def column_sums(x: Matrix, values: Floats) -> Floats:
    """Return ``X' v`` of values of shape (G,) or (G, Q), shape (P,) or (P, Q)."""
    if isinstance(x, np.ndarray):
        return np.asarray(x.T @ values)
    sums = np.zeros((x.n_columns, *values.shape[1:]))
    sums[x.places] = x.numbers.T @ values
    for factor in x.factors:
        sums[factor.place[factor.known]] = factor.sums(values)[factor.known]
    return sums


def gram(x: Matrix, weight: Floats) -> Floats:
    """Return ``X' diag(w) X``, shape (P, P), with `weight` of shape (G,)."""
    if isinstance(x, np.ndarray):
        return np.asarray(x.T @ (weight[:, None] * x))
    found = np.zeros((x.n_columns, x.n_columns))
    found[np.ix_(x.places, x.places)] = x.numbers.T @ (weight[:, None] * x.numbers)
    for number, factor in enumerate(x.factors):
        own = factor.place[factor.known]
        beside = factor.sums(weight[:, None] * x.numbers)[factor.known]
        found[np.ix_(own, x.places)], found[np.ix_(x.places, own)] = beside, beside.T
        found[own, own] = factor.sums(weight)[factor.known]
        for other in x.factors[:number]:
            size = len(other.place)
            pairs = np.bincount(
                factor.code * size + other.code, weight, len(factor.place) * size
            ).reshape(-1, size)[np.ix_(factor.known, other.known)]
            theirs = other.place[other.known]
            found[np.ix_(own, theirs)], found[np.ix_(theirs, own)] = pairs, pairs.T
    return found


def quadratic(x: Matrix, cov: Floats) -> Floats:
    """Return ``x_i' V x_i`` of each row, shape (G,), with a symmetric `cov` of shape (P, P)."""
    if isinstance(x, np.ndarray):
        return np.asarray(((x @ cov) * x).sum(axis=1))
    whole = np.pad(cov, (0, 1))
    inner = whole[np.ix_(x.places, x.places)]
    found: Floats = ((x.numbers @ inner) * x.numbers).sum(axis=1)
    for number, factor in enumerate(x.factors):
        beside = whole[np.ix_(factor.place, x.places)][factor.code]
        found = found + 2 * (beside * x.numbers).sum(axis=1)
        found = found + whole[factor.place, factor.place][factor.code]
        for other in x.factors[:number]:
            found = found + 2 * whole[factor.place[factor.code], other.place[other.code]]
    return found


def sums_by_cluster(x: Matrix, values: Floats, row: Ints, cluster: Ints, n: int) -> Floats:
    """Return ``Σ v x`` over the pairs of each cluster, shape (n, P).

    `values`, `row`, `cluster` (R,): of each pair its factor, its row of X and its cluster.
    """
    if isinstance(x, np.ndarray):
        x = FactorMatrix(x, np.arange(x.shape[1]), (), x.shape[1])
    sums = np.zeros((n, x.n_columns))
    for place, column in zip(x.places, x.numbers.T, strict=True):
        sums[:, place] = np.bincount(cluster, values * column[row], n)
    for factor in x.factors:
        size = len(factor.place)
        by = np.bincount(cluster * size + factor.code[row], values, n * size).reshape(n, size)
        sums[:, factor.place[factor.known]] = by[:, factor.known]
    return sums
