"""How the projections of earlier bulletins did, by what later ones estimate."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pyarrow as pa

from analytics.bulletin import archive
from analytics.errors import StoreError
from analytics.outlook.issued import Outcome, score_rows
from analytics.outlook.schemas import PROJECTION_SCORE_SCHEMA
from analytics.settings import FishBasis

if TYPE_CHECKING:
    from pathlib import Path

    from analytics.bulletin.archive import Bulletin


def with_scores(folder: Path | str, bulletin: Bulletin) -> Bulletin:
    """Return a bulletin with the scores of all projections that an archive holds.

    Those of its own season are judged by its own estimates, those of other seasons by their last
    bulletin. A bulletin that cannot be read is passed over.
    """
    card = bulletin.card
    seasons: dict[str, list[Bulletin]] = {card.season: []}
    for one in archive.list_bulletins(folder):
        is_later = one.season == card.season and one.through >= card.through
        if is_later or "projections" not in one.tables:
            continue
        try:
            seasons.setdefault(one.season, []).append(archive.load(folder, one.bulletin))
        except StoreError:
            continue
    rows = []
    for season, issued in seasons.items():
        last = bulletin if season == card.season else issued[-1]
        outcome = Outcome.of(_as_reported(last), last.table("trend"), last.card.through)
        found = [(one.card.bulletin, one.table("projections")) for one in issued]
        rows += score_rows(found, outcome)
    table = pa.Table.from_pylist(rows, schema=PROJECTION_SCORE_SCHEMA)
    return replace(bulletin, outlook=dict(bulletin.outlook) | {"projection_scores": table})


def _as_reported(bulletin: Bulletin) -> pa.Table:
    """Return the rows of a bulletin on the basis of reports, on which projections stand."""
    is_sampled = bulletin.card.basis == FishBasis.SAMPLED
    return bulletin.other_basis if is_sampled else bulletin.rows
