"""All that a bulletin keeps of a season's limits: status, outlook, and the draws behind them.

Of each limit: where the season stands against it, and which limit is reached first.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.catch_limits import TOTALS
from analytics.codes import coded, join_codes, section_of
from analytics.data.calendar import season_days
from analytics.data.kept import NOT_KEPT
from analytics.estimates.estimate import result_rows
from analytics.options.baseline_io import to_table
from analytics.options.compare import outlook
from analytics.options.option import TODAY
from analytics.options.schemas import DRAW_SCHEMA
from analytics.outlook.backtest import kept_backtest
from analytics.outlook.issued import projection_rows
from analytics.outlook.limit_totals import LimitTotal, LimitTotals, limits_of_season
from analytics.outlook.projection import N_DRAWS, SEED, project_from
from analytics.outlook.schemas import (
    LIMIT_STATUS_SCHEMA,
    OUTLOOK_SCHEMAS,
    PROJECTION_SCORE_SCHEMA,
    TOPICS,
)
from analytics.outlook.to_date_draws import area_rows, rows_by_area
from analytics.outlook.weekly_series import PastSeasons, Patterns, past_seasons
from analytics.settings import FishBasis
from analytics.weeks import week_end, weeks_between

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from datetime import date

    from analytics.data.kept import Kept
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.options.baseline import Baseline, Limit
    from analytics.options.compare import OptionResults
    from analytics.outlook.backtest import Backtest
    from analytics.outlook.limit_totals import SeasonLimit
    from analytics.outlook.projection import ProjectionResult

    Row = dict[str, Any]
    TestedSeasons = tuple[PastSeasons, Backtest]


_OF_NONE = coded("limit_of_zero")
#: How the binding limit is chosen, and how the weeks so far are drawn.
ASSUMED = (coded("binding_limit"), coded("weekly_use"))
_FROM_OUTLOOK = (
    "prob_exceeded_by_close",
    "exceedance_date_p10",
    "exceedance_date_p50",
    "exceedance_date_p90",
)


def standing_row(
    limit: SeasonLimit,
    figure: LimitTotal,
    *,
    season: str,
    through: date,
    planned_close: date | None,
    level: float,
) -> Row:
    """Return the total so far against one limit, without its outlook.

    Shares are recomputed from the total and may pass 1; interval ends are those of the total over
    the limit, which has no error.
    """
    fish, set_as = limit.limit.fish, limit.limit
    row: Row = {
        "season": season,
        "limit_id": set_as.limit_id,
        "areas": ";".join(set_as.areas),
        "quantity": ";".join(set_as.quantities),
        "unit": limit.unit,
        "limit_fish": fish,
        "through": through,
        "planned_close": planned_close,
        "is_preliminary": planned_close is not None and planned_close > through,
        "ci_level": level,
        "is_binding": False,
        "status": figure.status,
        "reason": limit.reason or figure.reason,
    }
    if row["reason"] or figure.estimate is None:
        return row
    row |= {name: getattr(figure, name) for name in ("estimate", "se", "ci_low", "ci_high", "df")}
    for name, source in (
        ("share_used", "estimate"),
        ("share_used_low", "ci_low"),
        ("share_used_high", "ci_high"),
    ):
        row[name] = None if row[source] is None or fish == 0 else row[source] / fish
    words = [figure.method, limit.note, _OF_NONE if fish == 0 else ""]
    return row | {
        "fish_remaining": fish - figure.estimate,
        "method": join_codes(words),
        # Without an error the total is taken as it stands.
        "prob_exceeded_to_date": float(figure.estimate > fish),
    }


def with_drawn(row: Row, baseline: Baseline, limit: Limit) -> Row:
    """Return a row with the chance that the total so far is over its limit, from the draws."""
    if row.get("estimate") is None or row.get("se") is None:
        return row
    places = [baseline.areas.index(one) for one in limit.areas]
    parts = [baseline.to_date[name][:, places].sum(axis=1) for name in limit.quantities]
    total = np.sum(parts, axis=0)
    if np.isnan(total).any():
        return row
    return row | {"prob_exceeded_to_date": float((total > limit.fish).mean())}


def why_no_outlook(
    row: Row, baseline: Baseline, limit: SeasonLimit, missing: Mapping[tuple[str, str], str]
) -> Row:
    """Return the reason where a total has no outlook, as a part of its row; else nothing."""
    if row.get("estimate") is None or row.get("prob_exceeded_by_close") is not None:
        return {}
    without = [
        (area, missing[area, name])
        for area in limit.open_areas
        for name in limit.limit.quantities
        if (area, name) in missing
    ]
    words = [join_codes([coded("missing_in", areas=[area]), why]) for area, why in without]
    places = [baseline.areas.index(one) for one in limit.open_areas]
    unknown = [
        baseline.areas[place]
        for place in places
        if np.isnan(baseline.effort[:, place]).any() or np.isnan(baseline.rate[:, place]).any()
    ]
    if unknown:
        words.append(coded("nothing_to_come", areas=unknown))
    if row.get("basis") == "sampled":
        words.append(coded("reports_projected_alone"))
    words = words or [coded("quantity_not_projected")]
    return {"reason": join_codes([coded("no_outlook"), *words])}


def with_outlook(row: Row, exceedance: Mapping[str, Any] | None) -> Row:
    """Return a row with where its total goes under today's rules, from a row of the exceedance."""
    if exceedance is None or row.get("estimate") is None or exceedance["estimate"] is None:
        return row
    ends = {
        "projected_total": "estimate",
        "projected_total_low": "ci_low",
        "projected_total_high": "ci_high",
    }
    return (
        row
        | {name: exceedance[source] for name, source in ends.items()}
        | {name: exceedance[name] for name in _FROM_OUTLOOK}
    )


def with_binding(rows: Sequence[Row]) -> list[Row]:
    """Mark the limit that binds; the rule is that of the code `binding_limit`."""
    known = [place for place, row in enumerate(rows) if row.get("estimate") is not None]
    if not known:
        return [row | {"is_binding": False} for row in rows]
    binding = min(known, key=lambda place: _rank(rows[place]))
    return [row | {"is_binding": place == binding} for place, row in enumerate(rows)]


def _rank(row: Row) -> tuple[float, float, float]:
    """Return what sorts limits, the first binding: date, chance, share used."""
    day, chance, used = (
        row.get("exceedance_date_p50"),
        row.get("prob_exceeded_by_close"),
        row.get("share_used"),
    )
    if used is None:  # a limit of 0 is passed by the first fish
        used = np.inf if row["estimate"] > 0 else 0.0
    return (
        np.inf if day is None else float(day.toordinal()),
        -(row["prob_exceeded_to_date"] if chance is None else chance),
        -used,
    )


# What a status was in the bulletin before: estimates are revised, and a reader should see it.


def with_previous(
    tables: Mapping[str, pa.Table], earlier: Mapping[str, pa.Table]
) -> dict[str, pa.Table]:
    """Return the tables of limits with each limit's estimate and last day of the bulletin before.

    Parameters
    ----------
    tables, earlier : mapping of str to pyarrow.Table
        In `OUTLOOK_SCHEMAS`; of the bulletin before, empty where it kept none.

    Returns
    -------
    dict of str to pyarrow.Table
        The same tables; a limit that is new, or whose areas or quantity were others, has null.
    """
    if "limit_status" not in tables or "limit_status" not in earlier:
        return dict(tables)
    names = ("limit_id", "areas", "quantity")
    known = {tuple(row[name] for name in names): row for row in earlier["limit_status"].to_pylist()}
    rows = []
    for row in tables["limit_status"].to_pylist():
        before = known.get(tuple(row[name] for name in names), {})
        row["previous_estimate"] = before.get("estimate")
        row["previous_through"] = before.get("through")
        rows.append(row)
    return dict(tables) | {"limit_status": pa.Table.from_pylist(rows, schema=LIMIT_STATUS_SCHEMA)}


# Use of each limit week by week so far, from the weekly result rows.


def past_rows(
    limit: SeasonLimit,
    weekly: Mapping[tuple[str | None, str, str], float | None],
    *,
    season: str,
    weeks: Sequence[str],
    estimate: float | None,
    through: date,
) -> list[Row]:
    """Return the cumulated total of a limit at the end of every week so far; none without a total.

    `weeks` are open or sampled ones, in order; closed ones between are carried on. The last ends at
    the total so far, `estimate`.
    """
    if estimate is None or not weeks:
        return []
    total, found = 0.0, []
    for week in weeks_between(weeks[0], weeks[-1]):
        total += sum(
            weekly.get((area, week, name)) or 0.0
            for area in limit.open_areas
            for name in limit.limit.quantities
        )
        found.append((week, min(week_end(week), through), total))
    scale = estimate / total if total > 0 else 1.0
    return [
        {
            "season": season,
            "limit_id": limit.limit.limit_id,
            "week": week,
            "day": day,
            "is_projected": False,
            "estimate": scale * value,
        }
        for week, day, value in found
    ]


#: Columns of a paths in the order of the engine's quantiles.
_QUANTILES = ("q025", "q10", "q25", "q50", "q75", "q90", "q975")


def limit_tables(
    season: SeasonSurvey,
    rates: Mapping[str, pa.Table],
    *,
    level: float,
    progress: Callable[[str], None] = lambda words: None,
    rows: Iterable[Row] | None = None,
    n_draws: int = N_DRAWS,
    seed: int = SEED,
    tested: TestedSeasons | None = None,
    kept: Kept = NOT_KEPT,
) -> dict[str, pa.Table]:
    """Return every table of a season's limits by its name.

    Parameters
    ----------
    season : SeasonSurvey
        Prepared with the usual settings.
    rates : mapping of str to pyarrow.Table
        The bulletin's tables of modelled rates.
    level : float
        Confidence level.
    progress : callable, optional
        Called with a few words before each step.
    rows : iterable of dict, optional
        Result rows by area, by season, and by area and week, where they are at hand.
    n_draws, seed : int
        The same data and seed give the same draws.
    tested : tuple, optional
        What `tested_seasons` returns of the same season and seed, where it is at hand.
    kept : Kept
        Where what follows from past seasons alone lies.

    Returns
    -------
    dict of str to pyarrow.Table
        In `OUTLOOK_SCHEMAS`. Draws are empty where no total so far is a number, as in a season
        of convenience; limits need none.
    """
    known = list(rows) if rows is not None else _all_rows(season, level)
    past, backtest = tested or tested_seasons(season, kept=kept, seed=seed, progress=progress)
    progress("drawing the season so far and the days to come")
    reported, mine = _as_reported(season, known, level=level)
    result = project_from(
        reported,
        rates,
        n_draws=n_draws,
        seed=seed,
        level=level,
        rows=mine,
        past=past.weekly,
        patterns=Patterns(kept, past.key),
        width=backtest.width,
    )
    limits = limits_of_season(
        season.snapshot, season=season.design.season, areas=result.baseline.areas
    )
    progress("holding the season against its limits")
    status, paths = status_and_paths(season, result, limits, known, level=level)
    is_known = _has_totals(mine)
    assumed = [*(ASSUMED if limits else ()), *result.assumed]
    if past.weekly:
        n = len(past.weekly)
        assumed.append(coded("width_of_errors", factor=f"{backtest.width:.2f}", n=n))
    assumed += [] if reported is season else [coded("projected_as_reported")]
    assumed += [] if is_known else [coded("no_draws_kept")]
    made: dict[str, list[Row]] = {
        "limit_status": status,
        "limit_paths": paths,
        "backtest": [*backtest.rows, *_failed(past)],
        "projections": projection_rows(reported, result, backtest, mine, rates.get("trend")),
        "assumptions": [{"topic": _topic(one), "assumption": one} for one in assumed],
    }
    tables = {
        name: pa.Table.from_pylist(found, schema=OUTLOOK_SCHEMAS[name])
        for name, found in made.items()
    }
    return tables | {
        "draws": to_table(result.baseline) if is_known else DRAW_SCHEMA.empty_table(),
        # Only an archive knows what earlier bulletins projected.
        "projection_scores": PROJECTION_SCORE_SCHEMA.empty_table(),
    }


def tested_seasons(
    season: SeasonSurvey,
    *,
    kept: Kept = NOT_KEPT,
    seed: int = SEED,
    progress: Callable[[str], None] = lambda words: None,
) -> TestedSeasons:
    """Return past seasons' weekly figures, and the backtest of their projections.

    Parameters as of `limit_tables`; `kept` is where the results of past seasons lie, which are made
    again only where their data changed. Nothing of the season itself is in it but that it is open.
    """
    past = PastSeasons()
    if _is_open(season):
        past = past_seasons(season.snapshot, season=season.design.season, kept=kept)
    return past, kept_backtest(season, past, kept=kept, seed=seed, progress=progress)


def _as_reported(
    season: SeasonSurvey, rows: Sequence[Row], *, level: float
) -> tuple[SeasonSurvey, Sequence[Row]]:
    """Return a season and its rows on the basis of reports, on which all projections stand."""
    if season.basis is FishBasis.REPORTED:
        return season, rows
    reported = replace(season, basis=FishBasis.REPORTED)
    return reported, _all_rows(reported, level)


def _failed(past: PastSeasons) -> list[Row]:
    """Return a row of each past season whose weekly figures cannot be made, with the reason."""
    return [{"season": name, "reason": reason} for name, reason in past.failed.items()]


def _is_open(season: SeasonSurvey) -> bool:
    """Return whether open days are still to come; a season that is over is not projected."""
    days = season_days(season.snapshot, season.design.season)
    return bool(days["week"].max() > season.design.through)


def _topic(cell: str) -> str:
    """Return the topic of an assumption by the section of the registry that holds its code."""
    section = section_of(cell)
    return next((topic for topic, one in TOPICS.items() if one == section), "")


def status_and_paths(
    season: SeasonSurvey,
    result: ProjectionResult,
    limits: Sequence[SeasonLimit],
    rows: Sequence[Row],
    *,
    level: float,
) -> tuple[list[Row], list[Row]]:
    """Return the rows of status and of the path of each limit."""
    sums = LimitTotals(season, rows_by_area(rows), level=level)
    drawable = {one.limit.limit_id: _drawable(one, result, season.basis) for one in limits}
    limited = [one for one in drawable.values() if one is not None]
    answers = outlook(result.baseline, limited, level=level)
    exceedance = {
        row["limit_id"]: row
        for row in answers.limit_exceedance.to_pylist()
        if row["option"] == TODAY
    }
    weekly = {
        (row["area"], row["week"], row["quantity"]): row["estimate"]
        for row in rows
        if row["area"] is not None and row["week"] is not None and "estimate" in row
    }
    weeks = [one for one in season.design.weeks if one <= season.design.through]
    status: list[Row] = []
    paths: list[Row] = []
    name, through = season.design.season, result.calendar.through
    for one in limits:
        limit_id, asked_as = one.limit.limit_id, drawable[one.limit.limit_id]
        figure = LimitTotal() if one.reason else sums.of(one.open_areas, one.limit.quantities)
        close = result.calendar.planned_close(one.limit.areas)
        row = standing_row(
            one, figure, season=name, through=through, planned_close=close, level=level
        )
        if asked_as is not None:
            row = with_drawn(row, result.baseline, asked_as)
        row = with_outlook(row, exceedance.get(limit_id))
        row["basis"] = str(season.basis)
        row |= why_no_outlook(row, result.baseline, one, result.to_date.missing)
        status.append(row)
        total = row.get("estimate")
        paths += past_rows(one, weekly, season=name, weeks=weeks, estimate=total, through=through)
        paths += _ahead_rows(answers, limit_id, row)
    return with_binding(status), paths


def _has_totals(rows: Iterable[Row]) -> bool:
    """Return whether some area has a total so far that is a number."""
    areas = (row for (area, name), row in rows_by_area(rows).items() if area and name in TOTALS)
    return any(row.get("estimate") is not None for row in areas)


def _all_rows(season: SeasonSurvey, level: float) -> list[Row]:
    weekly = result_rows(season, by=("area", "week"), level=level)
    return [*area_rows(season, level=level), *weekly]


def _drawable(limit: SeasonLimit, result: ProjectionResult, basis: FishBasis) -> Limit | None:
    """Return a limit over the areas of which its totals have draws; None where there is none.

    What is projected are the reports of interviews: fish kept alone are the same when sampled.
    """
    if basis is FishBasis.SAMPLED and set(limit.limit.quantities) != {"kept_fish"}:
        return None
    lacking = {area for area, name in result.to_date.missing if name in limit.limit.quantities}
    areas = tuple(area for area in limit.open_areas if area not in lacking)
    if limit.reason or not areas:
        return None
    return replace(limit.limit, areas=areas)


def _ahead_rows(answers: OptionResults, limit_id: str, row: Row) -> list[Row]:
    """Return the weeks to come of a limit that has an outlook."""
    fans = answers.fans
    if row.get("prob_exceeded_by_close") is None or limit_id not in fans.limit_ids:
        return []
    option, place = fans.options.index(TODAY), fans.limit_ids.index(limit_id)
    return [
        {
            "season": row["season"],
            "limit_id": limit_id,
            "week": week,
            "day": day.astype(object),
            "is_projected": True,
            "estimate": float(fans.mean[option, place, at]),
            **dict(zip(_QUANTILES, fans.quantiles[option, place, at].tolist(), strict=True)),
        }
        for at, (week, day) in enumerate(zip(fans.weeks, fans.days, strict=True))
    ]
