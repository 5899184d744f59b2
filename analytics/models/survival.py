"""Share of held fish alive over time; fish that left alive count as long as they were seen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import norm
from statsmodels.duration.survfunc import SurvfuncRight

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Survival:
    """A survival curve at its E times: the start, every time of a death, and the last seen.

    Parameters
    ----------
    hours : ndarray of float, shape (E,)
    at_risk, died : ndarray of int, shape (E,)
        Fish under watch just before, and deaths then.
    alive_prop : ndarray of float, shape (E,)
    low, high : ndarray of float, shape (E,)
        NaN where the curve is 1 or 0.
    """

    hours: Floats
    at_risk: Ints
    died: Ints
    alive_prop: Floats
    low: Floats
    high: Floats


def kaplan_meier(
    hours: Floats, is_dead: NDArray[np.bool_], fish: Ints | None = None, *, level: float
) -> Survival:
    r"""Estimate the share alive over time, right-censored.

    ``S(t) = Π (1 - d/n)`` over the times of deaths up to t (Kaplan & Meier 1958, Nonparametric
    estimation from incomplete observations, J. Am. Stat. Assoc. 53), with Greenwood's variance, by
    statsmodels. The interval is symmetric for ``ln(-ln S)``: ``S^exp(±z se/(S ln S))``, which stays
    within 0 and 1 (Kalbfleisch & Prentice 1980, The statistical analysis of failure time data; from
    memory).

    Parameters
    ----------
    hours : ndarray of float, shape (n,)
        Until death, or until last seen alive; ties count the deaths first.
    is_dead : ndarray of bool, shape (n,)
    fish : ndarray of int, shape (n,), optional
        How many fish each entry stands for; one if not given.
    level : float
        Confidence level.

    Returns
    -------
    Survival

    Raises
    ------
    ValueError
        If there is no fish.
    """
    if fish is not None:  # with weights the library gives another error than fish by fish
        hours, is_dead = np.repeat(hours, fish), np.repeat(is_dead, fish)
    if not len(hours):
        raise ValueError("no fish was held; a survival curve needs one")
    curve = _events(np.asarray(hours, dtype=np.float64), np.asarray(is_dead))
    last = float(np.max(hours))
    if curve[0, -1] < last:
        n_last = float((hours >= last).sum())
        curve = np.column_stack([curve, [last, n_last, 0, *curve[3:, -1]]])
    times, at_risk, died, alive, se = curve
    low, high = _limits(alive, se, level)
    return Survival(times, at_risk.astype(np.int64), died.astype(np.int64), alive, low, high)


def _events(hours: Floats, dead: NDArray[np.bool_]) -> Floats:
    """Return times, fish at risk, deaths, share alive, Greenwood's error: the start, each death."""
    start = np.array([[0.0], [len(hours)], [0], [1], [0]])
    if not dead.any():
        return start
    found = SurvfuncRight(hours, dead.astype(int))
    columns = (
        found.surv_times,
        found.n_risk,
        found.n_events,
        found.surv_prob,
        found.surv_prob_se,
    )
    events = np.stack([np.asarray(column, dtype=np.float64) for column in columns])
    return events if events[0, 0] == 0 else np.column_stack([start, events])


def _limits(alive: Floats, se: Floats, level: float) -> tuple[Floats, Floats]:
    inner = (alive > 0) & (alive < 1)
    share = np.where(inner, alive, 0.5)
    step = norm.ppf(0.5 + level / 2) * se / (share * np.abs(np.log(share)))
    ends = share ** np.exp(step), share ** np.exp(-step)
    low, high = (np.where(inner, end, np.nan) for end in ends)
    return low, high
