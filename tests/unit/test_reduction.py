"""The reduction against plain sums, from memory and from files, with cells left empty."""

from __future__ import annotations

import datetime as dt
import itertools
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analytics.data import query
from analytics.fish.mark_composition import mark_analysis, mark_measures
from analytics.survey.build import build_design
from analytics.survey.reduction import (
    NOTHING,
    Analysis,
    Measure,
    Reduction,
    SumQuery,
    catch_measures,
    whole_catch_analyses,
)
from tests.tables import MONDAY, SiteDay, interview, survey

if TYPE_CHECKING:
    from pathlib import Path

    from analytics.data.snapshot import Snapshot

COUNTS = ("kept", "released_legal", "released_sublegal", "released_unknown", "kept_marked")


def boats(rng: np.random.Generator, *, gaps: bool) -> list[dict[str, Any]]:
    """Return interviews of one site-day; with `gaps` any number may be missing."""
    made = []
    for _ in range(int(rng.integers(0, 6))):
        boat = {name: int(rng.integers(0, 4)) for name in COUNTS}
        boat |= {"anglers": int(rng.integers(1, 4)), "hours_fished": float(rng.uniform(1, 9))}
        for name in boat:
            if gaps and rng.random() < 0.15:
                boat[name] = None
        made.append(
            interview(
                area=str(rng.choice(["A", "B"])),
                trip_complete=[True, None, False][rng.choice(3)],
                released_legal_marked=0,
                released_sublegal_marked=0,
                **boat,
            )
        )
    return made


def season(*, gaps: bool) -> Snapshot:
    """Return a season of twenty site-days."""
    rng = np.random.default_rng(7)
    days = [
        SiteDay(9, boats(rng, gaps=gaps), date=MONDAY + dt.timedelta(days=place))
        for place in range(20)
    ]
    return survey(days, sites={"r1": "A", "r2": "B"})


def by_hand(snapshot: Snapshot, analysis: Analysis) -> dict[tuple[str, str], list[Any]]:
    """Return count, sums and products by site-day and area, from the rows one by one."""
    cells: dict[tuple[str, str], list[Any]] = {}
    for row in snapshot["interviews"].to_pylist():
        numbers = [number_of(row, name) for name in analysis.measures]
        others = [number_of(row, name) for name in analysis.given]
        if row["trip_complete"] is False or None in (*numbers, *others):
            continue
        y = np.array(numbers, dtype=float)
        cell = cells.setdefault((row["sample_id"], row["area"]), [0, 0, 0])
        for place, value in enumerate((1, y, np.outer(y, y))):
            cell[place] = cell[place] + value
    return cells


def number_of(row: dict[str, Any], name: str) -> float | None:
    """Return a measure of one interview in plain Python, None where it was not given."""
    legal, sublegal = row["released_legal"], row["released_sublegal"]
    released = None
    if legal is not None and sublegal is not None:
        released = legal + sublegal + (row["released_unknown"] or 0)
    kept, anglers, hours = row["kept"], row["anglers"], row["hours_fished"]
    plain = {
        "boat_trips": 1.0,
        "angler_trips": anglers,
        "angler_hours": None if None in (anglers, hours) else anglers * hours,
        "released_fish": released,
        "encounter_fish": None if None in (kept, released) else kept + released,
        "released_unknown_all": row["released_unknown"] or 0,
        "released_unknown_fish": row["released_unknown"] or 0,
        "released_unknown_recorded": row["released_unknown"],
    }
    if name in plain:
        return plain[name]
    for part in ("kept", "released_legal", "released_sublegal"):
        fish, marked = row[part], row[f"{part}_marked"]
        ways = {
            "_all": fish,
            "_read": fish if marked is not None else 0,
            "_marked_read": marked or 0,
        }
        for ending, number in ways.items():
            if name == part + ending:
                return None if fish is None else number
    number: float | None = row[name.removesuffix("_fish")]
    return number


@pytest.mark.parametrize("gaps", [False, True])
@pytest.mark.parametrize("on_disk", [False, True])
def test_the_sums_are_those_of_the_rows(tmp_path: Path, gaps: bool, on_disk: bool) -> None:
    snapshot = season(gaps=gaps)
    source: query.Source = snapshot["interviews"]
    if on_disk:
        file = tmp_path / "interviews.parquet"
        pq.write_table(snapshot["interviews"], file)
        empty = {name for name, gap in query.gaps_of_files((file,)).items() if gap}
        source = query.ParquetRows((file,), "SELECT * FROM {files}", frozenset(empty))
    design = build_design(snapshot, season="2030-31")
    analyses = {*itertools.chain(*whole_catch_analyses().values()), mark_analysis()}
    measures = catch_measures() | mark_measures()
    reduction = Reduction(source, design=design, measures=measures, analyses=analyses)
    for analysis in analyses:
        found, wanted = reduction.moments(analysis), by_hand(snapshot, analysis)
        keys = [
            (design.site_days.sample_id[unit], design.areas[area])
            for unit, area in zip(found.unit, found.area, strict=True)
        ]
        assert keys == sorted(wanted)
        for place, key in enumerate(keys):
            n, sums, products = wanted[key]
            assert found.n[place] == n
            np.testing.assert_allclose(found.sums[place], sums, rtol=1e-14)
            i, j = found.pair.T
            mine = [column[place] for column in found.products]
            np.testing.assert_allclose(mine, products[i, j], rtol=1e-14)
        joint = reduction.joint(analysis)
        columns = joint.columns[analysis]
        np.testing.assert_array_equal(joint.moments.n, found.n)
        np.testing.assert_array_equal(joint.moments.sums[:, columns], found.sums)
        where = {tuple(pair): place for place, pair in enumerate(joint.moments.pair.tolist())}
        asked = [where[tuple(sorted((columns[i], columns[j])))] for i, j in found.pair.tolist()]
        for place, column in zip(asked, found.products, strict=True):
            np.testing.assert_array_equal(joint.moments.products[place], column)


def test_equal_sums_are_asked_for_once() -> None:
    measures = catch_measures() | mark_measures() | {"none": Measure("none", "0")}
    full, gaps = SumQuery(measures, frozenset()), SumQuery(measures, frozenset({"kept_marked"}))
    kept, read = Analysis(("kept_fish",)), Analysis(("kept_read",))
    assert full.ask(kept) == full.ask(read) == full.ask(Analysis(("kept_fish",), ("angler_trips",)))
    assert full.ask(Analysis(("boat_trips",))).sums[0] == full.ask(kept).count
    assert full.ask(Analysis(("none",))).products[0][0] == NOTHING
    assert gaps.ask(kept) != gaps.ask(read)
    # Boats that gave both numbers are fewer than those that gave one of them.
    some = SumQuery(measures, frozenset({"anglers"}))
    both, beside = (
        Analysis(("kept_fish", "angler_trips")),
        Analysis(("kept_fish",), ("angler_trips",)),
    )
    assert some.ask(both).sums[0] == some.ask(beside).sums[0] != some.ask(kept).sums[0]


def test_no_interview_at_all_gives_no_cell() -> None:
    snapshot = survey([SiteDay(0, [])])
    design = build_design(snapshot, season="2030-31")
    analysis = Analysis(("kept_fish",))
    empty = snapshot["interviews"]
    assert isinstance(empty, pa.Table)
    reduction = Reduction(empty, design=design, measures=catch_measures(), analyses=[analysis])
    assert len(reduction.moments(analysis).n) == 0
