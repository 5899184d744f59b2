r"""How many boats to interview and fish to measure for a wanted interval, clusters counted.

Fish of one boat, and boats of one site-day, are alike: n of them say less than n drawn singly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, logit
from scipy.stats import norm, t

from analytics.arrays import add_at
from analytics.codes import coded, has_code, join_codes
from analytics.errors import UsageError
from analytics.fish.composition_sample import SIZE_MARK, composition_sample
from analytics.planning.plan import AreaSample, Likeness

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pyarrow as pa

    from analytics.arrays import Floats, Ints
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.planning.plan import PlannedStratum
    from analytics.survey.reduction import Moments

#: Shares beyond which a symmetric interval misleads: the number is then checked on the logit scale.
_EXTREME = 0.1


def _variance_each(share: float, half_width: float, quantile: float) -> float:
    """Return the variance that gives a half-width, over that of one fish ``p (1 - p)``."""
    one = share * (1 - share)
    if min(share, 1 - share) < _EXTREME:
        return (_logit_step(share, half_width) / quantile) ** 2 * one
    return (half_width / quantile) ** 2 / one


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


def worst_case_factor(*, level: float = 0.95, classes: int | None = None) -> float:
    """Return ``n h²`` with which all classes of a composition lie within ± h at once.

    The worst case over shares: k classes of 1/k each, ``max_k z²_{α/2k} (1/k)(1 - 1/k)`` (Thompson
    1987, Sample size for estimating multinomial proportions, Am. Stat. 41; from memory). `classes`
    fixes k. Times the design effect.
    """
    counts: Sequence[int] = range(2, 31) if classes is None else (classes,)
    alpha = 1 - level
    return max(float(norm.isf(alpha / (2 * k))) ** 2 * (1 / k) * (1 - 1 / k) for k in counts)


# What the season so far says of clusters, and what a plan needs by area.

SHARE, COMPOSITION = "sublegal_prop", "size_mark_classes"
_LEVEL = 0.95


@dataclass(frozen=True, slots=True)
class SampleNeed:
    """Boats and fish for an interval of ± `half_width` in one area and week, clusters counted.

    - `quantity`: the sublegal share, of interviews; or all classes by size and mark at once, of
      measured fish of test fishing.
    - `half_width_planned`: with the plan's site-days and the boats or fish of a usual week.
    - `boats_needed`, `fish_needed`: at the plan's site-days; None where no number of boats that
      come back reaches it. `site_days_needed`: at the usual boats a site-day; None over the frame.
    - `design_effect`: the fish needed over those drawn singly.
    """

    area: str
    quantity: str
    half_width: float
    expected: float | None
    site_days: int
    boats_planned: int | None
    fish_planned: int
    half_width_planned: float | None
    boats_needed: int | None
    fish_needed: int | None
    site_days_needed: int | None
    design_effect: float | None


def likeness_of(share: Floats, moments: Moments, domain: Ints) -> tuple[float, float]:
    r"""Return the correlations of fish of a day, and of a boat beyond it, by moments.

    With ``z = y - p x`` of a boat's y of x fish, ``E Σ z² = v [Σ x + Σ x(x - 1) (ρ_d + ρ_b)]`` over
    boats, and over site-days ``v [Σ x + Σ x(x - 1) (ρ_d + ρ_b) + (Σ m² - Σ x²) ρ_d]``, m the fish
    of a site-day and ``v = p (1 - p)`` (moments of clusters of two levels; Kish 1965 and Rao &
    Scott 1992, from memory; ours to solve them over domains). Squares about a domain's own p are
    divided by ``1 - Σ x²/(Σ x)²`` of boats, or of site-days. Domains with one site-day say nothing.

    `share` (G,): p of each domain, area by week; `domain` (R,): of each cell of a site-day.
    """
    size = len(share)
    x, xx = moments.sums[:, 1], moments.products[2]
    total = add_at(domain, x, size)
    total = np.where(total > 0, total, 1.0)
    of_boats, of_days = (1 - add_at(domain, one, size) / total**2 for one in (xx, x**2))
    single = share * (1 - share)
    used = ((of_days > 1e-9) & (of_boats > 1e-9) & (single > 0))[domain]
    if not used.any():
        return 0.0, 0.0
    at = domain[used]
    p, v = share[at], single[at]
    y, x, xx = moments.sums[used, 0], x[used], xx[used]
    boats = (moments.products[0][used] - 2 * p * moments.products[1][used] + p**2 * xx) / v
    days = (y - p * x) ** 2 / v
    pairs, between = float((xx - x).sum()), float((x**2 - xx).sum())
    same = float((boats / of_boats[at] - x).sum()) / pairs if pairs > 0 else 0.0
    same = min(max(same, 0.0), 1.0)
    day = float((days / of_days[at] - x).sum() - pairs * same) / between if between > 0 else 0.0
    day = min(max(day, 0.0), 1.0)
    return day, max(same - day, 0.0)


def area_samples(
    survey: SeasonSurvey,
    strata: Sequence[PlannedStratum],
    *,
    expected: Mapping[str, float],
    df: Mapping[str, float],
) -> tuple[Likeness, tuple[AreaSample, ...]]:
    """Return how alike fish of a season are, and what a site-day brings in each planned area.

    `expected`: the sublegal share of the week by area; areas without one, or whose boats reported
    no fish, are left out. `df`: degrees of freedom behind its planned error.
    """
    design = survey.design
    moments = survey.reduction.moments(survey.analyses[SHARE])
    unit = design.site_days.unit[moments.unit]
    week, n_weeks = design.units.week, len(design.weeks)
    domain = moments.area * n_weeks + week[unit]
    size = len(design.areas) * n_weeks
    below = add_at(domain, moments.sums[:, 1], size)
    share = np.divide(
        add_at(domain, moments.sums[:, 0], size), below, out=np.zeros(size), where=below > 0
    )
    test = survey.once("composition_sample", lambda: composition_sample(survey.snapshot, design))
    day, boat = likeness_of(share, moments, domain)
    landing = design.strata.landing_area[design.units.stratum[design.site_days.unit]]
    found = []
    for area in dict.fromkeys(one.area for one in strata):
        code, mine = design.areas.index(area), [one for one in strata if one.area == area]
        here = moments.area == code
        n, fish, squares = moments.n[here], moments.sums[here, 1], moments.products[2][here]
        visits = int((landing == code).sum())
        if not (fish.sum() > 0 and visits and 0 < expected.get(area, 0.0) < 1):
            continue
        asked = float(moments.boats_interviewed(len(landing))[landing == code].sum())
        back = float(np.nansum(design.site_days.boats_returned[landing == code]))
        weeks = np.unique(test.week[test.area == code])
        found.append(
            AreaSample(
                area=area,
                share=expected[area],
                boats=float(n.sum()) / visits,
                returning=float(n.sum()) / visits * max(back / max(asked, 1.0), 1.0),
                fish=float(fish.sum() / n.sum()),
                uneven_days=visits * float((fish**2).sum() / fish.sum() ** 2),
                uneven_boats=float(n.sum() * squares.sum() / fish.sum() ** 2),
                site_days=sum(one.n_site_days for one in mine),
                frame=sum(one.frame_size * one.sites_a_day for one in mine),
                df=df.get(area, math.inf),
                measured=float(test.n[test.area == code].sum()) / max(len(weeks), 1),
            )
        )
    return Likeness(
        day, boat, test.effect if has_code(join_codes(test.left_out), "test_trips_alike") else None
    ), tuple(found)


def needs_of(
    like: Likeness | None,
    samples: Sequence[AreaSample],
    half_width: float,
) -> tuple[SampleNeed, ...]:
    """Return boats and fish for ± `half_width` (0 to 1) on both quantities, by area.

    Nothing where nothing is known yet. Raises `UsageError` for a half-width that is none, or that
    is wider than any share can be.
    """
    _require(
        0 < half_width < 0.5, f"half-width {half_width:g}", "over 0 and under 0.5, such as 0.1"
    )
    if like is None:
        return ()
    by_share = [_need_of_share(like, one, half_width) for one in samples]
    return (*by_share, *(_need_of_classes(like, one, half_width) for one in samples))


def _need_of_share(like: Likeness, one: AreaSample, half_width: float) -> SampleNeed:
    quantile = float(t.ppf(0.5 + _LEVEL / 2, max(one.df, 1.0)))
    normal = float(norm.ppf(0.5 + _LEVEL / 2))
    of_day = like.day * one.uneven_days
    of_boat = like.boat * one.uneven_boats + (1 - like.day - like.boat) / one.fish
    boats_planned = one.site_days * one.boats
    planned = None
    if boats_planned > 0:
        width, _ = half_width_of_share(
            one.share,
            site_days=one.site_days / one.uneven_days,
            boats=boats_planned / one.uneven_boats,
            fish=boats_planned * one.fish,
            correlation_day=like.day,
            correlation_boat=like.boat,
            level=_LEVEL,
        )
        planned = _as_interval(one.share, width * quantile / normal)
    each = _variance_each(one.share, half_width, quantile)
    left = each - of_day / one.site_days if one.site_days else 0.0
    wanted = math.ceil(of_boat / left - 1e-9) if left > 0 else math.inf
    is_there = wanted <= one.site_days * one.returning
    boats = int(wanted) if is_there else None
    days = math.ceil((of_day + of_boat / one.boats) / each - 1e-9)
    return SampleNeed(
        area=one.area,
        quantity=SHARE,
        half_width=half_width,
        expected=one.share,
        site_days=one.site_days,
        boats_planned=round(boats_planned),
        fish_planned=round(boats_planned * one.fish),
        half_width_planned=planned,
        boats_needed=boats,
        fish_needed=None if boats is None else math.ceil(boats * one.fish - 1e-9),
        site_days_needed=days if days <= one.frame else None,
        design_effect=None if boats is None else boats * one.fish * each,
    )


def _as_interval(share: float, half_width: float) -> float:
    """Return the wider side of the logit interval where a share is small or large."""
    if min(share, 1 - share) >= _EXTREME:
        return half_width
    step = half_width / (share * (1 - share))
    ends = expit(logit(share) + np.array([-step, step]))
    return float(np.abs(ends - share).max())


def _factor_of_classes(like: Likeness) -> float:
    """Return ``n h²`` of all classes by size and mark, clusters counted."""
    return worst_case_factor(level=_LEVEL, classes=len(SIZE_MARK)) * (like.trip or 1.0)


def _fish_of_classes(like: Likeness, half_width: float) -> int:
    return math.ceil(_factor_of_classes(like) / half_width**2 - 1e-9)


def _need_of_classes(like: Likeness, one: AreaSample, half_width: float) -> SampleNeed:
    factor = _factor_of_classes(like)
    return SampleNeed(
        area=one.area,
        quantity=COMPOSITION,
        half_width=half_width,
        expected=None,
        site_days=one.site_days,
        boats_planned=None,
        fish_planned=round(one.measured),
        half_width_planned=math.sqrt(factor / one.measured) if one.measured > 0 else None,
        boats_needed=None,
        fish_needed=_fish_of_classes(like, half_width),
        site_days_needed=None,
        design_effect=like.trip,
    )


def likeness_codes(like: Likeness, half_width: float) -> tuple[str, ...]:
    """Return what boats and fish rest on, as codes: likeness within boats, days and trips."""
    alike = coded("samples_alike", boat=f"{like.day + like.boat:.2f}", day=f"{like.day:.2f}")
    n = _fish_of_classes(like, half_width)
    if like.trip is None:
        return alike, coded("samples_classes_singly", n=n)
    return alike, coded("samples_classes", n=n, effect=f"{like.trip:.2f}")


def needs_table(needs: Sequence[SampleNeed]) -> pa.Table:
    """Return needs with the fields of `SampleNeed` as columns; null where there is no number."""
    import pyarrow as pa  # noqa: PLC0415

    whole = ("site_days", "boats_planned", "fish_planned", "boats_needed", "fish_needed")
    names = tuple(SampleNeed.__dataclass_fields__)
    kinds = {"area": pa.string(), "quantity": pa.string()}
    kinds |= dict.fromkeys((*whole, "site_days_needed"), pa.int64())
    schema = pa.schema([(name, kinds.get(name, pa.float64())) for name in names])
    rows = [{name: getattr(one, name) for name in names} for one in needs]
    return pa.Table.from_pylist(rows, schema)


def _require(holds: bool, seen: str, allowed: str) -> None:
    if not holds:
        raise UsageError(f"{seen}; allowed: {allowed}")
