r"""How many boats to interview and fish to measure for a wanted interval, clusters counted.

Fish of one boat, and boats of one site-day, are alike: n of them say less than n drawn singly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from scipy.stats import norm, t

from analytics.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

#: Shares beyond which a symmetric interval misleads: the number is then checked on the logit scale.
_EXTREME = 0.1
_MOST_ROUNDS = 200


@dataclass(frozen=True, slots=True)
class FishNeeded:
    """Fish for a share to a half-width: drawn singly, with clusters, and the site-days they take.

    `site_days_t` is with Student's t of the site-days less one in place of the normal quantile.
    """

    singly: float
    design_effect: float
    fish: float
    site_days: float
    site_days_t: float


def design_effect(mean_fish: float, correlation: float, cv: float = 0.0) -> float:
    """Return ``1 + ((1 + cv²) m - 1) ρ`` of clusters of a mean size m (Kish 1965; from memory)."""
    return 1 + ((1 + cv**2) * mean_fish - 1) * correlation


def fish_for_share(
    share: float,
    half_width: float,
    *,
    mean_fish: float,
    correlation: float,
    cv: float = 0.0,
    level: float = 0.95,
) -> FishNeeded:
    """Return the fish that bring the interval of a share to ± `half_width`.

    ``n_0 = z² p (1 - p)/h²`` times the design effect; site-days of `mean_fish` fish each (their
    coefficient of variation `cv`), whose fish have the intra-cluster `correlation`. Under a tenth,
    or over nine, the half-width is that of the logit interval's wider side (our choice, no source).

    Raises `UsageError` where a share, a width or a size lies outside its range.
    """
    _require(0 < share < 1, f"share {share:g}", "over 0 and under 1")
    _require(0 < half_width < 1, f"half-width {half_width:g}", "over 0 and under 1")
    _require(mean_fish > 0, f"{mean_fish:g} fish a site-day", "over 0")
    _require(0 <= correlation < 1, f"correlation {correlation:g}", "from 0 to under 1")
    deff = design_effect(mean_fish, correlation, cv)
    z = float(norm.ppf(0.5 + level / 2))

    def singly(quantile: float) -> float:
        variance = (half_width / quantile) ** 2
        if min(share, 1 - share) < _EXTREME:
            variance = (_logit_step(share, half_width) / quantile * share * (1 - share)) ** 2
        return share * (1 - share) / variance

    site_days = singly(z) * deff / mean_fish
    found = site_days
    for _ in range(_MOST_ROUNDS):
        quantile = float(t.ppf(0.5 + level / 2, max(found - 1, 1.0)))
        fresh = singly(quantile) * deff / mean_fish
        if abs(fresh - found) < 1e-10 * fresh:
            break
        found = (found + fresh) / 2 if fresh > 4 * found else fresh
    return FishNeeded(singly(z), deff, singly(z) * deff, site_days, found)


def _logit_step(share: float, half_width: float) -> float:
    """Return the step on the logit scale whose wider side is a half-width of the share."""
    middle = math.log(share / (1 - share))
    inner = share + half_width if share < 0.5 else share - half_width
    _require(0 < inner < 1, f"half-width {half_width:g} about {share:g}", "one that stays under 1")
    return abs(math.log(inner / (1 - inner)) - middle)


def half_width_of_share(
    share: float,
    *,
    site_days: float,
    boats: float,
    fish: float,
    correlation_day: float,
    correlation_boat: float,
    level: float = 0.95,
) -> tuple[float, float]:
    """Return the half-width of a share from three levels, and the fish drawn singly it equals.

    ``Var = p (1 - p) [ρ_d/D + ρ_b/B + (1 - ρ_d - ρ_b)/F]``: more fish of the same boats hardly
    help. With the normal quantile.
    """
    rest = 1 - correlation_day - correlation_boat
    each = correlation_day / site_days + correlation_boat / boats + rest / fish
    z = float(norm.ppf(0.5 + level / 2))
    return z * math.sqrt(share * (1 - share) * each), 1 / each


def interviews_a_site_day(cost_ratio: float, correlation: float) -> float:
    """Return the best number of interviews a site-day, ``√(c₁/c₂ (1 - ρ)/ρ)``.

    `cost_ratio`: the cost of going to a site-day over that of an interview there (Cochran 1977,
    Sampling Techniques, section 10.6; from memory). Infinite without correlation: every boat.
    """
    _require(0 <= correlation < 1, f"correlation {correlation:g}", "from 0 to under 1")
    if correlation == 0:
        return math.inf
    return math.sqrt(cost_ratio * (1 - correlation) / correlation)


def worst_case_factor(*, level: float = 0.95, classes: int | None = None) -> float:
    """Return ``n h²`` with which all classes of a composition lie within ± h at once.

    The worst case over shares: k classes of 1/k each, ``max_k z²_{α/2k} (1/k)(1 - 1/k)`` (Thompson
    1987, Sample size for estimating multinomial proportions, Am. Stat. 41; from memory). `classes`
    fixes k. Times the design effect.
    """
    counts: Sequence[int] = range(2, 31) if classes is None else (classes,)
    alpha = 1 - level
    return max(float(norm.isf(alpha / (2 * k))) ** 2 * (1 / k) * (1 - 1 / k) for k in counts)


def fish_for_encounters(
    share: float, cv: float, *, cv_kept: float, design_effect: float = 1.0
) -> float:
    """Return fish of test fishing for a wanted CV of encounters ``K/p``.

    ``CV² = CV²_K + (1 - p)/(n p)`` (first order). Raises `UsageError` where the kept fish alone are
    less certain than the wanted CV: no sample of fish reaches it.
    """
    _require(0 < share < 1, f"share {share:g}", "over 0 and under 1")
    _require(
        cv > cv_kept,
        f"a wanted error of {cv:.1%} where that of kept fish is {cv_kept:.1%}",
        "more than the error of kept fish; sample more site-days first",
    )
    return (1 - share) / (share * (cv**2 - cv_kept**2)) * design_effect


def _require(holds: bool, seen: str, allowed: str) -> None:
    if not holds:
        raise UsageError(f"{seen}; allowed: {allowed}")
