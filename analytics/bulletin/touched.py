"""Which weeks of a season a batch reaches: the events of a store that can move an estimate."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc

from analytics.data.schema import TABLES
from analytics.data.store import delta, history, rows
from analytics.data.store.store import EVENTS
from analytics.weeks import week_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from analytics.data.store import Store
    from analytics.data.store.history import Event

#: Tables whose rows bear the date of what they tell, or hang on one that does.
_DATED = ("site_days", "interviews", "fish", "bycatch", "boat_counts", "coverage", "holidays")
#: Tables that no estimate is made from.
_NO_PART = ("limits",)
_LABEL = pa.field(rows.BATCH, pa.string())


def events_of(store: Store) -> list[Event]:
    """Return every event of a store, oldest first; a withdrawal tells the tables and files too.

    Raises
    ------
    StoreError
        If they cannot be read.
    """
    events = history.from_rows(delta.read(store.path / EVENTS, schema=history.EVENT_SCHEMA))
    imports = {one.batch: one for one in events if one.event == history.IMPORTED}
    return [
        replace(one, counts=imports[one.batch].counts, sources=imports[one.batch].sources)
        for one in events
    ]


@dataclass(frozen=True, slots=True)
class Touched:
    """What one batch reaches.

    Parameters
    ----------
    weeks : frozenset of str
        ISO weeks of its rows within the season.
    is_whole : bool
        It has rows that any week may rest on, such as an opening or a release rate.
    """

    weeks: frozenset[str]
    is_whole: bool = False

    @property
    def has_season(self) -> bool:
        """Whether it can have moved any estimate of the season."""
        return self.is_whole or bool(self.weeks)


class Reach:
    """Reads off which weeks of a season batches reach, now or in any earlier form of their rows.

    A row that took the place of another reaches the weeks of both, so that a site-day moved to
    another date counts for the week that it left.

    Parameters
    ----------
    store : Store
    season : str
    """

    def __init__(self, store: Store, season: str) -> None:
        self._store = store
        self._season = season
        self._tables: dict[str, pa.Table] = {}
        openings = self._table("seasons")
        mine = openings.filter(pc.equal(openings["season"], season))
        self._first = pc.min(mine["open_date"])
        self._last = pc.max(mine["close_date"])

    def of(self, event: Event) -> Touched:
        """Return what an event's batch reaches."""
        wrote = [name for name, one in event.counts.items() if one.new + one.changed]
        weeks = frozenset(week for name in wrote for week in self._weeks(name, event.batch))
        return Touched(weeks, any(self._is_whole(name, event.batch) for name in wrote))

    def _is_whole(self, name: str, batch: str) -> bool:
        if name == "seasons":
            return self._season in self._rows_of(name, batch)["season"].to_pylist()
        return name not in (*_DATED, *_NO_PART)

    def _weeks(self, name: str, batch: str) -> Iterable[str]:
        if name not in _DATED:
            return ()
        dates = pc.unique(pc.drop_null(self._dates(name, self._rows_of(name, batch))))
        within = pc.and_(pc.greater_equal(dates, self._first), pc.less_equal(dates, self._last))
        kept = dates.filter(pc.fill_null(within, False))
        return {week_of(day) for day in kept.to_pylist()}

    def _dates(self, name: str, some: pa.Table) -> pa.ChunkedArray:
        """Return the dates that rows ever told of, their interviews' and site-days' with them."""
        if name == "bycatch":
            return self._dates("interviews", some)
        found = self._ever(name, some)
        if name != "interviews":
            return found["date"]
        days = self._table("site_days")
        theirs = days.filter(pc.is_in(days["sample_id"], value_set=_values(found["sample_id"])))
        return pa.chunked_array([*found["date"].chunks, *theirs["date"].chunks], pa.date32())

    def _rows_of(self, name: str, batch: str) -> pa.Table:
        table = self._table(name)
        return table.filter(pc.equal(table[rows.BATCH], batch))

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
            path = self._store.path / name
            wanted = {*TABLES[name].key, "date", "sample_id", "season", "open_date", "close_date"}
            fields = [field for field in TABLES[name].arrow_schema if field.name in wanted]
            schema = pa.schema([*fields, _LABEL])
            is_there = delta.is_table(path)
            self._tables[name] = (
                delta.read(path, schema=schema) if is_there else schema.empty_table()
            )
        return self._tables[name]


def _values(column: pa.ChunkedArray) -> pa.Array:
    return pc.unique(pc.drop_null(column))
