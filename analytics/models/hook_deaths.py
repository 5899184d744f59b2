"""A logistic model of the death of held fish by where the hook held and by length."""

from __future__ import annotations

import warnings
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import norm
from statsmodels.discrete.discrete_model import Logit
from statsmodels.tools.sm_exceptions import ModelWarning, PerfectSeparationError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Fewer deaths, or survivors, tell nothing of what they depend on (our choice, no source).
FEWEST = 5
#: Deaths a coefficient from which its error can be trusted.
_DEATHS_A_TERM = 10
#: A fitted chance of death this near to 0 or 1 comes from coefficients without a bound.
_CERTAIN = 1e-6
LENGTH_TERM = "total_length_100mm"


@dataclass(frozen=True, slots=True)
class Term:
    """One coefficient on the logit scale, and its odds ratio with limits."""

    term: str
    estimate: float
    se: float
    odds_ratio: float
    ci_low: float
    ci_high: float


@dataclass(frozen=True, slots=True)
class HookDeaths:
    """The model, or why there is none.

    Parameters
    ----------
    terms : tuple of Term
        Intercept, each group against `base`, and 100 mm of length; empty without a model.
    base : str
        The group that the others are compared with: the one of most fish.
    n, died : int
        Fish in the model, and deaths among them.
    log_likelihood : float or None
    notes : tuple of str
        What was assumed or left out.
    reason : str
        Why there is no model; empty where there is one.
    """

    terms: tuple[Term, ...]
    base: str
    n: int
    died: int
    log_likelihood: float | None = None
    notes: tuple[str, ...] = ()
    reason: str = ""


def hook_deaths(
    died: NDArray[np.bool_], group: Sequence[str], length_mm: Floats, *, level: float
) -> HookDeaths:
    r"""Fit ``logit P(death) = b₀ + b_group + b_L L/100 mm`` by maximum likelihood (statsmodels).

    Parameters
    ----------
    died : ndarray of bool, shape (n,)
    group : sequence of str, length n
        Where the hook held.
    length_mm : ndarray of float, shape (n,)
        Total length; NaN where it was not measured. Such fish are left out, or the length where no
        fish was measured.
    level : float
        Confidence level of the odds ratios.

    Returns
    -------
    HookDeaths
        Without terms, but with a reason, where deaths or survivors are too few, all fish are of one
        group, or a group or a length sets the dead apart from the living.
    """
    names = np.asarray(group, dtype=object)
    measured = np.isfinite(length_mm)
    notes: list[str] = []
    if not measured.any():
        notes.append("no fish was measured: length left out")
    elif not measured.all():
        notes.append(f"{int((~measured).sum())} fish without a length left out")
        died, names, length_mm = died[measured], names[measured], length_mm[measured]
    has_length = bool(measured.any()) and len(set(length_mm.tolist())) > 1
    if measured.any() and not has_length:
        notes.append("all fish of one length: length left out")
    sizes = Counter(names.tolist())
    base = min(sizes, key=lambda name: (-sizes[name], name)) if sizes else ""
    others = sorted(set(sizes) - {base})
    n_dead, n_terms = int(died.sum()), 1 + len(others) + has_length
    none = HookDeaths((), base, len(died), n_dead, notes=tuple(notes))
    reason = _refused(died, names, n_terms)
    if reason:
        return _without(none, reason)
    if n_dead < _DEATHS_A_TERM * n_terms:
        notes.append(
            f"{n_dead} deaths for {n_terms} coefficients: under {_DEATHS_A_TERM} each, take the "
            "odds ratios as rough (Peduzzi et al. 1996, A simulation study of the number of events "
            "per variable in logistic regression analysis, J. Clin. Epidemiol. 49; from memory)"
        )
    columns = [np.ones(len(died)), *((names == one).astype(float) for one in others)]
    if has_length:
        columns.append(length_mm / 100)
    terms = ["intercept", *(f"group {one}" for one in others), *[LENGTH_TERM] * has_length]
    return _fitted(none, np.stack(columns, axis=1), died, terms, notes=notes, level=level)


def _refused(died: NDArray[np.bool_], names: NDArray[np.object_], n_terms: int) -> str:
    """Return why no model can be fitted, empty where one may."""
    n_dead, n_alive = int(died.sum()), int((~died).sum())
    if min(n_dead, n_alive) < max(FEWEST, n_terms):
        return (
            f"{n_dead} of {len(died)} fish died; a model of {n_terms} coefficient"
            f"{'s' * (n_terms != 1)} needs at least "
            f"{max(FEWEST, n_terms)} deaths and as many survivors"
        )
    found = sorted(set(names.tolist()))
    if len(found) < 2:
        return f"all fish are of one group ({found[0]}); a model by group needs two or more"
    sure = [name for name in found if len(set(died[names == name].tolist())) == 1]
    if sure:
        return (
            f"none or all died in {', '.join(sure)}: its coefficient has no bound; put such a "
            "group together with another"
        )
    return ""


def _fitted(
    none: HookDeaths,
    design: Floats,
    died: NDArray[np.bool_],
    terms: list[str],
    *,
    notes: list[str],
    level: float,
) -> HookDeaths:
    apart = "length and group together set the dead apart from the living: no bounded coefficients"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ModelWarning)
        warnings.simplefilter("ignore", RuntimeWarning)
        try:
            fit = Logit(died.astype(float), design).fit(disp=0, method="newton", maxiter=100)
        except (PerfectSeparationError, np.linalg.LinAlgError):
            return _without(none, apart)
    chance = fit.predict()
    is_apart = bool((np.abs(chance - died) < _CERTAIN).mean() > 0.5)
    if not fit.mle_retvals["converged"] or is_apart or not np.isfinite(fit.bse).all():
        return _without(none, apart)
    z = float(norm.ppf(0.5 + level / 2))
    made = tuple(
        Term(name, float(b), float(se), *(float(np.exp(b + k * z * se)) for k in (0, -1, 1)))
        for name, b, se in zip(terms, fit.params, fit.bse, strict=True)
    )
    return HookDeaths(made, none.base, none.n, none.died, float(fit.llf), tuple(notes))


def _without(none: HookDeaths, reason: str) -> HookDeaths:
    return HookDeaths((), none.base, none.n, none.died, notes=none.notes, reason=reason)
