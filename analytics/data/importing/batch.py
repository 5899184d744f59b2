"""Imports: files are read, checked against each other and the store, and stored whole or not."""

from __future__ import annotations

import sys
from collections import defaultdict
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.data.checks.run import check_answers, check_between, check_keys, first_of_keys
from analytics.data.importing.findings_report import exchanged_cells, exchanged_references
from analytics.data.importing.geojson import read_outlines
from analytics.data.importing.input_files import OUTLINES, find_files
from analytics.data.importing.reading import Raw, read_parts, weight
from analytics.data.importing.spilled import Spilled
from analytics.data.importing.typed import Incoming, concat, read_extra, type_raw
from analytics.data.importing.workbook import WORKBOOK, read_workbook
from analytics.data.schema import TABLES
from analytics.data.snapshot import Snapshot
from analytics.data.store.record import REASON
from analytics.data.store.remote import MovedOnError
from analytics.data.store.rows import BATCH
from analytics.errors import DataRejected, UsageError
from analytics.findings import Finding, Found, Severity, how_many, number_of, shortened
from analytics.whole_files import sha256_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    from analytics.arrays import Bools
    from analytics.data.importing.reading import FileReading
    from analytics.data.query import Source
    from analytics.data.store import Store
    from analytics.data.store.record import Receipt

    Amend = Callable[[FileReading], FileReading]


#: Share of a file after which a word of progress is said again.
_SAY_EVERY = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """Files read and typed, before they are compared with anything.

    `tables` holds their rows in the order of the schema; `raws` the cells as they stood, but of
    large tables, whose rows are in files. `faults` are errors of a whole file:
    nothing can be taken, not even with a quarantine; `findings` are about single cells and rows.
    `amend` is what cells were corrected by on their way in; `sums` the SHA-256 of each file.
    """

    files: tuple[Path, ...]
    raws: tuple[Raw, ...]
    tables: Mapping[str, Incoming | Spilled]
    faults: tuple[Finding, ...]
    findings: tuple[Finding, ...]
    amend: Amend | None = None
    sums: Mapping[Path, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Checked:
    """A batch after all checks, against the `version` of a store.

    `tables` holds the rows that may be stored; with a quarantine, without those `set_aside`, whose
    errors are kept there. `findings` is everything found, in the order of the tables.
    """

    reading: Reading
    tables: Mapping[str, Incoming | Spilled]
    findings: tuple[Finding, ...]
    set_aside: tuple[Finding, ...]
    version: int

    @property
    def errors(self) -> tuple[Finding, ...]:
        """The errors that refuse the batch."""
        aside = set(self.set_aside)
        return tuple(f for f in self.findings if f.severity is Severity.ERROR and f not in aside)

    @property
    def n_rows(self) -> int:
        """Rows that may be stored, those in the store already among them."""
        return sum(one.n_rows for one in self.tables.values())

    @property
    def is_all_aside(self) -> bool:
        """Whether every row was set aside, so that there is nothing to store."""
        return bool(self.set_aside) and not self.n_rows


def read_paths(
    paths: Sequence[Path],
    *,
    progress: Callable[[str], None] | None = None,
    amend: Amend | None = None,
) -> Reading:
    """Read and type every table file of folders and files; `amend` corrects cells before typing.

    Raises
    ------
    UsageError
        If a path does not exist.
    """
    files, faults = find_files(paths)
    raws: list[Raw] = []
    findings = Found()
    sums: dict[Path, str] = {}
    parts: dict[str, list[Incoming]] = defaultdict(list)
    spilled = {
        name: Spilled(name)
        for name in TABLES
        if sum(weight(file) for file in files if file.stem == name) > 1
    }
    for file in files:
        done = Progress(f"reading {file.name}", progress)
        with suppress(OSError):  # the reader says what is wrong with the file
            sums[file] = sha256_of(file)
        for reading in _readings(file, amend):
            faults += reading.faults
            findings.add(reading.findings)
            done.reached(reading.share)
            if reading.raw is None:
                continue
            typed, found = type_raw(reading.raw)
            found += exchanged_cells(reading.raw, found)
            # The header is row 1: no row can be set aside for it.
            faults += [one for one in _errors(found) if one.row == 1]
            findings.add(one for one in found if one.row != 1 or one.severity is not Severity.ERROR)
            if typed.table in spilled:
                spilled[typed.table].add(typed)
            else:
                raws.append(reading.raw)
                parts[typed.table].append(typed)
    tables: dict[str, Incoming | Spilled] = {
        name: spilled[name] if name in spilled else concat(parts[name])
        for name in TABLES
        if name in parts or (name in spilled and spilled[name].n_rows)
    }
    for name, table in tables.items():
        if progress and name in spilled:
            progress(f"looking for rows of {name} that come twice")
        found = check_keys(table)
        findings.add([*found, *check_answers(table, found=[*findings.all(), *found])])
    return Reading(
        tuple(files), tuple(raws), tables, tuple(faults), tuple(findings.all()), amend, sums
    )


def _readings(file: Path, amend: Amend | None) -> Iterator[FileReading]:
    """Give what a file holds, part by part or sheet by sheet."""
    ending = file.suffix.lower()
    if ending == OUTLINES:
        found = iter([read_outlines(file)])
    else:
        found = read_workbook(file) if ending == WORKBOOK else read_parts(file)
    return found if amend is None else map(amend, found)


class Progress:
    """Says how much of something long is done: at its beginning, and from time to time."""

    def __init__(self, what: str, say: Callable[[str], None] | None) -> None:
        self._what, self._say, self._next = what, say, _SAY_EVERY
        if say:
            say(what)

    def reached(self, share: float) -> None:
        """Take the share that is done, 0 to 1."""
        if self._say and self._next <= share < 1:
            self._say(f"{self._what}: {100 * share:.0f} %")
            self._next += _SAY_EVERY * (1 + (share - self._next) // _SAY_EVERY)


def read_rows(rows: Mapping[str, Mapping[int, Mapping[str, str]]], *, source: str) -> Reading:
    """Type rows that were keyed: cells as text, by table and row, the first row being 2.

    `source` stands where the name of a file would; columns that no schema knows are kept as text.
    """
    raws, tables, findings = [], {}, []
    for name in (name for name in TABLES if rows.get(name)):
        known = TABLES[name].arrow_schema.names
        every = dict.fromkeys([*known, *(one for cells in rows[name].values() for one in cells)])
        columns = {
            column: pa.array([cells.get(column) for cells in rows[name].values()], pa.string())
            for column in every
        }
        places = np.array(list(rows[name]), dtype=np.int64)
        raws.append(Raw(name, source, pa.table(columns), places, {}))
        tables[name], found = type_raw(raws[-1])
        findings += [*found, *check_keys(tables[name]), *check_answers(tables[name], found=found)]
    return Reading((Path(source),), tuple(raws), tables, (), tuple(findings))


def check(reading: Reading, store: Store, *, quarantine: bool = False) -> Checked:
    """Check what was read against itself and the current rows of a store; nothing is written.

    The store may not exist yet. With `quarantine`, rows with errors are set aside, and then the
    rows that depend on them.
    """
    if not store.exists:
        return check_on(reading, Snapshot.of({}), quarantine=quarantine)
    snapshot = store.snapshot()
    named = partial(store.with_batches, snapshot.version)
    return check_on(reading, snapshot, quarantine=quarantine, with_batches=named)


def check_on(
    reading: Reading,
    snapshot: Snapshot,
    *,
    quarantine: bool = False,
    with_batches: Callable[[], Mapping[str, Source]] | None = None,
) -> Checked:
    """Check what was read against itself and the rows of a snapshot, as `check` does.

    `with_batches` gives the same rows, each with its batch, which findings then name.
    """
    stored = {name: snapshot.source(name) for name in TABLES}
    origin = BATCH if with_batches else ""
    between_on = partial(check_between, stored, origin=origin, with_origin=with_batches)
    findings = [*reading.faults, *reading.findings]
    tables = dict(reading.tables)
    if reading.faults:
        return Checked(reading, tables, _ordered(findings), (), snapshot.version)
    errors = _errors(reading.findings)
    # Errors that were counted and not kept name no row that could be set aside.
    if not quarantine or any(error.row is None for error in errors):
        skip = {finding.table for finding in errors}
        once = {
            name: first_of_keys(incoming) if name in skip else incoming
            for name, incoming in tables.items()
        }
        between = between_on(once, skip=skip)
        findings += [*_beside(errors, between), *exchanged_references(between, once, stored)]
        return Checked(reading, tables, _ordered(findings), (), snapshot.version)
    aside: list[Finding] = []
    while True:
        aside += errors
        tables = _without(tables, errors)
        between = between_on(tables)
        # Rows stored earlier that break may be sound again without the rows that are set aside.
        broken = [one for one in between if one.is_of_stored]
        errors = [one for one in _errors(between) if one not in broken]
        # For errors that were counted and not kept, no row of the batch can be set aside.
        is_last = not errors or any(error.row is None for error in errors)
        findings += [one for one in between if is_last or one not in broken]
        findings += exchanged_references(between, tables, stored)
        if is_last:
            break
    return Checked(reading, tables, _ordered(findings), tuple(aside), snapshot.version)


def _beside(errors: Sequence[Finding], between: Sequence[Finding]) -> Iterator[Finding]:
    """Give what rules say of rows that are not at fault already.

    Of a table of which some errors are counted and not kept, these rows are not known.
    """
    at_fault = {_place(error) for error in errors}
    some, unknown = ({error.table for error in errors if error.times >= times} for times in (1, 2))
    for one in between:
        is_known = one.row is not None and _place(one) in at_fault
        is_counted = one.times > 1 and one.table in some
        if not is_known and not is_counted and not (one.row and one.table in unknown):
            yield one


def store_checked(
    checked: Checked,
    store: Store,
    *,
    about: Mapping[str, Any] | None = None,
    progress: Callable[[str], None] | None = None,
    sources: Mapping[str, Path] | None = None,
    who: str | None = None,
    recheck: Callable[[], Checked] | None = None,
) -> Receipt:
    """Store a checked batch, all or nothing; `about` is what is said of it and kept with it.

    Imports that meet wait for one another; where the store moved on since the check, it is repeated
    on the newest version, by `recheck` where it is given: it says what it finds, or refuses. Rows
    set aside were named by the first check: without `recheck` such a batch is then refused.

    `sources` are its files by the names they came with, where they lie under others; `who` stores
    them, by default the operating system's user.

    Raises
    ------
    DataRejected
        If it holds errors; they are in its `findings`.
    StoreError
        If the store cannot be written.
    """
    if checked.errors:
        raise DataRejected(refusal(checked.errors), checked.findings)
    if sources is None:
        sources = {file.name: file for file in sorted(checked.reading.files)}
    sums = checked.reading.sums
    given: dict[str, Any] = {
        "sources": sorted(sources),
        "about": about,
        "who": who,
        "source_sums": {name: sums[file] for name, file in sources.items() if file in sums},
    }
    while True:
        with store.turn(progress):
            if store.version != checked.version and (recheck or not checked.set_aside):
                if progress:
                    progress("checking again, as others stored rows meanwhile")
                checked = recheck() if recheck else check(checked.reading, store)
                if checked.errors:
                    raise DataRejected(refusal(checked.errors), checked.findings)
            done = Progress("storing", progress)
            tables = {
                name: incoming.data if isinstance(incoming, Incoming) else incoming.source()
                for name, incoming in checked.tables.items()
            }
            try:
                at = checked.version
                return store.add(tables, checked_at=at, written=done.reached, **given)
            except MovedOnError:  # on a URL: the commit of another machine came first
                if checked.set_aside and recheck is None:
                    raise


def about_reason(text: str) -> dict[str, str]:
    """Return a reason as what `store_checked` keeps of a batch; `UsageError` if it is no label."""
    read = read_extra(text)
    if isinstance(read, str):
        return {REASON: read}
    allowed = "a few words" if read is None else read.allowed
    seen = repr(shortened(text)) if text.strip() else "nothing"
    raise UsageError(f"the reason is {seen}; allowed: {allowed}, such as 'new minimum length'")


def import_files(store: Store, *paths: str | Path) -> Receipt:
    """Check table files and store them as one batch, all or nothing.

    Parameters
    ----------
    store : Store
        It need not exist yet.
    *paths : str or pathlib.Path
        Folders or files: CSV or Parquet, each named for its table, such as ``interviews.csv``; a
        workbook (``.xlsx``) with a table a sheet; outlines of areas as ``areas.geojson``.

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
    return f"{number_of(how_many(errors), 'error')}: nothing was stored"


def _errors(findings: Iterable[Finding]) -> list[Finding]:
    return [finding for finding in findings if finding.severity is Severity.ERROR]


def _place(finding: Finding) -> tuple[str, str, int | None]:
    return finding.table, finding.file, finding.row


def _without(
    tables: Mapping[str, Incoming | Spilled], errors: Sequence[Finding]
) -> dict[str, Incoming | Spilled]:
    """Leave out the rows that errors name."""
    bad: dict[str, set[tuple[str, int | None]]] = defaultdict(set)
    for error in errors:
        bad[error.table].add((error.file, error.row))

    def stays(incoming: Incoming, _: object = None) -> Bools:
        places = zip(incoming.file, incoming.row.tolist(), strict=True)
        return np.array([place not in bad[incoming.table] for place in places], dtype=bool)

    kept: dict[str, Incoming | Spilled] = {}
    for name, incoming in tables.items():
        if not bad[name]:
            kept[name] = incoming
        elif isinstance(incoming, Incoming):
            kept[name] = incoming.keep(stays(incoming))
        else:
            kept[name] = incoming.keep(stays)
    return kept


def raws_of(reading: Reading, errors: Sequence[Finding]) -> list[Raw]:
    """Return cells as they stood, of large tables those of the rows that errors name alone."""
    rows: dict[str, set[int]] = defaultdict(set)
    for error in errors:
        if error.row is not None:
            rows[error.file].add(error.row)
    large = {name for name, table in reading.tables.items() if isinstance(table, Spilled)}
    found: list[Raw] = list(reading.raws)
    for file in reading.files:
        if not large or not any(name.startswith(str(file)) for name in rows):
            continue
        for raw in (one.raw for one in _readings(file, reading.amend)):
            if raw is None or raw.table not in large:
                continue
            wanted = rows[raw.file]
            is_wanted = np.isin(raw.row, list(wanted))
            ragged = {row: text for row, text in raw.ragged.items() if row in wanted}
            data = raw.data.filter(pa.array(is_wanted))
            found.append(Raw(raw.table, raw.file, data, raw.row[is_wanted], ragged))
    return found


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
                one.is_of_stored,
                one.file,
                one.row or (sys.maxsize if one.times > 1 else 0),
            ),
        )
    )
