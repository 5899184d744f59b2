"""What is known of the rest of a season, as joint draws, on which options are compared.

A draw is one possible truth: the totals so far, the effort of every day to come, the rate of fish
on it, and every share and rate of death. All options, limits and weeks use the same draws, so that
the error of the totals so far counts once and options differ by their rules alone.

`BaselineArrays` is the baseline laid out for calculation: draws of a day or week side by side,
shares so far. What boats keep under a daily limit is a table there: what they would keep is
negative binomial.
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

    from analytics.arrays import Floats
    from analytics.fish.mortality_rates import MortalityRate

    Draws = NDArray[np.float32]


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
    to_date: Mapping[str, Draws]
    by_method: Draws
    deep_hook_share: Draws
    effort: Draws
    rate: Draws
    sublegal: Draws
    class_per_fish: Mapping[str, Draws]
    uncapped_mean: Draws
    uncapped_size: Draws
    party_size_share: NDArray[np.float64]
    rates: tuple[Mapping[str, object], ...]
    drop_off_rates: tuple[Mapping[str, object], ...]
    normal: Mapping[str, Draws]
    lengths: Mapping[tuple[str, str], NDArray[np.float64]]
    level: float = 0.95
    marked_prop: Draws | None = None


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


def beta_draws(mean: float, se: float | None, normal: Draws) -> Draws:
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


def beta_quantiles(first: float, second: float, normal: Draws) -> Draws:
    """Return the quantile of a beta distribution of two shapes at each normal number, (D,)."""
    found: Draws = np.interp(normal, _NODES, _at_nodes(first, second)).astype(np.float32)
    return found


@lru_cache(maxsize=256)
def _at_nodes(first: float, second: float) -> Draws:
    """Return the quantile of a beta distribution at each of `_NODES`; rates come often."""
    low = _NODES <= 0
    # The upper half from the other side, where chances near 1 lose no digits.
    return np.concatenate(
        [
            betaincinv(first, second, ndtr(_NODES[low])),
            1 - betaincinv(second, first, ndtr(-_NODES[~low])),
        ]
    )


def common_random_numbers(normal: Mapping[str, Draws], key: str, n_draws: int) -> Draws:
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


def drawn_rate(rate: MortalityRate, normal: Mapping[str, Draws], n_draws: int) -> Draws:
    """Return the draws of one rate at its normal numbers, by `rate_key`, float32 of shape (D,)."""
    return beta_draws(
        rate.rate_prop, rate.rate_se, common_random_numbers(normal, rate.label, n_draws)
    )


#: Nodes of the table, in the log of fish an angler would keep and in log(1 + 1/size).
_LOG_MEAN = np.linspace(np.log(1e-4), np.log(50.0), 449)
_LOG_SIZE = np.linspace(0.0, np.log1p(60.0), 113)
#: Chance of yet more fish, below which the rest of a sum is left out.
_NO_MORE = 1e-12


def kept_of_boat(mean: Floats | float, size: Floats | float, cap: int) -> Floats:
    r"""Return the fish a boat keeps when it may keep `cap`.

    ``E min(P, c) = Σ_{j<c} P(P > j)`` with P negative binomial, ``var = mean + mean²/size``; the
    Poisson where the size is infinite.
    """
    mean, size = np.broadcast_arrays(np.asarray(mean, float), np.asarray(size, float))
    alpha = 1 / size
    x = alpha * mean
    # (1 + αμ)^(-1/α), down to exp(-μ).
    safe = np.where(alpha > 0, alpha, 1.0)
    chance = np.exp(-np.where(alpha > 0, np.log1p(x) / safe, mean))
    more, kept = 1.0 - chance, np.zeros(mean.shape)
    for fish in range(cap):
        kept = kept + np.maximum(more, 0.0)
        if not more.max(initial=0.0) > _NO_MORE:
            break
        chance = chance * mean * (1 + alpha * fish) / ((fish + 1) * (1 + x))
        more = more - chance
    return kept


class KeptPart:
    """Part of the uncapped catch that may be kept, read off a table: many draws at once.

    Parameters
    ----------
    size : ndarray of float, shape (D,)
        Size of the negative binomial of each draw.
    """

    def __init__(self, size: Draws) -> None:
        log_size = np.log1p(1 / np.asarray(size, dtype=np.float64))
        place = np.clip(log_size, 0, _LOG_SIZE[-1]) / _LOG_SIZE[1]
        row = np.minimum(place.astype(np.intp), len(_LOG_SIZE) - 2)
        self._start = row * len(_LOG_MEAN)
        self._up = (place - row).astype(np.float32)

    def part(self, mean: Draws, party: Floats, limit: float) -> Draws:
        """Return kept over uncapped catch.

        Parameters
        ----------
        mean : ndarray of float, shape (..., D)
            Fish an angler would keep.
        party : ndarray of float, shape (P,)

        Returns
        -------
        ndarray of float32, shape (..., D)
            1 where nothing would be kept and something allowed.
        """
        if np.isinf(limit) or limit == 0:
            return np.full(mean.shape, float(limit > 0), dtype=np.float32)
        table = np.zeros((len(_LOG_SIZE), len(_LOG_MEAN)))
        anglers = np.arange(1, len(party) + 1)
        for n, share in zip(anglers, party, strict=True):
            if share > 0:
                table += share * n / float(party @ anglers) * _part_table(int(n), int(limit))
        flat = table.astype(np.float32).ravel()
        found = np.empty(mean.shape, dtype=np.float32)
        # A row of draws at a time: its places and values stay in the cache.
        n_draws = len(self._start)
        for here, out in zip(mean.reshape(-1, n_draws), found.reshape(-1, n_draws), strict=True):
            out[:] = self._read(flat, here)
        return found

    def _read(self, flat: Draws, mean: Draws) -> Draws:
        """Return the table's value at one mean a draw, between its nodes both ways."""
        with np.errstate(divide="ignore"):
            place = np.log(mean)
        place -= np.float32(_LOG_MEAN[0])
        place *= np.float32(1 / (_LOG_MEAN[1] - _LOG_MEAN[0]))
        np.clip(place, 0, len(_LOG_MEAN) - 1.001, out=place)
        left = place.astype(np.intp)
        place -= left.astype(np.float32)
        left += self._start
        below = flat.take(left)
        left += 1
        below += place * (flat.take(left) - below)
        left += len(_LOG_MEAN) - 1
        above = flat.take(left)
        left += 1
        above += place * (flat.take(left) - above)
        above -= below
        above *= self._up
        below += above
        return below


@lru_cache(maxsize=128)
def _part_table(anglers: int, limit: int) -> Floats:
    """Return kept over uncapped catch of boats by anglers, at the nodes."""
    mean = anglers * np.exp(_LOG_MEAN)[None, :]
    with np.errstate(divide="ignore"):
        size = 1 / np.expm1(_LOG_SIZE)[:, None]
    part: Floats = kept_of_boat(mean, size, anglers * limit) / mean
    return part


TRIPS, KEPT, LEGAL, SUBLEGAL, UNKNOWN = range(len(PARTS))
LEGAL_MARKED, LEGAL_UNMARKED, SUBLEGAL_MARKED, SUBLEGAL_UNMARKED = CLASSES = (
    "encounter_legal_marked_fish",
    "encounter_legal_unmarked_fish",
    "encounter_sublegal_marked_fish",
    "encounter_sublegal_unmarked_fish",
)
#: Draws turned round at once: their days stay in the cache.
_BLOCK = 256


class BaselineArrays:
    """A baseline with the D draws last, so that every sum runs over neighbours in memory.

    - `effort` (A, N, D); `legal`, `sublegal`, `unknown` (A, W, D): encounters per angler trip by
      the size that anglers report, under the rules so far.
    - `parts` (A, 5, M, D): totals so far by method, of all areas together where an area had no
      trips yet (`pooled`); `all_parts` (5, M, D).
    - `kept_share`, `legal_per_trip`, `uncapped` (A, D): kept over legal fish, legal fish per trip,
      fish an angler would keep; all so far.
    - `party_size_share` (A, P); `deep` (A, M, D).
    """

    def __init__(self, baseline: Baseline) -> None:
        self.baseline = baseline
        self.n_draws = len(baseline.uncapped_size)
        self.drawn: dict[MortalityRate, Draws] = {}
        self.effort = draws_last(baseline.effort)
        self._parts()
        self._uncapped()
        self._per_trip()

    def _parts(self) -> None:
        parts = np.nan_to_num(draws_last(self.baseline.by_method).swapaxes(1, 2))
        trips = parts[:, TRIPS].sum(axis=1)
        borrowed = ~(trips.max(axis=1, initial=0) > 0)
        self.all_parts = parts.sum(axis=0)
        parts[borrowed] = self.all_parts
        self.parts = parts
        self.borrowed = tuple(
            area
            for area, is_borrowed in zip(self.baseline.areas, borrowed, strict=True)
            if is_borrowed
        )
        self.deep_hook_share = draws_last(self.baseline.deep_hook_share)
        known = np.where(np.isnan(self.deep_hook_share), 0, 1) * parts[:, LEGAL:].sum(axis=1)
        self.all_deep = ratio(
            (np.nan_to_num(self.deep_hook_share) * known).sum(axis=0),
            known.sum(axis=0),
            np.float32(np.nan),
        )
        sums = parts.sum(axis=2)
        of_all = self.all_parts.sum(axis=1)
        legal = sums[:, KEPT] + sums[:, LEGAL]
        every = of_all[KEPT] + of_all[LEGAL]
        self.kept_share = ratio(sums[:, KEPT], legal, ratio(of_all[KEPT], every, np.float32(0)))
        self.legal_per_trip = ratio(legal, sums[:, TRIPS], np.float32(0))
        rest = legal + sums[:, UNKNOWN]
        self.has_unknown = bool(sums[:, UNKNOWN].any())
        self.unknown_share = ratio(sums[:, UNKNOWN], rest, np.float32(0))

    def _uncapped(self) -> None:
        baseline = self.baseline
        uncapped = draws_last(baseline.uncapped_mean)
        known = ~np.isnan(uncapped).any(axis=1)
        self.has_uncapped = bool(known.any())
        weight = self.parts[:, TRIPS].sum(axis=1)[known]
        if self.has_uncapped:
            trips, alike = weight.sum(axis=0), uncapped[known].mean(axis=0)
            uncapped[~known] = ratio((uncapped[known] * weight).sum(axis=0), trips, alike)
        self.uncapped = uncapped
        party = np.nan_to_num(np.asarray(baseline.party_size_share, dtype=np.float64))
        none = ~(party.sum(axis=1) > 0)
        party[none] = party[~none].mean(axis=0) if not none.all() else 1.0
        self.party_size_share = party / party.sum(axis=1, keepdims=True)
        self.kept_part = KeptPart(baseline.uncapped_size)

    def _per_trip(self) -> None:
        met = draws_last(self.baseline.rate)
        self.sublegal = draws_last(self.baseline.sublegal)
        self.sublegal *= met
        met -= self.sublegal
        self.legal = met
        if self.has_unknown:
            self.unknown = met * self.unknown_share[:, None, :]
            self.legal = met - self.unknown

    def marked(self, area: int) -> Draws:
        """Return the marked share of legal fish, shape (D,); NaN where it is not known."""
        return marked_shares(self.baseline)[:, area]


def marked_shares(baseline: Baseline) -> Draws:
    """Return the marked share of legal fish, shape (D, A); NaN where it is not known."""
    if baseline.marked_prop is not None:
        return baseline.marked_prop
    per_fish = baseline.class_per_fish
    if not {LEGAL_MARKED, LEGAL_UNMARKED} <= set(per_fish):
        shape = len(baseline.uncapped_size), len(baseline.areas)
        return np.full(shape, np.nan, dtype=np.float32)
    marked = per_fish[LEGAL_MARKED]
    return ratio(marked, marked + per_fish[LEGAL_UNMARKED], np.float32(np.nan))


def draws_last(values: Draws) -> Draws:
    """Return an array of shape (D, ...) as (..., D), a copy without gaps."""
    flat = np.asarray(values, dtype=np.float32).reshape(len(values), -1)
    turned = np.empty(flat.shape[::-1], dtype=np.float32)
    for start in range(0, len(flat), _BLOCK):
        turned[:, start : start + _BLOCK] = flat[start : start + _BLOCK].T
    return turned.reshape(*values.shape[1:], len(values))


def ratio(over: Draws, under: Draws, otherwise: Draws | np.float32) -> Draws:
    """Return a ratio, and something else where it is of nothing."""
    is_some = under > 0
    found = np.where(is_some, over / np.where(is_some, under, 1), otherwise)
    return np.asarray(found, dtype=np.float32)
