"""The sublegal share of encounters of every week, so far and to come, as draws."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, logit

from analytics.bulletin.standing.history import course_of
from analytics.bulletin.standing.level_paths import level_paths
from analytics.bulletin.standing.rate_paths import (
    EDGE,
    Drawn,
    any_of,
    index_figures,
)
from analytics.bulletin.standing.weekly_levels import SHARE, words_of_areas

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pyarrow as pa
    from numpy.typing import NDArray

    from analytics.bulletin.standing.weekly_levels import Weekly

    Floats = NDArray[np.float64]
    Words = tuple[str, str]

TOPIC = "Sublegal share"
#: Error of a share's logit that stands in from elsewhere. Our choice, no source.
_LENT_SE = 0.5


def shares_ahead(
    now: Weekly,
    past: Sequence[Weekly],
    rates: Mapping[str, pa.Table],
    *,
    sublegal: Floats,
    met: Floats,
    so_far: Floats,
    ahead: Sequence[str],
    rng: np.random.Generator,
) -> Drawn:
    """Draw the sublegal share of encounters by week: the draw's share so far along its own path.

    The path is that of the standardised share on the logit scale, a level without a slope, taken
    off its mean over the weeks so far. Parameters as `rates_ahead`, and:

    Parameters
    ----------
    sublegal : ndarray of float, shape (D, A)
        Draws of sublegal releases so far.
    """
    n_weeks, n_draws = len(now.weeks), len(met)
    index = index_figures(rates, now, response="sublegal")
    by_index = any_of(np.isfinite(index.value), 1)
    raw = now.figure[SHARE]
    raw = logit(np.where((raw > 0) & (raw < 1), raw, np.nan))
    figures = replace(
        index,
        value=np.where(by_index[:, None], index.value, raw),
        variance=np.where(by_index[:, None], index.variance, now.variance[SHARE]),
    )
    none = course_of([], areas=now.areas, first=now.weeks[0])
    paths = level_paths(
        figures, none, ahead, n_draws=n_draws, rng=rng, slope=False, use_course=False
    ).draws
    has = ~any_of(~np.isfinite(paths), (0, 2))
    weight = np.where(np.isfinite(so_far), so_far, 0.0)
    weight = weight / np.maximum(weight.sum(axis=2, keepdims=True), 1e-12)
    mean = (weight * np.nan_to_num(paths[:, :, :n_weeks])).sum(axis=2)
    off = np.where(has[:, None], paths - mean[:, :, None], 0.0)
    known = ~any_of(~(met > 0) | ~np.isfinite(sublegal), 0)
    share = np.divide(sublegal, met, out=np.zeros_like(met), where=met > 0)
    level = logit(np.clip(np.nan_to_num(share), EDGE, 1 - EDGE))
    level = np.where(known, level, _lent(now, past, share, known, rng))
    draws = np.asarray(expit(level[:, :, None] + off))
    # All or none of the fish so far: nothing to build a path on.
    flat = known & (~any_of(share != 0, 0) | ~any_of(share != 1, 0))
    draws[:, flat] = share[:, flat, None]
    return Drawn(draws, _share_words(now, by_index, known))


def _lent(
    now: Weekly,
    past: Sequence[Weekly],
    share: Floats,
    known: NDArray[np.bool_],
    rng: np.random.Generator,
) -> Floats:
    """Return logits for areas without encounters: past seasons' mean share, else other areas'."""
    level = np.zeros(share.shape)
    others = float(np.mean(share[:, known])) if known.any() else 0.5
    for place, area in enumerate(now.areas):
        told = [
            float(np.nanmean(one.figure[SHARE][one.areas.index(area)]))
            for one in past
            if area in one.areas and np.isfinite(one.figure[SHARE][one.areas.index(area)]).any()
        ]
        center = logit(np.clip(np.mean(told) if told else others, EDGE, 1 - EDGE))
        spread = np.std(logit(np.clip(told, EDGE, 1 - EDGE)), ddof=1) if len(told) > 2 else _LENT_SE
        level[:, place] = center + spread * rng.standard_normal(len(share))
    return level


def _share_words(
    now: Weekly, by_index: NDArray[np.bool_], known: NDArray[np.bool_]
) -> tuple[Words, ...]:
    words = [
        "The sublegal share ahead is that so far along the course of the standardised share, a "
        "level without a slope.",
        *words_of_areas(
            now,
            (known & ~by_index, "no standardised share; the survey's own weekly shares instead"),
            (
                ~known,
                "no encounters so far; past seasons' share, or where there is none that of the "
                "other areas",
            ),
        ),
    ]
    return tuple((TOPIC, one) for one in words)
