"""Taking figures out of tables for publication, with the reason in their place."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.precision import WITHHELD_OVER

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

#: Stands in `method` or `reason` in the place of a withheld figure's own.
WITHHELD = f"withheld: its percent standard error is over {WITHHELD_OVER:.0f}"


def withheld_keys(rows: pa.Table) -> set[tuple[str | None, ...]]:
    """Return area, week and quantity of the rows that are withheld."""
    withheld = rows.filter(pc.equal(rows["method"], WITHHELD))
    columns = ("area", "week", "quantity")
    return set(zip(*(withheld[name].to_pylist() for name in columns), strict=True))


def without(
    table: pa.Table,
    *,
    hidden: Sequence[bool],
    instead: Mapping[str, str],
    taken: Sequence[str],
) -> pa.Table:
    """Return a table with some columns of hidden rows null, and words in others."""
    mask = pa.array(hidden, pa.bool_())
    columns = dict.fromkeys(name for name in taken if name in table.column_names) | dict(instead)
    for name, value in columns.items():
        at = table.schema.get_field_index(name)
        field = table.schema.field(at)
        column = pc.if_else(mask, pa.scalar(value, field.type), table[name])
        table = table.set_column(at, field, column)
    return table


def floats(column: pa.ChunkedArray) -> NDArray[np.float64]:
    """Return a column of numbers as an array, NaN where it is null."""
    return np.asarray(pc.fill_null(pc.cast(column, pa.float64()), np.nan), dtype=float)
