"""The demo season as a store with its bulletins, made once and kept in the user's cache."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from platformdirs import user_cache_path

from analytics.bulletin.build import make_bulletin
from analytics.bulletin.second_process import second_process
from analytics.data.importing import OUTLINES_FILE, Incoming, read_paths
from analytics.data.kept import program_key
from analytics.data.schema import TABLES
from analytics.data.snapshot import Snapshot
from analytics.data.store import Store
from analytics.survey.build import seasons_with_data
from analytics.weeks import iso_week

if TYPE_CHECKING:
    from collections.abc import Callable

    from analytics.arrays import Bools


# How the demo season came in: a first batch with slips in it, their correction, the last week.

Tables = Mapping[str, pa.Table]

#: Weeks before the last one in which forms were late, and in which two columns were swapped.
LATE_WEEKS_AGO, SWAPPED_WEEKS_AGO = 4, 2
#: Of the site-days of the late week, every this many-th came late.
LATE_EVERY = 3
SWAPPED = ("released_legal", "released_sublegal")
#: Tables that belong to interviews.
_OF_INTERVIEWS = ("fish", "bycatch")


@dataclass(frozen=True, slots=True)
class Step:
    """A batch of the demo's history: its tables and the names of its files."""

    tables: Tables
    sources: tuple[str, ...]


def history(tables: Tables) -> list[Step]:
    """Return the batches that the demo tables came in, the bulletin's first week apart.

    They are the tables without the last sampled week, with a few forms missing and two columns
    swapped in some interviews; what corrects that; the last week.
    """
    days = tables["site_days"].to_pandas()
    days["week"] = iso_week(pd.to_datetime(days["date"]))
    weeks = sorted(days["week"].unique())
    interviews = tables["interviews"]
    week = pd.Series(interviews["sample_id"].to_pandas()).map(days.set_index("sample_id")["week"])
    late = _late(days, weeks[-1 - LATE_WEEKS_AGO])
    is_late = interviews["sample_id"].to_pandas().isin(late).to_numpy()
    is_last = (week == weeks[-1]).to_numpy()
    is_swapped = _swapped(interviews, in_week=(week == weeks[-1 - SWAPPED_WEEKS_AGO]).to_numpy())
    of_last = tables["site_days"].filter(pa.array((days["week"] == weeks[-1]).to_numpy()))
    first = {
        **tables,
        "site_days": tables["site_days"].filter(pa.array((days["week"] != weeks[-1]).to_numpy())),
        "interviews": _with_slip(interviews, is_swapped).filter(pa.array(~(is_late | is_last))),
        **{name: _without(tables[name], interviews, is_late | is_last) for name in _OF_INTERVIEWS},
    }
    corrected = interviews.filter(pa.array(is_late | is_swapped))
    last = {"site_days": of_last, "interviews": interviews.filter(pa.array(is_last))}
    return [
        Step(first, ("demo_parquet",)),
        Step(
            {"interviews": corrected}
            | {name: _of(tables[name], interviews, is_late) for name in _OF_INTERVIEWS},
            ("late_forms.parquet", "columns_corrected.parquet"),
        ),
        Step(
            last | {name: _of(tables[name], interviews, is_last) for name in _OF_INTERVIEWS},
            (f"week_{weeks[-1]}.parquet",),
        ),
    ]


def _late(days: pd.DataFrame, week: str) -> list[str]:
    """Return the site-days of a week whose interviews came late: they had boats."""
    had_boats = days[(days["week"] == week) & (days["boats_returned"] > 0)]
    return list(had_boats["sample_id"].sort_values())[::LATE_EVERY]


def _swapped(interviews: pa.Table, *, in_week: Bools) -> Bools:
    """Return the interviews of the busiest area of a week."""
    area = interviews["area"].to_pandas()
    busiest = area[in_week].value_counts().sort_index().idxmax()
    found: Bools = in_week & (area == busiest).to_numpy()
    return found


def _with_slip(interviews: pa.Table, which: Bools) -> pa.Table:
    """Return the interviews with two columns swapped in some rows."""
    here = pa.array(which)
    one, other = (interviews[name] for name in SWAPPED)
    for name, own, wrong in ((SWAPPED[0], one, other), (SWAPPED[1], other, one)):
        at = interviews.schema.get_field_index(name)
        mixed = pc.if_else(here, wrong, own)
        interviews = interviews.set_column(at, interviews.schema.field(at), mixed)
    return interviews


def _of(table: pa.Table, interviews: pa.Table, which: Bools) -> pa.Table:
    """Return the rows of a table that belong to some interviews."""
    return table.filter(_belongs(table, interviews, which))


def _without(table: pa.Table, interviews: pa.Table, which: Bools) -> pa.Table:
    """Return the rows of a table that do not belong to some interviews."""
    return table.filter(pc.invert(_belongs(table, interviews, which)))


def _belongs(table: pa.Table, interviews: pa.Table, which: Bools) -> pa.ChunkedArray:
    some = interviews["interview_id"].filter(pa.array(which))
    return pc.is_in(table["interview_id"], value_set=some.combine_chunks())


#: The demo tables beside the packages, as they stand in the repository.
PACKAGE = Path(__file__).resolve().parents[1]
DEMO_FOLDER = PACKAGE.parent / "demo_parquet"


def prepare(progress: Callable[[str], None] = lambda words: None) -> Path:
    """Return the path of the demo store, made on first use with a bulletin for every season.

    The newest season has an earlier bulletin too, from before a correction and its last week. A
    change of the demo tables or of the program makes a new store. `progress` is called with a few
    words before each step.
    """
    tables = _demo_tables(progress)
    name = f"demo-{program_key()}-{Snapshot.of(tables).key}"
    target = user_cache_path("blackmouth") / name
    if target.exists():
        return target
    target.parent.mkdir(parents=True, exist_ok=True)
    draft = Path(tempfile.mkdtemp(prefix=".draft-", dir=target.parent))
    try:
        _fill(Store(draft / "store"), tables, progress)
        os.rename(draft / "store", target)  # noqa: PTH104 - the one step that makes it visible
    except OSError:
        if not target.exists():  # another process made the same store first: that one stands
            raise
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    return target


def _demo_tables(progress: Callable[[str], None]) -> dict[str, pa.Table]:
    folder = DEMO_FOLDER
    if not folder.is_dir():  # installed without the repository: simulate the same season
        from analytics.simulation.write import write_demo  # noqa: PLC0415 - rarely needed

        progress("simulating the demo season")
        folder = user_cache_path("blackmouth") / "demo_parquet"
        write_demo(folder)
    return demo_tables(folder)


def demo_tables(folder: Path) -> dict[str, pa.Table]:
    """Return the input tables of a folder that the demo was written to, outlines among them."""
    tables = {
        name: pq.read_table(folder / f"{name}.parquet")
        for name in TABLES
        if (folder / f"{name}.parquet").exists()
    }
    outlines = read_paths([folder / OUTLINES_FILE]).tables["area_outlines"]
    tables |= {"area_outlines": outlines.data} if isinstance(outlines, Incoming) else {}
    # A folder that an older program wrote lacks tables that came later.
    return {name: tables[name] for name in TABLES if name in tables}


def _fill(store: Store, tables: dict[str, pa.Table], progress: Callable[[str], None]) -> None:
    progress("storing the demo tables")
    first, *later = history(tables)
    store.add(first.tables, sources=first.sources)
    *_, newest = seasons = seasons_with_data(store.snapshot())
    progress(f"making the bulletin of {newest} before its last week")
    with second_process(store.path) as second:
        make_bulletin(store, season=newest, second=second)
    for step in later:
        store.add(step.tables, sources=step.sources)
    # A season's projections are scored by its own later bulletins, so that bulletins of one version
    # know nothing of each other: two are made at a time.
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        made = pool.map(partial(_make, store.path), seasons)
        for season, _ in zip(seasons, made, strict=True):
            progress(f"making the bulletins of all seasons: {season} is done")


def _make(path: Path, season: str) -> None:
    make_bulletin(Store(path), season=season)
