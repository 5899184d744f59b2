"""Files of held fish: one row a fish, or one row a group of a trial; read and checked."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from pyarrow.csv import open_csv

from analytics.data.checks import check_between, check_keys
from analytics.data.importing import ENDINGS, read_file, type_raw
from analytics.data.schema import HELD_FISH, TABLES
from analytics.data.snapshot import Snapshot
from analytics.errors import DataRejected, UsageError
from analytics.findings import Finding, Severity, number_of
from analytics.fish.holding_trials import ONE_TRIAL, HeldFish, plain_group

if TYPE_CHECKING:
    from pathlib import Path

    from analytics.data.schema import Table


def read_held(path: Path) -> tuple[HeldFish, list[Finding]]:
    """Read held fish, in the columns of `data.schema.HELD_FISH`; it raises as `rows_of_file`."""
    data, findings = rows_of_file(path, HELD_FISH)
    columns = {name: data[name].to_pylist() for name in HELD_FISH.arrow_schema.names}
    lengths = [np.nan if one is None else one for one in columns["total_length_mm"]]
    trials = [ONE_TRIAL if one is None else one for one in columns["trial_id"]]
    fish = HeldFish(
        np.array(trials, dtype=object),
        np.array([plain_group(one) for one in columns["group"]], dtype=object),
        np.array(lengths, dtype=np.float64),
        np.array(columns["hours"], dtype=np.float64),
        np.array(columns["died"], dtype=bool),
        np.array(columns["test_trip_id"], dtype=object),
    )
    return fish, findings


def held_table(path: Path) -> Table:
    """Return the table whose columns a file has: one row a fish, or one a group of a trial."""
    try:
        is_csv = path.suffix.lower() == ".csv"
        names = open_csv(path).schema.names if is_csv else pq.read_schema(path).names
    except (pa.ArrowException, OSError):
        return HELD_FISH  # reading it says what is wrong
    heads = {name.strip() for name in names}
    return TABLES["holding_trials"] if "held" in heads and "held_id" not in heads else HELD_FISH


def rows_of_file(path: Path, table: Table) -> tuple[pa.Table, list[Finding]]:
    """Read a table of held fish or of holding trials from a CSV or Parquet file, and check it.

    Raises
    ------
    UsageError
        If there is no such file, or it ends in neither .csv nor .parquet.
    DataRejected
        If a cell or the whole file is at fault, or no row is in it.
    """
    row = "fish" if table is HELD_FISH else "group of a trial"
    if not path.is_file() or path.suffix.lower() not in ENDINGS:
        seen = f"{path} ends otherwise" if path.is_file() else f"{path} is no file"
        raise UsageError(f"{seen}; name a .csv or .parquet file of held fish, one row a {row}")
    reading = read_file(path, table=table.name)
    findings = [*reading.faults, *reading.findings]
    if reading.raw is None:
        raise DataRejected("1 error: nothing was calculated", findings)
    typed, found = type_raw(reading.raw)
    findings += [*found, *check_keys(typed)]
    if table.name in TABLES and not any(one.severity is Severity.ERROR for one in findings):
        none = Snapshot.of({})
        findings += check_between({name: none.source(name) for name in TABLES}, {table.name: typed})
    errors = [one for one in findings if one.severity is Severity.ERROR]
    if errors:
        raise DataRejected(f"{number_of(len(errors), 'error')}: nothing was calculated", findings)
    if not typed.data.num_rows:
        raise DataRejected(f"{path}: no fish in the file; write one row a {row}", findings)
    return typed.data, findings
