"""Draws of classes by size and mark per fish of their part."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.bulletin.standing.class_spread import CLASS_NAMES, class_covariance
from analytics.bulletin.standing.joint import PART_QUANTITIES
from analytics.season.lognormal import nearest, normal_draws, scaled_exp

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from analytics.bulletin.prepare import Season
    from analytics.bulletin.standing.joint import JointParts

    Floats = NDArray[np.float64]
    Rows = Mapping[tuple[str | None, str], dict[str, Any]]

#: Parts behind each class: kept and legal releases, or sublegal releases.
CLASS_PARTS = ((1, 2), (1, 2), (3,), (3,))


def class_draws(
    joint: JointParts, season: Season, rows: Rows, *, rng: np.random.Generator, n_draws: int
) -> dict[str, Floats]:
    """Return the draws of each class per fish of its part, mean 1, shape (D, A).

    Of the relative covariance of classes and areas that of the parts is taken off: what is left is
    the error of the shares.
    """
    n, n_areas = len(CLASS_NAMES), len(joint.areas)
    value = np.array(
        [
            [rows.get((area, name), {}).get("estimate") or 0.0 for name in CLASS_NAMES]
            for area in joint.areas
        ]
    )
    spread = class_covariance(season, rows).reshape(n_areas * n, -1)
    scale = np.where(value > 0, value, np.inf).ravel()
    left = spread / np.outer(scale, scale)
    left -= relative_of_parts(joint) * np.kron(np.eye(n_areas), np.ones((n, n)))
    left[~np.isfinite(scale)] = 0.0
    left[:, ~np.isfinite(scale)] = 0.0
    drawn = normal_draws(nearest(_log(left)), rng=rng, n_draws=n_draws)
    made = scaled_exp(drawn, np.ones(n_areas * n)).reshape(n_draws, n_areas, n)
    return {name: made[..., place] for place, name in enumerate(CLASS_NAMES)}


def _log(relative: Floats) -> Floats:
    """Return the covariance of logs of a relative covariance, variances of at least 0."""
    found = relative.copy()
    np.fill_diagonal(found, np.maximum(np.diag(found), 0.0))
    logged: Floats = np.log1p(np.maximum(found, -0.95))
    return logged


def relative_of_parts(joint: JointParts) -> Floats:
    """Return the relative covariance of the parts behind the classes, shape (4 A, 4 A)."""
    pick = np.zeros((len(CLASS_NAMES), len(PART_QUANTITIES)))
    for row, parts in enumerate(CLASS_PARTS):
        pick[row, list(parts)] = 1.0
    total = joint.total.sum(axis=1) @ pick.T
    cov = np.einsum("jk,akbl,il->ajbi", pick, joint.by_area, pick)
    scale = np.where(total > 0, total, np.inf).ravel()
    found: Floats = cov.reshape(scale.size, -1) / np.outer(scale, scale)
    return found
