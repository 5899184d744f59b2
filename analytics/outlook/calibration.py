"""What past projections say of the next: the plain rule beside it, their mixture, their width."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri, stdtrit

if TYPE_CHECKING:
    from typing import Any, TypeVar

    from numpy.typing import NDArray

    from analytics.arrays import Floats

    FloatArray = TypeVar("FloatArray", bound=NDArray[np.floating[Any]])

#: Seasons that count as having had a width factor of 1, and between which bounds it may lie. Our
#: choice, no source.
PRIOR_SEASONS, LEAST_WIDTH, MOST_WIDTH = 10.0, 0.7, 1.5
#: Seasons that count as giving both members of a mixture the same weight. Our choice, no source.
PRIOR_EQUAL = 8.0
#: Past seasons from which errors tell the weight of a mixture. Our choice, no source.
LEAST_SEASONS = 3
#: Past seasons that the plain rule needs.
LEAST_PLAIN = 2
#: A share of a season come by a date is kept this far from 0 and 1.
_EDGE = 1e-3


@dataclass(frozen=True, slots=True)
class PlainRule:
    """What is still to come by the plain rule: the log has a location, a scale and K - 1 df."""

    log_mean: float
    log_sd: float
    df: float

    def quantile(self, prob: Floats) -> Floats:
        """Return quantiles of what is still to come; of 1 df the last can be beyond any number."""
        with np.errstate(over="ignore"):
            found: Floats = np.exp(self.log_mean + self.log_sd * stdtrit(self.df, prob))
        return found

    def draws(self, n: int) -> Floats:
        """Return `n` quantiles at evenly spaced probabilities, which stand for draws."""
        return self.quantile((np.arange(n) + 0.5) / n)


def plain_rule(to_date: float, share: Floats, *, cv2: float = 0.0) -> PlainRule | None:
    r"""Return what is still to come from the total to date and past seasons' shares by this date.

    On the odds, so that the rest stays positive: with ``o_j = log((1 - s_j)/s_j)`` of K past
    seasons, ``log A = log T + mean(o)`` with standard deviation
    ``sqrt(s_o^2 (1 + 1/K) + log(1 + CV^2))`` and Student's t of K - 1 degrees of freedom. A working
    rule of the trade on our scale; no source.

    Parameters
    ----------
    to_date : float
        Total to date T, fish or trips.
    share : ndarray of float, shape (K,)
        Part of each past season's total that had come by the same day of the fishing season; NaN
        where it is not known.
    cv2 : float
        Squared coefficient of variation of T.

    Returns
    -------
    PlainRule or None
        None with fewer than two past seasons, or nothing to date.
    """
    known = share[np.isfinite(share)]
    n = len(known)
    if n < LEAST_PLAIN or not to_date > 0:
        return None
    inside = np.clip(known, _EDGE, 1 - _EDGE)
    odds = np.log1p(-inside) - np.log(inside)
    variance = float(odds.var(ddof=1)) * (1 + 1 / n) + float(np.log1p(cv2))
    mean = float(np.log(to_date) + odds.mean())
    return PlainRule(mean, float(np.sqrt(variance)), n - 1.0)


def mixture_weight(first: Floats, second: Floats) -> float:
    r"""Return the weight of the first of two projections from past seasons' log errors.

    ``w = (s_22 - s_12)/(s_11 + s_22 - 2 s_12)`` of the mean squares of both errors and their mean
    product, cut to 0 to 1 (Bates & Granger 1969, The combination of forecasts; from memory), then
    ``(8/2 + K w)/(8 + K)``: towards equal weights, as if 8 seasons had shown them (our choice, no
    source). With fewer than 3 seasons one half.

    Parameters
    ----------
    first, second : ndarray of float, shape (K,) or (K, M)
        Log of what came over what was projected, of M dates and quantities; NaN where there is
        none.
    """
    both = np.isfinite(first) & np.isfinite(second)
    n = int(both.any(axis=tuple(range(1, both.ndim))).sum())
    if n < LEAST_SEASONS:
        return 0.5
    one, other = first[both], second[both]
    s11, s22, s12 = float(one @ one), float(other @ other), float(one @ other)
    below = s11 + s22 - 2 * s12
    weight = float(np.clip((s22 - s12) / below, 0.0, 1.0)) if below > 0 else 0.5
    return (PRIOR_EQUAL / 2 + n * weight) / (PRIOR_EQUAL + n)


def mixed(first: Floats, second: Floats, weight: float) -> Floats:
    """Return the log-linear mixture of two sets of draws, paired by rank; in order."""
    with np.errstate(divide="ignore"):  # the first of a long tail is 0
        one, other = np.log(np.sort(first)), np.log(np.sort(second))
    found: Floats = np.exp(weight * one + (1 - weight) * other)
    return found


def width_factor(z2: Floats) -> float:
    r"""Return the factor of all intervals ahead from past seasons' squared errors.

    ``f^2 = (10 + sum z^2_j)/(10 + K)`` with ``z^2_j`` the mean over dates and quantities of season
    j of ``((log A_est - median)/sd)^2``; f is kept from 0.7 to 1.5. Shrunk towards 1 as if 10
    seasons had shown it (our choice, no source).

    Parameters
    ----------
    z2 : ndarray of float, shape (K,)
        NaN where a season has none.
    """
    known = z2[np.isfinite(z2)]
    square = (PRIOR_SEASONS + float(known.sum())) / (PRIOR_SEASONS + len(known))
    return float(np.clip(np.sqrt(square), LEAST_WIDTH, MOST_WIDTH))


@dataclass(frozen=True, slots=True, eq=False)
class PastErrors:
    """Log errors of past projections: K seasons, M dates and quantities; NaN where there is none.

    - `model`, `plain` (K, M): log of what came over the median of each; `model_sd` (K, M): standard
      deviation of the model's log, with the error of what came.
    """

    model: Floats
    model_sd: Floats
    plain: Floats

    def width(self, *, without: int | None = None) -> float:
        """Return the width factor of all past seasons, or of all but one."""
        z2 = (self.model / self.model_sd) ** 2
        known = np.isfinite(z2)
        n = np.maximum(known.sum(axis=1), 1)
        mean = np.where(known.any(axis=1), np.nansum(z2, axis=1) / n, np.nan)
        return width_factor(np.delete(mean, [] if without is None else without))

    def weight(self, *, without: int | None = None) -> float:
        """Return the weight of the model in the mixture, from all past seasons or all but one."""
        left: list[int] = [] if without is None else [without]
        return mixture_weight(
            np.delete(self.model, left, axis=0), np.delete(self.plain, left, axis=0)
        )


# How a projection did: scores of draws and of intervals; lower is better.


def fair_crps(draws: Floats, came: Floats | float) -> Floats:
    r"""Return the continuous ranked probability score of D draws, fair to their number.

    ``mean|x - y| - sum_i (2i - D - 1) x_(i)/(D(D - 1))`` (Matheson & Winkler 1976, Scoring rules
    for continuous probability distributions; the fair form: Ferro 2014, Fair scores for ensemble
    forecasts, titles seen), by the package `scoringrules`.

    Parameters
    ----------
    draws : ndarray of float, shape (..., D)
    came : float or ndarray of float, shape (...)
        What came; in the units of the draws, as is the score.
    """
    from scoringrules import crps_ensemble  # noqa: PLC0415 - half a second that few need

    # By probability weighted moments: the same from sorted draws, without every pair of them.
    of_each = np.broadcast_to(came, draws.shape[:-1])
    found = np.asarray(crps_ensemble(of_each, draws, estimator="pwm", backend="numpy"))
    # One forecast alone comes back without its axis.
    return found.reshape(of_each.shape)


def quantile_crps(values: Floats, probs: Floats, came: Floats | float) -> Floats:
    """Return the score of quantiles: twice the mean of their quantile scores, shape (...)."""
    from scoringrules import crps_quantile  # noqa: PLC0415 - half a second that few need

    return np.asarray(crps_quantile(came, values, probs, backend="numpy"))


def interval_score(
    low: Floats | float, high: Floats | float, came: Floats | float, *, level: float
) -> Floats:
    r"""Return ``(u - l) + 2/alpha ((l - y)^+ + (y - u)^+)``, alpha = 1 - level.

    Gneiting & Raftery 2007, Strictly proper scoring rules, section 6.2 (citation seen); by
    `scoringrules`.
    """
    from scoringrules import interval_score as score  # noqa: PLC0415 - as above

    found = np.asarray(score(came, low, high, 1 - level, backend="numpy"))
    return found.reshape(np.broadcast_shapes(np.shape(low), np.shape(high), np.shape(came)))


def with_estimate_error(draws: Floats, cv2: float, rng: np.random.Generator) -> Floats:
    """Return draws as an estimate with relative variance `cv2` would show them, mean kept.

    What came is known from a sample alone: draws times ``exp(e)``, e normal about -v/2 with
    variance ``v = log(1 + cv2)``.
    """
    variance = float(np.log1p(max(cv2, 0.0)))
    noise = rng.standard_normal(draws.shape) * np.sqrt(variance) - variance / 2
    found: Floats = draws * np.exp(noise)
    return found


def log_error(draws: Floats, came: float) -> tuple[float, float]:
    """Return the log of what came over the median of the draws, and the sd of their logs.

    The sd is the range from the 10 to the 90 % quantile of the logs over that of a normal, so that
    a draw of next to nothing does not set it.
    """
    low, middle, high = np.quantile(draws, [0.1, 0.5, 0.9])
    if not (low > 0 and came > 0):
        return float("nan"), float("nan")
    sd = float(np.log(high / low) / (ndtri(0.9) - ndtri(0.1)))
    return float(np.log(came / middle)), sd


def widened(draws: FloatArray, factor: float) -> FloatArray:
    """Return draws with their logs' distance from the median times a factor, along axis 0."""
    if factor == 1.0:
        return draws
    middle = np.median(draws, axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        found = middle * (draws / middle) ** factor
    found = np.where(middle > 0, found, draws)
    return found.astype(draws.dtype)  # type: ignore[return-value]
