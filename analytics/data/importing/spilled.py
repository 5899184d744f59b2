"""Rows of a large table on their way in: in Parquet files for as long as they are needed."""

from __future__ import annotations

import shutil
import tempfile
import weakref
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow.parquet as pq

from analytics.data.importing.typed import PLACES, Incoming
from analytics.data.query import ParquetRows, scratch

if TYPE_CHECKING:
    from collections.abc import Callable

    from analytics.arrays import Bools, Ints


@dataclass(slots=True, eq=False, weakref_slot=True)
class Spilled:
    """Rows of one table with their places, part by part as they were read.

    A part has the columns of the schema, the extra columns as JSON, and `PLACES`. The folder goes
    with this object, or with the process (`query.scratch`).
    """

    table: str
    n_rows: int = 0
    parts: list[Path] = field(default_factory=list)
    files: set[str] = field(default_factory=set)
    _folder: Path = field(
        default_factory=lambda: Path(tempfile.mkdtemp(prefix="rows-", dir=scratch()))
    )

    def __post_init__(self) -> None:
        """Have the folder removed with this object."""
        weakref.finalize(self, shutil.rmtree, self._folder, ignore_errors=True)

    def add(self, incoming: Incoming) -> None:
        """Write rows as the next part."""
        n = len(incoming.row)
        if not n:
            return
        data = incoming.source(with_extra=True, start=self.n_rows)
        part = self._folder / f"{len(self.parts):06d}.parquet"
        pq.write_table(data, part, compression="lz4", write_statistics=False)
        self.parts.append(part)
        self.files |= set(incoming.file)
        self.n_rows += n

    def source(self, *, with_extra: bool = False) -> ParquetRows:
        """Return the rows as a source of queries; extra columns as JSON are always there."""
        return ParquetRows(tuple(self.parts), "FROM {files}", frozenset())

    def without(self, places: Ints) -> Spilled:
        """Return the rows but those at some places, counted from 0."""
        return self.keep(lambda _, n: ~np.isin(n, places))

    def keep(self, chosen: Callable[[Incoming, Ints], Bools]) -> Spilled:
        """Return the rows that a function of each part and its places chooses."""
        kept = Spilled(self.table)
        for part in self.parts:
            with pq.ParquetFile(part) as file:
                data = file.read(use_threads=False)
            n, files, row = (data[name].to_numpy() for name in PLACES)
            incoming = Incoming(self.table, data.drop_columns(list(PLACES)), files, row)
            kept.add(incoming.keep(chosen(incoming, n)))
        return kept
