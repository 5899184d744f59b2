"""Shares by area and week that borrow from each other: partial pooling of thin cells."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, logit

from analytics.models.beta_binomial import (
    log_lik_derivatives,
    log_likelihood,
    tally,
    third_derivatives,
)

if TYPE_CHECKING:
    from analytics.arrays import Floats, Ints
    from analytics.models.beta_binomial import LogLikDerivatives, Tallies


# The most likely shares of groups at given standard deviations, and Laplace's likelihood of these.

#: Twice the log-likelihood that a last Newton step would still gain.
ARRIVED = 1e-12


@dataclass(frozen=True, slots=True)
class VarianceComponents:
    """Standard deviations of logit effects of area, of week and of both together (`own`).

    0 leaves an effect out. `lam`: logit of the intraclass correlation; minus infinity for none.
    """

    area: float
    week: float
    own: float
    lam: float


@dataclass(frozen=True, slots=True, eq=False)
class CrossedDesign:
    """G groups, each of one area (of `n_areas`) and one week, with the tallies of their fish.

    `incidence` (G, 1 + A + W): intercept, areas and weeks of each group.
    """

    tallies: Tallies
    incidence: Floats
    n_areas: int

    @classmethod
    def of(cls, tallies: Tallies, area: Ints, week: Ints) -> CrossedDesign:
        """Return the layout of groups with these codes of area and week, shape (G,) each."""
        areas, area_place = np.unique(area, return_inverse=True)
        weeks, week_place = np.unique(week, return_inverse=True)
        ones = np.ones((len(area), 1))
        parts = [ones, np.eye(len(areas))[area_place], np.eye(len(weeks))[week_place]]
        return cls(tallies, np.hstack(parts), len(areas))

    def precision(self, components: VarianceComponents) -> Floats:
        """Return 1/sd² of intercept, areas and weeks; 0 for the intercept, huge for sd 0."""
        n_weeks = self.incidence.shape[1] - 1 - self.n_areas
        of_area, of_week = (1 / max(sd, 1e-8) ** 2 for sd in (components.area, components.week))
        return np.concatenate([[0.0], np.full(self.n_areas, of_area), np.full(n_weeks, of_week)])


@dataclass(frozen=True, slots=True, eq=False)
class LaplaceMode:
    """The most likely effects at given standard deviations.

    `common` (1 + A + W,): intercept and effects of areas and weeks, with their `information`, the
    groups' own effects integrated out. `own` (G,): effects of the groups. `eta` (G,): logit shares.
    `log_marginal`: Laplace's log-likelihood but for a constant. `curve` (G,): minus the second
    derivative of the log-likelihood in eta, of which `at` has all derivatives.
    """

    common: Floats
    own: Floats
    eta: Floats
    log_marginal: float
    curve: Floats
    information: Floats
    at: LogLikDerivatives


def mode_of(
    design: CrossedDesign, components: VarianceComponents, common: Floats, own: Floats
) -> LaplaceMode:
    """Climb to the most likely effects by Newton's method, from some common and own ones.

    Maximises ``l(η) - Σu²/2σ_u² - Σv²/2σ_v² - Σd²/2σ_d²`` with ``η = b + u_a + v_w + d_aw``. The
    own effects d are solved for group by group, so that each step is of size 1 + A + W. Raises
    `numpy.linalg.LinAlgError` if the top is flat.
    """
    x, d, penalty = common, own, design.precision(components)
    z, tau = design.incidence, 1 / max(components.own, 1e-8) ** 2
    here = None
    for _ in range(100):
        at = log_lik_derivatives(design.tallies, z @ x + d, components.lam)
        curve = np.abs(at.eta2)
        pull_x, pull_d = z.T @ at.eta - penalty * x, at.eta - tau * d
        retained = curve / (curve + tau)
        information = np.diag(penalty) + z.T @ ((retained * tau)[:, None] * z)
        pull = np.asarray(pull_x - z.T @ (retained * pull_d), dtype=np.float64)
        step_x = np.asarray(np.linalg.solve(information, pull), dtype=np.float64)
        step_d: Floats = (pull_d - curve * (z @ step_x)) / (curve + tau)
        if float(pull_x @ step_x + pull_d @ step_d) < ARRIVED:
            break
        here = _penalised(design, components, x, d) if here is None else here
        (x, d), here = _uphill(design, components, (x, d), (step_x, step_d), here=here)
    return _at_mode(design, components, x, d)


def _uphill(
    design: CrossedDesign,
    components: VarianceComponents,
    place: tuple[Floats, Floats],
    step: tuple[Floats, Floats],
    *,
    here: float,
) -> tuple[tuple[Floats, Floats], float]:
    """Return the effects after a step, halved until the penalised likelihood does not fall.

    With it, which is `here` before the step.
    """
    size = 1.0
    while size > 1e-6:
        x, d = place[0] + size * step[0], place[1] + size * step[1]
        there = _penalised(design, components, x, d)
        if there >= here - 1e-12 * abs(here):
            return (x, d), there
        size /= 2
    return place, here


def _penalised(
    design: CrossedDesign, components: VarianceComponents, x: Floats, d: Floats
) -> float:
    value = log_likelihood(design.tallies, design.incidence @ x + d, components.lam)
    tau = 1 / max(components.own, 1e-8) ** 2
    return value - 0.5 * float(design.precision(components) @ x**2) - 0.5 * tau * float(d @ d)


def _at_mode(
    design: CrossedDesign, components: VarianceComponents, x: Floats, d: Floats
) -> LaplaceMode:
    """Return the mode with ``penalised - ½ log det H + ½ Σ log τ`` and what its errors need."""
    z, penalty = design.incidence, design.precision(components)
    tau = 1 / max(components.own, 1e-8) ** 2
    eta = z @ x + d
    at = log_lik_derivatives(design.tallies, eta, components.lam)
    curve = -at.eta2
    # At a maximum curve + tau is above 0 but for rounding.
    curve = np.maximum(curve, -0.999 * tau)
    information = np.diag(penalty) + z.T @ ((curve * tau / (curve + tau))[:, None] * z)
    root = np.linalg.cholesky(information)
    log_marginal = (
        _penalised(design, components, x, d)
        - float(np.log(np.diag(root)).sum())
        - 0.5 * float(np.log1p(curve / tau).sum())
        + 0.5 * float(np.log(penalty[1:]).sum())
    )
    return LaplaceMode(x, d, eta, log_marginal, curve, information, at)


def covariance(design: CrossedDesign, components: VarianceComponents, mode: LaplaceMode) -> Floats:
    """Return the covariance (G, G) of the logit shares at given standard deviations.

    ``η = T Z x + e`` with ``T = τ/(h + τ)``, ``V(x) = S⁻¹`` and ``V(e) = 1/(h + τ)``: the inverse
    of the joint information of all effects.
    """
    tau = 1 / max(components.own, 1e-8) ** 2
    shrunk = design.incidence * (tau / (mode.curve + tau))[:, None]
    joint: Floats = shrunk @ np.linalg.solve(mode.information, shrunk.T)
    return joint + np.diag(1 / (mode.curve + tau))


def marginal_slopes(
    design: CrossedDesign, components: VarianceComponents, mode: LaplaceMode
) -> dict[str, float]:
    """Return the derivatives of `log_marginal` in log sd of area, week and own, and in `lam`.

    Effects β at their top move by ``dβ = H⁻¹ (∂/∂ψ of the score)``, so that with ``v = diag(Z H⁻¹
    Z')`` it is the derivative at fixed β plus ``½ Σ v (l‴ dη/dψ)``. The own effects are solved for
    group by group, as in `mode_of`.
    """
    z, h = design.incidence, mode.curve
    penalty, tau = design.precision(components), 1 / max(components.own, 1e-8) ** 2
    kept, own_part = tau / (h + tau), h / (h + tau)
    inverse = np.linalg.inv(mode.information)
    common_variance = ((z @ inverse) * z).sum(axis=1)
    own_variance = 1 / (h + tau) + own_part**2 * common_variance
    variance = 1 / (h + tau) + kept**2 * common_variance
    by_eta, by_lam = third_derivatives(design.tallies, mode.eta, components.lam)
    pull = 0.5 * variance * by_eta
    of_common = inverse @ (z.T @ (kept * pull))
    of_own = pull / (h + tau) - own_part * (z @ of_common)

    def spread(prior: Floats, effect: Floats, of_effect: Floats, error: Floats) -> float:
        terms = prior * (effect**2 + error + 2 * of_effect * effect) - 1
        return float(terms.sum())

    error, edge = np.diag(inverse), 1 + design.n_areas
    common = {"area": slice(1, edge), "week": slice(edge, None)}
    slopes = {
        name: spread(penalty[at], mode.common[at], of_common[at], error[at])
        for name, at in common.items()
    }
    slopes["own"] = spread(np.full(len(h), tau), mode.own, of_own, own_variance)
    moved = float((z @ of_common + of_own) @ mode.at.eta_lam)
    slopes["lam"] = mode.at.lam + moved + 0.5 * float(variance @ by_lam)
    return slopes


#: Bounds of standard deviations on the logit scale, and of the intraclass correlation.
SPREAD_BOUNDS = (0.01, 5.0)
RHO_BOUNDS = (1e-6, 0.99)
#: Standard deviation and intraclass correlation from which a search starts, the last at its edge.
STARTS = ((0.3, 0.05), (0.3, 0.003), (0.1, 0.3), (1.0, 0.01), (0.3, RHO_BOUNDS[0]))
#: An intraclass correlation under this is none: the search stops anywhere on the way to 0.
NO_RHO = 1e-5
#: Step of the differences that say how well the standard deviations are known.
STEP = 0.02
#: Logarithms of standard deviations known less well than this standard deviation count as known so
#: well: further out the quadratic form no longer approximates their likelihood.
WIDEST = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class PooledShares:
    """Shares of G groups of one area and week each.

    Parameters
    ----------
    logit : ndarray of float, shape (G,)
        Logit shares.
    cov : ndarray of float, shape (G, G)
        Their covariance, with the error of the standard deviations.
    components : VarianceComponents
        Standard deviations between areas, between weeks and of both together; logit of the
        intraclass correlation. 0, and minus infinity, where one was left out or is at its bound.
    rho : float
        Intraclass correlation of the fish of a cell; NaN where no cell has two fish.
    n_cells : int
        Cells with fish.
    n_parameters : int
        Intercept, standard deviations and intraclass correlation.
    """

    logit: Floats
    cov: Floats
    components: VarianceComponents
    rho: float
    n_cells: int
    n_parameters: int

    @property
    def share(self) -> Floats:
        """Shares, shape (G,)."""
        return np.asarray(expit(self.logit), dtype=np.float64)

    @property
    def se(self) -> Floats:
        """Their standard errors by the delta method, ``p(1-p)`` times that of the logit."""
        width = self.share * (1 - self.share)
        return np.asarray(width * np.sqrt(np.diag(self.cov)), dtype=np.float64)

    @property
    def df(self) -> int:
        """Cells with fish less parameters, at least 0."""
        return max(self.n_cells - self.n_parameters, 0)

    def mean(self, weight: Floats, weight_variance: Floats) -> tuple[float, float]:
        """Return the weighted mean ``Σ w p / Σ w`` of the shares and its standard error.

        By the delta method: ``v = g' C g + Σ ((p - mean)/W)² v(w)`` with ``g = w p (1-p)/W`` and
        ``W = Σ w``, the weights (G,), not all 0, independent of each other and of the shares.
        """
        part, p = weight / weight.sum(), self.share
        value = float(part @ p)
        gradient = part * p * (1 - p)
        of_weights = ((p - value) / weight.sum()) ** 2 @ weight_variance
        return value, float(np.sqrt(gradient @ self.cov @ gradient + of_weights))


def pool_shares(
    successes: Ints, trials: Ints, group: Ints, *, area: Ints, week: Ints
) -> PooledShares:
    r"""Estimate the shares of groups by a beta-binomial model with partial pooling.

    Cell i of group g has ``s_i ~ BetaBinomial(m_i, μ_g, ρ)`` and
    ``logit μ_g = b + u_area + v_week + d_g`` with normal u, v, d of mean 0. Their standard
    deviations and ρ maximise Laplace's approximation to the likelihood with b, u, v and d
    integrated out (Tierney & Kadane 1986, Accurate approximations for posterior moments and
    marginal densities, J. Am. Stat. Assoc. 81; from memory), times ``σ exp(-σ)`` for each standard
    deviation, which keeps one that few areas or weeks inform away from 0 (after Chung et al. 2013,
    A nondegenerate penalized likelihood estimator for variance parameters in multilevel models,
    Psychometrika 78; from memory). An effect of a single level is left out, and then d too. The
    covariance is the inverse joint information at the top plus ``J V J'``, J the change of the
    logit shares with the standard deviations and V the covariance of those (Kass & Steffey 1989,
    Approximate Bayesian inference in conditionally independent hierarchical models, J. Am. Stat.
    Assoc. 84; from memory).

    Parameters
    ----------
    successes, trials : ndarray of int, shape (N,)
        Counts of cells, such as the fish of a site-day.
    group : ndarray of int, shape (N,)
        Place of each cell's group.
    area, week : ndarray of int, shape (G,)
        Codes of the groups requested; a group without cells is predicted.

    Raises
    ------
    ValueError
        If there is no trial, or only successes or only failures.
    """
    has_trials = trials > 0
    if not 0 < successes.sum() < trials.sum():
        raise ValueError(
            f"{successes.sum()} successes of {trials.sum()} trials; a share is pooled where both "
            "successes and failures were seen"
        )
    tallies = tally(successes[has_trials], trials[has_trials], group[has_trials], len(area))
    seen = np.unique(group[has_trials])
    search = _Search.of(
        CrossedDesign.of(tallies, area, week), area[seen], week[seen], trials, successes
    )
    best = search.best()
    components, mode = search.components(best), search.mode(best)
    cov = covariance(search.design, components, mode) + search.from_components(best)
    has_rho = search.names[-1:] == ("lam",)
    if has_rho and best[-1] < logit(NO_RHO):
        components = replace(components, lam=-np.inf)
    return PooledShares(
        logit=mode.eta,
        cov=cov,
        components=components,
        rho=float(expit(components.lam)) if has_rho else np.nan,
        n_cells=int(has_trials.sum()),
        n_parameters=1 + len(search.names),
    )


@dataclass(slots=True, eq=False)
class _Search:
    """The search for the standard deviations; the next top is sought from the last one."""

    design: CrossedDesign
    names: tuple[str, ...]
    last: tuple[Floats, Floats]

    @classmethod
    def of(
        cls, design: CrossedDesign, area: Ints, week: Ints, trials: Ints, successes: Ints
    ) -> _Search:
        several = (len(np.unique(area)) > 1, len(np.unique(week)) > 1)
        has = {"area": several[0], "week": several[1], "own": all(several)}
        names = (*(name for name, is_so in has.items() if is_so),)
        if trials.max() > 1:
            names = (*names, "lam")
        n_groups, n_common = design.incidence.shape
        common = np.zeros(n_common)
        common[0] = logit(successes.sum() / trials.sum())
        return cls(design, names, (common, np.zeros(n_groups)))

    def components(self, at: Floats) -> VarianceComponents:
        given = {
            name: float(value) if name == "lam" else float(np.exp(value))
            for name, value in zip(self.names, at, strict=True)
        }
        none = {"area": 0.0, "week": 0.0, "own": 0.0, "lam": -np.inf}
        return VarianceComponents(**(none | given))

    def mode(self, at: Floats) -> LaplaceMode:
        mode = mode_of(self.design, self.components(at), *self.last)
        self.last = mode.common, mode.own
        return mode

    def cost(self, at: Floats) -> tuple[float, Floats]:
        """Return minus the penalised log-likelihood of the standard deviations, and its slopes."""
        try:
            mode = self.mode(at)
        except np.linalg.LinAlgError:
            return 1e10, np.zeros(len(at))
        is_log = np.array([name != "lam" for name in self.names])
        sds = np.exp(at[is_log])
        slopes = marginal_slopes(self.design, self.components(at), mode)
        by = np.array([slopes[name] for name in self.names])
        by[is_log] += 1 - sds
        return -mode.log_marginal - float((at[is_log] - sds).sum()), -by

    def bounds(self) -> list[tuple[float, float]]:
        low, high = np.log(SPREAD_BOUNDS)
        of_rho = (float(logit(RHO_BOUNDS[0])), float(logit(RHO_BOUNDS[1])))
        return [of_rho if name == "lam" else (low, high) for name in self.names]

    def best(self) -> Floats:
        """Return the logarithms of the standard deviations, and logit ρ, that cost least.

        The correlation has a top at 0 beside that within, so that the search starts from several.
        """
        from scipy.optimize import minimize  # noqa: PLC0415

        if not self.names:
            return np.zeros(0)
        first, found = self.last, []
        for sd, rho in STARTS:
            self.last = first
            start = [logit(rho) if name == "lam" else np.log(sd) for name in self.names]
            options = {"gtol": 1e-6, "ftol": 1e-13, "maxiter": 300}
            found.append(
                minimize(  # type: ignore[call-overload]
                    self.cost,
                    np.array(start),
                    jac=True,
                    method="L-BFGS-B",
                    bounds=self.bounds(),
                    options=options,
                )
            )
        return np.asarray(min(found, key=lambda one: float(one.fun)).x, dtype=np.float64)

    def from_components(self, best: Floats) -> Floats:
        """Return what the error of the standard deviations adds to the covariance, shape (G, G)."""
        free = [
            place
            for place, (low, high) in enumerate(self.bounds())
            if low + 2 * STEP < best[place] < high - 2 * STEP
        ]
        n_groups = len(self.design.incidence)
        if not free:
            return np.zeros((n_groups, n_groups))
        steps = STEP * np.eye(len(best))[free]
        change = [(self.mode(best + s).eta - self.mode(best - s).eta) / (2 * STEP) for s in steps]
        bend = [self.cost(best + s)[1] - self.cost(best - s)[1] for s in steps]
        curve = np.array(bend)[:, free] / (2 * STEP)
        values, vectors = np.linalg.eigh((curve + curve.T) / 2)
        of_logs = (vectors / np.maximum(values, WIDEST**-2)) @ vectors.T
        by_log = np.array(change)
        added: Floats = by_log.T @ of_logs @ by_log
        return added
