"""The warnings that the season's own rows call for, counted by kind: compliance and gaps."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.data.checks.run import check_between
from analytics.data.findings import Finding, Severity
from analytics.data.intake.typed import Incoming
from analytics.data.schema import TABLES
from analytics.fish.measured import measured_fish
from analytics.survey.convenience import met_by_convenience
from analytics.weeks import week_end

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analytics.data.snapshot import Snapshot
    from analytics.survey.design import Design

#: Tables whose warnings a reader of the bulletin should know; the sample's own are told apart.
TOLD = ("interviews", "fish")
#: Tables that are looked at for the season alone, or not at all.
_SEASONAL = ("site_days", "interviews", "fish", "bycatch", "boat_counts", "coverage")


def row_warnings(snapshot: Snapshot, design: Design) -> Iterator[Finding]:
    """Yield one warning for each kind that stored rows of the season give rise to.

    Parameters
    ----------
    snapshot : Snapshot
    design : Design
        The season: its site-days, their interviews, the fish measured at them and those measured
        on its open days are looked at.

    Yields
    ------
    Finding
        `seen` counts the rows and gives the first.
    """
    kinds: dict[tuple[str, str | None, str, str], list[Finding]] = defaultdict(list)
    stored = {name: snapshot[name].slice(0, 0 if name in _SEASONAL else None) for name in TABLES}
    for finding in check_between(stored, _of_season(snapshot, design)):
        if finding.table in TOLD and finding.severity is Severity.WARNING:
            kind = (finding.table, finding.column, finding.allowed, finding.advice)
            kinds[kind].append(finding)
    for alike in kinds.values():
        rows = "1 row" if len(alike) == 1 else f"{len(alike):,} rows, the first"
        first = min(alike, key=lambda finding: finding.row or 0)
        yield replace(first, seen=f"{rows}: {first.seen}", row=None, file="")


def _of_season(snapshot: Snapshot, design: Design) -> dict[str, Incoming]:
    """Return the season's rows as a batch: the rules warn of the rows of a batch only."""
    sampled = pa.array(design.site_days.sample_id.tolist(), pa.string())
    days = _among(snapshot["site_days"], "sample_id", sampled)
    drawn = _among(snapshot["interviews"], "sample_id", days["sample_id"])
    interviews = pa.concat_tables([drawn, _met_in(snapshot, design)])
    fish = _fish_of(snapshot, design, interviews["interview_id"])
    tables = {"site_days": days, "interviews": interviews, "fish": fish}
    return {
        name: Incoming(name, table, np.full(len(table), "", dtype=object), np.arange(len(table)))
        for name, table in tables.items()
    }


def _fish_of(snapshot: Snapshot, design: Design, interviews: pa.ChunkedArray) -> pa.Table:
    """Return the fish of some interviews, and those of no interview measured in the season."""
    fish = snapshot["fish"]
    alone = fish.filter(pc.is_null(fish["interview_id"]))
    measured = measured_fish(snapshot, season=design.season, through=design.through)
    return pa.concat_tables(
        [
            _among(fish, "interview_id", interviews),
            _among(alone, "fish_id", measured["fish_id"]),
        ]
    )


def _met_in(snapshot: Snapshot, design: Design) -> pa.Table:
    """Return the interviews of convenience of the design's season and weeks."""
    met = met_by_convenience(snapshot, season=design.season)
    met = met.filter(pc.less_equal(met["on_day"], pa.scalar(week_end(design.through))))
    return _among(snapshot["interviews"], "interview_id", met["interview_id"])


def _among(table: pa.Table, column: str, values: pa.Array | pa.ChunkedArray) -> pa.Table:
    return table.filter(pc.is_in(table[column], value_set=pc.drop_null(values)))
