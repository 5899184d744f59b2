"""Which regression of counts to trust: information criteria, and weeks that were held out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.errors import WrongUse
from analytics.models.count_checks import rows_of
from analytics.models.count_laws import Family
from analytics.models.count_likelihood import CountLikelihood, collapse
from analytics.models.counts import fit_counts
from analytics.models.terms import column_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analytics.models.counts import CountFit

#: Columns of the table of candidates.
COLUMNS = ("candidate", "n_parameters", "aic", "bic", "held_out_rows", "held_out_score", "reason")


@dataclass(frozen=True, slots=True)
class Candidate:
    """A regression to try; the fields are those of `analytics.models.counts.fit_counts`."""

    terms: tuple[str, ...] = ()
    family: str = Family.NEGATIVE_BINOMIAL
    zero_terms: tuple[str, ...] = ()


def compare(
    frame: pd.DataFrame,
    candidates: Mapping[str, Candidate],
    *,
    response: str,
    exposure: str | None = None,
    week: str,
    n_weeks: int = 4,
) -> pd.DataFrame:
    r"""Return candidates side by side, never by p-values.

    AIC and BIC are of all rows. The held-out score is the mean log chance of a row of one of the
    last weeks by the fit to all weeks before it (Gneiting & Raftery 2007, Strictly proper scoring
    rules, prediction, and estimation, J. Am. Stat. Assoc. 102; from memory): rolling, so that no
    fit has seen what it is asked.

    Parameters
    ----------
    frame : pandas.DataFrame
    candidates : mapping of str to Candidate
        By name.
    response, exposure : str
        As in `fit_counts`.
    week : str
        Column that orders time.
    n_weeks : int
        Last weeks to hold out, one after the other.

    Returns
    -------
    pandas.DataFrame
        One row a candidate in `COLUMNS`; NaN with the reason in words where a figure cannot be had,
        such as a week that is a factor and was never seen.

    Raises
    ------
    WrongUse
        If there is no such column of weeks.
    """
    told = np.sort(column_of(frame, week).dropna().unique())
    weeks = told[max(len(told) - n_weeks, 0) :]
    asked = {"response": response, "exposure": exposure}
    rows = []
    for name, one in candidates.items():
        row: dict[str, object] = dict.fromkeys(COLUMNS, np.nan) | {"candidate": name, "reason": ""}
        try:
            whole = _fit(frame, one, **asked)
            row |= {"n_parameters": n_parameters(whole), "aic": whole.aic, "bic": whole.bic}
            scores = np.concatenate(
                [
                    log_chance(
                        _fit(frame[frame[week] < at], one, **asked),
                        frame[frame[week] == at],
                        response=response,
                    )
                    for at in weeks
                ]
            )
            row |= {"held_out_rows": len(scores), "held_out_score": float(scores.mean())}
        except WrongUse as error:
            row["reason"] = str(error)
        rows.append(row)
    return pd.DataFrame(rows, columns=list(COLUMNS))


def n_parameters(fit: CountFit) -> int:
    """Return how many parameters a fit has, its dispersion among them."""
    return len(fit.coefficients) + fit.family.has_dispersion


def log_chance(fit: CountFit, frame: pd.DataFrame, *, response: str) -> np.ndarray:
    """Return the log chance of the counts of rows by a fit.

    Parameters
    ----------
    fit : CountFit
    frame : pandas.DataFrame
        N rows with every column of the fit, not all without a count.
    response : str

    Returns
    -------
    ndarray of float, shape (N,)

    Raises
    ------
    WrongUse
        As in `CountFit.predict`.
    """
    columns = [*fit.coding.columns, *fit.zero_coding.columns]
    rows = rows_of(frame, response=response, exposure=fit.exposure, terms=columns, cluster=None)
    counts, place = collapse(rows.y, rows.group, rows.exposure)
    x, z = fit.coding.matrix(rows.groups), fit.zero_coding.matrix(rows.groups)
    likelihood = CountLikelihood(fit.family, counts, x, z if fit.family.has_zero_part else z[:, :0])
    values = likelihood.slopes(fit.parameters).value
    return np.asarray(values[place], dtype=np.float64)


def _fit(frame: pd.DataFrame, one: Candidate, **asked: str | None) -> CountFit:
    return fit_counts(
        frame,
        terms=one.terms,
        family=one.family,
        zero_terms=one.zero_terms,
        response=asked["response"] or "",
        exposure=asked["exposure"],
    )
