"""The most likely shares of groups at given spreads, and Laplace's likelihood of those spreads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.models.beta_binomial import log_likelihood, slopes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.models.beta_binomial import Tallies

#: Twice the log-likelihood that a last Newton step would still gain.
ARRIVED = 1e-12


@dataclass(frozen=True, slots=True)
class Spreads:
    """What is held fixed while the most likely shares are sought.

    Parameters
    ----------
    area, week, own : float
        Standard deviations of the effects of area, of week and of both together, on the logit
        scale; 0 leaves the effect out.
    lam : float
        Logit of the intraclass correlation; minus infinity for none.
    """

    area: float
    week: float
    own: float
    lam: float


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """G groups, each of one area and one week.

    Parameters
    ----------
    tallies : Tallies
        Fish of the groups.
    incidence : ndarray of float, shape (G, 1 + A + W)
        Intercept, areas and weeks of each group.
    n_areas : int
        A.
    """

    tallies: Tallies
    incidence: NDArray[np.float64]
    n_areas: int

    @classmethod
    def of(cls, tallies: Tallies, area: NDArray[np.int64], week: NDArray[np.int64]) -> Layout:
        """Return the layout of groups with these codes of area and week, shape (G,) each."""
        areas, area_place = np.unique(area, return_inverse=True)
        weeks, week_place = np.unique(week, return_inverse=True)
        ones = np.ones((len(area), 1))
        parts = [ones, np.eye(len(areas))[area_place], np.eye(len(weeks))[week_place]]
        return cls(tallies, np.hstack(parts), len(areas))

    def precision(self, spreads: Spreads) -> NDArray[np.float64]:
        """Return 1/sd² of intercept, areas and weeks; 0 for the intercept, huge for sd 0."""
        n_weeks = self.incidence.shape[1] - 1 - self.n_areas
        of_area, of_week = (1 / max(sd, 1e-8) ** 2 for sd in (spreads.area, spreads.week))
        return np.concatenate([[0.0], np.full(self.n_areas, of_area), np.full(n_weeks, of_week)])


@dataclass(frozen=True, slots=True, eq=False)
class Mode:
    """The most likely effects at given spreads.

    Parameters
    ----------
    common : ndarray of float, shape (1 + A + W,)
        Intercept and effects of areas and weeks.
    own : ndarray of float, shape (G,)
        Effects of the groups.
    eta : ndarray of float, shape (G,)
        Logit shares.
    log_marginal : float
        Laplace's log-likelihood of the spreads, but for a constant.
    curve : ndarray of float, shape (G,)
        Minus the second derivative of the log-likelihood in eta.
    information : ndarray of float, shape (1 + A + W, 1 + A + W)
        Of the common effects, the groups' own integrated out.
    """

    common: NDArray[np.float64]
    own: NDArray[np.float64]
    eta: NDArray[np.float64]
    log_marginal: float
    curve: NDArray[np.float64]
    information: NDArray[np.float64]


def mode_of(
    layout: Layout,
    spreads: Spreads,
    common: NDArray[np.float64],
    own: NDArray[np.float64],
) -> Mode:
    r"""Climb to the most likely effects by Newton's method.

    Maximises ``l(η) - Σu²/2σ_u² - Σv²/2σ_v² - Σd²/2σ_d²`` with ``η = b + u_a + v_w + d_aw``. The
    own effects d are solved for group by group, so that each step is of size 1 + A + W.

    Parameters
    ----------
    layout : Layout
    spreads : Spreads
    common, own : ndarray of float
        Where to start; shapes as in `Mode`.

    Returns
    -------
    Mode

    Raises
    ------
    numpy.linalg.LinAlgError
        If the top is flat.
    """
    x, d, penalty = common, own, layout.precision(spreads)
    z, tau = layout.incidence, 1 / max(spreads.own, 1e-8) ** 2
    for _ in range(100):
        at = slopes(layout.tallies, z @ x + d, spreads.lam)
        curve = np.abs(at.eta2)
        pull_x, pull_d = z.T @ at.eta - penalty * x, at.eta - tau * d
        kept = curve / (curve + tau)
        information = np.diag(penalty) + z.T @ ((kept * tau)[:, None] * z)
        pull = np.asarray(pull_x - z.T @ (kept * pull_d), dtype=np.float64)
        step_x = np.asarray(np.linalg.solve(information, pull), dtype=np.float64)
        step_d: NDArray[np.float64] = (pull_d - curve * (z @ step_x)) / (curve + tau)
        if float(pull_x @ step_x + pull_d @ step_d) < ARRIVED:
            break
        x, d = _uphill(layout, spreads, (x, d), (step_x, step_d))
    return _at_mode(layout, spreads, x, d)


def _uphill(
    layout: Layout,
    spreads: Spreads,
    place: tuple[NDArray[np.float64], NDArray[np.float64]],
    step: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the effects after a step, halved until the penalised likelihood does not fall."""
    here, size = _penalised(layout, spreads, *place), 1.0
    while size > 1e-6:
        x, d = place[0] + size * step[0], place[1] + size * step[1]
        if _penalised(layout, spreads, x, d) >= here - 1e-12 * abs(here):
            return x, d
        size /= 2
    return place


def _penalised(
    layout: Layout, spreads: Spreads, x: NDArray[np.float64], d: NDArray[np.float64]
) -> float:
    value = log_likelihood(layout.tallies, layout.incidence @ x + d, spreads.lam)
    tau = 1 / max(spreads.own, 1e-8) ** 2
    return value - 0.5 * float(layout.precision(spreads) @ x**2) - 0.5 * tau * float(d @ d)


def _at_mode(
    layout: Layout, spreads: Spreads, x: NDArray[np.float64], d: NDArray[np.float64]
) -> Mode:
    """Return the mode with ``penalised - ½ log det H + ½ Σ log τ`` and what its errors need."""
    z, penalty = layout.incidence, layout.precision(spreads)
    tau = 1 / max(spreads.own, 1e-8) ** 2
    eta = z @ x + d
    curve = -slopes(layout.tallies, eta, spreads.lam).eta2
    # At a maximum curve + tau is above 0 but for rounding.
    curve = np.maximum(curve, -0.999 * tau)
    information = np.diag(penalty) + z.T @ ((curve * tau / (curve + tau))[:, None] * z)
    root = np.linalg.cholesky(information)
    log_marginal = (
        _penalised(layout, spreads, x, d)
        - float(np.log(np.diag(root)).sum())
        - 0.5 * float(np.log1p(curve / tau).sum())
        + 0.5 * float(np.log(penalty[1:]).sum())
    )
    return Mode(x, d, eta, log_marginal, curve, information)


def covariance(layout: Layout, spreads: Spreads, mode: Mode) -> NDArray[np.float64]:
    r"""Return the covariance of the logit shares at given spreads, shape (G, G).

    ``η = T Z x + e`` with ``T = τ/(h + τ)``, ``V(x) = S⁻¹`` and ``V(e) = 1/(h + τ)``: the inverse
    of the joint information of all effects.
    """
    tau = 1 / max(spreads.own, 1e-8) ** 2
    shrunk = layout.incidence * (tau / (mode.curve + tau))[:, None]
    joint: NDArray[np.float64] = shrunk @ np.linalg.solve(mode.information, shrunk.T)
    return joint + np.diag(1 / (mode.curve + tau))
