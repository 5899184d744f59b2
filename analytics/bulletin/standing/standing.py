"""Where a season stands against each of its limits, and which of them binds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from analytics.bulletin.standing.limits import SeasonLimit
    from analytics.bulletin.standing.sums import Figure
    from analytics.season.baseline import Baseline, Limit

    Row = dict[str, Any]

_OF_NONE = "a limit of 0: no share can be told"
#: How the binding limit is chosen, in words.
BINDING = (
    "The limit that binds is the one with the earliest date by which it is passed with a chance of "
    "one half; where none has such a date, the one with the highest chance to be passed, and then "
    "the one of which the largest share is used."
)
_FROM_OUTLOOK = ("pass_prob", "date_10", "date_50", "date_90")


def standing_row(
    limit: SeasonLimit,
    figure: Figure,
    *,
    season: str,
    through: date,
    planned_close: date | None,
    level: float,
) -> Row:
    """Return the total so far against one limit, without its outlook.

    Shares are recomputed from the total and may pass 1; interval ends are those of the total over
    the limit, which has no error.

    Parameters
    ----------
    limit : SeasonLimit
    figure : Figure
        The total so far.
    season : str
    through : datetime.date
        Last day of the total.
    planned_close : datetime.date or None
        Last open day of the limit's areas.
    level : float
        Confidence level.

    Returns
    -------
    dict
        In the columns of `analytics.bulletin.standing.tables.STANDING_SCHEMA`.
    """
    fish = limit.limit.fish
    why = limit.reason or figure.reason
    row: Row = {
        "season": season,
        "limit_id": limit.limit.limit_id,
        "areas": ";".join(limit.limit.areas),
        "quantity": ";".join(limit.limit.quantities),
        "unit": limit.unit,
        "limit_fish": fish,
        "through": through,
        "planned_close": planned_close,
        "is_preliminary": planned_close is not None and planned_close > through,
        "ci_level": level,
        "is_binding": False,
        "status": figure.status,
        "reason": why,
    }
    if why or figure.estimate is None:
        return row
    over = {
        name: None if value is None or fish == 0 else value / fish
        for name, value in (
            ("used", figure.estimate),
            ("used_low", figure.ci_low),
            ("used_high", figure.ci_high),
        )
    }
    words = [figure.method, limit.note, _OF_NONE if fish == 0 else ""]
    return row | {
        "estimate": figure.estimate,
        "se": figure.se,
        "ci_low": figure.ci_low,
        "ci_high": figure.ci_high,
        "df": figure.df,
        **over,
        "remains": fish - figure.estimate,
        "method": "; ".join(filter(None, words)),
        # Without an error the total is taken as it stands.
        "passed_prob": float(figure.estimate > fish),
    }


def with_drawn(row: Row, baseline: Baseline, limit: Limit) -> Row:
    """Return a row with the chance that the total so far is over its limit, from the draws.

    Parameters
    ----------
    row : dict
        From `standing_row`.
    baseline : Baseline
    limit : Limit
        Over the areas of which its totals have draws.

    Returns
    -------
    dict
        As it was where there is no estimate, or no error to draw.
    """
    if row.get("estimate") is None or row.get("se") is None:
        return row
    places = [baseline.areas.index(one) for one in limit.areas]
    parts = [baseline.to_date[name][:, places].sum(axis=1) for name in limit.quantities]
    total = np.sum(parts, axis=0)
    if np.isnan(total).any():
        return row
    return row | {"passed_prob": float((total > limit.fish).mean())}


def why_no_outlook(
    row: Row, baseline: Baseline, limit: SeasonLimit, missing: Mapping[tuple[str, str], str]
) -> Row:
    """Return the reason where a total has no outlook, as a part of its row; else nothing.

    Parameters
    ----------
    row : dict
        With its outlook, if it has one.
    baseline : Baseline
    limit : SeasonLimit
    missing : mapping of (str, str) to str
        Why a total (area, quantity) has no draws.

    Returns
    -------
    dict
    """
    if row.get("estimate") is None or row.get("pass_prob") is not None:
        return {}
    words = [
        f"{area}: {missing[area, name]}"
        for area in limit.told
        for name in limit.limit.quantities
        if (area, name) in missing
    ]
    places = [baseline.areas.index(one) for one in limit.told]
    unknown = [
        baseline.areas[place]
        for place in places
        if np.isnan(baseline.effort[:, place]).any() or np.isnan(baseline.rate[:, place]).any()
    ]
    if unknown:
        words.append(f"nothing tells the trips and catch rates to come of {', '.join(unknown)}")
    words = words or ["no total to come is told of this quantity"]
    return {"reason": f"no outlook: {'; '.join(dict.fromkeys(words))}"}


def with_outlook(row: Row, reach: Mapping[str, Any] | None) -> Row:
    """Return a row of standing with where its total goes under today's rules.

    Parameters
    ----------
    row : dict
        From `standing_row`.
    reach : mapping or None
        A row of `analytics.season.tables.REACH_SCHEMA`, of today's rule.

    Returns
    -------
    dict
    """
    if reach is None or row.get("estimate") is None or reach["estimate"] is None:
        return row
    ends = {"expected": "estimate", "expected_low": "ci_low", "expected_high": "ci_high"}
    return (
        row
        | {name: reach[source] for name, source in ends.items()}
        | {name: reach[name] for name in _FROM_OUTLOOK}
    )


def with_binding(rows: Sequence[Row]) -> list[Row]:
    """Mark the limit that binds; the rule is told in `BINDING`.

    Parameters
    ----------
    rows : sequence of dict
        Rows of standing with their outlook.

    Returns
    -------
    list of dict
        At most one is marked; none where no limit has a total.
    """
    told = [place for place, row in enumerate(rows) if row.get("estimate") is not None]
    if not told:
        return [row | {"is_binding": False} for row in rows]
    binding = min(told, key=lambda place: _rank(rows[place]))
    return [row | {"is_binding": place == binding} for place, row in enumerate(rows)]


def _rank(row: Row) -> tuple[float, float, float]:
    """Return what sorts limits, the first binding: date, chance, share used."""
    day, chance, used = row.get("date_50"), row.get("pass_prob"), row.get("used")
    if used is None:  # a limit of 0 is passed by the first fish
        used = np.inf if row["estimate"] > 0 else 0.0
    return (
        np.inf if day is None else float(day.toordinal()),
        -(row["passed_prob"] if chance is None else chance),
        -used,
    )
