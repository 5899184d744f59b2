"""The smooth level behind weekly log figures whose sampling errors are known, and paths of it.

The level is ``m = F c + u``: c is the first level and slope, with variance P, and u the sums of all
weekly steps, normal with covariance Q. Given figures whose errors have covariance V,
``S = Q + V``, ``B = (F'S^{-1}F + P^{-1})^{-1}``, ``c = B F'S^{-1}y``, and the level is normal about
``F c + Q S^{-1}(y - F c)`` with covariance ``Q - Q S^{-1}Q + (F - Q S^{-1}F) B (F - Q S^{-1}F)'``
(generalised least squares; Rasmussen & Williams 2006, Gaussian Processes for Machine Learning,
section 2.7; from memory). A state-space smoother gives the same week by week; here all sizes of
steps are taken at once.

The size of the steps is not fixed at its likeliest value, often 0 in short series, but summed out:
a half-normal weight times the likelihood on a grid.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr

from analytics.codes import coded
from analytics.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.arrays import Bools, Floats


#: Scale of the half-normal weight on the step of a week, log units: a level that moves by 25 % a
#: week is usual, by 75 % is not. Our choice, no source.
STEP_SCALE = 0.25
#: Scale of the half-normal weight on the step of the slope, log units a week. Our choice.
SLOPE_SCALE = 0.05
#: Points at which the weight is summed up, as parts of the scale.
_GRID = np.geomspace(0.04, 3.0, 12)
_COARSE = np.linspace(0.05, 2.5, 9)
#: Standard deviation of a level, and of a slope, of which nothing is known; a wider one would cost
#: digits.
WIDE = 100.0
#: Figures with an error that a trend needs.
LEAST_WEEKS = 3
#: Part of its slope that a level retains from a week to the next ahead (Gardner & McKenzie 1985,
#: Forecasting trends in time series, from memory); the value is our choice, no source.
DAMPING = 0.8
#: Sizes of steps whose weight, relative to the likeliest, is under this are left out of paths.
_NEGLIGIBLE = 1e-4
#: Series that are weighed at once: more would take memory and save no time.
_AT_ONCE = 16


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
    """

    level: Floats
    level_se: Floats
    rise: dict[int, Floats]
    rise_se: dict[int, Floats]
    rose: dict[int, Floats]


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
    with it ``b_{t+1} = b_t + d_t``.

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
        Weeks over which changes are taken.
    n_ahead : int
        Weeks ahead.

    Raises
    ------
    UsageError
        If fewer than three figures have an error, or a variance is below 0.
    """
    error = variance if variance.ndim > 1 else np.diag(variance)
    known = np.isfinite(y) & np.isfinite(np.diag(error))
    _require(np.diag(error)[known], least=LEAST_WEEKS)
    n_weeks = len(y)
    model = StepModel.of(n_weeks, n_ahead, slope=slope)
    steps, prior = step_sizes(slope=slope)
    observed = Observed.of(y, error, known, model)
    log_weight = prior + log_likelihood(model, steps, observed)
    weight = np.exp(log_weight - log_weight.max())
    paths = Paths(weight / weight.sum(), *posterior(model, steps, observed))
    level, level_se = paths.mixed(paths.mean, np.diagonal(paths.cov, axis1=1, axis2=2))
    rise, rise_se, rose = {}, {}, {}
    for lag in lags:
        mean, of_change = paths.change(lag, n_weeks)
        rise[lag], rise_se[lag] = paths.mixed(mean, of_change)
        rose[lag] = paths.weight @ ndtr(mean / np.sqrt(of_change))
    return Trend(level, level_se, rise, rise_se, rose)


@dataclass(frozen=True, slots=True)
class Structure:
    """How a level without a slope moves, but for the size of its steps.

    - `persistence`: part of its distance from where it began that it retains a week.
    - `noise_sd`: of a week's own departure from the level, beside the error of its figure.
    """

    persistence: float = 1.0
    noise_sd: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Paths:
    """The level of T weeks so far and H ahead: a mixture of G normal vectors, weights (G,).

    `mean` (G, T + H). `cov` (G, T + H, T + H).
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

    def mixed(self, mean: Floats, variance: Floats) -> tuple[Floats, Floats]:
        """Return mean and standard deviation over all sizes of steps, each (G, n) before."""
        average = self.weight @ mean
        return average, np.sqrt(self.weight @ (variance + (mean - average) ** 2))

    def change(self, lag: int, n_weeks: int) -> tuple[Floats, Floats]:
        """Return means and variances of the change from `lag` weeks before, shapes (G, T)."""
        now, before = np.arange(lag, n_weeks), np.arange(n_weeks - lag)
        mean = np.full((len(self.mean), n_weeks), np.nan)
        variance = np.full_like(mean, np.nan)
        mean[:, lag:] = self.mean[:, now] - self.mean[:, before]
        of_both = self.cov[:, now, now] + self.cov[:, before, before] - 2 * self.cov[:, now, before]
        variance[:, lag:] = np.maximum(of_both, 1e-12)
        return mean, variance

    def draw(self, normal: Floats, rng: np.random.Generator) -> Floats:
        """Return a path for each row of standard normal numbers, shape (D, T + H).

        They are taken in the order of the weeks: those of a week move it and the weeks after, given
        all weeks before. The generator chooses the size of steps of each draw.
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
    slope: bool = True,
    damping: float = DAMPING,
    structures: Sequence[Structure] = (Structure(),),
    log_weight: Floats | None = None,
) -> Paths:
    r"""Return the level behind weekly log figures and its course ahead.

    Parameters
    ----------
    y : ndarray of float, shape (T,)
        Log figures, NaN where there is none.
    variance : ndarray of float, shape (T,)
        Their sampling variances; a figure without one counts as missing.
    n_ahead : int
        H.
    slope : bool
        Let the level have a slope.
    damping : float
        Part of its slope that the level retains a week ahead; 1 for all of it.
    structures : sequence of Structure
        How a level without a slope may move; all are taken at once, as the sizes of steps are.
    log_weight : ndarray of float, shape (P, G), optional
        What other series say of structures and sizes of steps, as `step_log_weights` gives it.

    Raises
    ------
    UsageError
        If no figure has an error, or a variance is below 0.
    """
    known = np.isfinite(y) & np.isfinite(variance)
    _require(variance[known], least=1)
    steps, prior = step_sizes(slope=slope)
    pairs = _structured(
        y, variance, known, structures, n_ahead=n_ahead, slope=slope, damping=damping
    )
    found = prior + log_likelihoods(pairs, steps)
    if log_weight is not None:
        found = found + log_weight
    kept = found > found.max() + np.log(_NEGLIGIBLE)
    weight = np.exp(found - found.max())[kept]
    parts = [
        posterior(model, steps[mine], seen)
        for (model, seen), mine in zip(pairs, kept, strict=True)
        if mine.any()
    ]
    return Paths(
        weight / weight.sum(),
        np.concatenate([mean for mean, _ in parts]),
        np.concatenate([cov for _, cov in parts]),
    )


def step_log_weights(
    series: Sequence[tuple[Floats, Floats]], structures: Sequence[Structure]
) -> Floats:
    """Return the log likelihood of some series without a slope together, shape (P, G).

    By structure and size of steps, of which `step_sizes` has G; figures and variances as in
    `paths_of`. Series of the same length with figures in the same weeks are weighed at once.
    """
    steps, _ = step_sizes(slope=False)
    alike: dict[tuple[int, bytes], list[tuple[StepModel, Observed]]] = {}
    for y, variance in series:
        known = np.isfinite(y) & np.isfinite(variance)
        pairs = _structured(y, variance, known, structures, n_ahead=0, slope=False)
        alike.setdefault((len(y), known.tobytes()), []).extend(pairs)
    found = np.zeros((len(structures), len(steps)))
    for pairs in alike.values():
        for start in range(0, len(pairs), _AT_ONCE * len(structures)):
            some = pairs[start : start + _AT_ONCE * len(structures)]
            each = log_likelihoods(some, steps).reshape(-1, *found.shape)
            found += each.sum(axis=0)
    return found


def _structured(
    y: Floats,
    variance: Floats,
    known: Bools,
    structures: Sequence[Structure],
    *,
    n_ahead: int,
    slope: bool,
    damping: float = 1.0,
) -> list[tuple[StepModel, Observed]]:
    """Return the model and the figures of each structure."""
    found = []
    for one in structures:
        model = _step_model(len(y), n_ahead, slope, damping, one.persistence)
        error = np.diag(variance + one.noise_sd**2)
        found.append((model, Observed.of(y, error, known, model)))
    return found


@lru_cache(maxsize=256)
def _step_model(
    n_weeks: int, n_ahead: int, slope: bool, damping: float, persistence: float
) -> StepModel:
    """Return the model of a length, which many series share."""
    return StepModel.of(n_weeks, n_ahead, slope=slope, damping=damping, persistence=persistence)


def _require(variance: Floats, *, least: int) -> None:
    if len(variance) < least:
        raise UsageError(coded("few_weeks_with_error", n=len(variance), needed=least))
    if (variance < 0).any():
        raise UsageError("a sampling variance below 0; allowed: 0 or more")


def step_sizes(*, slope: bool) -> tuple[Floats, Floats]:
    """Return sizes of steps, shape (G, 1 or 2), and the log of their half-normal weight."""
    if not slope:
        # A point stands for a width in proportion to itself.
        return STEP_SCALE * _GRID[:, None], np.log(_GRID) - (_GRID**2) / 2
    one, other = (part.ravel() for part in np.meshgrid(_COARSE, _COARSE, indexing="ij"))
    return np.column_stack([STEP_SCALE * one, SLOPE_SCALE * other]), -(one**2 + other**2) / 2


@dataclass(frozen=True, slots=True, eq=False)
class Observed:
    """M linear figures of the level: `row` (M, T + H) times it; `error` (M, M) their covariance."""

    row: Floats
    value: Floats
    error: Floats

    @classmethod
    def of(cls, y: Floats, error: Floats, known: Bools, model: StepModel) -> Observed:
        """Return the known figures of some weeks."""
        rows = np.eye(len(model.start))[: len(y)][known]
        return cls(rows, y[known], error[np.ix_(known, known)])


@dataclass(frozen=True, slots=True, eq=False)
class StepModel:
    """The level as sums of steps: columns of the start, and covariances of unit steps."""

    start: Floats
    start_variance: Floats
    of_level: Floats
    of_slope: Floats

    @classmethod
    def of(
        cls,
        n_weeks: int,
        n_ahead: int,
        *,
        slope: bool,
        damping: float = 1.0,
        first_slope_se: float = WIDE,
        persistence: float = 1.0,
    ) -> StepModel:
        """Return the model of T weeks and H ahead, where the slope is damped.

        With a `persistence` p under 1 there is no slope, and the sums of steps return to the first
        level: unit steps have the covariance ``p^|t - s| / (1 - p^2)`` (autoregression of order 1).
        """
        n = n_weeks + n_ahead
        if persistence < 1:
            apart = np.abs(np.arange(n)[:, None] - np.arange(n))
            cov = persistence**apart / (1 - persistence**2)
            return cls(np.ones((n, 1)), np.array([WIDE]) ** 2, cov, np.zeros((n, n)))
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


def log_likelihood(model: StepModel, steps: Floats, observed: Observed) -> Floats:
    """Return the log likelihood of figures by sizes of steps, shape (G,)."""
    found: Floats = log_likelihoods([(model, observed)], steps)[0]
    return found


def log_likelihoods(pairs: Sequence[tuple[StepModel, Observed]], steps: Floats) -> Floats:
    """Return the log likelihood by structure and size of steps, shape (P, G).

    All are of figures in the same weeks and have the same start; figures and covariances differ.
    """
    (model, observed), *_ = pairs
    row = observed.row
    value = np.stack([seen.value for _, seen in pairs])[:, None, :]
    total = np.stack([one.at(steps, row) + seen.error for one, seen in pairs])
    start = row @ model.start
    of_value = np.broadcast_to(value[..., None], (*total.shape[:-1], 1))
    solved = np.linalg.solve(total, np.concatenate([_each(start, total), of_value], axis=-1))
    of_start, weighed = solved[..., :-1], solved[..., -1]
    precision = np.swapaxes(of_start, -1, -2) @ start + np.diag(1 / model.start_variance)
    start_score = weighed @ start
    first = np.linalg.solve(precision, start_score[..., None])[..., 0]
    square = (weighed * value).sum(axis=-1) - (start_score * first).sum(axis=-1)
    size = np.linalg.slogdet(total)[1] + np.linalg.slogdet(precision)[1]
    size += np.log(model.start_variance).sum() + len(row) * np.log(2 * np.pi)
    return np.asarray(-(size + square) / 2)


def posterior(model: StepModel, steps: Floats, observed: Observed) -> tuple[Floats, Floats]:
    """Return mean (G, n) and covariance (G, n, n) of the level by sizes of steps."""
    cov = model.at(steps)
    across = cov @ observed.row.T
    total = observed.row @ across + observed.error
    start = observed.row @ model.start
    solved = np.linalg.solve(
        total, np.concatenate([np.swapaxes(across, 1, 2), _each(start, total)], axis=2)
    )
    n = cov.shape[1]
    gain, of_start = np.swapaxes(solved[:, :, :n], 1, 2), solved[:, :, n:]
    precision = np.swapaxes(of_start, 1, 2) @ start + np.diag(1 / model.start_variance)
    start_cov = np.linalg.inv(precision)
    first = np.einsum("gkl,gl->gk", start_cov, observed.value @ of_start)
    off = observed.value - first @ start.T
    mean = first @ model.start.T + (gain @ off[:, :, None])[:, :, 0]
    left = model.start - gain @ start
    found = cov - gain @ np.swapaxes(across, 1, 2) + left @ start_cov @ np.swapaxes(left, 1, 2)
    return mean, (found + np.swapaxes(found, 1, 2)) / 2


def _each(matrix: Floats, like: Floats) -> Floats:
    """Return a matrix for each of some, by all their axes but two."""
    return np.broadcast_to(matrix, (*like.shape[:-2], *matrix.shape))


def _root(cov: Floats) -> Floats:
    """Return a lower root of a covariance, a hair's breadth added where it is flat."""
    hair = 1e-12 * max(float(np.trace(cov)) / len(cov), 1.0)
    for step in range(6):
        try:
            raised = cov + hair * 10.0 ** (2 * step) * np.eye(len(cov))
            return np.asarray(np.linalg.cholesky(raised), dtype=np.float64)
        except np.linalg.LinAlgError:
            continue
    raise UsageError(coded("no_path"))
