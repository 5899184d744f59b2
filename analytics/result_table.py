"""The one tidy shape of every estimate: column names, types and order of a result row."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING, Any

import pandas as pd
import pyarrow as pa

from analytics.quantities import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Sequence


def texts(*names: str) -> list[tuple[str, pa.DataType]]:
    """Return columns of text for a schema."""
    return [(name, pa.string()) for name in names]


def numbers(*names: str) -> list[tuple[str, pa.DataType]]:
    """Return columns of numbers for a schema."""
    return [(name, pa.float64()) for name in names]


def counts(*names: str) -> list[tuple[str, pa.DataType]]:
    """Return columns of integers for a schema."""
    return [(name, pa.int64()) for name in names]


def known(value: float | None) -> float | None:
    """Return a number as tables have it: null where it is not finite."""
    return None if value is None or not math.isfinite(value) else float(value)


#: Figures of a domain: error, interval, sample sizes, method and status; tables that have another
#: `basis` of their own take these alone.
FIGURE_SCHEMA = pa.schema(
    [
        *texts("season", "area", "week", "quantity", "unit"),
        *numbers("estimate", "se", "ci_low", "ci_high", "ci_level"),
        ("ci_method", pa.string()),
        ("df", pa.float64()),
        *counts("n_psu", "n_psu_frame", "n_interviews"),
        *texts("method", "status"),
    ]
)
#: Result rows: one a domain and quantity, and what its released fish stand on.
RESULT_SCHEMA = pa.schema([*FIGURE_SCHEMA, ("basis", pa.string())])  # reported | sampled
RESULT_COLUMNS: tuple[str, ...] = tuple(RESULT_SCHEMA.names)
DOMAIN_COLUMNS: tuple[str, ...] = ("season", "area", "week")


def to_arrow(rows: Sequence[dict[str, Any]]) -> pa.Table:
    """Return result rows as Arrow, in the columns and order of `RESULT_SCHEMA`.

    Parameters
    ----------
    rows : sequence of dict
        One dict a row; a missing key is null.

    Returns
    -------
    pyarrow.Table
        Sorted by season, area, week and the registry's order of quantities; nulls first.

    Raises
    ------
    ValueError
        If two rows share a domain and quantity, or a quantity is not in the registry.
    """
    order = {name: rank for rank, name in enumerate(QUANTITIES)}
    unknown = {row["quantity"] for row in rows} - set(order)
    if unknown:
        raise ValueError(f"quantities not in the registry: {sorted(unknown)}")

    def key(row: dict[str, Any]) -> tuple[str, str, str, int]:
        season, area, week = (row.get(name) or "" for name in DOMAIN_COLUMNS)
        return season, area, week, order[row["quantity"]]

    ranked = sorted(rows, key=key)
    for before, after in itertools.pairwise(map(key, ranked)):
        if before == after:
            raise ValueError(f"two result rows for {after}")
    return pa.Table.from_pylist(ranked, schema=RESULT_SCHEMA)


def to_frame(table: pa.Table) -> pd.DataFrame:
    """Return result rows as a pandas frame; counts keep their integers where they are null."""
    frame: pd.DataFrame = table.to_pandas(types_mapper={pa.int64(): pd.Int64Dtype()}.get)
    return frame
