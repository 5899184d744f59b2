"""Draws of the parts of the catch so far, and of the share hooked deep."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.bulletin.standing.joint import PART_QUANTITIES
from analytics.season.lognormal import log_covariance, normal_draws, scaled_exp
from analytics.season.rate_draws import beta_at
from analytics.survey.ratios import combined_ratio

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from analytics.bulletin.standing.joint import JointParts

    Floats = NDArray[np.float64]
    Rows = Mapping[tuple[str | None, str], dict[str, Any]]

_UNKNOWN = PART_QUANTITIES.index("released_unknown_fish")


def part_draws(joint: JointParts, rows: Rows, *, rng: np.random.Generator, tail: Floats) -> Floats:
    """Return the draws of every part by area and method, shape (D, A, M, 5)."""
    shape = joint.total.shape
    has_error = np.array(
        [
            [rows.get((area, name), {}).get("se") is not None for name in PART_QUANTITIES]
            for area in joint.areas
        ]
    )
    kept = np.broadcast_to(has_error[:, None, :], shape).ravel()
    mean, cov = joint.total.ravel(), joint.cov.reshape(joint.total.size, -1)
    spread = log_covariance(mean, np.where(np.outer(kept, kept), cov, 0.0))
    deviate = normal_draws(spread, rng=rng, n_draws=len(tail), tail=tail)
    drawn = scaled_exp(deviate, mean).reshape(-1, *shape)
    return drawn * _factors(joint, rows)


def _factors(joint: JointParts, rows: Rows) -> Floats:
    """Return what brings each area's parts to the estimates of its rows, shape (A, 1, 5).

    Boats that told one number and not another are in its row and not in the joint analysis.
    """
    found = np.ones((len(joint.areas), 1, len(PART_QUANTITIES)))
    of_area = joint.total.sum(axis=1)
    for place, area in enumerate(joint.areas):
        for part, name in enumerate(PART_QUANTITIES):
            value = rows.get((area, name), {}).get("estimate")
            if value is None:
                found[place, 0, part] = 0.0 if part == _UNKNOWN else np.nan
            elif of_area[place, part] > 0:
                found[place, 0, part] = value / of_area[place, part]
    return found


def deep_draws(joint: JointParts, rng: np.random.Generator, n_draws: int) -> Floats:
    """Return the draws of the share hooked deep, shape (D, A, M); NaN where nobody told."""
    found = np.full((n_draws, *joint.told.shape), np.nan)
    pairs = np.stack([joint.deep, joint.told], axis=-1)
    for area, method in np.argwhere(joint.told > 0):
        share, spread = combined_ratio(
            pairs[area, method][None], joint.deep_cov[area, method][None]
        )
        se = float(np.sqrt(max(spread[0], 0.0))) if np.isfinite(spread[0]) else 0.0
        luck = rng.standard_normal(n_draws)
        found[:, area, method] = beta_at(float(share[0]), se, luck.astype(np.float32))
    return found
