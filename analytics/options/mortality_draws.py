"""Deaths per fish to come: the rates of each size, method and wound, weighted by who releases."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.fish.mortality_rates import ReleaseRates, drop_off_rate
from analytics.options.baseline import drawn_rate
from analytics.options.baseline_arrays import KEPT, LEGAL, SUBLEGAL, TRIPS, UNKNOWN, ratio
from analytics.options.catch_per_trip import method_rates, method_shares

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from analytics.fish.mortality_rates import MortalityRate
    from analytics.options.baseline_arrays import BaselineArrays
    from analytics.options.option import Change
    from analytics.options.regulations import Row

    Floats = NDArray[np.float32]

_SIZES = {"legal": LEGAL, "sublegal": SUBLEGAL, "unknown": UNKNOWN}


@dataclass(frozen=True, slots=True, eq=False)
class DeathRates:
    """Deaths per fish, shape (D,) each; NaN where no rate applies to fish that there are.

    Per fish released by size, and drop-off deaths per fish of the base of their rate.
    """

    legal: Floats
    sublegal: Floats
    unknown: Floats
    per_encounter: Floats
    per_kept: Floats


def release_rates(
    store: Iterable[Mapping[str, Any]], own: Iterable[Mapping[str, Any]]
) -> ReleaseRates:
    """Return the release rates of a store under those of an option.

    A row of the option governs all fish that it names, also those for which the store has a finer
    row; among the option's own the finer comes first.
    """
    rows, first = (
        [{"rate_se": None, "source": ""} | dict(row) for row in each] for each in (store, own)
    )
    return ReleaseRates(rows, first)


def death_rates(
    arrays: BaselineArrays, area: int, mix: tuple[tuple[str, float], ...], own: tuple[Row, ...]
) -> DeathRates:
    """Return the deaths per fish of an area.

    Which rate applies to a size and method, and how fish are split by wound, is
    `analytics.fish.mortality_rates.ReleaseRates.choose`; methods weigh by the fish they release.
    """
    by_method = _Weights(arrays, area, mix)
    baseline, n_draws = arrays.baseline, arrays.n_draws
    rates = release_rates(baseline.rates, map(dict, own))

    def drawn(rate: MortalityRate) -> Floats:
        if rate not in arrays.drawn:
            arrays.drawn[rate] = drawn_rate(rate, baseline.normal, n_draws)
        return arrays.drawn[rate]

    def released(size: str) -> Floats:
        choices = [rates.choose(size, name or None) for name in baseline.methods]
        return _mean(
            by_method.of(_SIZES[size]),
            [one.mixed(deep, drawn) for one, deep in zip(choices, by_method.deep, strict=True)],
        )

    rows = [
        {"rate_se": None, "source": "", "base": "encounters"} | dict(row)
        for row in baseline.drop_off_rates
    ]
    drop_off = [drop_off_rate(rows, name or None) for name in baseline.methods]
    none, zero = (np.full(n_draws, value, dtype=np.float32) for value in (np.nan, 0))
    # A rate that is missing is said once, per encounter.
    encounters = [
        none if rate is None else drawn(rate) if base == "encounters" else zero
        for rate, base in drop_off
    ]
    kept = [
        zero if rate is None or base != "kept" else np.nan_to_num(drawn(rate))
        for rate, base in drop_off
    ]
    legal, sublegal, unknown = map(released, _SIZES)
    per_encounter, per_kept = _mean(by_method.of(), encounters), _mean(by_method.of(KEPT), kept)
    return DeathRates(legal, sublegal, unknown, per_encounter, per_kept)


def keys_taken(arrays: BaselineArrays, change: Change) -> frozenset[tuple[str, str, str]]:
    """Return the keys of the rates that fish reported so far would die at under a change."""
    if not change.release_rates:
        return frozenset()
    baseline = arrays.baseline
    rates = release_rates(baseline.rates, change.release_rates)
    places = [
        n for n, area in enumerate(baseline.areas) if area in (change.areas or baseline.areas)
    ]
    fish, deep = arrays.parts[places], arrays.deep_hook_share[places]
    if change.method_mix:
        # A method may come from elsewhere.
        fish, deep = arrays.parts, arrays.deep_hook_share
    found: set[tuple[str, str, str]] = set()
    for number, name in enumerate(baseline.methods):
        is_told = not np.isnan(deep[:, number]).all()
        is_all_told = not np.isnan(deep[:, number]).any()
        for size, part in _SIZES.items():
            if not fish[:, part, number].any():
                continue
            choice = rates.choose(size, name or None)
            pair = (choice.shallow, choice.deep) if choice.is_split and is_told else ()
            whole = () if choice.is_split and is_all_told else (choice.any_wound,)
            found.update(one.key for one in (*pair, *whole) if one is not None)
    return frozenset(found)


class _Weights:
    """The share of each method in the fish of a part."""

    def __init__(
        self, arrays: BaselineArrays, area: int, mix: tuple[tuple[str, float], ...]
    ) -> None:
        self.fish = arrays.parts[area]
        self.deep = arrays.deep_hook_share[area]
        if mix:
            rates, is_borrowed, _ = method_rates(arrays, area)
            self.fish = rates * method_shares(arrays, mix)[None, :, None]
            self.fish[TRIPS] = method_shares(arrays, mix)[:, None]
            self.deep = np.where(is_borrowed[:, None], arrays.all_deep, self.deep)

    def of(self, part: int | None = None) -> Floats:
        """Return shares of a part, or of all encounters; of trips where there are no fish."""
        fish = self.fish[KEPT:].sum(axis=0) if part is None else self.fish[part]
        trips = ratio(self.fish[TRIPS], self.fish[TRIPS].sum(axis=0), np.float32(0))
        return ratio(fish, fish.sum(axis=0), trips)


def _mean(weight: Floats, each: list[Floats]) -> Floats:
    """Return the weighted mean; a rate that weighs nothing may be missing."""
    if not each:
        return np.zeros(weight.shape[-1], dtype=np.float32)
    rates = np.stack(each)
    found: Floats = np.where(weight > 0, weight * rates, 0).sum(axis=0)
    return found
