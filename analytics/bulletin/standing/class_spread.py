"""Joint error of encounters by size and mark between classes and areas."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analytics.bulletin.class_base import borrowed_marks
from analytics.bulletin.class_figures import SAMPLED
from analytics.bulletin.classes import pooled_of, sampled_classes
from analytics.fish.marks import CLASSES, mark_analysis, marked
from analytics.survey.reach import Domains
from analytics.survey.ways import Drawn

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    from numpy.typing import NDArray

    from analytics.bulletin.classes import Pooled, Sampled
    from analytics.bulletin.prepare import Season
    from analytics.fish.pools import CompositionSample
    from analytics.survey.totals import DomainTotals

    Floats = NDArray[np.float64]
    Rows = Mapping[tuple[str | None, str], dict[str, Any]]

CLASS_NAMES = tuple(CLASSES)


def class_covariance(season: Season, rows: Rows) -> Floats:
    """Return the covariance of the four classes within each area, and of the sample between areas.

    Each area by the method that its result row names: test fishing or marks told in interviews.
    Between areas only what they share of the sample of fish is there: the survey's part follows
    that of kept and released fish.

    Parameters
    ----------
    season : Season
    rows : mapping of (area, quantity) to dict
        Result rows by area.

    Returns
    -------
    ndarray of float, shape (A, 4, A, 4)
        0 for areas without a figure.
    """
    design, n = season.design, len(CLASS_NAMES)
    way = next(one for one in season.ways if isinstance(one, Drawn))
    domains = Domains(by_area=True, by_week=False, n_weeks=len(design.weeks))
    totals = way.totals(mark_analysis(), domains)
    area = np.array([domains.cell(int(code))[0] for code in totals.code], dtype=np.int64)
    words = [rows.get((name, CLASS_NAMES[0]), {}).get("method") or "" for name in design.areas]
    is_sampled = np.array([one.startswith(SAMPLED) for one in words], dtype=bool)
    found = np.zeros((len(design.areas), n, len(design.areas), n))
    told = _told(season, way, domains, totals)
    for place, one in enumerate(area):
        found[one, :, one, :] = told[place]
    sample = season.sample
    if is_sampled.any() and sample is not None:
        _add_sampled(
            found, season, way, sample, domains=domains, totals=totals, is_sampled=is_sampled
        )
    return np.nan_to_num(found)


def _add_sampled(
    found: Floats,
    season: Season,
    way: Drawn,
    sample: CompositionSample,
    *,
    domains: Domains,
    totals: DomainTotals,
    is_sampled: NDArray[np.bool_],
) -> None:
    """Put in place the covariance of areas whose classes come from test fishing."""
    n = len(CLASS_NAMES)
    pooled = season.pooled(way, lambda: pooled_of(season, way, sample))
    made = sampled_classes(season, pooled, domains, totals)
    area = np.array([domains.cell(int(code))[0] for code in totals.code], dtype=np.int64)
    between = _of_sample(pooled, made)
    for place, one in enumerate(area):
        if not is_sampled[one]:
            continue
        for other_place, other in enumerate(area):
            if is_sampled[other]:
                found[one, :, other, :] = between[place, :, other_place, :]
        found[one, :, one, :] = made.cov[place, :n, :n]


def _of_sample(pooled: Pooled, made: Sampled) -> Floats:
    """Return what the sample of fish adds, between domains too, shape (D, 4, D, 4).

    As `analytics.fish.sampled.ClassRatios.covariance`, whose terms of two domains that share a
    sample cell are kept here.
    """
    ratios, n = pooled.ratios, len(CLASS_NAMES)
    member, size = ratios.member.astype(np.float64), len(made.weight)
    found = np.zeros((size * n, size * n))
    for kind in range(ratios.slope.shape[2]):
        slopes = made.weight[:, None, :] * ratios.slope[:, :n, kind].T
        parts = slopes.reshape(size * n, -1) @ member
        found += (parts * ratios.n[:, kind]) @ parts.T
    return found.reshape(size, n, size, n)


def _told(season: Season, way: Drawn, domains: Domains, totals: DomainTotals) -> Floats:
    """Return the covariance of classes as marks told in interviews give them, shape (D, 4, 4)."""
    lent = borrowed_marks(season, way, domains, totals)
    cov = totals.cov_of_sums
    made = [marked(one, totals.total, cov, lent=lent) for one in CLASS_NAMES]
    slope = np.stack([one.gradient for one in made], axis=1)
    found: Floats = np.einsum("djk,dkl,dil->dji", slope, cov, slope)
    whole = np.stack([one.variance for one in made], axis=1)
    at = np.arange(len(CLASS_NAMES))
    # A lent share brings an error of its own, opposite for marked and unmarked fish of a part.
    extra = np.maximum(whole - found[:, at, at], 0)
    found[:, at, at] += extra
    for one, other in ((0, 1), (2, 3)):
        shared = -np.sqrt(extra[:, one] * extra[:, other])
        found[:, one, other] += shared
        found[:, other, one] += shared
    return found
