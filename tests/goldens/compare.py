"""Compare two frozen checkouts cell by cell, through the map of names."""

from __future__ import annotations

import csv
import itertools
import json
import math
from collections import Counter
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.parquet as pq

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tests.goldens.names import Names

Column = list[Any]
_TABLES = {".parquet", ".csv", ".json"}
_WIDTH = 110


@dataclass(frozen=True, slots=True)
class Difference:
    """One difference: the file, the column (old name) or what else differs, and by how much."""

    where: str
    column: str
    words: str
    relative: float | None = None

    def __str__(self) -> str:
        return f"{self.where}: {self.column}: {self.words}"


@dataclass(frozen=True, slots=True)
class Outcome:
    """Differences that are not accepted, the number that are, and files compared."""

    differences: list[Difference]
    n_accepted: int
    n_files: int


def compare(
    old: Path, new: Path, names: Names, rtol: float = 0.0, only: Sequence[str] = ("*",)
) -> Outcome:
    """Return what differs between two frozen checkouts.

    Parameters
    ----------
    old, new : pathlib.Path
        Folders that `freeze` wrote.
    names : Names
        What was renamed from old to new, and what is accepted.
    rtol : float
        Relative deviation of numbers that is let pass.
    only : sequence of str
        Patterns of what to compare, as for `freeze`.

    Raises
    ------
    FileNotFoundError
        If one of the folders holds no such file.
    """
    before, after = _files(old, only), _files(new, only)
    expected = {names.path(path): path for path in sorted(before)}
    found = [
        Difference(str(path), "file", "missing in new")
        for moved, path in expected.items()
        if moved not in after
    ]
    found += [
        Difference(str(path), "file", "only in new")
        for path in sorted(after)
        if path not in expected
    ]
    both = [(path, moved) for moved, path in expected.items() if moved in after]
    for path, moved in both:
        if (old / path).read_bytes() != (new / moved).read_bytes() or path != moved:
            found += _file_differences(path, old / path, new / moved, names, rtol)
    left = [d for d in found if not names.is_accepted(d.where, d.column, d.relative)]
    return Outcome(left, len(found) - len(left), len(both))


def _files(folder: Path, only: Sequence[str]) -> set[Path]:
    files = {path.relative_to(folder) for path in folder.rglob("*") if path.is_file()}
    files = {path for path in files if any(fnmatchcase(_case(path), p) for p in only)}
    if not files:
        raise FileNotFoundError(f"nothing frozen in {folder}")
    return files


def _case(path: Path) -> str:
    """Return ``tables``, or the command's case; ``help`` for every help."""
    case = path.parts[1] if path.parts[0] == "commands" else path.parts[0]
    return "help" if case.startswith("help_") else case


def _file_differences(
    path: Path, old: Path, new: Path, names: Names, rtol: float
) -> Iterator[Difference]:
    if path.suffix in _TABLES:
        yield from table_differences(str(path), _read(old), _read(new), names, rtol)
    else:
        before = names.phrase("output", old.read_text()).splitlines()
        yield from _line_differences(str(path), before, new.read_text().splitlines())


def _read(path: Path) -> pa.Table:
    """Return a table; cells of CSV are text, or numbers where the column has no other."""
    if path.suffix == ".parquet":
        return pq.read_table(path)
    if path.suffix == ".json":
        card = json.loads(path.read_text())
        return pa.table({name: [str(value)] for name, value in card.items()})
    with path.open(newline="", encoding="utf-8") as lines:
        header, *rows = list(csv.reader(lines)) or [[]]
    columns = list(itertools.zip_longest(*rows)) or [()] * len(header)
    return pa.table(
        {
            name: _parsed(cells)
            for name, cells in itertools.zip_longest(header, columns, fillvalue="?")
        }
    )


def _parsed(cells: Sequence[str | None]) -> Column:
    texts = [None if cell in ("", None) else cell for cell in cells]
    try:
        return [None if text is None else float(text) for text in texts]
    except ValueError:
        return texts


def _line_differences(
    where: str, before: Sequence[str], after: Sequence[str]
) -> Iterator[Difference]:
    pairs = list(itertools.zip_longest(before, after, fillvalue="(no line)"))
    unequal = [(n, pair) for n, pair in enumerate(pairs, 1) if pair[0] != pair[1]]
    if unequal:
        number, (one, other) = unequal[0]
        yield Difference(
            where,
            "text",
            f"{len(unequal)} of {len(pairs)} lines, first {number}:"
            f"\n      - {one.strip()[:_WIDTH]}\n      + {other.strip()[:_WIDTH]}",
        )


def table_differences(
    where: str, old: pa.Table, new: pa.Table, names: Names, rtol: float = 0.0
) -> Iterator[Difference]:
    """Yield the differences of two tables: columns, types, rows, then cells by column.

    Parameters
    ----------
    where : str
        Path of the old table; its stem is the table's old name (`out` and `stdout` of a command
        are called by the command).
    old, new : pyarrow.Table
        The tables.
    names : Names
        What was renamed.
    rtol : float
        Relative deviation of numbers that is let pass.
    """
    table = _table_name(Path(where))
    renamed = {column: names.column(table, column) for column in old.column_names}
    for column, name in renamed.items():
        if name not in new.column_names:
            yield Difference(where, column, "column missing in new")
        elif (
            where.endswith(".parquet")
            and old.schema.field(column).type != new.schema.field(name).type
        ):
            types = f"{old.schema.field(column).type} -> {new.schema.field(name).type}"
            yield Difference(where, column, f"type {types}")
    for name in new.column_names:
        if name not in renamed.values():
            yield Difference(where, name, "column only in new")
    both = {column: name for column, name in renamed.items() if name in new.column_names}
    if list(both.values()) != [name for name in new.column_names if name in both.values()]:
        yield Difference(where, "columns", "in another order")
    compared = [column for column in both if names.text_rule(table, column) != "ignore"]
    before = {column: _cells(old, table, column, names) for column in compared}
    after = {column: _plain(new, table, column, both[column], names) for column in compared}
    if old.num_rows != new.num_rows:
        yield _row_difference(where, old.num_rows, new.num_rows, before, after)
        return
    keys = _keys(before, after)
    old_keys, new_keys = (list(_rows({c: one[c] for c in keys})) for one in (before, after))
    if old_keys != new_keys and Counter(old_keys) == Counter(new_keys):
        yield Difference(where, "order", "the same rows in another order")
        before, after = _in_order(before, old_keys), _in_order(after, new_keys)
    for column in compared:
        if found := _cell_difference(where, column, before[column], after[column], rtol):
            yield found


def _table_name(path: Path) -> str:
    """Return the name in the map: ``revisions`` of ``commands/revisions_since/stdout.csv``."""
    is_of_command = path.stem in ("out", "stdout") and len(path.parts) > 1
    return path.parts[1].split("_")[0] if is_of_command else path.stem


def _cells(table: pa.Table, name: str, column: str, names: Names) -> Column:
    values = table[column].to_pylist()
    if names.text_rule(name, column) == "nulls":
        return [value is not None for value in values]
    return [names.cell(name, column, value) for value in values]


def _plain(table: pa.Table, name: str, column: str, renamed: str, names: Names) -> Column:
    values = table[renamed].to_pylist()
    is_nulls = names.text_rule(name, column) == "nulls"
    return [value is not None for value in values] if is_nulls else values


def _rows(columns: dict[str, Column]) -> Iterator[str]:
    """Return a key of each row."""
    return map(repr, zip(*columns.values(), strict=True))


def _keys(before: dict[str, Column], after: dict[str, Column]) -> list[str]:
    """Return the columns that hold no measured number."""
    return [c for c in before if not any(isinstance(v, float) for v in before[c] + after[c])]


def _in_order(columns: dict[str, Column], keys: Sequence[str]) -> dict[str, Column]:
    """Return columns with their rows in the order of their keys."""
    places = sorted(range(len(keys)), key=keys.__getitem__)
    return {name: [cells[place] for place in places] for name, cells in columns.items()}


def _row_difference(
    where: str, n_old: int, n_new: int, before: dict[str, Column], after: dict[str, Column]
) -> Difference:
    """Say how many rows came and went, told apart by what is no measured number."""
    keys = _keys(before, after)
    old = Counter(_rows({c: before[c] for c in keys}))
    new = Counter(_rows({c: after[c] for c in keys}))
    examples = [
        f"\n      {sign} {next(iter(some))[:_WIDTH]}"
        for sign, some in (("-", old - new), ("+", new - old))
        if some
    ]
    return Difference(where, "rows", f"{n_old} -> {n_new}{''.join(examples)}")


def _cell_difference(
    where: str, column: str, before: Column, after: Column, rtol: float
) -> Difference | None:
    """Return the difference of two columns of one length, with the worst deviation."""
    pairs = zip(before, after, strict=True)
    unequal = [(n, a, b) for n, (a, b) in enumerate(pairs) if not _same(a, b, rtol)]
    if not unequal:
        return None
    numbers = [(n, a, b) for n, a, b in unequal if _is_number(a) and _is_number(b)]
    others = len(unequal) - len(numbers)
    words = f"{len(unequal)} of {len(before)} cells"
    relative = None
    if numbers:
        n, a, b = max(numbers, key=lambda cell: _relative(cell[1], cell[2]))
        absolute = max(abs(b - a) for _, a, b in numbers)
        worst = _relative(a, b)
        relative = None if others else worst
        words += f", worst abs {absolute:.3g} rel {worst:.3g} (row {n}: {a!r} -> {b!r})"
    if others:
        n, a, b = next(cell for cell in unequal if cell not in numbers)
        words += f", {others} not numbers, row {n}:"
        words += f"\n      - {str(a)[:_WIDTH]}\n      + {str(b)[:_WIDTH]}"
    return Difference(where, column, words, relative)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _same(one: Any, other: Any, rtol: float) -> bool:
    if one == other or (_is_nan(one) and _is_nan(other)):
        return True
    return _is_number(one) and _is_number(other) and _relative(one, other) <= rtol


def _is_nan(value: Any) -> bool:
    return isinstance(value, float) and math.isnan(value)


def _relative(one: float, other: float) -> float:
    return 0.0 if one == other else abs(other - one) / max(abs(one), abs(other))
