"""Imports: files are read, checked against each other and the store, and stored whole or not."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from analytics.data.checks.run import check_between
from analytics.data.checks.within import check_answers, check_keys, first_of_keys
from analytics.data.importing.reading import find_files, read_file
from analytics.data.importing.typed import concat, type_raw
from analytics.data.schema import TABLES
from analytics.data.snapshot import Snapshot
from analytics.errors import DataRejected
from analytics.findings import Finding, Severity, number_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from analytics.data.importing.reading import Raw
    from analytics.data.importing.typed import Incoming
    from analytics.data.store import Store
    from analytics.data.store.history import Receipt


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """Files read and typed, before they are compared with anything.

    `tables` holds their rows in the order of the schema. `faults` are errors of a whole file:
    nothing can be taken, not even with a quarantine; `findings` are about single cells and rows.
    """

    raws: tuple[Raw, ...]
    tables: Mapping[str, Incoming]
    faults: tuple[Finding, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Checked:
    """A batch after all checks, against the `version` of a store.

    `tables` holds the rows that may be stored; with a quarantine, without those `set_aside`, whose
    errors are kept there. `findings` is everything found, in the order of the tables.
    """

    reading: Reading
    tables: Mapping[str, Incoming]
    findings: tuple[Finding, ...]
    set_aside: tuple[Finding, ...]
    version: int

    @property
    def errors(self) -> tuple[Finding, ...]:
        """The errors that refuse the batch."""
        aside = set(self.set_aside)
        return tuple(f for f in self.findings if f.severity is Severity.ERROR and f not in aside)


def read_paths(paths: Sequence[Path], *, progress: Callable[[str], None] | None = None) -> Reading:
    """Read and type every table file of folders and files.

    Raises
    ------
    UsageError
        If a path does not exist.
    """
    files, faults = find_files(paths)
    raws: list[Raw] = []
    findings: list[Finding] = []
    parts: dict[str, list[Incoming]] = defaultdict(list)
    for file in files:
        if progress:
            progress(f"reading {file.name}")
        reading = read_file(file)
        faults += reading.faults
        findings += reading.findings
        if reading.raw is not None:
            typed, found = type_raw(reading.raw)
            raws.append(reading.raw)
            parts[typed.table].append(typed)
            # The header is row 1: no row can be set aside for it.
            faults += [one for one in _errors(found) if one.row == 1]
            findings += [one for one in found if one.row != 1 or one.severity is not Severity.ERROR]
    tables = {name: concat(parts[name]) for name in TABLES if name in parts}
    for table in tables.values():
        findings += [*check_keys(table), *check_answers(table, found=findings)]
    return Reading(tuple(raws), tables, tuple(faults), tuple(findings))


def check(reading: Reading, store: Store, *, quarantine: bool = False) -> Checked:
    """Check what was read against itself and the current rows of a store; nothing is written.

    The store may not exist yet. With `quarantine`, rows with errors are set aside, and then the
    rows that depend on them.
    """
    snapshot = store.snapshot() if store.exists else Snapshot.of({})
    findings = [*reading.faults, *reading.findings]
    tables = dict(reading.tables)
    if reading.faults:
        return Checked(reading, tables, _ordered(findings), (), snapshot.version)
    errors = _errors(reading.findings)
    if not quarantine:
        skip = {finding.table for finding in errors}
        at_fault = {_place(finding) for finding in errors}
        once = {name: first_of_keys(incoming) for name, incoming in tables.items()}
        between = check_between(snapshot.tables, once, skip=skip)
        findings += [one for one in between if one.row is None or _place(one) not in at_fault]
        return Checked(reading, tables, _ordered(findings), (), snapshot.version)
    aside: list[Finding] = []
    while True:
        aside += errors
        tables = _without(tables, errors)
        between = check_between(snapshot.tables, tables)
        findings += between
        errors = _errors(between)
        # For rows stored earlier that would break, no row of the batch can be set aside.
        if not errors or any(error.row is None for error in errors):
            break
    return Checked(reading, tables, _ordered(findings), tuple(aside), snapshot.version)


def store_checked(checked: Checked, store: Store) -> Receipt:
    """Store a checked batch, all or nothing.

    Raises
    ------
    DataRejected
        If it holds errors; they are in its `findings`.
    StoreError
        If the store cannot be written, or changed since the check.
    """
    if checked.errors:
        raise DataRejected(refusal(checked.errors), checked.findings)
    sources = sorted(
        {raw.file.replace("\\", "/").rsplit("/", 1)[-1] for raw in checked.reading.raws}
    )
    tables = {name: incoming.data for name, incoming in checked.tables.items()}
    return store.add(tables, sources=sources, checked_at=checked.version)


def import_files(store: Store, *paths: str | Path) -> Receipt:
    """Check table files and store them as one batch, all or nothing.

    Parameters
    ----------
    store : Store
        It need not exist yet.
    *paths : str or pathlib.Path
        Folders or files, CSV or Parquet, each file named for its table, such as ``interviews.csv``.

    Returns
    -------
    Receipt
        `version` of the store, `batch` (None where every row was there already) and `counts` of
        rows by table.

    Examples
    --------
    >>> from analytics import Store, import_files
    >>> receipt = import_files(Store("mystore"), "week05")
    >>> receipt.version, receipt.counts["interviews"].new
    (1, 6)

    Raises
    ------
    UsageError
        If a path does not exist.
    DataRejected
        If there are errors; they are in its `findings`.
    StoreError
        If the store cannot be written.
    """
    return store_checked(check(read_paths([Path(path) for path in paths]), store), store)


def refusal(errors: Sequence[Finding]) -> str:
    """Return the sentence that says a batch was refused."""
    return f"{number_of(len(errors), 'error')}: nothing was stored"


def _errors(findings: Iterable[Finding]) -> list[Finding]:
    return [finding for finding in findings if finding.severity is Severity.ERROR]


def _place(finding: Finding) -> tuple[str, str, int | None]:
    return finding.table, finding.file, finding.row


def _without(tables: Mapping[str, Incoming], errors: Sequence[Finding]) -> dict[str, Incoming]:
    """Leave out the rows that errors name."""
    bad: dict[str, set[tuple[str, int | None]]] = defaultdict(set)
    for error in errors:
        bad[error.table].add((error.file, error.row))
    kept = {}
    for name, incoming in tables.items():
        places = zip(incoming.file, incoming.row.tolist(), strict=True)
        mask = np.array([place not in bad[name] for place in places], dtype=bool)
        kept[name] = incoming if mask.all() else incoming.keep(mask)
    return kept


def _ordered(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings by table, file and row, errors first within a table."""
    rank = {name: place for place, name in enumerate(TABLES)}
    severity = {one: place for place, one in enumerate(Severity)}
    return tuple(
        sorted(
            dict.fromkeys(findings),
            key=lambda one: (
                rank.get(one.table, -1),
                severity[one.severity],
                one.file,
                one.row or 0,
            ),
        )
    )
