"""How the projections of earlier bulletins did, by what later ones estimate."""

from __future__ import annotations

import json
from collections import defaultdict
from dataclasses import asdict, replace
from functools import partial
from typing import TYPE_CHECKING

import pyarrow as pa

from analytics.bulletin import archive
from analytics.data.kept import NOT_KEPT
from analytics.errors import StoreError
from analytics.outlook.issued import Outcome, score_rows
from analytics.outlook.schemas import PROJECTION_SCORE_SCHEMA
from analytics.settings import FishBasis

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from analytics.bulletin.archive import Bulletin, BulletinMetadata
    from analytics.data.kept import Kept


def with_scores(folder: Path | str, bulletin: Bulletin, *, kept: Kept = NOT_KEPT) -> Bulletin:
    """Return a bulletin with the scores of the projections that an archive holds.

    Bulletins that reach further than this one are left out: an older season's bulletin says the
    same whether those of newer seasons were made before it or after. Projections of its own season
    are judged by its own estimates, those of other seasons by their last bulletin, once for as long
    as no bulletin of that season is added: none ever changes. A bulletin that cannot be read is
    passed over.
    """
    card = bulletin.card
    seasons: dict[str, list[BulletinMetadata]] = defaultdict(list)
    for one in archive.list_bulletins(folder):
        is_same_week = one.season == card.season and one.through == card.through
        if one.through <= card.through and not is_same_week and "projections" in one.tables:
            seasons[one.season].append(one)
    mine = seasons.pop(card.season, [])
    own = Outcome.of(
        bulletin.other_basis if _is_sampled(card) else bulletin.rows,
        bulletin.table("trend"),
        card.through,
    )
    tables = [_scored(folder, mine, own)]
    for cards in seasons.values():
        key = json.dumps([asdict(one) for one in cards])
        tables.append(kept.table("past_scores", key, partial(_by_last, folder, cards)))
    table = pa.concat_tables(tables)
    return replace(bulletin, outlook=dict(bulletin.outlook) | {"projection_scores": table})


def _by_last(folder: Path | str, cards: Sequence[BulletinMetadata]) -> pa.Table:
    """Return the scores of a season's bulletins by the estimates of the last that can be read."""
    for last in reversed(cards):
        try:
            # Projections are of fish as reported.
            rows = archive.load_table(folder, last, "other_basis" if _is_sampled(last) else "rows")
            trend = archive.load_table(folder, last, "trend")
        except StoreError:
            continue
        return _scored(folder, cards, Outcome.of(rows, trend, last.through))
    return PROJECTION_SCORE_SCHEMA.empty_table()


def _scored(folder: Path | str, cards: Sequence[BulletinMetadata], outcome: Outcome) -> pa.Table:
    """Return how the projections of some bulletins of a season did."""
    issued = []
    for card in cards:
        try:
            issued.append((card.bulletin, archive.load_table(folder, card, "projections")))
        except StoreError:
            continue
    return pa.Table.from_pylist(score_rows(issued, outcome), schema=PROJECTION_SCORE_SCHEMA)


def _is_sampled(card: BulletinMetadata) -> bool:
    return card.basis == FishBasis.SAMPLED
