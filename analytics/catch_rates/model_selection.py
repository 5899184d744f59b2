"""Candidate regressions of a response side by side, and the rule by which one is chosen.

Candidates differ in what the index takes over: the family, and the terms beside areas and weeks. A
smooth of the week stands in for the level of each week, which no fit could carry to a week ahead.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analytics.catch_rates.trips import (
    CLUSTER,
    EXPOSURE,
    FACTORS,
    TRIALS,
    base_terms,
    terms_over,
    varies,
)
from analytics.codes import coded, error_code, join_codes
from analytics.data.kept import MakesOnce
from analytics.errors import UsageError
from analytics.models import CountLikelihood, Family, coded_rows, fit_warm_start
from analytics.models.cell_levels import BETA_BINOMIAL, BINOMIAL
from analytics.models.share_regression import fit_shares_warm, log_chances

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.arrays import Floats
    from analytics.catch_rates.trips import ResponseTrips
    from analytics.models import Coded, CountFit
    from analytics.models.share_regression import ShareFit


# Fits of candidates to all weeks of a season and to those before each held-out one.

Terms = tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class CountTrials:
    """Regressions of counts, each started from what was fitted before.

    Rows are kept for the terms of the moment alone: candidates of the same terms come together.
    """

    data: ResponseTrips
    _rows: dict[Terms, Coded] = field(default_factory=dict, init=False)
    _windows: dict[tuple[Terms, float, bool], tuple[Coded, Terms]] = field(
        default_factory=dict, init=False
    )
    _fits: dict[tuple[Terms, str, float | None], CountFit | UsageError] = field(
        default_factory=dict, init=False
    )

    def fit(self, terms: Terms, family: str) -> CountFit:
        """Return the fit of some terms and family to all weeks."""
        return self._fit(terms, Family(family), None)

    def held_out(self, terms: Terms, family: str, at: float) -> Floats:
        """Return the log chance of every trip of a week by the fit to all weeks before it."""
        rows = self._coded(terms)
        is_now = (rows.groups["week_number"] == at).to_numpy()
        now, _ = self._window(terms, at, is_past=False)
        fit = self._fit(terms, Family(family), at)
        x = now.matrix(fit.coding)
        zero = np.ones((len(x), 1 if fit.family.has_zero_part else 0))
        likelihood = CountLikelihood(fit.family, now.counts, x, zero)
        value = np.full(len(rows.counts.y), np.nan)
        value[is_now[rows.counts.group]] = likelihood.slopes(fit.parameters).value
        return np.asarray(value[rows.place][is_now[rows.counts.group[rows.place]]])

    def _coded(self, terms: Terms) -> Coded:
        if terms not in self._rows:
            self._rows.clear()
            self._windows.clear()
            self._rows[terms] = coded_rows(
                self.data.frame,
                response=self.data.response,
                exposure=EXPOSURE,
                terms=[*terms, "week_number"],
                cluster=CLUSTER,
            )
        return self._rows[terms]

    def _fit(self, terms: Terms, family: Family, before: float | None) -> CountFit:
        key = (terms, str(family), before)
        if key not in self._fits:
            try:
                self._fits[key] = self._climbed(terms, family, before)
            except UsageError as error:
                self._fits[key] = error
        found = self._fits[key]
        if isinstance(found, UsageError):
            raise found
        return found

    def _climbed(self, terms: Terms, family: Family, before: float | None) -> CountFit:
        rows, chosen_terms = self._coded(terms), terms
        if before is not None:
            rows, chosen_terms = self._window(terms, before, is_past=True)
        go = partial(fit_warm_start, rows, chosen_terms, family=family, leave_out=True)
        if family.has_zero_part:
            return go(start=self._fit(terms, Family.NEGATIVE_BINOMIAL, before))
        if not family.has_dispersion:
            return go()
        if (near := self._nearest(before)) is not None:
            try:
                return go(start=near)
            except UsageError:
                pass
        return go(start=self._fit(terms, Family.POISSON, before))

    def _window(self, terms: Terms, at: float, *, is_past: bool) -> tuple[Coded, Terms]:
        """Return the rows of a week, or those of all weeks before it, and the terms they bear."""
        key = (terms, at, is_past)
        if key not in self._windows:
            rows = self._coded(terms)
            week = rows.groups["week_number"].to_numpy()
            some = rows.only(week < at if is_past else week == at)
            self._windows[key] = some, terms_over(terms, some.groups) if is_past else terms
        return self._windows[key]

    def _nearest(self, before: float | None) -> CountFit | None:
        """Return a negative binomial fit of other terms to the same weeks."""
        for (_, family, week), fit in self._fits.items():
            if family == Family.NEGATIVE_BINOMIAL and week == before:
                return None if isinstance(fit, UsageError) or not fit.dispersion > 0 else fit
        return None


@dataclass(frozen=True, slots=True, eq=False)
class ShareTrials(MakesOnce):
    """Regressions of shares; trips of the weeks held out, and before them, are found once."""

    data: ResponseTrips
    _made: dict[object, Any] = field(default_factory=dict, init=False)

    def fit(self, terms: Terms, family: str, before: float | None = None) -> ShareFit:
        """Return the fit of some terms and family to all weeks, or to those before one."""
        frame = self.data.frame
        if before is not None:
            frame = self._window(before, is_past=True)
            terms = terms_over(terms, frame)
        return fit_shares_warm(
            frame,
            successes=self.data.response,
            trials=TRIALS,
            terms=terms,
            is_binomial=family == BINOMIAL,
            leave_out=True,
        )

    def held_out(self, terms: Terms, family: str, at: float) -> Floats:
        """Return the log chance of every trip of a week by the fit to all weeks before it."""
        fit, now = self.fit(terms, family, at), self._window(at, is_past=False)
        return log_chances(fit, now, successes=self.data.response, trials=TRIALS)

    def _window(self, at: float, *, is_past: bool) -> pd.DataFrame:
        """Return the trips of a week, or those of all weeks before it."""
        frame = self.data.frame
        week = frame["week_number"]
        return self.once((at, is_past), lambda: frame[week < at if is_past else week == at])


#: Trips above which candidates are compared on a sample of whole site-days.
MOST_COMPARED, SEED = 30_000, 1
#: Last weeks that are held out, one after the other.
HELD_OUT_WEEKS = 4
#: Candidates that are shown and never chosen, and why.
KEPT_OUT = {
    "with daylight": coded("not_chosen_daylight"),
    "areas in step": coded("not_chosen_parallel"),
    "hurdle": coded("not_chosen_hurdle"),
}
#: What a candidate is for.
PURPOSE = {
    "usual": "for_usual_terms",
    "poisson": "for_counts_by_chance",
    "binomial": "for_shares_by_chance",
    "zero-inflated": "for_boats_without_chance",
    "hurdle": "for_boats_without_fish",
    "with site": "for_sites",
    "with moon": "for_moon",
    "with tide": "for_tide",
    "with daylight": "for_daylight",
    "areas in step": "for_parallel_areas",
}


@dataclass(frozen=True, slots=True)
class Candidate:
    """A regression to try: the terms and the family; a zero part has its constant alone."""

    terms: tuple[str, ...]
    family: str


@dataclass(frozen=True, slots=True, eq=False)
class CandidateResult:
    """One candidate and how it did.

    - `fit`: None where it was refused.
    - `held_out_score`: mean log chance of a held-out trip; NaN where it cannot be had.
    - `reason`: code why there is no fit or no score, or why it is never chosen.
    - `held_out_days` (D,): log chances summed by site-day, in one order for all candidates.
    """

    name: str
    candidate: Candidate
    fit: CountFit | ShareFit | None
    held_out_rows: int
    held_out_score: float
    reason: str
    held_out_days: Floats | None = None

    @property
    def n_parameters(self) -> int | None:
        """Parameters of the fit, its dispersion among them."""
        if self.fit is None:
            return None
        return round((self.fit.aic + 2 * self.fit.log_likelihood) / 2)

    def behind(self, best: CandidateResult) -> tuple[float, float]:
        """Return by how much its score is under another's, and the error of that by site-day."""
        gap = best.held_out_score - self.held_out_score
        if self.held_out_days is None or best.held_out_days is None:
            return gap, 0.0
        off = best.held_out_days - self.held_out_days
        n = len(off)
        if n < 2:
            return gap, math.inf
        return gap, float(math.sqrt(n * off.var(ddof=1)) / self.held_out_rows)


def candidates_of(data: ResponseTrips) -> dict[str, Candidate]:
    """Return the candidates of a response by name."""
    terms, frame = base_terms(data.frame), data.frame
    added = {
        words: (*terms, column)
        for words, column in (
            ("with daylight", "daylight_hours"),
            ("with moon", "moon"),
            ("with tide", "tide_range_m"),
        )
        if varies(frame, column)
    }
    if frame.drop_duplicates(["area", "site"])["area"].duplicated().any():
        # With one site an area, the area says it already.
        added["with site"] = (*terms, "site")
    step = tuple(term for term in terms if not term.startswith("area:"))
    if len(step) < len(terms):
        added["areas in step"] = step
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
    return named | {words: Candidate(one, usual) for words, one in added.items()}


def evaluate_candidates(data: ResponseTrips) -> list[CandidateResult]:
    """Fit every candidate to all trips and, for its score, without each of the last weeks.

    AIC and BIC are of all trips. The held-out score is the mean log chance of a trip of one of the
    last weeks by the fit to all weeks before it (Gneiting & Raftery 2007, Strictly proper scoring
    rules, prediction, and estimation, J. Am. Stat. Assoc. 102; from memory): rolling, so that no
    fit has seen what it predicts; never a p-value. A fit to fewer weeks has a smaller smooth.
    Of more than `MOST_COMPARED` trips a seeded sample of whole site-days stands for all.
    """
    data = _by_code(sampled(data))
    trials = ShareTrials(data) if data.is_share else CountTrials(data)
    try:
        held, reason = _held_weeks(data.frame["week_number"].to_numpy()), ""
    except UsageError as error:
        held, reason = np.zeros(0), join_codes([coded("no_score"), error_code(error)])
    found = [
        _tried(data, trials, name, one, held=held, reason=reason)
        for name, one in candidates_of(data).items()
    ]
    return [replace(one, reason=join_codes([one.reason, KEPT_OUT.get(one.name)])) for one in found]


def sampled(data: ResponseTrips, most: int = MOST_COMPARED) -> ResponseTrips:
    """Return the trips of whole site-days, drawn at random with a seed, at most so many.

    All of them where there are no more. Our choice, no source: what the sample cannot tell apart is
    taken as equal, and of equals the simpler is chosen.
    """
    n = len(data.frame)
    if n <= most:
        return data
    place, days = pd.factorize(data.frame[CLUSTER])
    trips = np.bincount(place)
    order = np.random.default_rng(SEED).permutation(len(days))
    drawn = order[np.cumsum(trips[order]) <= most]
    return replace(data, frame=data.frame[np.isin(place, drawn)])


def _by_code(data: ResponseTrips) -> ResponseTrips:
    """Return the trips with their factors as categories: text is looked at once, for all fits.

    Without text that no term can name.
    """
    factors, numbers = ("area", *FACTORS), data.frame.select_dtypes("number")
    frame = data.frame[list(dict.fromkeys((*factors, CLUSTER, *numbers)))]
    return replace(data, frame=frame.astype(dict.fromkeys(factors, "category")))


def chosen(found: Sequence[CandidateResult]) -> CandidateResult | None:
    """Return the candidate with the best held-out score; without any score, of the lowest BIC.

    Within one standard error of the best the simpler one (as Breiman et al. 1984, Classification
    and regression trees; from memory), by BIC.
    """
    best = best_scored(found)
    if best is None:
        fits = (one for one in found if one.fit is not None and one.name not in KEPT_OUT)
        return min(fits, key=_bic, default=None)
    return min((one for one in _scored(found) if _is_near(one, best)), key=_bic)


def _scored(found: Sequence[CandidateResult]) -> list[CandidateResult]:
    """Return the candidates with a score that may be chosen."""
    return [one for one in found if math.isfinite(one.held_out_score) and one.name not in KEPT_OUT]


def best_scored(found: Sequence[CandidateResult]) -> CandidateResult | None:
    """Return the candidate with the best score of those that may be chosen."""
    return max(_scored(found), key=lambda one: one.held_out_score, default=None)


def why_chosen(found: Sequence[CandidateResult], best: CandidateResult) -> str:
    """Return the code why the chosen candidate was chosen."""
    top = best_scored(found)
    if top is None:
        return coded("chosen_bic")
    if top is not best:
        return coded("chosen_near_best", best=top.name)
    has_near = any(_is_near(one, top) for one in _scored(found) if one is not best)
    return coded("chosen_best_and_bic" if has_near else "chosen_best")


def _is_near(one: CandidateResult, best: CandidateResult) -> bool:
    gap, se = one.behind(best)
    return gap <= se


def _bic(one: CandidateResult) -> float:
    return math.inf if one.fit is None else one.fit.bic


def _tried(
    data: ResponseTrips,
    trials: CountTrials | ShareTrials,
    name: str,
    one: Candidate,
    *,
    held: Floats,
    reason: str,
) -> CandidateResult:
    try:
        fit = trials.fit(one.terms, one.family)
    except UsageError as error:
        return CandidateResult(name, one, None, 0, math.nan, error_code(error))
    if reason:
        return CandidateResult(name, one, fit, 0, math.nan, reason)
    value = np.full(len(data.frame), np.nan)
    week = data.frame["week_number"].to_numpy()
    try:
        for at in held:
            value[week == at] = trials.held_out(one.terms, one.family, float(at))
    except UsageError as error:
        return CandidateResult(
            name, one, fit, 0, math.nan, join_codes([coded("no_score"), error_code(error)])
        )
    is_held = np.isin(week, held)
    days = data.frame[CLUSTER].to_numpy()[is_held]
    place = np.unique(days, return_inverse=True)[1]
    by_day = np.asarray(np.bincount(place.ravel(), value[is_held]), dtype=np.float64)
    score = float(value[is_held].mean())
    if not math.isfinite(score):
        return CandidateResult(name, one, fit, 0, math.nan, coded("no_score_impossible_trip"))
    return CandidateResult(name, one, fit, int(is_held.sum()), score, "", by_day)


def _held_weeks(week: Floats) -> Floats:
    """Return the weeks to hold out: the last ones; UsageError without three before the first."""
    weeks = np.unique(week)
    if len(weeks) < HELD_OUT_WEEKS + 3:
        raise UsageError(coded("few_weeks_of_trips", n=len(weeks), needed=HELD_OUT_WEEKS + 3))
    return np.asarray(weeks[-HELD_OUT_WEEKS:])
