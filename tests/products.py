"""Products of estimates by their textbook forms, beside which our own are set."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True, eq=False)
class Product:
    """Products of independent estimates, with the unbiased estimate of their variance."""

    value: NDArray[np.float64]
    variance: NDArray[np.float64]


def product(x: ArrayLike, vx: ArrayLike, y: ArrayLike, vy: ArrayLike) -> Product:
    """Return ``x y`` of independent unbiased estimates, and its variance.

    ``v(xy) = x² v_y + y² v_x - v_x v_y`` is unbiased where x, y, v_x and v_y are and the two pairs
    are independent (Goodman 1960, On the exact variance of products, J. Am. Stat. Assoc. 55).

    Parameters
    ----------
    x, y : array_like of float
        Estimates; the shapes broadcast.
    vx, vy : array_like of float
        Unbiased estimates of their variances, in the squared units.

    Returns
    -------
    Product
        The variance can be below 0 where both relative errors are over 0.7; it is left so, since
        cutting it at 0 would make it biased.
    """
    first, second = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    v_first, v_second = np.asarray(vx, dtype=np.float64), np.asarray(vy, dtype=np.float64)
    variance = second**2 * v_first + (first**2 - v_first) * v_second
    return Product(np.asarray(first * second), np.asarray(variance))


def product_variance(
    mean_x: ArrayLike, vx: ArrayLike, mean_y: ArrayLike, vy: ArrayLike
) -> NDArray[np.float64]:
    """Return the true variance of a product of independent variables, from their true moments.

    ``V(xy) = X² V_y + Y² V_x + V_x V_y`` (Goodman 1960). For known means and variances, as in a
    simulation or a plan; from estimates use `product`.

    Parameters
    ----------
    mean_x, mean_y : array_like of float
        True means; the shapes broadcast.
    vx, vy : array_like of float
        True variances.
    """
    first, second = np.asarray(mean_x, dtype=np.float64), np.asarray(mean_y, dtype=np.float64)
    v_first, v_second = np.asarray(vx, dtype=np.float64), np.asarray(vy, dtype=np.float64)
    return np.asarray(first**2 * v_second + second**2 * v_first + v_first * v_second)
