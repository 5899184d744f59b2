"""Fish per angler trip under a regime: kept, released and moved between sizes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.options.baseline import law_at, luck
from analytics.options.baseline_arrays import KEPT, LEGAL, SUBLEGAL, TRIPS, UNKNOWN, ratio

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.options.baseline import Baseline
    from analytics.options.baseline_arrays import BaselineArrays
    from analytics.options.regulations import Regulation

    Floats = NDArray[np.float32]


# Fish that another minimum length moves between legal and sublegal.

#: Measured fish that a share needs; with fewer, those of all areas count.
LEAST_MEASURED = 30


def so_far_mm(baseline: Baseline, area: int) -> float:
    """Return the minimum length that the totals so far were fished under; 0 where none is given."""
    told = float(baseline.so_far.min_length_mm[area, 0])
    return 0.0 if np.isnan(told) else told


def measured(baseline: Baseline, area: int, size: str) -> tuple[str, NDArray[np.float64]] | None:
    """Return lengths of a size and the area they are of (empty: all); None where too few."""
    told = so_far_mm(baseline, area)
    for name in (baseline.areas[area], ""):
        lengths = np.asarray(baseline.lengths.get((name, size), ()), dtype=np.float64)
        if told:
            lengths = lengths[lengths >= told] if size == "legal" else lengths[lengths < told]
        if len(lengths) >= LEAST_MEASURED:
            return name, lengths
    return None


def moved_share(baseline: Baseline, area: int, minimum_mm: float) -> tuple[str, Floats] | None:
    """Return which fish a minimum length moves, and what share of them.

    The share of measured fish, drawn from the beta law of ``x + 1/2`` and ``n - x + 1/2`` (the law
    of a share after x of n, from Jeffreys' prior; from memory), its quantile at the normal number
    of the lengths: a longer minimum then moves more fish in every draw.

    Returns
    -------
    (str, ndarray of float32 of shape (D,)) or None
        ``legal`` fish that become sublegal, or ``sublegal`` ones that become legal; None where the
        minimum is as it was.
    """
    told = so_far_mm(baseline, area)
    if minimum_mm == told:
        return None
    size = "legal" if minimum_mm > told else "sublegal"
    found = measured(baseline, area, size)
    if found is None:
        return None
    name, lengths = found
    under = int((lengths < minimum_mm).sum())
    n, moves = len(lengths), under if size == "legal" else len(lengths) - under
    normal = luck(baseline.normal, f"length {name}", len(baseline.wanted_size))
    return size, law_at(moves + 0.5, n - moves + 0.5, normal)


#: The marked share of legal fish counts as no less, where unmarked ones may be kept again.
LEAST_MARKED = np.float32(0.02)


@dataclass(frozen=True, slots=True, eq=False)
class PerTrip:
    """Fish per angler trip in V weeks.

    Parameters
    ----------
    kept, legal, sublegal : ndarray of float32, shape (V, D)
        Kept; released at legal and at sublegal length.
    unknown : ndarray of float32, shape (V, D) or None
        Released, size not told; None for none.
    moved : ndarray of float32, shape (V, D) or None
        Legal fish that a longer minimum made sublegal; below 0 for sublegal ones made legal.
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
        parts = (self.kept, self.legal, self.sublegal, self.unknown, self.moved)
        return PerTrip(*(one if one is None else one[at] for one in parts))  # type: ignore[arg-type]


def per_trip(ground: BaselineArrays, area: int, regime: Regulation) -> PerTrip:
    r"""Return the fish per trip of an area in every week under a regime.

    Legal fish ℓ are kept at the share so far, times ``F(μ', b)/F(μ, b₀)``: F is the part of the
    fish wanted that a daily limit lets a boat keep (`analytics.options.daily_limit`), and what an
    angler would keep, μ', follows the legal fish he meets and may keep. Where anglers stop at
    another limit, all fish of the boat shrink by ``F(μ', b)/F(μ', b₀)``.
    """
    legal, sublegal = ground.legal[area], ground.sublegal[area]
    unknown = ground.unknown[area] if ground.has_unknown else None
    by_mix = mix_factors(ground, area, regime.mix) if regime.mix else None
    would = np.ones(ground.n_draws, dtype=np.float32)
    if by_mix is not None:
        legal, sublegal = legal * by_mix[LEGAL], sublegal * by_mix[SUBLEGAL]
        unknown = None if unknown is None else unknown * by_mix[UNKNOWN]
        would = by_mix[KEPT]
    legal, sublegal, moved = _by_length(ground, area, regime, (legal, sublegal))
    would = would * _by_mark(ground, area, regime)
    share, stop = _kept_share(ground, area, regime, legal, would)
    most = ground.marked(area) if regime.is_selective and not _was_selective(ground, area) else 1.0
    np.minimum(share, most, out=share)
    kept = legal * share
    found = PerTrip(kept, legal - kept, sublegal, unknown, moved)
    if stop is None:
        return found
    parts = (found.kept, found.legal, found.sublegal, found.unknown, found.moved)
    return PerTrip(*(one if one is None else one * stop for one in parts))  # type: ignore[arg-type]


def mix_factors(ground: BaselineArrays, area: int, mix: tuple[tuple[str, float], ...]) -> Floats:
    """Return fish per trip under a mix of methods over that so far, shape (5, D).

    Trips 1; fish kept per legal fish; legal, sublegal and unknown fish. Each method has its own
    rates so far in the area, or in all areas where it was not used in the area.
    """
    own = method_rates(ground, area)
    mean = own[2]
    whole = np.ones((5, ground.n_draws), dtype=np.float32)
    shares = method_shares(ground, mix)
    for part in (KEPT, LEGAL, SUBLEGAL, UNKNOWN):
        rates = own[0][part] if part != LEGAL else own[0][KEPT] + own[0][LEGAL]
        base = mean[part] if part != LEGAL else mean[KEPT] + mean[LEGAL]
        whole[part] = ratio(shares @ rates, base, np.float32(1))
    whole[KEPT] = ratio(whole[KEPT], whole[LEGAL], np.float32(1))
    return whole


def method_shares(ground: BaselineArrays, mix: tuple[tuple[str, float], ...]) -> Floats:
    """Return the share of trips of each method, shape (M,)."""
    by_name = dict(mix)
    return np.array([by_name.get(name, 0.0) for name in ground.baseline.methods], dtype=np.float32)


def method_rates(ground: BaselineArrays, area: int) -> tuple[Floats, NDArray[np.bool_], Floats]:
    """Return fish per trip of each method, whether they are lent, and those of all methods.

    Returns
    -------
    rates : ndarray of float32, shape (5, M, D)
        Of a method not used in the area: its rate in all areas over that of all methods there,
        times that of the area.
    is_lent : ndarray of bool, shape (M,)
    mean : ndarray of float32, shape (5, D)
    """
    parts, every = ground.parts[area], ground.all_parts
    none = np.float32(0)
    mean = ratio(parts.sum(axis=1), parts[TRIPS].sum(axis=0), none)
    rates = ratio(parts, parts[TRIPS], none)
    is_lent = ~(parts[TRIPS].max(axis=1, initial=0) > 0)
    elsewhere = ratio(every, every[TRIPS], none)
    all_mean = ratio(every.sum(axis=1), every[TRIPS].sum(axis=0), none)
    lent = elsewhere * ratio(mean, all_mean, none)[:, None, :]
    rates[:, is_lent] = lent[:, is_lent]
    return rates, is_lent, mean


def _by_length(
    ground: BaselineArrays, area: int, regime: Regulation, sizes: tuple[Floats, Floats]
) -> tuple[Floats, Floats, Floats | None]:
    """Return legal and sublegal fish under the regime's minimum length, and those it moved."""
    legal, sublegal = sizes
    found = moved_share(ground.baseline, area, regime.min_length)
    if found is None:
        return legal, sublegal, None
    size, share = found
    moved = legal * share if size == "legal" else sublegal * -share
    return legal - moved, sublegal + moved, moved


def _was_selective(ground: BaselineArrays, area: int) -> bool:
    return bool(ground.baseline.so_far.is_mark_selective[area, 0])


def _by_mark(ground: BaselineArrays, area: int, regime: Regulation) -> Floats | np.float32:
    """Return fish wanted over those so far where another choice of marks may be kept."""
    before = _was_selective(ground, area)
    if before == regime.is_selective:
        return np.float32(1)
    marked = ground.marked(area)
    if regime.is_selective:
        return marked
    return ratio(np.ones_like(marked), np.maximum(marked, LEAST_MARKED), np.float32(1))


def _kept_share(
    ground: BaselineArrays, area: int, regime: Regulation, legal: Floats, would: Floats
) -> tuple[Floats, Floats | None]:
    """Return the share of legal fish that is kept, and what remains of a trip's fish."""
    share = np.broadcast_to(ground.kept_share[area] * would, legal.shape)
    if not ground.has_wanted:
        return share.copy(), None
    party, part = ground.party[area], ground.kept_part.part
    before = float(ground.baseline.so_far.daily_limit_fish[area, 0])
    before = np.inf if np.isnan(before) else before
    wanted = ground.wanted[area]
    at = wanted * would * ratio(legal, ground.legal_per_trip[area], np.float32(1))
    limit = regime.limit if regime.stop_from is None else regime.stop_from
    now = part(at, party, limit)
    found = share * ratio(now, part(wanted, party, before), np.float32(1))
    if regime.stop_from is None:
        return found, None
    return found, ratio(part(at, party, regime.limit), now, np.float32(1))
