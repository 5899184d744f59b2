"""The index of every season up to one, on a common count of weeks, for timing and strength."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, field, replace
from functools import partial
from math import nan
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from analytics.catch_rates.index import AreaIndex, area_index
from analytics.catch_rates.model_selection import Candidate, CandidateResult
from analytics.catch_rates.standardised_levels import Series, comparable_seasons, lacking
from analytics.catch_rates.trips import BESIDE, FACTORS, USUAL, fitted, model_rows, varies
from analytics.codes import coded, error_code, join_codes
from analytics.data.calendar import season_days
from analytics.errors import UsageError
from analytics.models import Family
from analytics.models.seasonal_timing import (
    SHARES,
    Curve,
    crossing,
    cumulative,
    draw_shares,
    fit_timing,
    strength,
)
from analytics.result_table import known
from analytics.survey.build import seasons_before
from analytics.weeks import week_start, weeks_between

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.arrays import Floats, Ints
    from analytics.data.snapshot import Snapshot
    from analytics.models.seasonal_timing import Timing

    Row = dict[str, Any]

#: After the last week of any season.
FOREVER = "9999-W52"
#: Share of open weeks with an index from which a season that is over counts as complete.
COMPLETE = 0.75
ENCOUNTERS = "encounters"
#: Weeks of a year; the 53rd of a long one counts as the first of the next.
YEAR = 52


@dataclass(frozen=True, slots=True, eq=False)
class SeasonIndex:
    """The index of encounters of one season.

    - `origin`: Monday from which its weeks and days count; `number` (W,): weeks since it.
    - `open_weeks`: open weeks of each area through the season's end, in order; None for all areas.
    - `note`: what keeps it from standing at this season's mix; empty where nothing does.
    """

    season: str
    origin: pd.Timestamp
    index: AreaIndex
    open_weeks: Mapping[str | None, tuple[str, ...]]
    is_current_season: bool
    note: str = ""
    number: Ints = field(init=False)

    def __post_init__(self) -> None:
        days = [(week_start(week) - self.origin).days for week in self.index.weeks]
        object.__setattr__(self, "number", np.array(days, dtype=np.int64) // 7)

    def span(self, area: str | None) -> slice:
        """Return the places of the weeks from an area's first open one to its last."""
        known = [week for week in self.open_weeks.get(area, ()) if week in self.index.weeks]
        if not known:
            return slice(0, 0)
        weeks = self.index.weeks
        return slice(weeks.index(known[0]), weeks.index(known[-1]) + 1)

    def is_complete(self, area: str | None) -> bool:
        """Return whether all of the season was sampled.

        The last open week or the one before has an index, and so have three quarters of all open
        weeks: a closed week is none of them, and one missed is imputed from its neighbours.
        """
        series, open_weeks = self.index.series.get(area), self.open_weeks.get(area, ())
        if series is None or not open_weeks:
            return False
        has_index = dict(zip(self.index.weeks, np.isfinite(series.value), strict=True))
        has = [bool(has_index.get(week, False)) for week in open_weeks]
        return any(has[-2:]) and float(np.mean(has)) >= COMPLETE


def season_indices(
    snapshot: Snapshot,
    now: AreaIndex,
    model: CandidateResult | None,
    *,
    season: str,
    mix: pd.DataFrame,
    weight: Mapping[str, float],
) -> list[SeasonIndex]:
    """Return the index of encounters of every season before one, oldest first, and of that one.

    Past seasons are fitted with the family and terms chosen for this one, at this season's mix and
    weights of areas, so that they differ by fish alone. One that did not know some method, group of
    days or site of this season says nothing of its effect: it is fitted together with this season,
    with a level for every area and week of both and one effect in both, and a note says so.
    """
    days = season_days(snapshot)
    before = seasons_before(snapshot, season)
    origins = _origins(days, [*before, season])
    found = []
    for one in before:
        ask = partial(model_rows, snapshot, season=one, through=FOREVER, has_daylight=False)
        rows = snapshot.once(("model rows", one), ask)
        if rows.empty:
            continue
        mine = days[days["season"] == one]
        weeks = tuple(
            weeks_between(mine["week"].min(), max(mine["week"].max(), rows["week"].max()))
        )
        index, note = _at_common_mix(rows, mix, model, weeks=weeks, weight=weight)
        open_weeks = open_weeks_of(mine)
        found.append(
            SeasonIndex(one, origins[one], index, open_weeks, is_current_season=False, note=note)
        )
    mine = days[days["season"] == season]
    return [
        *found,
        SeasonIndex(season, origins[season], now, open_weeks_of(mine), is_current_season=True),
    ]


def _at_common_mix(
    rows: pd.DataFrame,
    mix: pd.DataFrame,
    model: CandidateResult | None,
    *,
    weeks: tuple[str, ...],
    weight: Mapping[str, float],
) -> tuple[AreaIndex, str]:
    """Return the index of encounters of a past season at this one's mix, and a note."""
    data = fitted(rows, ENCOUNTERS)
    # Without a choice the index has the usual terms.
    model = model or CandidateResult(
        "usual", Candidate(USUAL, Family.NEGATIVE_BINOMIAL), None, 0, nan, ""
    )
    terms = _terms_of(rows, mix, model)
    candidate = replace(model.candidate, terms=(*model.candidate.terms, *terms))
    model = replace(model, candidate=candidate)
    gone = lacking(rows, mix, terms)
    reason = ""
    if gone:
        factors = tuple(name for name in FACTORS if name in terms)
        (past, now), note = comparable_seasons(rows, mix, factors)
        two = fitted(pd.concat([past, now], ignore_index=True), ENCOUNTERS)
        both = [*weeks, *sorted(set(now["week"]))]
        joint = area_index(two, model, mix=now, weeks=both, weight=weight)
        if joint.series:
            return _first(joint, weeks), join_codes([coded("fitted_together", levels=gone), note])
        reason = join_codes([coded("at_own_mix", levels=gone), joint.reason])
    return area_index(data, model, mix=mix, weeks=weeks, weight=weight), reason


def _terms_of(rows: pd.DataFrame, mix: pd.DataFrame, model: CandidateResult) -> tuple[str, ...]:
    """Return the terms in which the mix of two seasons can differ.

    The usual ones are among them though this season, with one method so far, does without: a past
    one that knew several is to stand at that method.
    """
    both = pd.concat([rows, mix], ignore_index=True)
    named = (*model.candidate.terms, *USUAL)
    return tuple(name for name in BESIDE if name in named and varies(both, name))


def _first(joint: AreaIndex, weeks: tuple[str, ...]) -> AreaIndex:
    """Return the first season of an index over two; areas without a week of it are left out."""
    n = len(weeks)
    series = {
        area: Series(one.value[:n], one.cov[:n, :n])
        for area, one in joint.series.items()
        if area is None or np.isfinite(one.value[:n]).any()
    }
    return AreaIndex(joint.response, weeks, series, joint.levels)


def open_weeks_of(days: pd.DataFrame) -> dict[str | None, tuple[str, ...]]:
    """Return the open weeks of each area (None: all) in order, from open days of one season."""
    weeks: dict[str | None, tuple[str, ...]] = {None: tuple(sorted(days["week"].unique()))}
    for area, mine in days.groupby("area"):
        weeks[str(area)] = tuple(sorted(mine["week"].unique()))
    return weeks


def _origins(days: pd.DataFrame, seasons: list[str]) -> dict[str, pd.Timestamp]:
    """Return the Monday that each season counts from: that of one ISO week of the year for all.

    The first open week of the season that opens earliest in its year: seasons lie on each other.
    """
    first = {one: days.loc[days["season"] == one, "week"].min() for one in seasons}
    anchor, half = int(first[seasons[-1]][-2:]), YEAR // 2
    late = {one: (int(week[-2:]) - anchor + half) % YEAR - half for one, week in first.items()}
    earliest = min(late.values())
    return {
        one: week_start(week) - pd.Timedelta(weeks=late[one] - earliest)
        for one, week in first.items()
    }


# When the fish came in each season, and how strong this one is by the same week.

#: Draws of a season's index behind the errors of its dates, always the same ones: the standard
#: deviation of so many is within 8 % of what more would give, 19 times of 20.
N_DRAWS, SEED = 300, 4
#: Days under which an error is that of rounding.
NO_DAYS = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    """Simulated shares of one season and area by the end of each week, and curves through them."""

    day: Floats
    share: Floats
    draws: Floats | None
    curves: dict[Curve, Timing]
    reason: str


def timing_rows(one: SeasonIndex) -> tuple[list[Row], list[Row]]:
    """Return the rows of `SEASONAL_PATTERN_SCHEMA` and of `RUN_DATE_SCHEMA` of one season.

    Shares, curves and dates of complete seasons only; errors of dates are sd over draws of the
    index.
    """
    timing: list[Row] = []
    dates: list[Row] = []
    for area in one.index.series:
        span = one.span(area)
        series = Series(one.index.series[area].value[span], one.index.series[area].cov[span, span])
        run = _run(one, area, series, 7.0 * (one.number[span].astype(np.float64) + 1))
        timing += _week_rows(one, area, series, run)
        if not one.is_current_season or not run.reason:
            dates += _date_rows(one, area, run)
    return timing, dates


def strength_rows(every: Sequence[SeasonIndex], *, level: float) -> list[Row]:
    """Return the rows of `RUN_STRENGTH_SCHEMA`: the last season against past ones, week by week.

    Each past season stands against it with the log of the index summed over the weeks to
    date that both have; the ratio is to the mean of past seasons on the log scale, as
    `seasonal_timing.strength` has it, with Student's t of one degree fewer than past
    seasons (our choice, no source).
    """
    now, past = every[-1], every[:-1]
    note = join_codes(one.note for one in past)
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
        why = coded("season_in_progress" if one.is_current_season else "season_incomplete")
        return _Run(day, none, None, {}, why)
    try:
        share = cumulative(np.exp(series.value))
        draws = _draws(series)
        curves = {curve: fit_timing(day, share, curve=curve, draws=draws) for curve in Curve}
    except UsageError as error:
        return _Run(day, none, None, {}, error_code(error))
    return _Run(day, share, draws, curves, "")


def _draws(series: Series) -> Floats | None:
    """Return simulated shares; None where the index has no error."""
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
            "index": known(index[place]),
            "log_se": known(se[place]) if se[place] > 0 and np.isfinite(index[place]) else None,
            "share": known(run.share[place]),
            "is_current_season": one.is_current_season,
        }
        | {name: float(values[place]) for name, values in along.items()}
        for place, week in enumerate(weeks)
    ]


def _date_rows(one: SeasonIndex, area: str | None, run: _Run) -> list[Row]:
    names = {"season": one.season, "area": area}
    if run.reason:
        return [names | {"curve": "index", "share": part, "reason": run.reason} for part in SHARES]
    start, first = np.append(run.day[0] - 7, run.day), np.append(0.0, run.share)
    draws = None if run.draws is None else np.insert(run.draws, 0, 0.0, axis=1)
    rows = []
    for part in SHARES:
        # The index comes evenly within a week.
        at = float(crossing(start, first[None], part)[0])
        se = math.nan if draws is None else crossing(start, draws, part).std()
        dates: list[tuple[str, float, float, float | None]] = [("index", at, float(se), None)]
        dates += [(str(curve), *fit.day(part), fit.rmse) for curve, fit in run.curves.items()]
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
            for curve, day, error, rmse in dates
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
        return {"n_past": 0, "reason": coded("no_index_by_week")}
    value = dict(zip(now.number[mine].tolist(), series.value[mine].tolist(), strict=True))
    log_now = _log_sum(series.value[mine])
    # The slope of the log of a sum in each log: its share of the sum.
    share = np.exp(series.value[mine] - log_now)
    se = float(np.sqrt(np.maximum(share @ series.cov[np.ix_(mine, mine)] @ share, 0.0)))
    if not math.isfinite(se):
        return {"n_past": 0, "reason": coded("index_without_error")}
    log_past = np.array(
        [log_now - gap for one in past if (gap := _gap(value, one, area)) is not None]
    )
    try:
        ratio, error = strength(log_now, se, log_past)
    except UsageError as refused:
        return {"n_past": len(log_past), "reason": error_code(refused)}
    step = float(stdtrit(len(log_past) - 1, 0.5 + level / 2)) * error
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
    mine, theirs = (np.array([each[week] for week in both]) for each in (value, other))
    return _log_sum(mine) - _log_sum(theirs)


def _log_sum(logs: Floats) -> float:
    """Return the log of a sum of some numbers from their logs."""
    return float(np.logaddexp.reduce(logs))
