"""Warnings of a season's rows, found by queries: they are those of a batch of the same rows."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest

from analytics.data import query as sql
from analytics.data.checks import check_between
from analytics.data.importing import Incoming
from analytics.data.schema import TABLES
from analytics.data.store import Store
from analytics.estimates.sampling_report import SHOWN, row_warnings
from analytics.findings import Finding, Severity
from analytics.fish.lengths import measured_fish
from analytics.survey.build import build_design
from analytics.survey.estimators import convenience_interviews
from analytics.weeks import week_end

if TYPE_CHECKING:
    from analytics.data.snapshot import Snapshot

DEMO = Path(__file__).parents[2] / "demo_parquet"
SEASON = "2034-35"
SEASONAL = ("site_days", "interviews", "fish", "bycatch", "boat_counts", "coverage")


def every(table: pa.Table, column: str, nth: int, value: object) -> pa.Table:
    """Return a table with another value in every n-th row of a column."""
    at = table.schema.get_field_index(column)
    chosen = pa.array(np.arange(len(table)) % nth == nth - 1)
    other = pa.scalar(value, table.schema.field(at).type)
    return table.set_column(at, table.schema.field(at), pc.if_else(chosen, other, table[column]))


@pytest.fixture(scope="module")
def snapshot(tmp_path_factory) -> Snapshot:
    """The demo with slips of every kind, and one area that is met by convenience; from a store."""
    tables = {path.stem: pq.read_table(path) for path in DEMO.glob("*.parquet")}
    interviews, fish, seasons = (tables[name] for name in ("interviews", "fish", "seasons"))
    interviews = every(interviews, "trip_complete", 97, False)
    interviews = every(interviews, "hours_fished", 89, 0.0)
    interviews = every(interviews, "method", 53, None)
    interviews = every(interviews, "method", 4_001, "trolin")
    interviews = every(interviews, "kept", 211, 31)
    fish = every(fish, "interview_id", 7, None)
    fish = every(fish, "total_length_mm", 11, 400.0)
    fish = every(fish, "weight_g", 13, 60_000.0)
    fish = every(fish, "kept", 3, True)
    area = seasons["area"][0].as_py()
    here = pc.equal(seasons["area"], area)
    at = seasons.schema.get_field_index("design")
    design = pc.if_else(here, pa.scalar("opportunistic"), seasons["design"])
    seasons = seasons.set_column(at, seasons.schema.field(at), design)
    is_met = np.arange(len(interviews)) % 5 == 0
    site_of = tables["site_days"].select(["sample_id", "site", "date"])
    placed = (
        interviews.select(["sample_id"])
        .to_pandas()
        .merge(site_of.to_pandas(), on="sample_id", how="left")
    )
    for name, kind in (("site", pa.string()), ("date", pa.date32())):
        where = interviews.schema.get_field_index(name)
        values = pa.array(placed[name].where(is_met, None), kind, from_pandas=True)
        interviews = interviews.set_column(where, pa.field(name, kind), values)
    where = interviews.schema.get_field_index("sample_id")
    sample = pc.if_else(pa.array(is_met), pa.scalar(None, pa.string()), interviews["sample_id"])
    interviews = interviews.set_column(where, "sample_id", sample)
    store = Store(tmp_path_factory.mktemp("store"))
    store.add(tables | {"interviews": interviews, "fish": fish, "seasons": seasons})
    return store.snapshot()


def of_a_batch(snapshot: Snapshot) -> list[Finding]:
    """Return what the checks say of the season's rows as a batch, all rows in memory."""
    design = build_design(snapshot, season=SEASON)

    def among(name: str, column: str, values: pa.Array) -> pa.Table:
        table = snapshot[name]
        return table.filter(pc.is_in(table[column], value_set=pc.drop_null(values)))

    days = among("site_days", "sample_id", pa.array(design.site_days.sample_id.tolist()))
    met = convenience_interviews(snapshot, season=SEASON)
    met = met.filter(pc.less_equal(met["on_day"], pa.scalar(week_end(design.through))))
    drawn = among("interviews", "sample_id", days["sample_id"])
    interviews = pa.concat_tables([drawn, among("interviews", "interview_id", met["interview_id"])])
    measured = measured_fish(snapshot, season=SEASON, through=design.through)
    alone = among("fish", "fish_id", measured["fish_id"])
    alone = alone.filter(pc.is_null(alone["interview_id"]))
    of_boats = among("fish", "interview_id", interviews["interview_id"])
    tables = {
        "site_days": days,
        "interviews": interviews,
        "fish": pa.concat_tables([of_boats, alone]),
    }
    batch = {
        name: Incoming(name, table, np.full(len(table), "", dtype=object), np.arange(len(table)))
        for name, table in tables.items()
    }
    stored = {name: snapshot[name].slice(0, 0 if name in SEASONAL else None) for name in TABLES}
    kinds = defaultdict(list)
    for one in check_between(stored, batch):
        if one.table in SHOWN and one.severity is Severity.WARNING:
            kinds[one.table, one.column, one.allowed, one.advice].append(one)
    found = []
    for alike in kinds.values():
        n = sum(one.times for one in alike)
        rows = "1 row" if n == 1 else f"{n:,} rows, the first"
        first = min(alike, key=lambda one: np.inf if one.row is None else one.row)
        found.append(replace(first, seen=f"{rows}: {first.seen}", row=None, times=1))
    return found


def test_they_are_those_of_a_batch_of_the_same_rows(snapshot, monkeypatch):
    whole = of_a_batch(snapshot)
    assert len(whole) >= 7
    assert {one.table for one in whole} == {"interviews", "fish"}
    design = build_design(snapshot, season=SEASON)
    assert list(row_warnings(snapshot, design)) == whole
    # Read where they lie, without a row in memory.
    monkeypatch.setattr(sql, "SMALL_FILES", 0)
    assert isinstance(snapshot.source("interviews"), sql.ParquetRows)
    assert list(row_warnings(snapshot, design)) == whole
