"""Every estimate that moved between two versions of a store, and the batch that moved it."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc

from analytics.bulletin import archive
from analytics.bulletin.archive import REVISION_SCHEMA
from analytics.bulletin.differences import comparable, moves
from analytics.data.schema import TABLES
from analytics.data.store import BATCH, Event
from analytics.errors import DataRejected, StoreError, UsageError
from analytics.estimates.estimate import result_rows
from analytics.estimates.season_survey import prepare_survey
from analytics.outlook.limit_status import with_previous
from analytics.result_table import RESULT_SCHEMA, to_arrow
from analytics.weeks import week_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from pathlib import Path

    from analytics.bulletin.archive import Bulletin, BulletinMetadata
    from analytics.bulletin.differences import Row
    from analytics.data.store import Store


# Which weeks of a season a batch reaches: the events of a store that can move an estimate.

#: Tables whose rows bear the date of what they tell, or hang on one that does.
_DATED = ("site_days", "interviews", "fish", "bycatch", "boat_counts", "coverage", "holidays")
#: Tables that no estimate is made from.
_NO_PART = ("limits",)


@dataclass(frozen=True, slots=True)
class AffectedWeeks:
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


class BatchScope:
    """Reads off which weeks of a season batches reach, now or in any earlier form of their rows.

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

    def of(self, event: Event) -> AffectedWeeks:
        """Return what an event's batch reaches."""
        wrote = [name for name, one in event.counts.items() if one.new + one.changed]
        weeks = frozenset(week for name in wrote for week in self._weeks(name, event.batch))
        return AffectedWeeks(weeks, any(self._is_whole(name, event.batch) for name in wrote))

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
            columns = {*TABLES[name].key, "date", "sample_id", "season", "open_date", "close_date"}
            self._tables[name] = self._store.every_row(name, columns)
        return self._tables[name]


def _values(column: pa.ChunkedArray) -> pa.Array:
    return pc.unique(pc.drop_null(column))


#: The event of a bulletin that another version of the program made than the one before.
PROGRAM = "program"


def revisions(
    store: Store,
    *,
    season: str | None = None,
    since: int | None = None,
    as_of: int | None = None,
    by: Sequence[str] = ("area", "week"),
    level: float = 0.95,
    progress: Callable[[str], None] = lambda words: None,
) -> pa.Table:
    """Return every estimate that moved, version by version, and the batch behind each step.

    The season is estimated as of each version whose batch reaches it, so a step has one cause.
    Rows of areas or of the season cover the same weeks throughout: those through the earlier of the
    last sampled weeks at the two ends.

    Parameters
    ----------
    store : Store
    season : str, optional
        By default the latest season with a sampled site-day.
    since, as_of : int, optional
        Versions to compare. By default from that of the last bulletin of the season kept before the
        newest data, else the version before, to the newest.
    by : sequence of str
        ``area``, ``week``, both, or ``season`` alone.
    level : float
        Confidence level.
    progress : callable, optional
        Called with a few words before each step.

    Returns
    -------
    pyarrow.Table
        In `REVISION_SCHEMA`, the steps in order; `analytics.bulletin.differences.netted` nets them.
        A version whose tables contradict each other is passed over, and its batch named with the
        next one's.

    Raises
    ------
    UsageError
        If the season, a version, the level or a word of `by` is unknown.
    DataRejected
        If the tables of the last version contradict each other.
    """
    progress("reading the store")
    ends = compared_versions(store, season=season, since=since, as_of=as_of)
    return steps_between(store, ends, by=by, level=level, progress=progress)


@dataclass(frozen=True, slots=True)
class Ends:
    """What a comparison of versions is about.

    Parameters
    ----------
    season, through : str
        Season, and its last sampled week as of `version`.
    since, version : int
        The versions compared.
    """

    season: str
    through: str
    since: int
    version: int


def compared_versions(
    store: Store,
    *,
    season: str | None = None,
    since: int | None = None,
    as_of: int | None = None,
) -> Ends:
    """Return what `revisions` compares where some of it is left to its defaults.

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
    """Return the moves of `revisions` between ends that are known; parameters as there."""
    words = tuple(by.split(",")) if isinstance(by, str) else tuple(by)
    states = _States(store, ends.season, words, level)
    if "week" not in words:
        states.through = min(ends.through, states.last_week(ends.since) or ends.through)
    reach = BatchScope(store, ends.season)
    events = [one for one in store.events() if ends.since < one.version <= ends.version]
    telling = [one for one in events if reach.of(one).has_season]
    progress(f"estimating as of version {ends.since}")
    return _stepped(states, telling, since=ends.since, progress=progress)


def default_since(store: Store, *, season: str, version: int) -> int:
    """Return the version of the last bulletin kept before a version, else the version before."""
    earlier = _earlier(archive.archive_of(store.path), season=season, version=version)
    return earlier[0].version if earlier else max(version - 1, 0)


def moved_since(store: Store, bulletin: Bulletin) -> Bulletin:
    """Return a bulletin with what moved since the one kept before it, and the name of that one.

    Compares the rows that both keep, with no further estimation. A cause is a batch that came or
    went between the two; of several, those that reach the week of the row, else all that reach the
    season.

    Parameters
    ----------
    store : Store
    bulletin : Bulletin
        A bulletin of the store that is not kept yet.

    Returns
    -------
    Bulletin
        The same where the shelf holds none of an earlier version and the same season.
    """
    card = bulletin.card
    earlier = _readable(archive.archive_of(store.path), card)
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


def _readable(folder: Path, card: BulletinMetadata) -> Bulletin | None:
    """Return the last bulletin of the season before a card that can be read."""
    for one in _earlier(folder, season=card.season, version=card.version):
        with suppress(StoreError):
            return archive.load(folder, one.bulletin)
    return None


def _stepped(
    states: _States, events: Sequence[Event], *, since: int, progress: Callable[[str], None]
) -> pa.Table:
    before = states(since)
    if before is None:
        raise UsageError(
            f"as of version {since} the tables contradict each other; compare with another version"
        )
    steps: list[pa.Table] = []
    waiting: list[Event] = []
    for event in events:
        waiting.append(event)
        progress(f"estimating as of version {event.version}")
        after = states(event.version)
        if after is None:
            continue
        causes = partial(_all_of, tuple(waiting))
        steps.append(moves(before, after, since=since, version=event.version, causes=causes))
        before, since, waiting = after, event.version, []
    return pa.concat_tables([REVISION_SCHEMA.empty_table(), *steps])


def _all_of(events: tuple[Event, ...], _: Row) -> tuple[Event, ...]:
    return events


class _States:
    """Result rows of a season as of any version of a store."""

    def __init__(self, store: Store, season: str, by: tuple[str, ...], level: float) -> None:
        self._store = store
        self._season = season
        self._by = by
        self._level = level
        self.through: str | None = None

    def __call__(self, version: int) -> pa.Table | None:
        """Return the rows, none where the season was not there, None where it contradicts itself.

        Whether `by` and `level` are allowed is found out at the newest version, where the season
        is known to be there.
        """
        try:
            prepared = prepare_survey(
                self._store.snapshot(as_of=version), season=self._season, through=self.through
            )
        except UsageError:
            return RESULT_SCHEMA.empty_table()
        except DataRejected:
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
        self._touched: list[AffectedWeeks] | None = None

    def __call__(self, row: Row) -> list[Event]:
        if len(self._events) == 1:
            return [*self._events, *self._program]
        if self._touched is None:
            reach = BatchScope(self._store, self._season)
            self._touched = [reach.of(event) for event in self._events]
        pairs = list(zip(self._events, self._touched, strict=True))
        whole = [one for one, touched in pairs if touched.has_season]
        near = [one for one, touched in pairs if touched.is_whole or row["week"] in touched.weeks]
        return [*(near if near and row["week"] else whole), *self._program]
