"""Fits of candidates to all weeks of a season and to those before each held-out one."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from analytics.bulletin.rates.fitted import CLUSTER, EXPOSURE, TRIALS, terms_over
from analytics.errors import WrongUse
from analytics.models.climb import climb
from analytics.models.coded_rows import coded
from analytics.models.count_laws import Family
from analytics.models.count_likelihood import CountLikelihood
from analytics.models.grounds import BINOMIAL
from analytics.models.share_climb import climb_shares, log_chances

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.bulletin.rates.fitted import Fitted
    from analytics.models.coded_rows import Coded
    from analytics.models.counts import CountFit
    from analytics.models.share_climb import ShareClimb

    Floats = NDArray[np.float64]

Terms = tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class CountTrials:
    """Regressions of counts, each started from what was fitted before.

    Parameters
    ----------
    data : Fitted
    """

    data: Fitted
    _rows: dict[Terms, Coded] = field(default_factory=dict, init=False)
    _windows: dict[tuple[Terms, float, bool], Coded] = field(default_factory=dict, init=False)
    _fits: dict[tuple[Terms, str, float | None], CountFit | WrongUse] = field(
        default_factory=dict, init=False
    )

    def fit(self, terms: Terms, family: str) -> CountFit:
        """Return the fit of some terms and family to all weeks."""
        return self._fit(terms, Family(family), None)

    def held_out(self, terms: Terms, family: str, at: float) -> Floats:
        """Return the log chance of every trip of a week by the fit to all weeks before it."""
        rows = self._coded(terms)
        is_now = (rows.groups["week_number"] == at).to_numpy()
        now = self._window(terms, at, is_past=False)
        fit = self._fit(terms, Family(family), at)
        x = fit.coding.matrix(now.groups)
        zero = np.ones((len(x), 1 if fit.family.has_zero_part else 0))
        law = CountLikelihood(fit.family, now.counts, x, zero)
        value = np.full(len(rows.counts.y), np.nan)
        value[is_now[rows.counts.group]] = law.slopes(fit.parameters).value
        return np.asarray(value[rows.place][is_now[rows.counts.group[rows.place]]])

    def _coded(self, terms: Terms) -> Coded:
        if terms not in self._rows:
            self._rows[terms] = coded(
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
            except WrongUse as error:
                self._fits[key] = error
        found = self._fits[key]
        if isinstance(found, WrongUse):
            raise found
        return found

    def _climbed(self, terms: Terms, family: Family, before: float | None) -> CountFit:
        rows, asked = self._coded(terms), terms
        if before is not None:
            rows = self._window(terms, before, is_past=True)
            asked = terms_over(terms, rows.groups)
        go = partial(climb, rows, asked, family=family, leave_out=True)
        if family.has_zero_part:
            return go(start=self._fit(terms, Family.NEGATIVE_BINOMIAL, before))
        if not family.has_dispersion:
            return go()
        if (near := self._nearest(before)) is not None:
            try:
                return go(start=near)
            except WrongUse:
                pass
        return go(start=self._fit(terms, Family.POISSON, before))

    def _window(self, terms: Terms, at: float, *, is_past: bool) -> Coded:
        """Return the rows of a week, or those of all weeks before it."""
        key = (terms, at, is_past)
        if key not in self._windows:
            rows = self._coded(terms)
            week = rows.groups["week_number"].to_numpy()
            self._windows[key] = rows.only(week < at if is_past else week == at)
        return self._windows[key]

    def _nearest(self, before: float | None) -> CountFit | None:
        """Return a negative binomial fit of other terms to the same weeks."""
        for (_, family, week), fit in self._fits.items():
            if family == Family.NEGATIVE_BINOMIAL and week == before:
                return None if isinstance(fit, WrongUse) or not fit.dispersion > 0 else fit
        return None


@dataclass(frozen=True, slots=True, eq=False)
class ShareTrials:
    """Regressions of shares.

    Parameters
    ----------
    data : Fitted
    """

    data: Fitted

    def fit(self, terms: Terms, family: str, before: float | None = None) -> ShareClimb:
        """Return the fit of some terms and family to all weeks, or to those before one."""
        frame = self.data.frame
        if before is not None:
            frame = frame[frame["week_number"] < before]
            terms = terms_over(terms, frame)
        return climb_shares(
            frame,
            successes=self.data.response,
            trials=TRIALS,
            terms=terms,
            is_binomial=family == BINOMIAL,
            leave_out=True,
        )

    def held_out(self, terms: Terms, family: str, at: float) -> Floats:
        """Return the log chance of every trip of a week by the fit to all weeks before it."""
        now = self.data.frame[self.data.frame["week_number"] == at]
        fit = self.fit(terms, family, at)
        return log_chances(fit, now, successes=self.data.response, trials=TRIALS)
