"""A table brought into a schema; readers need pyarrow only."""

from __future__ import annotations

import pyarrow as pa


def conformed(table: pa.Table, schema: pa.Schema) -> pa.Table:
    """Return a table with the columns of a schema, cast; one that it lacks is null.

    Parameters
    ----------
    table : pyarrow.Table
    schema : pyarrow.Schema

    Returns
    -------
    pyarrow.Table
        Other columns are left out.

    Raises
    ------
    pyarrow.ArrowInvalid
        If a column cannot be cast without loss.
    """
    columns = [
        table[field.name].cast(field.type)
        if field.name in table.column_names
        else pa.nulls(table.num_rows, field.type)
        for field in schema
    ]
    return pa.Table.from_arrays(columns, schema=schema)
