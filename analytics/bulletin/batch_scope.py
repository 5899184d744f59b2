"""Which areas and weeks of a season a batch reaches, and how it moves a figure of theirs."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc

from analytics.data.schema import TABLES
from analytics.data.store import BATCH
from analytics.revision_order import OWN_DATA, POOLING, PROGRAM, WHOLE_SEASON
from analytics.weeks import week_of

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    from analytics.bulletin.differences import Row
    from analytics.data.store import Event, Store

#: Tables whose rows bear a date, or belong to one that does.
_DATED = ("site_days", "interviews", "fish", "bycatch", "boat_counts", "coverage", "holidays")
#: Tables that no estimate is made from.
_NO_PART = ("limits", "area_outlines")
#: Columns that say where and when a row was.
_PLACE = ("date", "sample_id", "site", "area", "season", "open_date", "close_date")


@dataclass(frozen=True, slots=True)
class AffectedDomains:
    """What one batch reaches.

    `places`: areas and ISO weeks of its rows within the season: where they were fished, and every
    area whose boats landed where they were sampled; no area stands for all of them. `is_whole`: it
    has rows that any week may rest on, such as an opening or a release rate.
    """

    places: frozenset[tuple[str | None, str]]
    is_whole: bool = False

    @property
    def has_season(self) -> bool:
        """Whether it can have moved any estimate of the season."""
        return self.is_whole or bool(self.places)

    @property
    def weeks(self) -> frozenset[str]:
        """The weeks of its rows."""
        return frozenset(week for _, week in self.places)

    def holds(self, row: Row) -> bool:
        """Return whether it has data of a result row's own area and week."""
        return any(
            row["area"] in (None, area) or area is None
            for area, week in self.places
            if row["week"] in (None, week)
        )


class BatchScope:
    """Reads off which areas and weeks of a season batches reach, in any form their rows ever had.

    A row that took the place of another reaches the weeks of both, so that a site-day moved to
    another date counts for the week that it left.
    """

    def __init__(self, store: Store, season: str) -> None:
        self._store = store
        self._season = season
        self._tables: dict[str, pa.Table] = {}
        openings = self._table("seasons")
        mine = openings.filter(pc.equal(openings["season"], season))
        self._first = pc.min(mine["open_date"])
        self._last = pc.max(mine["close_date"])

    def of(self, event: Event) -> AffectedDomains:
        """Return what an event's batch reaches."""
        wrote = [name for name, one in event.counts.items() if one.new + one.changed]
        places = frozenset(one for name in wrote for one in self._places(name, event.batch))
        return AffectedDomains(places, any(self._is_whole(name, event.batch) for name in wrote))

    def _is_whole(self, name: str, batch: str) -> bool:
        if name == "seasons":
            return self._season in self._rows_of(name, batch)["season"].to_pylist()
        return name not in (*_DATED, *_NO_PART)

    def _places(self, name: str, batch: str) -> Iterable[tuple[str | None, str]]:
        if name not in _DATED:
            return ()
        some = self._rows_of(name, batch)
        if name == "bycatch":
            name, some = "interviews", self._ever("interviews", some)
        found = self._ever(name, some)
        if name == "site_days":
            return self._sampled(found)
        places = self._within(found)
        if name != "interviews":
            return places
        days = self._table("site_days")
        mine = pc.is_in(days["sample_id"], value_set=_values(found["sample_id"]))
        return places | self._sampled(days.filter(mine))

    def _sampled(self, days: pa.Table) -> set[tuple[str | None, str]]:
        """Return areas and weeks of site-days: their own, and those fished by boats landing there.

        Boats of one landing area and week share their strata, so each of them counts.
        """
        landed = self._within(self._landed(days))
        return landed | {one for place in landed for one in self._fished.get(place, ())}

    @cached_property
    def _fished(self) -> dict[tuple[str | None, str], set[tuple[str | None, str]]]:
        """The areas and weeks fished by the boats that landed in an area and week."""
        trips = self._table("interviews").select(["sample_id", "area"])
        trips = trips.rename_columns(["sample_id", "fished"])
        days = self._landed(self._table("site_days")).join(trips, "sample_id", join_type="inner")
        found: dict[tuple[str | None, str], set[tuple[str | None, str]]] = defaultdict(set)
        for one in days.group_by(["area", "date", "fished"]).aggregate([]).to_pylist():
            week = week_of(one["date"])
            found[one["area"], week].add((one["fished"], week))
        return found

    def _landed(self, days: pa.Table) -> pa.Table:
        """Return site-days with the area of their site."""
        sites = self._table("sites").select(["site", "area"])
        return days.select(["sample_id", "site", "date"]).join(sites, "site", join_type="inner")

    def _within(self, table: pa.Table) -> set[tuple[str | None, str]]:
        """Return the areas and weeks of dated rows on days of the season."""
        areas = table["area"] if "area" in table.column_names else pa.nulls(len(table), pa.string())
        pairs = pa.table({"area": areas, "date": table["date"]}).group_by(["area", "date"])
        return {
            (one["area"], week_of(one["date"]))
            for one in pairs.aggregate([]).to_pylist()
            if one["date"] is not None and self._is_open(one["date"])
        }

    def _is_open(self, day: date) -> bool:
        first, last = self._first.as_py(), self._last.as_py()
        return first is not None and first <= day <= last

    def _rows_of(self, name: str, batch: str) -> pa.Table:
        table = self._table(name)
        return table.filter(pc.equal(table[BATCH], batch))

    def _ever(self, name: str, some: pa.Table) -> pa.Table:
        """Return every form that the rows ever had, where their date is no part of their key."""
        key = TABLES[name].key
        if "date" in key:
            return some
        table = self._table(name)
        return table.filter(pc.is_in(table[key[0]], value_set=_values(some[key[0]])))

    def _table(self, name: str) -> pa.Table:
        """Return the rows of every batch of a table, read once."""
        if name not in self._tables:
            self._tables[name] = self._store.every_row(name, {*TABLES[name].key, *_PLACE})
        return self._tables[name]


def _values(column: pa.ChunkedArray) -> pa.Array:
    return pc.unique(pc.drop_null(column))


def effect_of(row: Row, batches: Iterable[AffectedDomains]) -> str:
    """Return how batches moved a result row, one of `EFFECTS`.

    Without a batch, another version of the program alone moved it.
    """
    found = list(batches)
    if any(one.holds(row) for one in found):
        return OWN_DATA
    if any(one.is_whole for one in found):
        return WHOLE_SEASON
    return POOLING if found else PROGRAM
