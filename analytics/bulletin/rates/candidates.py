"""Candidate regressions of a response side by side, and the rule by which one is chosen."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from analytics.bulletin.rates.fitted import CLUSTER, EXPOSURE, TRIALS, base_terms, varies
from analytics.errors import WrongUse
from analytics.models.climb import climb, coded
from analytics.models.count_laws import Family
from analytics.models.count_likelihood import CountLikelihood
from analytics.models.share_climb import climb_shares, log_chances

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.bulletin.rates.fitted import Fitted
    from analytics.models.climb import Coded
    from analytics.models.counts import CountFit
    from analytics.models.share_climb import ShareClimb

#: Last weeks that are held out, one after the other.
HELD_OUT_WEEKS = 4
#: Differences of BIC under which neither model is better (Kass & Raftery 1995, Bayes factors, J.
#: Am. Stat. Assoc. 90; from memory); the held-out score decides between them.
SAME_BIC = 2.0
BETA_BINOMIAL, BINOMIAL = "beta_binomial", "binomial"
#: Candidates that are shown and never chosen: at one day length for all weeks, the levels of weeks
#: would lose the season itself.
KEPT_OUT = ("with daylight",)
_WITH_THE_WEEK = "day length goes with the week: tried, and kept out of the index"
RULE = "lowest BIC of those with a held-out score; within 2 of it, the best held-out score"


@dataclass(frozen=True, slots=True)
class Candidate:
    """A regression to try: the terms and the law; a zero part has its constant alone."""

    terms: tuple[str, ...]
    family: str


@dataclass(frozen=True, slots=True, eq=False)
class Tried:
    """One candidate and how it did.

    Parameters
    ----------
    name : str
    candidate : Candidate
    fit : CountFit or ShareClimb or None
        None where it was refused.
    held_out_rows : int
    held_out_score : float
        Mean log chance of a held-out trip; NaN where it cannot be had.
    reason : str
        Why there is no fit or no score.
    """

    name: str
    candidate: Candidate
    fit: CountFit | ShareClimb | None
    held_out_rows: int
    held_out_score: float
    reason: str

    @property
    def n_parameters(self) -> int | None:
        """Parameters of the fit, its dispersion among them."""
        if self.fit is None:
            return None
        family = self.candidate.family
        is_wide = family == BETA_BINOMIAL or (family != BINOMIAL and Family(family).has_dispersion)
        return len(self.fit.coefficients) + is_wide


def candidates_of(data: Fitted) -> dict[str, Candidate]:
    """Return the candidates of a response by name."""
    terms, frame = base_terms(data.frame), data.frame
    more = {
        "with site": "site",
        "with daylight": "daylight_hours",
        "with moon": "moon",
        "with tide": "tide_range_m",
    }
    added = {
        words: Candidate((*terms, column), "")
        for words, column in more.items()
        if varies(frame, column)
    }
    step = tuple(term for term in terms if not term.startswith("area:"))
    if "area" in terms and len(step) > 1:
        added["areas in step"] = Candidate(step, "")
        added["slope of areas"] = Candidate((*step, "area:week_number"), "")
    usual = BETA_BINOMIAL if data.is_share else Family.NEGATIVE_BINOMIAL
    others = {"binomial": BINOMIAL}
    if not data.is_share:
        others = {
            "poisson": Family.POISSON,
            "zero-inflated": Family.ZERO_INFLATED_NEGATIVE_BINOMIAL,
            "hurdle": Family.HURDLE_NEGATIVE_BINOMIAL,
        }
    named = {"usual": Candidate(terms, usual)}
    named |= {words: Candidate(terms, family) for words, family in others.items()}
    return named | {words: Candidate(one.terms, usual) for words, one in added.items()}


def tried(data: Fitted) -> list[Tried]:
    """Fit every candidate to all trips and, for its score, without each of the last weeks.

    AIC and BIC are of all trips. The held-out score is the mean log chance of a trip of one of the
    last weeks by the fit to all weeks before it (Gneiting & Raftery 2007, Strictly proper scoring
    rules, prediction, and estimation, J. Am. Stat. Assoc. 102; from memory): rolling, so that no
    fit has seen what it is asked; never a p-value.

    Parameters
    ----------
    data : Fitted

    Returns
    -------
    list of Tried
    """
    do = _try_share if data.is_share else _try_counts
    found = [do(data, name, one) for name, one in candidates_of(data).items()]
    return [
        replace(one, reason=one.reason or _WITH_THE_WEEK) if one.name in KEPT_OUT else one
        for one in found
    ]


def chosen(found: Sequence[Tried]) -> Tried | None:
    """Return the candidate that `RULE` chooses; without any score, that of the lowest BIC."""
    fits = [one for one in found if one.fit is not None and one.name not in KEPT_OUT]
    scored = [one for one in fits if math.isfinite(one.held_out_score)] or fits
    if not scored:
        return None
    lowest = min(_bic(one) for one in scored)
    near = [one for one in scored if _bic(one) <= lowest + SAME_BIC]
    return max(near, key=lambda one: (one.held_out_score, -_bic(one)))


def _bic(one: Tried) -> float:
    return math.inf if one.fit is None else one.fit.bic


def _try_counts(data: Fitted, name: str, one: Candidate) -> Tried:
    try:
        rows = coded(
            data.frame,
            response=data.response,
            exposure=EXPOSURE,
            terms=[*one.terms, "week_number"],
            cluster=CLUSTER,
        )
        fit = climb(rows, one.terms, family=one.family)
    except WrongUse as error:
        return Tried(name, one, None, 0, math.nan, str(error))
    try:
        values, weights = _held_counts(rows, one)
    except WrongUse as error:
        return Tried(name, one, fit, 0, math.nan, f"no held-out score: {error}")
    return Tried(name, one, fit, int(weights.sum()), float(np.average(values, weights=weights)), "")


def _held_counts(rows: Coded, one: Candidate) -> tuple[np.ndarray, np.ndarray]:
    """Return log chances of held-out rows by the fit to all weeks before, with their weights."""
    week = rows.groups["week_number"].to_numpy()
    values, weights = [], []
    for at in _held_weeks(week):
        past, now = rows.only(week < at), rows.only(week == at)
        fit = climb(past, one.terms, family=one.family, leave_out=True)
        x = fit.coding.matrix(now.groups)
        zero = np.ones((len(x), 1 if fit.family.has_zero_part else 0))
        law = CountLikelihood(fit.family, now.counts, x, zero)
        values.append(law.slopes(fit.parameters).value)
        weights.append(now.counts.weight)
    return np.concatenate(values), np.concatenate(weights)


def _try_share(data: Fitted, name: str, one: Candidate) -> Tried:
    fit_to = partial(
        climb_shares,
        successes=data.response,
        trials=TRIALS,
        terms=one.terms,
        is_binomial=one.family == BINOMIAL,
    )
    frame, week = data.frame, data.frame["week_number"].to_numpy()
    try:
        fit = fit_to(frame)
    except WrongUse as error:
        return Tried(name, one, None, 0, math.nan, str(error))
    try:
        values = []
        for at in _held_weeks(week):
            past, now = frame[week < at], frame[week == at]
            before = fit_to(past, leave_out=True)
            values.append(log_chances(before, now, successes=data.response, trials=TRIALS))
    except WrongUse as error:
        return Tried(name, one, fit, 0, math.nan, f"no held-out score: {error}")
    scores = np.concatenate(values)
    return Tried(name, one, fit, len(scores), float(scores.mean()), "")


def _held_weeks(week: np.ndarray) -> np.ndarray:
    """Return the weeks to hold out: the last ones, with three or more before the first.

    Raises
    ------
    WrongUse
        If there are too few weeks.
    """
    told = np.unique(week)
    if len(told) < HELD_OUT_WEEKS + 3:
        raise WrongUse(f"{len(told)} weeks with trips; {HELD_OUT_WEEKS + 3} are needed")
    return np.asarray(told[-HELD_OUT_WEEKS:])
