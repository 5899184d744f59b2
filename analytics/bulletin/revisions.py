"""Every estimate that moved between two versions of a store, and the batch that moved it.

A batch reaches some areas and weeks of a season, and moves figures of theirs in one way or another.
"""

from __future__ import annotations

from collections import defaultdict
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import TYPE_CHECKING, TypeAlias

import pyarrow as pa
import pyarrow.compute as pc

from analytics.bulletin import archive
from analytics.bulletin.archive import REVISION_SCHEMA
from analytics.bulletin.differences import Causes, comparable, moves
from analytics.data.schema import TABLES
from analytics.data.store import BATCH, Event
from analytics.errors import DataRejected, StoreError, UsageError
from analytics.estimates.estimate import result_rows
from analytics.estimates.season_survey import prepare_survey
from analytics.outlook.build import with_previous
from analytics.result_table import RESULT_SCHEMA, to_arrow
from analytics.revision_order import OWN_DATA, POOLING, PROGRAM, WHOLE_SEASON
from analytics.survey.build import seasons_with_data
from analytics.weeks import week_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from datetime import date
    from pathlib import Path

    from analytics.bulletin.archive import Bulletin, BulletinMetadata
    from analytics.bulletin.differences import Row
    from analytics.data.store import Store

    Batch: TypeAlias = tuple[Event, "AffectedDomains"]


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


@dataclass(frozen=True, slots=True)
class Ends:
    """Season, its last sampled week as of `version`, and the two versions compared."""

    season: str
    through: str
    since: int
    version: int


def compared_versions(
    store: Store, *, season: str | None = None, since: int | None = None, as_of: int | None = None
) -> Ends:
    """Return the season and the versions to compare, those not given by default.

    The season is the latest with a sampled site-day; the versions run from that of the last
    bulletin of the season kept before the newest data, else the version before, to the newest.

    Raises
    ------
    UsageError
        If the season or a version is unknown, or `since` comes after `as_of`.
    DataRejected
        If the tables of the last version contradict each other.
    """
    newest = store.version if as_of is None else as_of
    last = prepare_survey(store.snapshot(as_of=newest), season=season).design
    first = default_since(store, season=last.season, version=newest) if since is None else since
    if not 0 <= first <= newest:
        raise UsageError(
            f"since version {first} to version {newest}; name an earlier version first, 0 at least"
        )
    return Ends(last.season, last.through, first, newest)


def steps_between(
    store: Store,
    ends: Ends,
    *,
    by: Sequence[str] = ("area", "week"),
    level: float = 0.95,
    progress: Callable[[str], None] = lambda words: None,
) -> pa.Table:
    """Return every estimate that moved, version by version, and the batch behind each step.

    The season is estimated as of each version whose batch reaches it, so a step has one cause. Rows
    of areas or of the season cover the same weeks throughout: those through the earlier of the last
    sampled weeks at the two ends, `ends` as of `compared_versions`.

    `by`, `level`: as of `estimate`; `progress`: called with a few words before each step. Returns
    the steps in order, in `REVISION_SCHEMA`; `differences.netted` nets them. A version whose tables
    contradict each other is passed over, and its batch named with the next one's.

    Raises `UsageError` if the level or a word of `by` is unknown, and `DataRejected` if the tables
    of the last version contradict each other.
    """
    words = tuple(by.split(",")) if isinstance(by, str) else tuple(by)
    states = _States(store, ends.season, words, level)
    if "week" not in words:
        states.through = min(ends.through, states.last_week(ends.since) or ends.through)
    scope = BatchScope(store, ends.season)
    events = [one for one in store.events() if ends.since < one.version <= ends.version]
    batches = [(one, reached) for one in events if (reached := scope.of(one)).has_season]
    progress(f"estimating as of version {ends.since}")
    return _stepped(states, batches, since=ends.since, progress=progress)


def default_since(store: Store, *, season: str, version: int) -> int:
    """Return the version of the last bulletin kept before a version, else the version before."""
    earlier = _earlier(archive.archive_of(store.path), season=season, version=version)
    return earlier[0].version if earlier else max(version - 1, 0)


def bulletin_before(store: Store, card: BulletinMetadata) -> Bulletin | None:
    """Return the last bulletin of the season before a card that can be read."""
    folder = archive.archive_of(store.path)
    for one in _earlier(folder, season=card.season, version=card.version):
        if one.basis not in (card.basis, ""):
            continue
        with suppress(StoreError):
            return archive.load(folder, one.bulletin)
    return None


def moved_since(store: Store, bulletin: Bulletin, earlier: Bulletin | None) -> Bulletin:
    """Return a bulletin with what moved since the one kept before it, and the name of that one.

    Compares the rows that both keep, with no further estimation; the same bulletin where there is
    no `earlier`, which is as `bulletin_before` gives it. A cause is a batch that came or went
    between the two; of several, those that reach the week of the row, else all that reach the
    season.
    """
    card = bulletin.card
    if earlier is None:
        return bulletin
    is_same = earlier.card.through == card.through
    before, after = (
        comparable(one.rows, through=card.through, with_totals=is_same)
        for one in (earlier, bulletin)
    )
    moved = moves(
        before,
        after,
        since=earlier.card.version,
        version=card.version,
        causes=_Causes(store, earlier.card, card),
    )
    return replace(
        bulletin,
        card=replace(card, since=earlier.card.bulletin),
        revisions=moved,
        outlook=with_previous(bulletin.outlook, earlier.outlook),
    )


def _earlier(folder: Path, *, season: str, version: int) -> list[BulletinMetadata]:
    """Return the cards of a season that were made from earlier versions, the last first."""
    cards = [
        one
        for one in archive.list_bulletins(folder)
        if one.season == season and one.version < version
    ]
    return sorted(cards, key=lambda one: (one.version, one.made_utc, one.through), reverse=True)


def _stepped(
    states: _States, batches: Sequence[Batch], *, since: int, progress: Callable[[str], None]
) -> pa.Table:
    before = states(since)
    if before is None:
        raise UsageError(
            f"as of version {since} the tables contradict each other; compare with another version"
        )
    steps: list[pa.Table] = []
    waiting: list[Batch] = []
    for event, reached in batches:
        waiting.append((event, reached))
        progress(f"estimating as of version {event.version}")
        after = states(event.version)
        if after is None:
            continue
        causes = partial(_all_of, tuple(waiting))
        steps.append(moves(before, after, since=since, version=event.version, causes=causes))
        before, since, waiting = after, event.version, []
    return pa.concat_tables([REVISION_SCHEMA.empty_table(), *steps])


def _all_of(batches: tuple[Batch, ...], row: Row) -> Causes:
    events, reached = zip(*batches, strict=True)
    return Causes(events, effect_of(row, reached))


class _States:
    """Result rows of a season as of any version of a store."""

    def __init__(self, store: Store, season: str, by: tuple[str, ...], level: float) -> None:
        self._store = store
        self._season = season
        self._by = by
        self._level = level
        self.through: str | None = None

    def __call__(self, version: int) -> pa.Table | None:
        """Return the rows, none where the season was not there, None where it had no estimate.

        Whether `by` and `level` are allowed is found out at the newest version, where the season
        is known to be there.
        """
        snapshot = self._store.snapshot(as_of=version)
        if self._season not in seasons_with_data(snapshot):
            return RESULT_SCHEMA.empty_table()
        try:
            prepared = prepare_survey(snapshot, season=self._season, through=self.through)
        except (UsageError, DataRejected):
            return None
        return to_arrow(list(result_rows(prepared, by=self._by, level=self._level)))

    def last_week(self, version: int) -> str | None:
        """Return the last sampled week as of a version, None where the season was not there."""
        try:
            return prepare_survey(
                self._store.snapshot(as_of=version), season=self._season
            ).design.through
        except (UsageError, DataRejected):
            return None


class _Causes:
    """Names the events between two bulletins that can have moved a row."""

    def __init__(self, store: Store, earlier: BulletinMetadata, later: BulletinMetadata) -> None:
        between = range(earlier.version + 1, later.version + 1)
        self._events = [one for one in store.events() if one.version in between]
        self._program: list[Event] = []
        if earlier.program != later.program:
            words = f"{earlier.program} to {later.program}"
            self._program = [
                Event(later.version, f"program {words}", PROGRAM, later.made_utc, {}, ())
            ]
        self._store = store
        self._season = later.season
        self._batches: list[Batch] | None = None

    def __call__(self, row: Row) -> Causes:
        if self._batches is None:
            scope = BatchScope(self._store, self._season)
            reached = ((event, scope.of(event)) for event in self._events)
            self._batches = [batch for batch in reached if batch[1].has_season]
        near = [
            batch for batch in self._batches if batch[1].is_whole or row["week"] in batch[1].weeks
        ]
        chosen = near if near and row["week"] else self._batches
        effect = effect_of(row, (reached for _, reached in self._batches))
        return Causes((*(event for event, _ in chosen), *self._program), effect)
