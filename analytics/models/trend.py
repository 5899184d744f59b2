"""A smooth level behind weekly log figures whose sampling errors are known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

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
    model = _Level(y, np.zeros_like(y), slope=False, free_noise=True)
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
    variance : ndarray of float, shape (T,)
        Their sampling variances; a figure without one counts as missing.
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
    known = np.isfinite(y) & np.isfinite(variance)
    y, variance = np.where(known, y, np.nan), np.where(known, variance, 1.0)
    _require(y, variance)
    ahead = np.full(n_ahead, np.nan)
    model = _Level(
        np.concatenate([y, ahead]), np.concatenate([variance, np.ones(n_ahead)]), slope=slope
    )
    steps, prior = _steps(slope=slope)
    parts = [_Part.of(model, step, lags=lags) for step in steps]
    log_weight = prior + np.array([part.log_likelihood for part in parts])
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    return _mixed(parts, weight, np.array(steps)[:, 0], n_weeks=len(y), lags=lags)


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """The smoothed level at one size of steps."""

    log_likelihood: float
    level: Floats
    variance: Floats
    change: dict[int, Floats]
    change_variance: dict[int, Floats]

    @classmethod
    def of(cls, model: _Level, step: Floats, *, lags: Sequence[int]) -> _Part:
        model.update(np.log(step**2))
        found: Any = model.ssm.smooth()
        level, variance = found.smoothed_state[0], found.smoothed_state_cov[0, 0]
        change, spread = {}, {}
        for lag in lags:
            apart = np.full_like(level, np.nan)
            between = np.full_like(level, np.nan)
            if len(level) > lag:
                shared = found.smoothed_state_autocovariance(lag)[0, 0]
                apart[lag:] = level[lag:] - level[:-lag]
                # The smoother gives the covariance of t and t - lag at t.
                between[lag:] = variance[lag:] + variance[:-lag] - 2 * shared[lag:]
            change[lag], spread[lag] = apart, np.maximum(between, 1e-12)
        return cls(float(found.llf_obs.sum()), level, variance, change, spread)


class _Level(MLEModel):
    """The state-space form; parameters are logs of variances."""

    def __init__(
        self, y: Floats, variance: Floats, *, slope: bool, free_noise: bool = False
    ) -> None:
        k = 2 if slope else 1
        super().__init__(y, k_states=k, k_posdef=k)
        self._known, self._free_noise = variance, free_noise
        self.ssm["design"] = np.eye(1, k)
        self.ssm["transition"] = np.array([[1.0, 1.0], [0.0, 1.0]])[:k, :k]
        self.ssm["selection"] = np.eye(k)
        # In the exact form the covariance with the first week is lost; in the plain one the
        # likelihood lacks the constant of the books.
        self.ssm.initialize(
            Initialization(k, "diffuse")
            if free_noise
            else Initialization(k, "approximate_diffuse", approximate_diffuse_variance=_WIDE)
        )
        self.ssm["obs_cov"] = variance[None, None, :]

    @property
    def param_names(self) -> list[str]:
        names = ["log noise variance"] if self._free_noise else []
        return [*names, "log step variance", "log slope variance"][: len(names) + self.k_states]

    def update(self, params: Floats, **kwargs: object) -> Floats:
        params = np.asarray(super().update(params, **kwargs))
        values = np.exp(params)
        if self._free_noise:
            self.ssm["obs_cov"] = (self._known + values[0])[None, None, :]
            values = values[1:]
        self.ssm["state_cov"] = np.diag(values)
        return params


def _steps(*, slope: bool) -> tuple[list[Floats], Floats]:
    """Return sizes of steps and the log of their half-normal weight."""
    if not slope:
        return [np.array([STEP_SCALE * part]) for part in _GRID], -(_GRID**2) / 2
    pairs = [(one, other) for one in _COARSE for other in _COARSE]
    steps = [np.array([STEP_SCALE * one, SLOPE_SCALE * other]) for one, other in pairs]
    return steps, np.array([-(one**2 + other**2) / 2 for one, other in pairs])


def _mixed(
    parts: Sequence[_Part],
    weight: Floats,
    step: Floats,
    *,
    n_weeks: int,
    lags: Sequence[int],
) -> Trend:
    """Return the mean and spread over all sizes of steps."""

    def moments(means: list[Floats], variances: list[Floats]) -> tuple[Floats, Floats]:
        mean = weight @ np.array(means)
        spread = weight @ (np.array(variances) + (np.array(means) - mean) ** 2)
        return mean, np.sqrt(spread)

    level, level_se = moments([part.level for part in parts], [part.variance for part in parts])
    rise, rise_se, rose = {}, {}, {}
    for lag in lags:
        means = [part.change[lag][:n_weeks] for part in parts]
        variances = [part.change_variance[lag][:n_weeks] for part in parts]
        rise[lag], rise_se[lag] = moments(means, variances)
        chances = norm.cdf(np.array(means) / np.sqrt(np.array(variances)))
        rose[lag] = weight @ chances
    return Trend(
        level=level,
        level_se=level_se,
        rise=rise,
        rise_se=rise_se,
        rose=rose,
        step=float(weight @ step),
        n_ahead=len(level) - n_weeks,
    )


def _require(y: Floats, variance: Floats) -> None:
    n = int(np.isfinite(y).sum())
    if n < LEAST_WEEKS:
        raise WrongUse(
            f"{n} weeks with a figure and its error; a level needs {LEAST_WEEKS} or more"
        )
    if (variance < 0).any():
        raise WrongUse("a sampling variance below 0; allowed: 0 or more")
