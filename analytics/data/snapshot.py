"""A snapshot: the current rows of every table at one version of a store, immutable."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import pyarrow as pa

from analytics.data.schema import TABLES

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True, eq=False)
class Snapshot:
    """Input tables as they stood at one version; every estimate is made from one.

    Parameters
    ----------
    tables : mapping of str to pyarrow.Table
        Every table of the schema in its Arrow schema; a table never imported is there, empty.
    version : int
        The store's version; 0 for tables held in memory.
    """

    tables: Mapping[str, pa.Table]
    version: int = 0

    @classmethod
    def of(cls, tables: Mapping[str, pa.Table], *, version: int = 0) -> Snapshot:
        """Return a snapshot of `tables` cast to the schema, missing columns and tables empty.

        Raises
        ------
        pyarrow.ArrowInvalid
            If a column cannot be cast without loss.
        """
        whole = {name: _conform(tables.get(name), name) for name in TABLES}
        return cls(MappingProxyType(whole), version)

    def __getitem__(self, name: str) -> pa.Table:
        return self.tables[name]

    @property
    def key(self) -> str:
        """A short hash of the content: equal content, equal key."""
        digest = hashlib.blake2b(digest_size=12)
        for name, table in self.tables.items():
            digest.update(name.encode())
            sink = pa.BufferOutputStream()
            with pa.ipc.new_stream(sink, table.schema) as writer:
                writer.write_table(table.combine_chunks())
            digest.update(memoryview(sink.getvalue()))
        return digest.hexdigest()


def _conform(table: pa.Table | None, name: str) -> pa.Table:
    schema = TABLES[name].arrow_schema
    if table is None:
        return schema.empty_table()
    columns = [
        table[field.name].cast(field.type)
        if field.name in table.column_names
        else pa.nulls(table.num_rows, field.type)
        for field in schema
    ]
    return pa.Table.from_arrays(columns, schema=schema)
