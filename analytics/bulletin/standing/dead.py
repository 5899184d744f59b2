"""Deaths of fish caught so far, draw by draw: fish by size and method times drawn rates."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.fish.rate_choice import ReleaseRates, drop_off_rate
from analytics.season.baseline import PARTS
from analytics.season.rate_draws import beta_at

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from analytics.fish.rate_choice import Choice, GivenRate

    Floats = NDArray[np.float64]

#: Places in `PARTS` of releases by size class.
_SIZES = {
    "legal": PARTS.index("released_legal"),
    "sublegal": PARTS.index("released_sublegal"),
    "unknown": PARTS.index("released_unknown"),
}
_KEPT = PARTS.index("kept")


def dead_to_date(
    by_method: Floats,
    deep: Floats,
    methods: Sequence[str],
    *,
    release_rates: Sequence[dict[str, Any]],
    drop_off: Sequence[dict[str, Any]],
    normal: Mapping[str, Floats],
) -> dict[str, Floats]:
    """Return release deaths, drop-off deaths and total deaths of every draw.

    Each kind of fish takes the rate that `analytics.fish.rate_choice` chooses; where that has one
    for shallow and one for deep hooks, fish are split by the share hooked deep.

    Parameters
    ----------
    by_method : ndarray of float, shape (D, A, M, 5)
        Parts of the catch in the order of `PARTS`.
    deep : ndarray of float, shape (D, A, M)
        Share of releases hooked deep; NaN where nobody told.
    methods : sequence of str
        The empty string for a method not told.
    release_rates, drop_off : sequence of dict
        Rows of those tables.
    normal : mapping of str to ndarray, shape (D,)
        Normal numbers by `analytics.season.rate_draws.rate_key`.

    Returns
    -------
    dict of str to ndarray, shape (D, A)
        NaN where fish have no rate.
    """
    rates = ReleaseRates(list(release_rates))
    released = np.zeros(by_method.shape[:2])
    lost = np.zeros_like(released)
    for place, method in enumerate(methods):
        for size, part in _SIZES.items():
            rate = _release_rate(rates.choose(size, method or None), deep[..., place], normal)
            released += _times(by_method[..., place, part], rate)
        given, base = drop_off_rate(list(drop_off), method or None)
        columns = [_KEPT] if base == "kept" else [_KEPT, *_SIZES.values()]
        rate = np.nan if given is None else _drawn(given, normal, f"drop_off {given.method}")
        lost += _times(by_method[..., place, columns].sum(axis=-1), rate)
    kept = by_method[..., _KEPT].sum(axis=-1)
    return {
        "release_deaths_fish": released,
        "drop_off_deaths_fish": lost,
        "total_deaths_fish": kept + released + lost,
    }


def _release_rate(choice: Choice, deep: Floats, normal: Mapping[str, Floats]) -> Floats | float:
    """Return the rate of some releases, shape (D, 1) or (D, A); NaN where there is none."""

    def rate(given: GivenRate | None) -> Floats | float:
        if given is None:
            return np.nan
        return _drawn(given, normal, " ".join(given.key))

    whole = rate(choice.whole)
    if choice.shallow is None or choice.deep is None:
        return whole
    split = (1 - deep) * rate(choice.shallow) + deep * rate(choice.deep)
    return np.where(np.isnan(deep), whole, split)


def _drawn(given: GivenRate, normal: Mapping[str, Floats], key: str) -> Floats:
    luck = normal[key].astype(np.float32)
    drawn: Floats = beta_at(given.rate_prop, given.rate_se, luck).astype(np.float64)[:, None]
    return drawn


def _times(fish: Floats, rate: Floats | float) -> Floats:
    """Return fish times rate; no fish need no rate."""
    found: Floats = np.where(fish == 0, 0.0, fish * rate)
    return found
