"""Rates of death as draws: one beta law a rate, its quantile at one normal number a draw."""

from __future__ import annotations

import zlib
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import betaincinv, ndtr

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from analytics.fish.mortality_rates import MortalityRate

    Floats = NDArray[np.float32]

#: Quantiles are taken at so many normal numbers and read off between them.
_NODES = np.linspace(-6.0, 6.0, 769)
#: An error that would leave no beta law is cut to one just under the largest, mean (1 - mean).
_LEAST_SIZE = 0.05


def rate_key(row: Mapping[str, Any]) -> str:
    """Return the key of the normal numbers of a row of `release_rates` or `drop_off`.

    Parameters
    ----------
    row : mapping
        A row of that table; one with ``base`` is of `drop_off`.

    Returns
    -------
    str
        Such as ``sublegal any deep`` or ``drop_off trolling``.
    """
    if "base" in row:
        return f"drop_off {row['method']}"
    return f"{row['size_class']} {row['method']} {row['wound_class']}"


def beta_at(mean: float, se: float | None, normal: Floats) -> Floats:
    """Return the quantile of a beta law at the chance under each normal number.

    The law has size ``a + b = mean (1 - mean)/se² - 1`` (by its moments).

    Parameters
    ----------
    mean : float
        0 to 1.
    se : float or None
        None or 0: no error is drawn.
    normal : ndarray of float, shape (D,)
        Standard normal numbers.

    Returns
    -------
    ndarray of float32, shape (D,)
    """
    if not se or not 0 < mean < 1:
        return np.full(len(normal), mean, dtype=np.float32)
    size = max(mean * (1 - mean) / (se * se) - 1, _LEAST_SIZE)
    return law_at(size * mean, size * (1 - mean), normal)


def law_at(first: float, second: float, normal: Floats) -> Floats:
    """Return the quantile of the beta law of two shapes at each normal number, shape (D,)."""
    low = _NODES <= 0
    # The upper half from the other side, where chances near 1 lose no digits.
    at = np.concatenate(
        [
            betaincinv(first, second, ndtr(_NODES[low])),
            1 - betaincinv(second, first, ndtr(-_NODES[~low])),
        ]
    )
    found: Floats = np.interp(normal, _NODES, at).astype(np.float32)
    return found


def luck(normal: Mapping[str, Floats], key: str, n_draws: int) -> Floats:
    """Return the normal numbers of a key; of a key that is new, always the same ones.

    Parameters
    ----------
    normal : mapping of str to ndarray, shape (D,)

    Returns
    -------
    ndarray of float32, shape (D,)
    """
    if key in normal:
        return normal[key]
    rng = np.random.default_rng(zlib.crc32(key.encode()))
    return rng.standard_normal(n_draws).astype(np.float32)


def drawn_rate(rate: MortalityRate, normal: Mapping[str, Floats], n_draws: int) -> Floats:
    """Return the draws of one rate at its normal numbers, by `rate_key`, float32 of shape (D,)."""
    return beta_at(rate.rate_prop, rate.rate_se, luck(normal, rate.label, n_draws))
