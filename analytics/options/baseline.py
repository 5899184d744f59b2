"""What is known of the rest of a season, as joint draws, on which options are compared.

A draw is one possible truth: the totals so far, the effort of every day to come, the rate of fish
on it, and every share and rate of death. All options, limits and weeks use the same draws, so that
the error of the totals so far counts once and options differ by their rules alone.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import betaincinv, ndtr

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from numpy.typing import NDArray

    from analytics.fish.mortality_rates import MortalityRate

    Floats = NDArray[np.float32]

#: Parts of the catch so far, the last axis of `Baseline.by_method`.
PARTS = ("angler_trips", "kept", "released_legal", "released_sublegal", "released_unknown")


@dataclass(frozen=True, slots=True, eq=False)
class Rules:
    """The rules of each area on each day to come, as the table of seasons has them.

    Parameters
    ----------
    is_open : ndarray of bool, shape (A, N)
    min_length_mm, daily_limit_fish : ndarray of float, shape (A, N)
        NaN where none is given; on closed days those of the nearest opening of the area.
    is_mark_selective : ndarray of bool, shape (A, N)
    """

    is_open: NDArray[np.bool_]
    min_length_mm: NDArray[np.float64]
    daily_limit_fish: NDArray[np.float64]
    is_mark_selective: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Baseline:
    """D joint draws over A areas, M fishing methods, N days and W ISO weeks to come.

    Parameters
    ----------
    season : str
    through : datetime.date
        Last day of the totals so far; `days` start on the day after.
    areas, methods, weeks : tuple of str
        A, M and W labels; a method not reported is the empty string.
    days : ndarray of datetime64[D], shape (N,)
        Consecutive civil days to the end of the horizon, past the last planned close.
    week : ndarray of int, shape (N,)
        Index of each day's week.
    rules : Rules
        Today's.
    rules_to_date : Rules
        With N = 1: those that the totals so far were fished under (of the most open days);
        `is_open` says whether the opening of the next open day has begun by the first of `days`.
    to_date : mapping of str to ndarray, shape (D, A)
        Every total of the result rows through `through` by name, deaths and classes included.
    by_method : ndarray, shape (D, A, M, 5)
        Totals so far in the order of `PARTS`; they add up to those of `to_date` over methods.
    deep_hook_share : ndarray, shape (D, A, M)
        Share of releases that were hooked deep; NaN where nobody reported it.
    effort : ndarray, shape (D, A, N)
        Angler trips of a day, were it open under today's rules; unfishable days included.
    rate : ndarray, shape (D, A, W)
        Encounters per angler trip.
    sublegal : ndarray, shape (D, A, W)
        Share of encounters released as sublegal.
    class_per_fish : mapping of str to ndarray, shape (D, A)
        Encounters of each class of size and mark per legal, or sublegal, encounter as reported.
    uncapped_mean : ndarray, shape (D, A)
        Fish an angler would keep in a trip, without a daily limit.
    uncapped_size : ndarray, shape (D,)
        Size (1/alpha) of the negative binomial of what a boat would keep; inf for the Poisson.
    party_size_share : ndarray, shape (A, P)
        Share of boats with 1, 2, ... P anglers.
    rates, drop_off_rates : tuple of mapping
        Rows of `release_rates` and `drop_off`.
    normal : mapping of str to ndarray, shape (D,)
        Standard normal numbers by key (such as ``sublegal any deep`` for a rate of that row, or
        ``length VEL``), so that what an option changes is drawn with the same numbers.
    lengths : mapping of (str, str) to ndarray
        Measured lengths in mm by area and size (``legal``, ``sublegal``); area ``""`` for all.
    level : float
        Confidence level.
    marked_prop : ndarray, shape (D, A), optional
        Marked share of legal fish, of all whose mark was read; NaN where it is not known. A
        baseline without it takes the share from `class_per_fish`.
    """

    season: str
    through: date
    areas: tuple[str, ...]
    methods: tuple[str, ...]
    weeks: tuple[str, ...]
    days: NDArray[np.datetime64]
    week: NDArray[np.int64]
    rules: Rules
    rules_to_date: Rules
    to_date: Mapping[str, Floats]
    by_method: Floats
    deep_hook_share: Floats
    effort: Floats
    rate: Floats
    sublegal: Floats
    class_per_fish: Mapping[str, Floats]
    uncapped_mean: Floats
    uncapped_size: Floats
    party_size_share: NDArray[np.float64]
    rates: tuple[Mapping[str, object], ...]
    drop_off_rates: tuple[Mapping[str, object], ...]
    normal: Mapping[str, Floats]
    lengths: Mapping[tuple[str, str], NDArray[np.float64]]
    level: float = 0.95
    marked_prop: Floats | None = None


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit on a season.

    Parameters
    ----------
    limit_id : str
    areas : tuple of str
    quantities : tuple of str
        Totals of the result rows whose sum is limited.
    fish : float
    """

    limit_id: str
    areas: tuple[str, ...]
    quantities: tuple[str, ...]
    fish: float


# Rates of death as draws: one beta distribution a rate, its quantile at one normal number a draw.

#: Quantiles are taken at these normal numbers and read off between them.
_NODES = np.linspace(-6.0, 6.0, 769)
#: An error too large for a beta distribution is cut to just under the largest, mean (1 - mean).
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


def beta_draws(mean: float, se: float | None, normal: Floats) -> Floats:
    """Return the quantile of a beta distribution at the chance under each normal number.

    It has size ``a + b = mean (1 - mean)/se² - 1`` (by its moments).

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
    return beta_quantiles(size * mean, size * (1 - mean), normal)


def beta_quantiles(first: float, second: float, normal: Floats) -> Floats:
    """Return the quantile of a beta distribution of two shapes at each normal number, (D,)."""
    found: Floats = np.interp(normal, _NODES, _at_nodes(first, second)).astype(np.float32)
    return found


@lru_cache(maxsize=256)
def _at_nodes(first: float, second: float) -> Floats:
    """Return the quantile of a beta distribution at each of `_NODES`; rates come often."""
    low = _NODES <= 0
    # The upper half from the other side, where chances near 1 lose no digits.
    return np.concatenate(
        [
            betaincinv(first, second, ndtr(_NODES[low])),
            1 - betaincinv(second, first, ndtr(-_NODES[~low])),
        ]
    )


def common_random_numbers(normal: Mapping[str, Floats], key: str, n_draws: int) -> Floats:
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
    return beta_draws(
        rate.rate_prop, rate.rate_se, common_random_numbers(normal, rate.label, n_draws)
    )
