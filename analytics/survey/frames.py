"""Frames of strata: counted from the calendar, or stated by the user and partly still ahead."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.data.calendar import weekday_words
from analytics.errors import DataRejected
from analytics.survey.design import DAY_SITE
from analytics.weeks import week_end, week_start

if TYPE_CHECKING:
    from analytics.arrays import Floats
    from analytics.data.snapshot import Snapshot

#: What makes a stratum of the calendar.
CELL = ["area", "week", "day_group", "design"]


def calendar_frame(days: pd.DataFrame, snapshot: Snapshot) -> pd.DataFrame:
    """Count the units of landing area × week × day group: (site, open date), or open dates."""
    sites = snapshot["sites"].to_pandas()
    n_sites = days["area"].map(sites.groupby("area").size()).fillna(0).astype("int64")
    units = days.assign(n_units=n_sites.where(days["design"] != DAY_SITE, n_sites.clip(upper=1)))
    units = units[units["n_units"] > 0]
    cells = units.groupby(CELL, as_index=False)
    frame = cells.agg(n_frame=("n_units", "sum"), digits=("group_digits", "first"))
    frame["label"] = [
        f"{week} {weekday_words(digits)}"
        for week, digits in zip(frame["week"], frame["digits"], strict=True)
    ]
    return frame


def require_open(sampled: pd.DataFrame) -> None:
    """Raise `DataRejected` if a site-day of the calendar has no day group: its area was closed."""
    closed = sampled[sampled["day_group"].isna()]
    if len(closed):
        first = closed.iloc[0]
        raise DataRejected(
            f"{len(closed)} site-days lie on days when their area is closed, the first "
            f"{first['sample_id']!r} on {first['date']:%Y-%m-%d} in {first['area']}; "
            "correct the site-day or the season's opening"
        )


def match_stated(sampled: pd.DataFrame, calendar: pd.DataFrame) -> pd.DataFrame:
    """Give each site-day of a user-stated frame its stratum label and frame size.

    `calendar`: as from `calendar_frame`, through the last week.
    """
    groups = sampled["day_group"].fillna(-1).astype("int64").astype("str")
    label = sampled["stratum"].fillna(sampled["week"] + " group " + groups)
    units = sampled.assign(label=label, n_frame=np.nan)
    if units.empty:
        return units
    stated = units.groupby(["area", "label"])["frame_site_days"].transform("max")
    units["n_frame"] = stated.astype("float64")
    n_frame = calendar.set_index(CELL)["n_frame"]
    for _, part in units[units["n_frame"].isna()].groupby(["area", "label"]):
        cells = pd.MultiIndex.from_frame(part[CELL].drop_duplicates())
        units.loc[part.index, "n_frame"] = float(n_frame.reindex(cells).sum(skipna=False))
    return units


def join_frames(
    calendar: pd.DataFrame, on_calendar: pd.DataFrame, by_user: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the strata of both kinds, numbered, and the site-days with their numbers."""
    calendar = calendar.assign(is_prorated=False, stratum_code=np.arange(len(calendar)))
    first = on_calendar.merge(calendar[[*CELL, "stratum_code"]], on=CELL)
    if by_user.empty:
        return calendar, first.sort_values("sample_id", kind="stable")
    keys = ["area", "label"]
    stated = by_user.groupby(keys, as_index=False).agg(
        week=("week", "min"),
        n_frame=("n_frame", "first"),
        design=("design", "first"),
        is_prorated=("is_prorated", "first"),
    )
    frame = pd.concat([calendar, stated.assign(day_group=0)], ignore_index=True)
    frame["stratum_code"] = np.arange(len(frame))
    second = by_user.merge(frame.iloc[len(calendar) :][[*keys, "stratum_code"]], on=keys)
    rows = pd.concat([first, second], ignore_index=True)
    return frame, rows.sort_values("sample_id", kind="stable")


# Strata of the user that are still under way: the part of their frame that is past.


def prorate(by_user: pd.DataFrame, days: pd.DataFrame, sites: pd.DataFrame, week: str) -> pd.Series:
    """Return the frame of each site-day's stratum through the end of a week, at most ``n_frame``.

    A named stratum with a stated frame N holds N units of the calendar from the week on in which it
    was first sampled; where the season ends before, the rest lies before that week. Units are
    (site, open day), or open days in design day_site; those of sites and day groups that only
    strata sampled at the same time hold are theirs. The part of N that is past is the part of these
    units, in whole units, and no fewer than were sampled (our choice, no source).

    A frame stays as it is stated where nothing shows that the stratum runs on: it was sampled in
    one week only, or its units are none of the calendar (two of a site on a day, or more than the
    season's days can hold).

    Parameters
    ----------
    by_user : pandas.DataFrame
        Site-days with ``area, label, stratum, frame_site_days, n_frame, site, date, day_group,
        week, design``.
    days : pandas.DataFrame
        Every open day of the season: ``area, date, day_group``.
    sites : pandas.DataFrame
        ``site, area``.
    week : str
        The last one that was sampled, or the last one estimated where that is later.
    """
    frame = by_user["n_frame"].astype("float64").copy()
    named = by_user["stratum"].notna() & by_user["frame_site_days"].notna()
    until = pd.Timestamp(week_end(week))
    for area, rows in by_user[named].groupby("area"):
        open_days = days[days["area"] == area].drop_duplicates("date").sort_values("date")
        everywhere = sites.loc[sites["area"] == area, "site"]
        for _, part in rows.groupby("label"):
            if not _is_of_calendar(part):
                continue
            per_day = _units_a_day(part, rows, open_days, everywhere)
            frame[part.index] = _past(part, open_days["date"], per_day, until)
    return frame


def _is_of_calendar(part: pd.DataFrame) -> bool:
    """Return whether a stratum was sampled in several weeks, and no site twice on a day."""
    return len(set(part["week"])) > 1 and not part.duplicated(["site", "date"]).any()


def _units_a_day(
    part: pd.DataFrame, rows: pd.DataFrame, open_days: pd.DataFrame, sites: pd.Series
) -> Floats:
    """Return how many units of a stratum each open day can hold."""
    at_once = (rows["label"] != part["label"].iloc[0]) & rows["date"].between(
        part["date"].min(), part["date"].max()
    )
    others = rows[rows["label"].isin(rows.loc[at_once, "label"])]
    by_day = bool(part["design"].eq(DAY_SITE).all())
    keys = ["day_group"] if by_day else ["site", "day_group"]
    theirs = set(map(tuple, others[keys].to_numpy())) - set(map(tuple, part[keys].to_numpy()))
    places = [()] if by_day else [(site,) for site in sites]
    held = {
        group: float(sum((*place, group) not in theirs for place in places))
        for group in open_days["day_group"].unique()
    }
    return open_days["day_group"].map(held).to_numpy(np.float64)


def _past(part: pd.DataFrame, date: pd.Series, per_day: Floats, until: pd.Timestamp) -> float:
    """Return the part of a stratum's stated frame that lies no later than a day."""
    n_frame = float(part["n_frame"].iloc[0])
    is_ahead = (date >= pd.Timestamp(week_start(part["week"].min()))).to_numpy()
    # Days forward from its first week, then those before it, the latest first.
    order = np.concatenate([np.flatnonzero(is_ahead), np.flatnonzero(~is_ahead)[::-1]])
    held = per_day[order]
    before = np.cumsum(held) - held
    held = np.clip(n_frame - before, 0, held)
    if held.sum() < n_frame:
        return n_frame
    is_past = (date <= until).to_numpy()[order]
    share = held[is_past].sum() / held.sum()
    by_day = part["design"].eq(DAY_SITE).all()
    n_sampled = part["date"].nunique() if by_day else len(part)
    return float(min(n_frame, max(np.rint(n_frame * share), n_sampled)))
