"""Frames of strata, counted from the calendar or stated by the user, and their units."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.data.calendar import weekday_words
from analytics.errors import DataRejected

if TYPE_CHECKING:
    from analytics.data.snapshot import Snapshot

#: What makes a stratum of the calendar.
CELL = ["area", "week", "day_group", "design"]


def calendar_frame(days: pd.DataFrame, snapshot: Snapshot) -> pd.DataFrame:
    """Count the units of landing area × week × day group: (site, open date), or open dates."""
    sites = snapshot["sites"].to_pandas()
    n_sites = days["area"].map(sites.groupby("area").size()).fillna(0).astype("int64")
    units = days.assign(n_units=n_sites.where(days["design"] != "day_site", n_sites.clip(upper=1)))
    units = units[units["n_units"] > 0]
    cells = units.groupby(CELL, as_index=False)
    frame = cells.agg(n_frame=("n_units", "sum"), digits=("group_digits", "first"))
    frame["label"] = [
        f"{week} {weekday_words(digits)}"
        for week, digits in zip(frame["week"], frame["digits"], strict=True)
    ]
    return frame


def match_calendar(sampled: pd.DataFrame, days: pd.DataFrame) -> pd.DataFrame:
    """Give each site-day of a calendar frame its day group.

    Raises `DataRejected` if one lies on a day when its area is closed.
    """
    units = sampled.merge(days[["area", "date", "day_group"]], on=["area", "date"], how="left")
    closed = units[units["day_group"].isna()]
    if len(closed):
        first = closed.iloc[0]
        raise DataRejected(
            f"{len(closed)} site-days lie on days when their area is closed, the first "
            f"{first['sample_id']!r} on {first['date']:%Y-%m-%d} in {first['area']}; "
            "correct the site-day or the season's opening"
        )
    return units


def match_stated(sampled: pd.DataFrame, days: pd.DataFrame, snapshot: Snapshot) -> pd.DataFrame:
    """Give each site-day of a user-stated frame its stratum label and frame size."""
    units = sampled.merge(
        days[["area", "date", "day_group"]].drop_duplicates(), on=["area", "date"], how="left"
    )
    default = (
        units["week"] + " group " + units["day_group"].fillna(-1).astype("int64").astype("str")
    )
    units["label"] = units["stratum"].fillna(default)
    stated = units.groupby(["area", "label"])["frame_site_days"].transform("max")
    calendar = calendar_frame(days, snapshot).set_index(CELL)["n_frame"]
    units["n_frame"] = stated.astype("float64")
    for _, part in units[units["n_frame"].isna()].groupby(["area", "label"]):
        cells = pd.MultiIndex.from_frame(part[CELL].drop_duplicates())
        units.loc[part.index, "n_frame"] = float(calendar.reindex(cells).sum(skipna=False))
    return units


def join_frames(
    calendar: pd.DataFrame, on_calendar: pd.DataFrame, by_user: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the strata of both kinds, numbered, and the site-days with their numbers."""
    stated = by_user.groupby(["area", "label"], as_index=False).agg(
        week=("week", "min"), n_frame=("n_frame", "first"), design=("design", "first")
    )
    frame = pd.concat([calendar, stated.assign(day_group=0)], ignore_index=True)
    frame["stratum_code"] = np.arange(len(frame))
    first = on_calendar.merge(frame.iloc[: len(calendar)][[*CELL, "stratum_code"]], on=CELL)
    keys = ["area", "label"]
    second = by_user.merge(frame.iloc[len(calendar) :][[*keys, "stratum_code"]], on=keys)
    rows = pd.concat([first, second], ignore_index=True)
    return frame, rows.sort_values("sample_id", kind="stable")
