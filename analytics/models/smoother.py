"""A smooth level behind weekly log figures whose sampling errors are known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import norm
from statsmodels.tsa.statespace.initialization import Initialization
from statsmodels.tsa.statespace.mlemodel import MLEModel

from analytics.errors import UsageError

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
    UsageError
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
    UsageError
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
        raise UsageError(
            f"{n} weeks with a figure and its error; a level needs {LEAST_WEEKS} or more"
        )
    if (variance < 0).any():
        raise UsageError("a sampling variance below 0; allowed: 0 or more")


# Joint draws of a level over the weeks so far and to come, from weekly log figures with errors.

#: Standard deviation of a level, and of a slope, that nothing is known of.
WIDE = 100.0
#: Part of its slope that a level keeps from a week to the next ahead (Gardner & McKenzie 1985,
#: Forecasting trends in time series, from memory); the value is our choice, no source.
DAMPING = 0.8
#: Sizes of steps whose weight, relative to the likeliest, is under this are left out.
_NEGLIGIBLE = 1e-4
#: Least variance of a week's usual change, so that no week follows another exactly.
_LEAST = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Paths:
    """The level of T weeks so far and H ahead: a mixture of G normal vectors.

    Parameters
    ----------
    weight : ndarray of float, shape (G,)
    mean : ndarray of float, shape (G, T + H)
    cov : ndarray of float, shape (G, T + H, T + H)
    """

    weight: Floats
    mean: Floats
    cov: Floats

    def moments(self) -> tuple[Floats, Floats]:
        """Return mean and covariance over all sizes of steps, shapes (T + H,) and its square."""
        mean = self.weight @ self.mean
        off = self.mean - mean
        cov = np.einsum("g,gij->ij", self.weight, self.cov)
        return mean, cov + np.einsum("g,gi,gj->ij", self.weight, off, off)

    def draw(self, normal: Floats, rng: np.random.Generator) -> Floats:
        """Return a path for each row of standard normal numbers.

        Parameters
        ----------
        normal : ndarray of float, shape (D, T + H)
            Taken in the order of the weeks: those of a week move it and the weeks after, given all
            weeks before.
        rng : numpy.random.Generator
            Chooses the size of steps of each draw.

        Returns
        -------
        ndarray of float, shape (D, T + H)
        """
        picked = rng.choice(len(self.weight), size=len(normal), p=self.weight)
        paths = np.empty_like(normal)
        for one in np.unique(picked):
            mine = picked == one
            paths[mine] = self.mean[one] + normal[mine] @ _root(self.cov[one]).T
        return paths


def paths_of(
    y: Floats,
    variance: Floats,
    *,
    n_ahead: int,
    damping: float = DAMPING,
    usual: Floats | None = None,
    usual_se: Floats | None = None,
    slope: bool = True,
    first_slope_se: float = WIDE,
) -> Paths:
    r"""Return the level behind weekly log figures and its course ahead.

    ``m = F c + u`` with ``c`` the first level and slope and ``u`` the sums of all steps, normal
    with covariance Q; given figures with error V, ``S = Q + V``,
    ``B = (F'S^{-1}F + P^{-1})^{-1}`` and the level is normal about ``F ĉ + Q S^{-1}(y - F ĉ)`` with
    covariance
    ``Q - Q S^{-1} Q + (F - Q S^{-1} F) B (F - Q S^{-1} F)'`` (generalised least squares; Rasmussen
    & Williams 2006, Gaussian Processes for Machine Learning, section 2.7; from memory).

    Parameters
    ----------
    y : ndarray of float, shape (T,)
        Log figures, NaN where there is none.
    variance : ndarray of float, shape (T,)
        Their sampling variances; a figure without one counts as missing.
    n_ahead : int
        H.
    damping : float
        Part of its slope that the level keeps a week ahead; 1 for all of it.
    usual, usual_se : ndarray of float, shape (H,), optional
        The usual change from the last week so far to each ahead and its standard deviation, NaN
        where none is known: weighed in by precision, as a sum of weekly changes with errors of
        their own. It does not tell the size of steps.
    slope : bool
        Let the level have a slope.
    first_slope_se : float
        Standard deviation of the slope in the first week about 0.

    Returns
    -------
    Paths

    Raises
    ------
    UsageError
        If no figure has an error, or a variance is below 0.
    """
    known = np.isfinite(y) & np.isfinite(variance)
    if not known.any():
        raise UsageError("0 weeks with a figure and its error; a path needs 1 or more")
    if (variance[known] < 0).any():
        raise UsageError("a sampling variance below 0; allowed: 0 or more")
    model = _Model.of(len(y), n_ahead, damping=damping, slope=slope, first_slope_se=first_slope_se)
    steps, prior = _steps(slope=slope)
    told = _Told(np.eye(len(y) + n_ahead)[: len(y)][known], y[known], variance[known])
    log_weight = prior + _log_likelihood(model, steps, told)
    keep = log_weight > log_weight.max() + np.log(_NEGLIGIBLE)
    weight = np.exp(log_weight[keep] - log_weight.max())
    if usual is not None and usual_se is not None:
        told = told.and_usual(usual, usual_se, n_weeks=len(y))
    mean, spread = _posterior(model, steps[keep], told)
    return Paths(weight / weight.sum(), mean, spread)


@dataclass(frozen=True, slots=True, eq=False)
class _Told:
    """M linear figures of the level: `row` (M, T + H) times it, with errors."""

    row: Floats
    value: Floats
    variance: Floats

    def and_usual(self, usual: Floats, usual_se: Floats, *, n_weeks: int) -> _Told:
        """Add the usual changes, each over the week before that has one."""
        ahead = np.flatnonzero(np.isfinite(usual) & np.isfinite(usual_se))
        if not len(ahead):
            return self
        at = n_weeks + ahead
        row = np.zeros((len(at), self.row.shape[1]))
        row[np.arange(len(at)), at] = 1.0
        row[np.arange(len(at)), np.append(n_weeks - 1, at[:-1])] -= 1.0
        value = np.diff(usual[ahead], prepend=0.0)
        grown = np.maximum.accumulate(usual_se[ahead] ** 2)
        variance = np.maximum(np.diff(grown, prepend=0.0), _LEAST)
        return _Told(
            np.concatenate([self.row, row]),
            np.concatenate([self.value, value]),
            np.concatenate([self.variance, variance]),
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Model:
    """The level as sums of steps: columns of the start, and covariances of unit steps."""

    start: Floats
    start_variance: Floats
    of_level: Floats
    of_slope: Floats

    @classmethod
    def of(
        cls, n_weeks: int, n_ahead: int, *, damping: float, slope: bool, first_slope_se: float
    ) -> _Model:
        """Return the model of T weeks and H ahead, where the slope is damped."""
        n = n_weeks + n_ahead
        # Columns: first level, first slope, the n - 1 steps of the level, those of the slope.
        level, rate = np.zeros(2 * n), np.zeros(2 * n)
        level[0] = rate[1] = 1.0
        rows = [level]
        for week in range(1, n):
            if week >= n_weeks:
                rate = damping * rate
            level = level + rate
            level[1 + week] += 1.0
            rate = rate.copy()
            rate[n + week] += 1.0
            rows.append(level)
        made = np.array(rows)
        k = 2 if slope else 1
        steps, slopes = made[:, 2 : n + 1], made[:, n + 1 :]
        variance = np.array([WIDE, first_slope_se])[:k] ** 2
        return cls(made[:, :k], variance, steps @ steps.T, slopes @ slopes.T)

    def at(self, steps: Floats, row: Floats | None = None) -> Floats:
        """Return the covariance of the level, or of rows of it, by sizes of steps (G, 1 or 2)."""
        units = (self.of_level, self.of_slope)[: steps.shape[1]]
        if row is not None:
            units = tuple(row @ one @ row.T for one in units)
        return np.asarray(np.einsum("gu,uij->gij", steps**2, np.array(units)))


def _log_likelihood(model: _Model, steps: Floats, told: _Told) -> Floats:
    """Return the log likelihood of figures by sizes of steps, shape (G,)."""
    row, value = told.row, told.value
    whole = model.at(steps, row) + np.diag(told.variance)
    start = row @ model.start
    solved = np.linalg.solve(whole, _each(np.column_stack([start, value]), whole))
    of_start, weighed = solved[:, :, :-1], solved[:, :, -1]
    precision = np.swapaxes(of_start, 1, 2) @ start + np.diag(1 / model.start_variance)
    told_of_start = weighed @ start
    first = np.linalg.solve(precision, told_of_start[:, :, None])[:, :, 0]
    square = weighed @ value - (told_of_start * first).sum(axis=1)
    size = np.linalg.slogdet(whole)[1] + np.linalg.slogdet(precision)[1]
    size += np.log(model.start_variance).sum() + len(value) * np.log(2 * np.pi)
    return np.asarray(-(size + square) / 2)


def _posterior(model: _Model, steps: Floats, told: _Told) -> tuple[Floats, Floats]:
    """Return mean (G, n) and covariance (G, n, n) of the level by sizes of steps."""
    cov = model.at(steps)
    across = cov @ told.row.T
    whole = told.row @ across + np.diag(told.variance)
    start = told.row @ model.start
    solved = np.linalg.solve(
        whole, np.concatenate([np.swapaxes(across, 1, 2), _each(start, whole)], axis=2)
    )
    n = cov.shape[1]
    gain, of_start = np.swapaxes(solved[:, :, :n], 1, 2), solved[:, :, n:]
    precision = np.swapaxes(of_start, 1, 2) @ start + np.diag(1 / model.start_variance)
    spread = np.linalg.inv(precision)
    first = np.einsum("gkl,gl->gk", spread, told.value @ of_start)
    off = told.value - first @ start.T
    mean = first @ model.start.T + (gain @ off[:, :, None])[:, :, 0]
    left = model.start - gain @ start
    found = cov - gain @ np.swapaxes(across, 1, 2) + left @ spread @ np.swapaxes(left, 1, 2)
    return mean, (found + np.swapaxes(found, 1, 2)) / 2


def _each(matrix: Floats, like: Floats) -> Floats:
    return np.broadcast_to(matrix, (len(like), *matrix.shape))


def _root(cov: Floats) -> Floats:
    """Return a lower root of a covariance, a hair's breadth added where it is flat."""
    hair = 1e-12 * max(float(np.trace(cov)) / len(cov), 1.0)
    for step in range(6):
        try:
            raised = cov + hair * 10.0 ** (2 * step) * np.eye(len(cov))
            return np.asarray(np.linalg.cholesky(raised), dtype=np.float64)
        except np.linalg.LinAlgError:
            continue
    raise UsageError("figures that no course of the level can be drawn from: check their errors")
