"""Where the likelihood of a regression of counts is highest: from several starts."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.errors import WrongUse
from analytics.models.count_laws import Family
from analytics.models.maximum import top

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.models.count_likelihood import CountLikelihood

    Floats = NDArray[np.float64]

#: Dispersions that the search starts from.
STARTS = (0.5, 0.05, 3.0)
#: Logits of the zero part that the search starts from, beside that of the share of zeros.
ZERO_STARTS = (-2.0, 0.0)
#: A dispersion under this is none: the search stops anywhere on the way to 0.
NO_DISPERSION = 1e-7


def highest(likelihood: CountLikelihood) -> tuple[CountLikelihood, Floats, tuple[str, ...]]:
    """Return the highest top; where the dispersion runs to 0, that of the Poisson law.

    Parameters
    ----------
    likelihood : CountLikelihood

    Returns
    -------
    likelihood : CountLikelihood
        The one given, or at the edge that of the law without dispersion.
    params : ndarray of float, shape (K,)
    notes : tuple of str
        What a reader must know.

    Raises
    ------
    WrongUse
        If no search arrived.
    """
    found = _tops(likelihood)
    inside = max(found, key=likelihood.value, default=None)
    if not likelihood.family.has_dispersion:
        if inside is None:
            raise _not_arrived(likelihood)
        return likelihood, inside, ()
    if inside is not None and np.exp(inside[-1]) > NO_DISPERSION:
        return likelihood, inside, ()
    sibling = Family(likelihood.family.value.replace("negative_binomial", "poisson"))
    plain = replace(likelihood, family=sibling)
    _, edge, _ = highest(plain)
    near = np.append(edge, math.log(NO_DISPERSION))
    if likelihood.value(near) > plain.value(edge) + 1e-6:
        raise _not_arrived(likelihood)
    note = (
        "counts spread no more than the Poisson law: dispersion 0, at the edge of what is allowed; "
        "errors are the Poisson law's"
    )
    return plain, edge, (note,)


def _tops(likelihood: CountLikelihood) -> list[Floats]:
    """Return the tops reached from every start; for NB2, from the best start that leads to one.

    At a fixed dispersion NB2 has a single top, so its starts differ by their dispersion alone.
    """
    starts, found = _starts(likelihood), []
    simple = likelihood.family is Family.NEGATIVE_BINOMIAL
    for start in sorted(starts, key=likelihood.value, reverse=True) if simple else starts:
        one = top(likelihood, start)
        if one is not None:
            found.append(one)
            if simple and np.exp(one[-1]) > NO_DISPERSION:
                break
    return found


def _not_arrived(likelihood: CountLikelihood) -> WrongUse:
    return WrongUse(
        f"the search for the coefficients of {likelihood.family} did not arrive: the rows say too "
        "little for these terms; name fewer terms or a simpler family, or scale numbers to a "
        "spread near 1"
    )


def _starts(likelihood: CountLikelihood) -> list[Floats]:
    """Return where the search starts: a constant rate, some dispersions and parts of zeros."""
    counts, p, q = likelihood.counts, likelihood.rows.shape[1], likelihood.zero_rows.shape[1]
    weight, exposure = counts.weight, np.exp(counts.log_exposure)
    rate = np.zeros(p)
    rate[0] = math.log((weight @ counts.y) / (weight @ exposure))
    if likelihood.family is Family.NEGATIVE_BINOMIAL:
        # The Poisson law has one top, and that of this law is near it.
        near = top(replace(likelihood, family=Family.POISSON), rate)
        rate = rate if near is None else near
    zeros = float(weight[counts.y == 0].sum() / weight.sum())
    of_zeros = math.log((zeros + 0.01) / (1.01 - zeros))
    if likelihood.family.value.startswith("hurdle"):
        of_zeros = -of_zeros
    middles = (of_zeros - 0.7, *ZERO_STARTS) if q else (0.0,)
    dispersions = STARTS if likelihood.family.has_dispersion else (None,)
    starts = []
    for middle in middles:
        for alpha in dispersions:
            zero = np.zeros(q)
            zero[:1] = middle
            parts = [rate, zero] + ([np.array([math.log(alpha)])] if alpha else [])
            starts.append(np.concatenate(parts))
    return starts if q else starts[: len(STARTS)]
