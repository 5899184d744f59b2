"""Fish per angler trip under a regulation, and deaths per fish."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.fish.mortality_rates import ReleaseRates, drop_off_rate
from analytics.options.baseline import (
    KEPT,
    LEGAL,
    SUBLEGAL,
    TRIPS,
    UNKNOWN,
    beta_quantiles,
    common_random_numbers,
    drawn_rate,
    ratio,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from numpy.typing import NDArray

    from analytics.fish.mortality_rates import MortalityRate
    from analytics.options.baseline import Baseline, BaselineArrays
    from analytics.options.option import Change
    from analytics.options.regulations import Regulation, Row

    Floats = NDArray[np.float32]


# Fish that another minimum length moves between legal and sublegal.

#: Measured fish that a share needs; with fewer, those of all areas count.
LEAST_MEASURED = 30


def so_far_mm(baseline: Baseline, area: int) -> float:
    """Return the minimum length that the totals so far were fished under; 0 where none is given."""
    length = float(baseline.rules_to_date.min_length_mm[area, 0])
    return 0.0 if np.isnan(length) else length


def measured(baseline: Baseline, area: int, size: str) -> tuple[str, NDArray[np.float64]] | None:
    """Return lengths of a size and the area they are of (empty: all); None where too few."""
    minimum = so_far_mm(baseline, area)
    for name in (baseline.areas[area], ""):
        lengths = np.asarray(baseline.lengths.get((name, size), ()), dtype=np.float64)
        if minimum:
            lengths = lengths[lengths >= minimum] if size == "legal" else lengths[lengths < minimum]
        if len(lengths) >= LEAST_MEASURED:
            return name, lengths
    return None


def moved_share(baseline: Baseline, area: int, minimum_mm: float) -> tuple[str, Floats] | None:
    """Return which fish a minimum length moves, ``legal`` or ``sublegal``, and what share, (D,).

    The share of measured fish, drawn from the beta distribution of ``x + 1/2`` and ``n - x + 1/2``
    (that of a share after x of n, from Jeffreys' prior; from memory), its quantile at the normal
    number of the lengths: a longer minimum then moves more fish in every draw. None where the
    minimum is as it was.
    """
    before = so_far_mm(baseline, area)
    if minimum_mm == before:
        return None
    size = "legal" if minimum_mm > before else "sublegal"
    found = measured(baseline, area, size)
    if found is None:
        return None
    name, lengths = found
    under = int((lengths < minimum_mm).sum())
    n, moves = len(lengths), under if size == "legal" else len(lengths) - under
    normal = common_random_numbers(baseline.normal, f"length {name}", len(baseline.uncapped_size))
    return size, beta_quantiles(moves + 0.5, n - moves + 0.5, normal)


#: The marked share of legal fish counts as no less, where unmarked ones may be kept again.
LEAST_MARKED = np.float32(0.02)


@dataclass(frozen=True, slots=True, eq=False)
class PerTrip:
    """Fish per angler trip in V weeks, shape (V, D): kept, and released by size.

    `unknown` is None for none; `moved` are legal fish that a longer minimum made sublegal, below 0
    for sublegal ones made legal.
    """

    kept: Floats
    legal: Floats
    sublegal: Floats
    unknown: Floats | None = None
    moved: Floats | None = None

    def rows(self, weeks: NDArray[np.int64]) -> PerTrip:
        """Return some weeks, without a copy where they follow each other."""
        first, last = int(weeks[0]), int(weeks[-1])
        in_row = len(weeks) == last - first + 1 and bool((np.diff(weeks) == 1).all())
        at = slice(first, last + 1) if in_row else weeks
        return self.each(lambda one: one[at])

    def each(self, verb: Callable[[Floats], Floats]) -> PerTrip:
        """Return every part after a verb."""
        parts = (self.kept, self.legal, self.sublegal, self.unknown, self.moved)
        return PerTrip(*(one if one is None else verb(one) for one in parts))  # type: ignore[arg-type]


def per_trip(arrays: BaselineArrays, area: int, regulation: Regulation) -> PerTrip:
    r"""Return the fish per trip of an area in every week under a regulation.

    Legal fish ℓ are kept at the share so far, times ``F(μ', b)/F(μ, b₀)``: F is the part of the
    fish that a daily limit lets a boat keep (`analytics.options.baseline`), and what an
    angler would keep, μ', follows the legal fish he meets and may keep. Where anglers stop at
    another limit, all fish of the boat shrink by ``F(μ', b)/F(μ', b₀)``.
    """
    legal, sublegal = arrays.legal[area], arrays.sublegal[area]
    unknown = arrays.unknown[area] if arrays.has_unknown else None
    by_mix = mix_factors(arrays, area, regulation.mix) if regulation.mix else None
    would = np.ones(arrays.n_draws, dtype=np.float32)
    if by_mix is not None:
        legal, sublegal = legal * by_mix[LEGAL], sublegal * by_mix[SUBLEGAL]
        unknown = None if unknown is None else unknown * by_mix[UNKNOWN]
        would = by_mix[KEPT]
    legal, sublegal, moved = _by_length(arrays, area, regulation, (legal, sublegal))
    would = would * _by_mark(arrays, area, regulation)
    share, stop = _kept_share(arrays, area, regulation, legal, would)
    most = (
        arrays.marked(area) if regulation.is_selective and not _was_selective(arrays, area) else 1.0
    )
    np.minimum(share, most, out=share)
    kept = legal * share
    found = PerTrip(kept, legal - kept, sublegal, unknown, moved)
    return found if stop is None else found.each(lambda one: one * stop)


def mix_factors(arrays: BaselineArrays, area: int, mix: tuple[tuple[str, float], ...]) -> Floats:
    """Return fish per trip under a mix of methods over that so far, shape (5, D).

    Trips 1; fish kept per legal fish; legal, sublegal and unknown fish. Each method has its own
    rates so far in the area, or in all areas where it was not used in the area.
    """
    own = method_rates(arrays, area)
    mean = own[2]
    factors = np.ones((5, arrays.n_draws), dtype=np.float32)
    shares = method_shares(arrays, mix)
    for part in (KEPT, LEGAL, SUBLEGAL, UNKNOWN):
        rates = own[0][part] if part != LEGAL else own[0][KEPT] + own[0][LEGAL]
        base = mean[part] if part != LEGAL else mean[KEPT] + mean[LEGAL]
        factors[part] = ratio(shares @ rates, base, np.float32(1))
    factors[KEPT] = ratio(factors[KEPT], factors[LEGAL], np.float32(1))
    return factors


def method_shares(arrays: BaselineArrays, mix: tuple[tuple[str, float], ...]) -> Floats:
    """Return the share of trips of each method, shape (M,)."""
    by_name = dict(mix)
    return np.array([by_name.get(name, 0.0) for name in arrays.baseline.methods], dtype=np.float32)


def method_rates(arrays: BaselineArrays, area: int) -> tuple[Floats, NDArray[np.bool_], Floats]:
    """Return fish per trip of each method (5, M, D), which are borrowed (M,), and of all (5, D).

    A method not used in the area has its rate in all areas over that of all methods there, times
    that of the area.
    """
    parts, every = arrays.parts[area], arrays.all_parts
    none = np.float32(0)
    mean = ratio(parts.sum(axis=1), parts[TRIPS].sum(axis=0), none)
    rates = ratio(parts, parts[TRIPS], none)
    is_borrowed = ~(parts[TRIPS].max(axis=1, initial=0) > 0)
    elsewhere = ratio(every, every[TRIPS], none)
    all_mean = ratio(every.sum(axis=1), every[TRIPS].sum(axis=0), none)
    borrowed = elsewhere * ratio(mean, all_mean, none)[:, None, :]
    rates[:, is_borrowed] = borrowed[:, is_borrowed]
    return rates, is_borrowed, mean


def _by_length(
    arrays: BaselineArrays, area: int, regulation: Regulation, sizes: tuple[Floats, Floats]
) -> tuple[Floats, Floats, Floats | None]:
    """Return legal and sublegal fish under the regulation's minimum length, and those it moved."""
    legal, sublegal = sizes
    found = moved_share(arrays.baseline, area, regulation.min_length)
    if found is None:
        return legal, sublegal, None
    size, share = found
    moved = legal * share if size == "legal" else sublegal * -share
    return legal - moved, sublegal + moved, moved


def _was_selective(arrays: BaselineArrays, area: int) -> bool:
    return bool(arrays.baseline.rules_to_date.is_mark_selective[area, 0])


def _by_mark(arrays: BaselineArrays, area: int, regulation: Regulation) -> Floats | np.float32:
    """Return fish an angler would keep over those so far, where other marks may be kept."""
    before = _was_selective(arrays, area)
    if before == regulation.is_selective:
        return np.float32(1)
    marked = arrays.marked(area)
    if regulation.is_selective:
        return marked
    return ratio(np.ones_like(marked), np.maximum(marked, LEAST_MARKED), np.float32(1))


def _kept_share(
    arrays: BaselineArrays, area: int, regulation: Regulation, legal: Floats, would: Floats
) -> tuple[Floats, Floats | None]:
    """Return the share of legal fish that is kept, and what remains of a trip's fish."""
    share = np.broadcast_to(arrays.kept_share[area] * would, legal.shape)
    if not arrays.has_uncapped:
        return share.copy(), None
    party, part = arrays.party_size_share[area], arrays.kept_part.part
    before = float(arrays.baseline.rules_to_date.daily_limit_fish[area, 0])
    before = np.inf if np.isnan(before) else before
    uncapped = arrays.uncapped[area]
    at = uncapped * would * ratio(legal, arrays.legal_per_trip[area], np.float32(1))
    limit = regulation.limit if regulation.stop_from is None else regulation.stop_from
    now = part(at, party, limit)
    found = share * ratio(now, part(uncapped, party, before), np.float32(1))
    if regulation.stop_from is None:
        return found, None
    return found, ratio(part(at, party, regulation.limit), now, np.float32(1))


# Deaths per fish to come: the rates of each size, method and wound, weighted by who releases.

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
            any_wound = () if choice.is_split and is_all_told else (choice.any_wound,)
            found.update(one.key for one in (*pair, *any_wound) if one is not None)
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
