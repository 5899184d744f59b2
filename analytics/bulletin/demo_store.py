"""The demo season as a store with its bulletins, made once and kept in the user's cache."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow.parquet as pq
from platformdirs import user_cache_path

from analytics.bulletin.build import make_bulletin
from analytics.bulletin.demo_history import history
from analytics.data.schema import TABLES
from analytics.data.snapshot import Snapshot
from analytics.data.store import Store
from analytics.survey.build import seasons_with_data

if TYPE_CHECKING:
    from collections.abc import Callable

    import pyarrow as pa

#: The demo tables beside the packages, as they stand in the repository.
PACKAGE = Path(__file__).resolve().parents[1]
DEMO_FOLDER = PACKAGE.parent / "demo_parquet"


def prepare(progress: Callable[[str], None] = lambda words: None) -> Path:
    """Return the path of the demo store, made on first use with a bulletin for every season.

    The newest season has an earlier bulletin too, from before a correction and its last week.

    Parameters
    ----------
    progress : callable, optional
        Called with a few words before each step.

    Returns
    -------
    pathlib.Path
        A store; a change of the demo tables or of the program makes a new one.
    """
    tables = _demo_tables(progress)
    name = f"demo-{_program()}-{Snapshot.of(tables).key}"
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


def _program() -> str:
    """Return a short hash of the program's own code: other code makes its own demo store."""
    digest = hashlib.blake2b(digest_size=6)
    for path in sorted(PACKAGE.rglob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()


def _demo_tables(progress: Callable[[str], None]) -> dict[str, pa.Table]:
    folder = DEMO_FOLDER
    if not folder.is_dir():  # installed without the repository: simulate the same season
        from analytics.data.demo.write import write_demo  # noqa: PLC0415 - rarely needed

        progress("simulating the demo season")
        folder = user_cache_path("blackmouth") / "demo_parquet"
        write_demo(folder)
    return {
        name: pq.read_table(folder / f"{name}.parquet")
        for name in TABLES
        if (folder / f"{name}.parquet").exists()
    }


def _fill(store: Store, tables: dict[str, pa.Table], progress: Callable[[str], None]) -> None:
    progress("storing the demo tables")
    first, *later = history(tables)
    store.add(first.tables, sources=first.sources)
    *_, newest = seasons = seasons_with_data(store.snapshot())
    progress(f"making the bulletin of {newest} before its last week")
    make_bulletin(store, season=newest)
    for step in later:
        store.add(step.tables, sources=step.sources)
    # Bulletins of one version know nothing of each other: two are made at a time.
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        made = pool.map(partial(_make, store.path), seasons)
        for season, _ in zip(seasons, made, strict=True):
            progress(f"making the bulletins of all seasons: {season} is done")


def _make(path: Path, season: str) -> None:
    make_bulletin(Store(path), season=season)
