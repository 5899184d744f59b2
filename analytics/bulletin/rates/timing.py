"""When the fish came in each season, and how strong this one is by the same week."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import logsumexp
from scipy.stats import t as student_t

from analytics.bulletin.rates.levels import Series
from analytics.errors import WrongUse
from analytics.models.run_shares import crossing, cumulative, draw_shares
from analytics.models.timing import SHARES, Curve, fit_timing, strength

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.bulletin.rates.past import SeasonIndex
    from analytics.models.timing import Timing

    Floats = NDArray[np.float64]
    Row = dict[str, Any]

#: Draws of a season's index behind the errors of its dates, always the same ones: the standard
#: deviation of so many is within 8 % of what more would give, 19 times of 20.
N_DRAWS, SEED = 300, 4
#: Days under which an error is that of rounding.
NO_DAYS = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    """Shares of one season and area by the end of each week, drawn, and curves through them."""

    day: Floats
    share: Floats
    draws: Floats | None
    curves: dict[Curve, Timing]
    reason: str


def timing_rows(one: SeasonIndex) -> tuple[list[Row], list[Row]]:
    """Return the rows of `TIMING_SCHEMA` and of `RUN_DATE_SCHEMA` of one season.

    Parameters
    ----------
    one : SeasonIndex

    Returns
    -------
    timing, dates : list of dict
        By area and for all; shares, curves and dates of complete seasons only. Errors of dates
        are the spread over draws of the index.
    """
    timing: list[Row] = []
    dates: list[Row] = []
    for area in one.index.series:
        span = one.span(area)
        series = Series(one.index.series[area].value[span], one.index.series[area].cov[span, span])
        run = _run(one, area, series, 7.0 * (one.number[span].astype(np.float64) + 1))
        timing += _week_rows(one, area, series, run)
        if not one.is_now or not run.reason:
            dates += _date_rows(one, area, run)
    return timing, dates


def strength_rows(every: Sequence[SeasonIndex], *, level: float) -> list[Row]:
    """Return the rows of `STRENGTH_SCHEMA`: this season against past ones, week by week.

    Each past season stands against this one with the log of the index summed over the weeks to
    date that both have; the ratio is to the mean of past seasons on the log scale, as
    `analytics.models.timing.strength` has it, with Student's t of one degree fewer than past
    seasons (our choice, no source).

    Parameters
    ----------
    every : sequence of SeasonIndex
        The season asked for is the last.
    level : float
        Confidence level.

    Returns
    -------
    list of dict
    """
    now, past = every[-1], every[:-1]
    note = "; ".join(dict.fromkeys(one.note for one in past if one.note))
    rows = []
    for area in now.index.series:
        for week in now.index.weeks[now.span(area)]:
            rows.append(
                {"season": now.season, "area": area, "week": week, "ci_level": level, "note": note}
                | _strength(now, past, area, week, level=level)
            )
    return rows


def _run(one: SeasonIndex, area: str | None, series: Series, day: Floats) -> _Run:
    none = np.full(len(day), np.nan)
    if not one.is_complete(area):
        words = "in progress" if one.is_now else "not sampled to its end, or in too few open weeks"
        return _Run(day, none, None, {}, f"the season is {words}")
    try:
        share = cumulative(np.exp(series.value))
        draws = _draws(series)
        curves = {curve: fit_timing(day, share, curve=curve, draws=draws) for curve in Curve}
    except WrongUse as error:
        return _Run(day, none, None, {}, str(error))
    return _Run(day, share, draws, curves, "")


def _draws(series: Series) -> Floats | None:
    """Return drawn shares; None where the index has no error."""
    known = np.isfinite(series.value)
    if not np.isfinite(series.cov[np.ix_(known, known)]).all():
        return None
    rng = np.random.default_rng(SEED)
    return draw_shares(series.value, series.cov, rng=rng, n_draws=N_DRAWS)


def _week_rows(one: SeasonIndex, area: str | None, series: Series, run: _Run) -> list[Row]:
    along = {str(curve): found.share(run.day) for curve, found in run.curves.items()}
    index, se = np.exp(series.value), series.se
    weeks = one.index.weeks[one.span(area)]
    return [
        {
            "season": one.season,
            "area": area,
            "week": week,
            "day": int(run.day[place]),
            "index": _none(index[place]),
            "log_se": _none(se[place]) if se[place] > 0 and np.isfinite(index[place]) else None,
            "share": _none(run.share[place]),
            "is_now": one.is_now,
        }
        | {name: float(values[place]) for name, values in along.items()}
        for place, week in enumerate(weeks)
    ]


def _date_rows(one: SeasonIndex, area: str | None, run: _Run) -> list[Row]:
    names = {"season": one.season, "area": area}
    if run.reason:
        return [names | {"curve": "index", "share": part, "reason": run.reason} for part in SHARES]
    start, first = np.append(run.day[0] - 7, run.day), np.append(0.0, run.share)
    drawn = None if run.draws is None else np.insert(run.draws, 0, 0.0, axis=1)
    rows = []
    for part in SHARES:
        # The index comes evenly within a week.
        at = float(crossing(start, first[None], part)[0])
        se = math.nan if drawn is None else crossing(start, drawn, part).std()
        told: list[tuple[str, float, float, float | None]] = [("index", at, float(se), None)]
        told += [(str(curve), *fit.day(part), fit.rmse) for curve, fit in run.curves.items()]
        rows += [
            names
            | {
                "curve": curve,
                "share": part,
                "date": _date(one, day),
                "se_days": error if error > NO_DAYS else None,
                "rmse": rmse,
                "reason": "",
            }
            for curve, day, error, rmse in told
        ]
    return rows


def _date(one: SeasonIndex, day: float) -> dt.date:
    """Return the civil day that a moment lies in: the end of day 7 is the first Sunday."""
    civil: dt.date = (one.origin + dt.timedelta(days=math.ceil(day) - 1)).date()
    return civil


def _strength(
    now: SeasonIndex, past: Sequence[SeasonIndex], area: str | None, week: str, *, level: float
) -> Row:
    series = now.index.series[area]
    span = now.span(area)
    mine = np.zeros(len(now.index.weeks), dtype=bool)
    mine[span] = True
    mine &= np.isfinite(series.value) & (np.array(now.index.weeks) <= week)
    if not mine.any():
        return {"n_past": 0, "reason": "no index this season by this week"}
    value = dict(zip(now.number[mine].tolist(), series.value[mine].tolist(), strict=True))
    log_now = float(logsumexp(series.value[mine]))
    # The slope of the log of a sum in each log: its share of the sum.
    share = np.exp(series.value[mine] - log_now)
    se = float(np.sqrt(np.maximum(share @ series.cov[np.ix_(mine, mine)] @ share, 0.0)))
    if not math.isfinite(se):
        return {"n_past": 0, "reason": "the index of this season has no error by site-day"}
    log_past = np.array(
        [log_now - gap for one in past if (gap := _gap(value, one, area)) is not None]
    )
    try:
        ratio, error = strength(log_now, se, log_past)
    except WrongUse as told:
        return {"n_past": len(log_past), "reason": str(told)}
    step = float(student_t.ppf(0.5 + level / 2, len(log_past) - 1)) * error
    around = np.exp(log_past - log_past.mean())
    return {
        "ratio": math.exp(ratio),
        "ci_low": math.exp(ratio - step),
        "ci_high": math.exp(ratio + step),
        "n_past": len(log_past),
        "past_low": float(around.min()),
        "past_high": float(around.max()),
        "reason": "",
    }


def _gap(value: dict[int, float], one: SeasonIndex, area: str | None) -> float | None:
    """Return how far this season lies above a past one, log of sums over weeks that both have."""
    series = one.index.series.get(area)
    if series is None:
        return None
    other = dict(zip(one.number.tolist(), series.value.tolist(), strict=True))
    both = [week for week in value if math.isfinite(other.get(week, math.nan))]
    if not both:
        return None
    return float(logsumexp([value[week] for week in both]) - logsumexp([other[w] for w in both]))


def _none(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
