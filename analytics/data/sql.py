"""DuckDB over Arrow tables held in memory: no file and no network is ever reached."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import duckdb

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pyarrow as pa

_CONFIG = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "enable_external_access": "false",
}


def connect(tables: Mapping[str, pa.Table]) -> duckdb.DuckDBPyConnection:
    """Return a connection that sees `tables` under their names; close it after use."""
    connection = duckdb.connect(":memory:", config=dict(_CONFIG))
    for name, table in tables.items():
        connection.register(name, table)
    return connection


def run(query: str, tables: Mapping[str, pa.Table]) -> pa.Table:
    """Return the result of one query over `tables`."""
    with connect(tables) as connection:
        result: Any = connection.sql(query).to_arrow_table()
    return result


def name(identifier: str) -> str:
    """Return an identifier in quotes."""
    return '"' + identifier.replace('"', '""') + '"'
