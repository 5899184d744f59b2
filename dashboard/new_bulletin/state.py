"""What a store holds beside what its bulletins show, and what can be asked for, in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analytics.catch_limits import join_words
from analytics.data import query
from analytics.weeks import week_of
from analytics.wording import numbers
from dashboard.catalogue import say, say_n
from dashboard.revisions.moves import batch_name

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.bulletin.archive import BulletinMetadata
    from analytics.data.store import Batch, Store


#: Days with a boat count or with an interview of its own; no interview is loaded for them.
_SAMPLED = """
SELECT date FROM site_days WHERE boats_returned IS NOT NULL
UNION SELECT date FROM interviews WHERE sample_id IS NULL AND date IS NOT NULL
"""


@dataclass(frozen=True, slots=True)
class StoreState:
    """A store at its newest version.

    `weeks` holds, for every season with a site-day whose boats were counted or with an interview of
    its own, oldest first, the weeks with such rows, newest first; `batches` all that came in,
    oldest first.
    """

    version: int
    weeks: Mapping[str, tuple[str, ...]]
    batches: tuple[Batch, ...]

    @property
    def seasons(self) -> tuple[str, ...]:
        """The seasons with data, newest first."""
        return tuple(self.weeks)[::-1]


def read_state(store: Store) -> StoreState:
    """Return what a store holds; nothing where it does not exist yet."""
    if not store.exists:
        return StoreState(0, {}, ())
    snapshot = store.snapshot()
    tables = {"site_days": snapshot["site_days"], "interviews": snapshot.source("interviews")}
    dates = set(query.run(_SAMPLED, tables)["date"].to_pylist())
    openings = snapshot["seasons"].select(["season", "open_date", "close_date"])
    weeks: dict[str, set[str]] = {}
    for row in sorted(openings.to_pylist(), key=lambda row: row["open_date"]):
        inside = {day for day in dates if row["open_date"] <= day <= row["close_date"]}
        weeks.setdefault(row["season"], set()).update(week_of(day) for day in inside)
    sampled = {
        season: tuple(sorted(found, reverse=True)) for season, found in weeks.items() if found
    }
    return StoreState(snapshot.version, sampled, tuple(store.batches()))


def standing_words(state: StoreState, cards: Sequence[BulletinMetadata], season: str) -> str:
    """Return where a season stands: its newest bulletin, and what came in since (Markdown)."""
    mine = [card for card in cards if card.season == season]
    last = state.weeks[season][0]
    name = numbers.plain(season)
    if not mine:
        return say(
            "Season {season} has data through week {week} and **no bulletin yet**: make the first "
            "one.",
            season=name,
            week=_week(last),
        )
    newest = max(mine, key=lambda card: (card.version, card.through))
    shown = say(
        "The newest bulletin of season {season} covers the weeks through {week}",
        season=name,
        week=_week(newest.through),
    )
    changes = state.version - newest.version
    if not changes and last == newest.through:
        return say(
            "{newest} and holds all that the store has: **nothing new came in since**.",
            newest=shown,
        )
    if not changes:
        return say(
            "{newest}; the store has the same data, sampled through week {week}.",
            newest=shown,
            week=_week(last),
        )
    since = [
        batch
        for batch in state.batches
        if batch.version > newest.version or (batch.withdrawn_version or 0) > newest.version
    ]
    named = join_words([batch_words(batch) for batch in since])
    came = say_n(
        changes,
        "Since then **{n} change of the data** has come in",
        "Since then **{n} changes of the data** have come in",
    )
    came += f": {named}." if named else "."
    sampled = say("The store is sampled through week {week}.", week=_week(last))
    return f"{shown}. {came} {sampled}"


def batch_words(batch: Batch) -> str:
    """Return a batch by its name, or what was taken out again (Markdown)."""
    words = numbers.plain(batch_name(batch.batch, batch.sources))
    return say("{batch}, withdrawn", batch=words) if batch.withdrawn_version else words


def _week(week: str) -> str:
    return f"{week} ({numbers.week_dates(week)})"
