"""Small verbs on tables of numbers that are kept column by column.

A table of many sums has far more rows than columns and is read a column at a time: each column in
one piece of memory makes that several times quicker.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def rows_of(values: NDArray[np.float64], rows: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return some rows of a table that is kept column by column, kept in the same way."""
    taken: NDArray[np.float64] = np.take(values.T, rows, axis=1).T
    return taken


def cross(x: NDArray[np.float64], pair: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return the products of pairs of columns, shape (R, P), column by column."""
    products = np.empty((len(pair), len(x)))
    for p, (i, j) in enumerate(pair.tolist()):
        np.multiply(x[:, i], x[:, j], out=products[p])
    return products.T


def add_at(place: NDArray[np.int64], values: NDArray[np.float64], size: int) -> NDArray[np.float64]:
    """Sum `values` of shape (R, ...) by their place into shape (size, ...)."""
    flat = values.reshape(len(place), math.prod(values.shape[1:]))
    sums = np.empty((flat.shape[1], size))
    for column in range(flat.shape[1]):
        sums[column] = np.bincount(place, weights=flat[:, column], minlength=size)
    return sums.T.reshape(size, *values.shape[1:])
