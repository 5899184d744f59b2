"""A sample that a general survey library can estimate too: every boat of a site-day interviewed.

The second stage is then a census, and the design the plain one of every textbook: a stratified
sample of clusters (site-days) without replacement. Strata, frames and weights are worked out here
from the tables alone, by pandas, and not by the program that is measured.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa

from analytics.quantities import RATIOS
from tests.bench.big_tables import CLOSE, OPEN, big_tables

#: Totals and ratios that are compared.
TOTALS = (
    "boat_trips",
    "angler_trips",
    "angler_hours",
    "kept_fish",
    "released_legal_fish",
    "released_sublegal_fish",
    "released_unknown_fish",
    "released_fish",
    "encounter_fish",
)
COMPARED = (*TOTALS, *RATIOS)
NOWHERE = "none"


@dataclass(frozen=True)
class Sample:
    """Tables for the program, and the same sample as one frame a library can take.

    Parameters
    ----------
    tables : dict of str to pyarrow.Table
    rows : pandas.DataFrame
        One row an interview with every total's number, ``sample_id, stratum, weight, n_frame,
        area, week``; a site-day without a boat has a row of zeros in no area.
    """

    tables: dict[str, pa.Table]
    rows: pd.DataFrame


def single_stage(*, n_interviews: int, n_site_days: int) -> Sample:
    """Return a sample in which every boat that returned was interviewed."""
    tables = big_tables(n_interviews=n_interviews, n_site_days=n_site_days)
    interviews, days = tables["interviews"].to_pandas(), tables["site_days"].to_pandas()
    boats = days["sample_id"].map(interviews["sample_id"].value_counts()).fillna(0).astype("int64")
    column = tables["site_days"].column_names.index("boats_returned")
    tables["site_days"] = tables["site_days"].set_column(column, "boats_returned", pa.array(boats))
    sites = tables["sites"].to_pandas()
    days = days.merge(sites.rename(columns={"area": "landing"}), on="site")
    for name, text in _calendar(days["date"]).items():
        days[name] = text
    days["stratum"] = days["landing"] + " " + days["week"] + " " + days["group"]
    every = pd.DataFrame({"date": pd.date_range(OPEN, CLOSE)}).assign(one=1)
    calendar = _calendar(every["date"])
    open_days = every.groupby(calendar["week"] + " " + calendar["group"])["one"].sum()
    n_sites = sites["area"].value_counts()
    place = days["week"] + " " + days["group"]
    days["n_frame"] = days["landing"].map(n_sites) * place.map(open_days)
    days["weight"] = days["n_frame"] / days.groupby("stratum")["sample_id"].transform("size")
    if (days.groupby("stratum").size() < 2).any():
        raise SystemExit("a stratum has one site-day only: libraries part ways there; take more")
    columns = ["sample_id", "stratum", "weight", "n_frame", "week"]
    rows = days[columns].merge(_numbers(interviews), on="sample_id", how="left")
    rows["area"] = rows["area"].fillna(NOWHERE)
    rows[list(TOTALS)] = rows[list(TOTALS)].fillna(0.0)
    return Sample(tables, rows)


def _calendar(dates: pd.Series) -> pd.DataFrame:
    """Return ISO week and day group of dates."""
    day = pd.to_datetime(dates)
    iso = day.dt.isocalendar()
    week = iso["year"].astype("str") + "-W" + iso["week"].astype("str").str.zfill(2)
    group = pd.Series(np.where(day.dt.weekday >= 5, "67", "12345"), index=day.index)
    return pd.DataFrame({"week": week, "group": group})


def _numbers(interviews: pd.DataFrame) -> pd.DataFrame:
    """Return what each boat adds to every total."""
    said = interviews.rename(
        columns={
            "anglers": "angler_trips",
            "kept": "kept_fish",
            "released_legal": "released_legal_fish",
            "released_sublegal": "released_sublegal_fish",
            "released_unknown": "released_unknown_fish",
        }
    )
    said["boat_trips"] = 1.0
    said["angler_hours"] = said["angler_trips"] * said["hours_fished"]
    parts = ["released_legal_fish", "released_sublegal_fish", "released_unknown_fish"]
    said["released_fish"] = said[parts].sum(axis=1)
    said["encounter_fish"] = said["kept_fish"] + said["released_fish"]
    numbers = said[["sample_id", "area", *TOTALS]]
    return numbers.astype(dict.fromkeys(TOTALS, "float64"))
