"""Every estimate that moved between two versions of a store, and the batch that moved it."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, TypeAlias

import pyarrow as pa

from analytics.bulletin import archive
from analytics.bulletin.archive import REVISION_SCHEMA
from analytics.bulletin.batch_scope import AffectedDomains, BatchScope, effect_of
from analytics.bulletin.differences import Causes, comparable, moves
from analytics.data.store import Event
from analytics.errors import DataRejected, StoreError, UsageError
from analytics.estimates.estimate import result_rows
from analytics.estimates.season_survey import prepare_survey
from analytics.outlook.build import with_previous
from analytics.result_table import RESULT_SCHEMA, to_arrow
from analytics.revision_order import PROGRAM
from analytics.survey.build import seasons_with_data

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from analytics.bulletin.archive import Bulletin, BulletinMetadata
    from analytics.bulletin.differences import Row
    from analytics.data.store import Store

    Batch: TypeAlias = tuple[Event, "AffectedDomains"]


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
