"""A smooth level behind weekly log figures whose sampling errors are known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import norm
from statsmodels.tsa.statespace.initialization import Initialization
from statsmodels.tsa.statespace.mlemodel import MLEModel

from analytics.errors import WrongUse

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Scale of the half-normal weight on the step of a week, log units: a level that moves by 25 % a
#: week is usual, by 75 % is not. Our choice, no source.
STEP_SCALE = 0.25
#: Scale of the half-normal weight on the step of the slope, log units a week. Our choice.
SLOPE_SCALE = 0.05
#: Points at which the weight is summed up, as parts of the scale.
_GRID = np.linspace(0.02, 3.0, 24)
_COARSE = np.linspace(0.05, 2.5, 9)
#: Variance of a level nothing is known of, log scale; a wider one would cost digits.
_WIDE = 1e4
#: Figures with an error that a level can be told from.
LEAST_WEEKS = 3


@dataclass(frozen=True, slots=True, eq=False)
class Likelihood:
    """A maximum-likelihood fit of the local level.

    Parameters
    ----------
    noise_variance, step_variance : float
        Of the observations and of the steps between them.
    log_likelihood : float
        Exact diffuse: the first observation tells the level and adds its density at infinite
        variance without the constant that grows with it (Durbin & Koopman 2012, Time Series
        Analysis by State Space Methods, section 7.2.2; from memory).
    converged : bool
    """

    noise_variance: float
    step_variance: float
    log_likelihood: float
    converged: bool


@dataclass(frozen=True, slots=True, eq=False)
class Trend:
    """The level over T weeks and H weeks ahead, log scale.

    Parameters
    ----------
    level, level_se : ndarray of float, shape (T + H,)
        Mean and standard deviation; figures ahead widen with every week.
    rise, rise_se : mapping of int to ndarray of float, shape (T,)
        By lag k: change of the level from k weeks before, NaN in the first k weeks.
    rose : mapping of int to ndarray of float, shape (T,)
        By lag k: probability that the level is higher than k weeks before.
    step : float
        Mean step of a week, standard deviation on the log scale.
    n_ahead : int
        H.
    """

    level: Floats
    level_se: Floats
    rise: dict[int, Floats]
    rise_se: dict[int, Floats]
    rose: dict[int, Floats]
    step: float
    n_ahead: int


def fit_level(y: Floats) -> Likelihood:
    r"""Fit ``y_t = m_t + e_t``, ``m_{t+1} = m_t + s_t`` by maximum likelihood, both variances free.

    Harvey (1989), Forecasting, Structural Time Series Models and the Kalman Filter; from memory.

    Parameters
    ----------
    y : ndarray of float, shape (T,)
        NaN where there is none.

    Returns
    -------
    Likelihood

    Raises
    ------
    WrongUse
        If fewer than three values are given.
    """
    _require(y, np.zeros_like(y))
    model = _Level(y)
    start = np.log(np.nanvar(y) * np.array([0.5, 0.1]))
    found = model.fit(start, method="bfgs", maxiter=500, disp=False, cov_type="none")
    noise, step = np.exp(found.params)
    converged = bool(found.mle_retvals["converged"])
    return Likelihood(float(noise), float(step), float(found.llf), converged)


def smooth(
    y: Floats,
    variance: Floats,
    *,
    slope: bool = False,
    lags: Sequence[int] = (1, 4),
    n_ahead: int = 3,
) -> Trend:
    r"""Smooth weekly log figures with known sampling variances.

    ``y_t = m_t + e_t``, ``v(e_t)`` known, ``m_{t+1} = m_t + b_t + s_t``; without `slope` b is 0,
    with it ``b_{t+1} = b_t + d_t``. The size of the steps is not fixed at its likeliest value,
    often 0 in short series, but summed out: a half-normal weight times the likelihood on a grid.

    Parameters
    ----------
    y : ndarray of float, shape (T,)
        Log figures, NaN where there is none.
    variance : ndarray of float, shape (T,) or (T, T)
        Their sampling variances, or their covariance where weeks share an error; a figure without
        one counts as missing.
    slope : bool
        Let the level have a slope of its own.
    lags : sequence of int
        Weeks back that changes are told from.
    n_ahead : int
        Weeks ahead.

    Returns
    -------
    Trend

    Raises
    ------
    WrongUse
        If fewer than three figures have an error.
    """
    each = np.diag(variance) if variance.ndim > 1 else variance
    known = np.isfinite(y) & np.isfinite(each)
    _require(np.where(known, y, np.nan), np.where(known, each, 1.0))
    error = variance if variance.ndim > 1 else np.diag(variance)
    seen = np.flatnonzero(known)
    steps, prior = _steps(slope=slope)
    n_weeks = len(y)
    parts = _Parts.of(y, error[np.ix_(seen, seen)], seen, steps, n=n_weeks + n_ahead)
    log_weight = prior + parts.log_likelihood
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    level, level_se = _mixed(weight, parts.level, np.diagonal(parts.cov, axis1=1, axis2=2))
    rise, rise_se, rose = {}, {}, {}
    for lag in lags:
        mean, spread = parts.change(lag, n_weeks)
        rise[lag], rise_se[lag] = _mixed(weight, mean, spread)
        rose[lag] = weight @ norm.cdf(mean / np.sqrt(spread))
    return Trend(level, level_se, rise, rise_se, rose, float(weight @ steps[:, 0]), n_ahead)


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """The level at each of G sizes of steps."""

    log_likelihood: Floats
    level: Floats
    cov: Floats

    @classmethod
    def of(
        cls, y: Floats, error: Floats, seen: NDArray[np.intp], steps: Floats, *, n: int
    ) -> _Parts:
        r"""Return the level of n weeks given the figures of some, at every row of `steps`.

        ``m = F c + u`` with c the first level and slope, P their covariance, u the sums of all
        steps with covariance Q. Given figures whose errors have covariance V, ``S = Q + V``,
        ``B = (F'S^{-1}F + P^{-1})^{-1}``, ``c = B F'S^{-1}y``, and the level is normal about
        ``F c + Q S^{-1}(y - F c)`` with covariance
        ``Q - Q S^{-1}Q + (F - Q S^{-1}F) B (F - Q S^{-1}F)'`` (Rasmussen & Williams 2006, Gaussian
        Processes for Machine Learning, section 2.7; from memory). The state-space smoother gives
        the same week by week; this takes all sizes of steps at once.
        """
        start, q = _walk(n, steps)
        y, k, of_y = y[seen], start.shape[1], start[seen]
        across = q[:, :, seen]
        whole = across[:, seen] + error
        given = np.concatenate([of_y, y[:, None]], axis=1)
        right = np.concatenate(
            [np.swapaxes(across, 1, 2), np.broadcast_to(given, (len(q), *given.shape))], axis=2
        )
        solved = np.linalg.solve(whole, right)
        gain, by_start, by_y = solved[:, :, :n], solved[:, :, n : n + k], solved[:, :, -1]
        precision = of_y.T @ by_start + np.eye(k) / _WIDE
        b = np.linalg.inv(precision)
        first = np.einsum("gij,jm,gm->gi", b, of_y.T, by_y)
        # y - F c is small beside y where figures stand far from 0: less is lost of its digits.
        off = y - first @ of_y.T
        level = first @ start.T + np.einsum("gmn,gm->gn", gain, off)
        left = start - np.swapaxes(gain, 1, 2) @ of_y
        cov = q - across @ gain + left @ b @ np.swapaxes(left, 1, 2)
        square = np.einsum("gm,gm->g", off, by_y)
        size = np.linalg.slogdet(whole)[1] + np.linalg.slogdet(precision)[1] + k * np.log(_WIDE)
        return cls(-(size + square + len(y) * np.log(2 * np.pi)) / 2, level, cov)

    def change(self, lag: int, n_weeks: int) -> tuple[Floats, Floats]:
        """Return means and variances of the change from `lag` weeks before, shapes (G, T)."""
        now, before = np.arange(lag, n_weeks), np.arange(n_weeks - lag)
        mean = np.full((len(self.level), n_weeks), np.nan)
        variance = np.full_like(mean, np.nan)
        mean[:, lag:] = self.level[:, now] - self.level[:, before]
        spread = self.cov[:, now, now] + self.cov[:, before, before] - 2 * self.cov[:, now, before]
        variance[:, lag:] = np.maximum(spread, 1e-12)
        return mean, variance


class _Level(MLEModel):
    """The state-space form of a level alone; parameters are logs of both variances."""

    def __init__(self, y: Floats) -> None:
        super().__init__(y, k_states=1, k_posdef=1)
        for name in ("design", "transition", "selection"):
            self.ssm[name] = np.eye(1)
        self.ssm.initialize(Initialization(1, "diffuse"))

    @property
    def param_names(self) -> list[str]:
        return ["log noise variance", "log step variance"]

    def update(self, params: Floats, **kwargs: object) -> Floats:
        params = np.asarray(super().update(params, **kwargs))
        noise, step = np.exp(params)
        self.ssm["obs_cov"], self.ssm["state_cov"] = np.array([[noise]]), np.array([[step]])
        return params


def _walk(n: int, steps: Floats) -> tuple[Floats, Floats]:
    """Return the columns of the start, shape (n, k), and the covariance of sums of steps.

    ``steps`` are (G, k): of the level, and of its slope where k is 2; the covariance is (G, n, n).
    """
    week = np.arange(n, dtype=np.float64)
    start = np.column_stack([np.ones(n), week])[:, : steps.shape[1]]
    cov = steps[:, 0, None, None] ** 2 * np.minimum.outer(week, week)
    if steps.shape[1] > 1:
        # A step of the slope after week j stands in the level of week t with t - 1 - j.
        reach = np.maximum(week[:, None] - 1 - week, 0.0)
        cov = cov + steps[:, 1, None, None] ** 2 * (reach @ reach.T)
    return start, np.asarray(cov)


def _steps(*, slope: bool) -> tuple[Floats, Floats]:
    """Return sizes of steps, shape (G, 1 or 2), and the log of their half-normal weight."""
    if not slope:
        return STEP_SCALE * _GRID[:, None], -(_GRID**2) / 2
    one, other = (part.ravel() for part in np.meshgrid(_COARSE, _COARSE, indexing="ij"))
    return np.column_stack([STEP_SCALE * one, SLOPE_SCALE * other]), -(one**2 + other**2) / 2


def _mixed(weight: Floats, mean: Floats, variance: Floats) -> tuple[Floats, Floats]:
    """Return mean and standard deviation over all sizes of steps, each (G, n) before."""
    whole = weight @ mean
    return whole, np.sqrt(weight @ (variance + (mean - whole) ** 2))


def _require(y: Floats, variance: Floats) -> None:
    n = int(np.isfinite(y).sum())
    if n < LEAST_WEEKS:
        raise WrongUse(
            f"{n} weeks with a figure and its error; a level needs {LEAST_WEEKS} or more"
        )
    if (variance < 0).any():
        raise WrongUse("a sampling variance below 0; allowed: 0 or more")
