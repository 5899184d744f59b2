"""Combined ratios of two totals by linearisation."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analytics.survey.unit_totals import ROUNDING

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def combined_ratio(total: Floats, cov: Floats) -> tuple[Floats, Floats]:
    r"""Return ``R = T_y/T_x`` and its linearised variance.

    ``v(R) = [v(T_y) - 2 R cov(T_y, T_x) + R² v(T_x)] / T_x²``, the variance of the total of
    ``y - R x`` over T_x² (Cochran 1977, Sampling Techniques, section 6.11; from memory).

    Parameters
    ----------
    total : ndarray of float, shape (D, 2)
        Numerator and denominator.
    cov : ndarray of float, shape (D, 2, 2)
        Their (co)variances.

    Returns
    -------
    ratio, variance : ndarray of float, shape (D,)
        NaN where the denominator is not positive.
    """
    below = np.where(total[:, 1] > 0, total[:, 1], np.nan)
    ratio = total[:, 0] / below
    residual = cov[:, 0, 0] - 2 * ratio * cov[:, 0, 1] + ratio**2 * cov[:, 1, 1]
    # Where every site-day has the same ratio only rounding is left.
    scale = cov[:, 0, 0] + ratio**2 * cov[:, 1, 1]
    return ratio, np.where(np.abs(residual) <= ROUNDING * scale, 0.0, residual) / below**2


def all_over_last(
    total: Floats, cov: Floats, *, about: Floats | None = None
) -> tuple[Floats, Floats]:
    """Return the ratios of all totals but the last to the last, with their joint covariance.

    As `combined_ratio`, several numerators over one denominator.

    `total` (D, K + 1). `cov` (D, K + 1, K + 1). `about` (D, K): ratios about which the residuals
    are taken; the ratios themselves where not given.

    `ratio` (D, K): NaN where the denominator is not positive. `cov` (D, K, K).
    """
    below = np.where(total[:, -1] > 0, total[:, -1], np.nan)
    ratio = total[:, :-1] / below[:, None]
    k = ratio.shape[1]
    gradient = np.concatenate(
        [
            np.broadcast_to(np.eye(k), (len(total), k, k)),
            -(ratio if about is None else about)[:, :, None],
        ],
        axis=2,
    )
    joint = np.einsum("djk,dkl,dml->djm", gradient, cov, gradient)
    return ratio, joint / below[:, None, None] ** 2
