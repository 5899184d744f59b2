"""What a regression of one response is fitted to: its trips, its terms, and what was left out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

#: Responses: the first two per angler-hour, the last a share of encounters.
RESPONSES = ("encounters", "kept", "sublegal")
SHARE, TRIALS, EXPOSURE, CLUSTER = "sublegal", "encounters", "angler_hours", "sample_id"
UNITS = dict.fromkeys(RESPONSES, "fish per angler-hour") | {SHARE: "1"}
#: Factors beside area and week.
FACTORS = ("method", "day_group", "site")
CELL = "area_week"


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """Trips of one response.

    Parameters
    ----------
    response : str
    frame : pandas.DataFrame
        Trips as given, with `CELL`; levels of factors without a fish joined to another.
    with_fish : pandas.DataFrame
        Those of area-weeks that a level of their own can be told of.
    reasons : mapping of (str, str) to str
        Why an area-week has no level.
    joined : mapping of str to mapping of str to str
        By factor: levels and what they were joined to.
    """

    response: str
    frame: pd.DataFrame
    with_fish: pd.DataFrame
    reasons: Mapping[tuple[str, str], str]
    joined: Mapping[str, Mapping[str, str]]

    @property
    def is_share(self) -> bool:
        """Whether the response is a share."""
        return self.response == SHARE


def fitted(rows: pd.DataFrame, response: str) -> Fitted:
    """Return the trips of one response with what cannot be told left out.

    Parameters
    ----------
    rows : pandas.DataFrame
        From `analytics.bulletin.rates.rows.model_rows`.
    response : str
        One of `RESPONSES`.

    Returns
    -------
    Fitted
    """
    frame = rows.assign(**{CELL: rows["area"] + " " + rows["week"]})
    if response == SHARE:
        frame = frame[frame[TRIALS] > 0]
    reasons = {}
    for (area, week), fish, met, trips in _sums(frame, ["area", "week"], response).itertuples():
        if response == SHARE and fish == met:
            reasons[area, week] = f"all of {met} encounters are sublegal"
        elif not fish and response == SHARE:
            reasons[area, week] = f"none of {met} encounters is sublegal"
        elif not fish:
            reasons[area, week] = f"no fish in {trips} trips"
    out = frame[CELL].isin({f"{area} {week}" for area, week in reasons})
    joined = {}
    for factor in FACTORS:
        joined[factor] = _joined(frame[~out], factor, response)
        frame = frame.assign(**{factor: frame[factor].replace(joined[factor])})
    areas = frame.loc[~out, "area"].unique()
    keep = frame["area"].isin(areas)
    return Fitted(response, frame[keep], frame[keep & ~out], reasons, joined)


def base_terms(frame: pd.DataFrame) -> tuple[str, ...]:
    """Return the usual terms: areas, a smooth of the week in each, and how was fished."""
    n_weeks, n_areas = frame["week_number"].nunique(), frame["area"].nunique()
    terms = ["area"] if n_areas > 1 else []
    size = min(5, n_weeks - 2)
    if size >= 2:
        terms.append(f"week_number~{size}")
        if n_areas > 1 and n_weeks >= 8:
            terms.append("area:week_number~3")
    elif n_weeks > 1:
        terms.append("week_number")
    return (*terms, *(name for name in ("method", "day_group", "party") if varies(frame, name)))


def varies(frame: pd.DataFrame, name: str) -> bool:
    """Return whether a column is given in every row and has two values or more."""
    column = frame[name]
    return bool(column.notna().all() and len(column.unique()) > 1)


def beside(frame: pd.DataFrame, terms: tuple[str, ...]) -> tuple[str, ...]:
    """Return the terms that stay beside a level for every area and week.

    Daylight and moon go with the week: its level holds them.
    """
    return tuple(one for one in (*FACTORS, "party") if one in terms and varies(frame, one))


def _joined(frame: pd.DataFrame, factor: str, response: str) -> dict[str, str]:
    """Return the levels of a factor that no effect can be told of, each with what it joins."""
    sums = _sums(frame, [factor], response)
    empty = sums["fish"] == 0
    if response == SHARE:
        empty |= sums["fish"] == sums["met"]
    if empty.all() or not empty.any():
        return {}
    levels = np.array(sums.index, dtype=object)
    base = str(levels[~empty.to_numpy()][0])
    return {str(level): base for level in levels[empty.to_numpy()]}


def _sums(frame: pd.DataFrame, by: list[str], response: str) -> pd.DataFrame:
    grouped = frame.groupby(by)
    return grouped.agg(fish=(response, "sum"), met=(TRIALS, "sum"), trips=(response, "size"))
