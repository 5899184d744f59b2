"""A snapshot: the current rows of every table at one version of a store, immutable."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from analytics.data import query
from analytics.data.kept import MakesOnce
from analytics.data.schema import TABLES, cast_to_schema

if TYPE_CHECKING:
    from analytics.data.query import ParquetRows, Source


@dataclass(frozen=True, slots=True, eq=False)
class Snapshot(MakesOnce):
    """Input tables as they stood at one version; every estimate is made from one.

    What several steps of a run share is made once (`once`).

    Parameters
    ----------
    tables : mapping of str to pyarrow.Table
        Every table of the schema in its Arrow schema; a table never imported is there, empty.
    version : int
        The store's version; 0 for tables held in memory.
    files : mapping of str to ParquetRows
        Tables that a query may read where they lie, with the same rows in any order.
    """

    tables: Mapping[str, pa.Table]
    version: int = 0
    files: Mapping[str, ParquetRows] = field(default_factory=dict)
    _made: dict[object, Any] = field(default_factory=dict, init=False, repr=False)

    @classmethod
    def of(cls, tables: Mapping[str, pa.Table], *, version: int = 0) -> Snapshot:
        """Return a snapshot of `tables` cast to the schema, missing columns and tables empty.

        A column that cannot be cast without loss is a `pyarrow.ArrowInvalid`.
        """
        conformed = {name: _conform(tables.get(name), name) for name in TABLES}
        return cls(MappingProxyType(conformed), version)

    @classmethod
    def on_disk(
        cls, load: Callable[[str], pa.Table], *, version: int, files: Mapping[str, ParquetRows]
    ) -> Snapshot:
        """Return a snapshot whose tables `load` returns by name, each once, at first use.

        A query may read the tables of `files` where they lie.
        """
        return cls(_Loaded(load), version, MappingProxyType(dict(files)))

    def __getitem__(self, name: str) -> pa.Table:
        return self.tables[name]

    def source(self, name: str) -> Source:
        """Return a table for a query: its files where they are large, else the table itself."""
        files = self.files.get(name)
        return self.tables[name] if files is None or files.is_small else files

    def with_rows(self, name: str, rows: Source) -> Snapshot:
        """Return a snapshot in which a table holds other rows, in the schema or not."""
        if isinstance(rows, pa.Table):
            tables = {one: self[one] for one in TABLES} | {name: rows}
            return Snapshot(MappingProxyType(tables), self.version)
        files = MappingProxyType({**self.files, name: rows})
        return Snapshot(_Replaced(self.tables, name, rows), self.version, files)

    @property
    def key(self) -> str:
        """A short hash of the content: equal content, equal key."""
        return content_key(self.tables)


def content_key(tables: Mapping[str, pa.Table]) -> str:
    """Return a short hash of tables and their names: equal content, equal key."""
    digest = hashlib.blake2b(digest_size=12)
    for name, table in tables.items():
        digest.update(name.encode())
        with (
            pa.PythonFile(_Sink(digest.update), mode="w") as sink,
            pa.ipc.new_stream(sink, table.schema) as writer,
        ):
            writer.write_table(table.combine_chunks())
    return digest.hexdigest()


class _Loaded(Mapping[str, pa.Table]):
    """Every table of the schema, each loaded at its first use."""

    def __init__(self, load: Callable[[str], pa.Table]) -> None:
        self._load = load
        self._held: dict[str, pa.Table] = {}

    def __getitem__(self, name: str) -> pa.Table:
        if name not in TABLES:
            raise KeyError(name)
        if name not in self._held:
            self._held[name] = _conform(self._load(name), name)
        return self._held[name]

    def __iter__(self) -> Iterator[str]:
        return iter(TABLES)

    def __len__(self) -> int:
        return len(TABLES)


class _Replaced(_Loaded):
    """The tables of another snapshot, one of them by a query of its own."""

    def __init__(self, tables: Mapping[str, pa.Table], name: str, rows: ParquetRows) -> None:
        super().__init__(tables.__getitem__)
        self._name, self._rows = name, rows

    def __getitem__(self, name: str) -> pa.Table:
        if name == self._name and name not in self._held:
            self._held[name] = query.run("FROM rows", {"rows": self._rows})
        return super().__getitem__(name)


class _Sink:
    """A file that hands on what is written and keeps none of it."""

    closed = False

    def __init__(self, take: Callable[[memoryview], None]) -> None:
        self._take = take

    def write(self, data: bytes) -> int:
        """Hand `data` on."""
        self._take(memoryview(data))
        return len(data)

    def flush(self) -> None:
        """Do nothing: nothing is kept."""

    def close(self) -> None:
        """Do nothing: there is no file."""


def _conform(table: pa.Table | None, name: str) -> pa.Table:
    schema = TABLES[name].arrow_schema
    return schema.empty_table() if table is None else cast_to_schema(table, schema)
