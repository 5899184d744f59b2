"""Where a season stands against each of its limits, and which is reached first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.codes import coded, join_codes
from analytics.outlook.schemas import LIMIT_STATUS_SCHEMA
from analytics.weeks import week_end, weeks_between

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from analytics.options.baseline import Baseline, Limit
    from analytics.outlook.limit_totals import LimitTotal, SeasonLimit

    Row = dict[str, Any]

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
