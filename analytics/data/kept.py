"""What was made once and is served again for as long as nothing behind it changed.

An entry is one file beside a store: a line with the SHA-256 of what follows, which is a Parquet
file. Its name holds a hash of all that it was made from and of the program, so that other inputs or
another program never find it.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
import tempfile
import time
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

T = TypeVar("T")


class MakesOnce:
    """Base of what makes things by key in memory, each once; a subclass has the field `_made`."""

    __slots__ = ()
    _made: dict[object, Any]

    def once(self, key: object, make: Callable[[], T]) -> T:
        """Return what was made before under a key, or make it."""
        if key not in self._made:
            self._made[key] = make()
        return cast("T", self._made[key])


#: Folder of a store that holds what is kept.
FOLDER = "kept"
#: Ending of the name of an entry.
ENDING = ".kept"
#: Entries that stay; of more, those used longest ago go. Our choice, no source.
MOST_ENTRIES = 500
#: The program, and the libraries whose numbers may move in the last digit.
_PACKAGE = Path(__file__).resolve().parents[1]
LIBRARIES = ("numpy", "scipy", "pandas", "pyarrow", "duckdb")


@lru_cache(maxsize=1)
def program_key() -> str:
    """Return a short hash of the program's own files and of the libraries it calculates with."""
    digest = hashlib.blake2b(digest_size=6)
    digest.update(platform.python_version().encode())
    for name in LIBRARIES:
        digest.update(f"{name} {version(name)}".encode())
    for path in sorted([*_PACKAGE.rglob("*.py"), *_PACKAGE.rglob("*.toml")]):
        digest.update(path.read_bytes())
    return digest.hexdigest()


class Kept:
    """Tables by what they were made from; without a folder none is kept.

    Parameters
    ----------
    store : Path or str, optional
        The store beside which they lie.
    """

    def __init__(self, store: Path | str | None = None) -> None:
        self._folder = None if store is None else Path(store) / FOLDER

    @property
    def is_used(self) -> bool:
        """Whether anything is kept, so that keys are of use."""
        return self._folder is not None

    def table(self, name: str, key: str, make: Callable[[], pa.Table]) -> pa.Table:
        """Return the table that is kept under a name and a key, or make it and keep it.

        An entry that cannot be read, or does not hold what was written, is made anew. Two that
        write the same entry at once write the same; a reader sees one of them, completely.

        Parameters
        ----------
        name : str
            What it is, letters and ``_``.
        key : str
            Hash of all inputs that `make` reads.
        make : callable
        """
        if self._folder is None:
            return make()
        digest = hashlib.blake2b(f"{name}\n{key}\n{program_key()}".encode(), digest_size=16)
        path = self._folder / f"{name}-{digest.hexdigest()}{ENDING}"
        found = _read(path)
        if found is None:
            found = make()
            _write(path, found)
        return found


#: Nothing is kept.
NOT_KEPT = Kept()


def is_sound(entry: bytes) -> bool:
    """Return whether an entry is as it was written."""
    said, _, content = entry.partition(b"\n")
    return hashlib.sha256(content).hexdigest().encode() == said


def _read(path: Path) -> pa.Table | None:
    """Return a kept table; None where there is none or it is damaged."""
    try:
        entry = path.read_bytes()
        if not is_sound(entry):
            return None
        os.utime(path)  # the last time of use
        return pq.read_table(pa.BufferReader(entry.partition(b"\n")[2]))
    except (OSError, ValueError, pa.ArrowException):
        return None


def _write(path: Path, table: pa.Table) -> None:
    """Write an entry completely or not at all; where nothing can be written nothing is kept."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, draft = tempfile.mkstemp(prefix=".draft-", dir=path.parent)
        os.close(handle)
        try:
            sink = pa.BufferOutputStream()
            pq.write_table(table.replace_schema_metadata(None), sink)
            content = sink.getvalue().to_pybytes()
            Path(draft).write_bytes(hashlib.sha256(content).hexdigest().encode() + b"\n" + content)
            Path(draft).chmod(0o644)
            os.replace(draft, path)  # noqa: PTH105 - the one step that makes it visible
        finally:
            Path(draft).unlink(missing_ok=True)
        _drop_oldest(path.parent)
    except OSError:
        return


def _drop_oldest(folder: Path) -> None:
    entries = sorted(folder.glob("[!.]*"), key=lambda one: one.stat().st_mtime)
    # Drafts that are a day old are of processes that were killed.
    drafts = [one for one in folder.glob(".draft-*") if one.stat().st_mtime < time.time() - 86_400]
    for path in [*entries[:-MOST_ENTRIES], *drafts]:
        path.unlink(missing_ok=True)


# Named arrays and plain values as a table, exactly.

_SCHEMA = pa.schema(
    [
        ("name", pa.string()),  # empty: the plain values
        ("text", pa.string()),
        ("shape", pa.list_(pa.int64())),
        ("values", pa.list_(pa.float64())),
    ]
)


@dataclass(frozen=True, slots=True, eq=False)
class Arrays:
    """Arrays by name, of numbers that a double holds, and plain values that JSON holds."""

    about: Mapping[str, Any]
    arrays: Mapping[str, np.ndarray[Any, Any]]

    def to_table(self) -> pa.Table:
        """Return them as a table of one row an array."""
        rows: list[dict[str, Any]] = [
            {"name": "", "text": json.dumps(dict(self.about)), "shape": [], "values": []}
        ]
        for name, one in self.arrays.items():
            values = np.asarray(one, dtype=np.float64).ravel()
            rows.append({"name": name, "text": "", "shape": list(one.shape), "values": values})
        return pa.Table.from_pylist(rows, schema=_SCHEMA)

    @classmethod
    def of(cls, table: pa.Table) -> Arrays:
        """Return what `to_table` wrote; every array is of doubles."""
        about: Mapping[str, Any] = {}
        arrays = {}
        for name, text, shape, values in zip(*(table[one] for one in _SCHEMA.names), strict=True):
            if not name.as_py():
                about = json.loads(text.as_py())
                continue
            found = values.values.to_numpy(zero_copy_only=False)
            arrays[name.as_py()] = found.reshape(shape.as_py()).copy()
        return cls(about, arrays)
