"""An upload read, corrected and checked by the import's own checks, and stored."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from analytics.data import importing
from analytics.data.importing import ENDINGS, Checked
from analytics.data.schema import TABLES
from analytics.errors import StoreError
from analytics.findings import Finding, Severity
from dashboard.desk.uploads import READ, Arrival, Upload, Uploads, table_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from analytics.data.importing import Raw
    from analytics.data.store import Receipt, Store

#: Files kept with an upload once it is stored.
CORRECTIONS, SET_ASIDE = "corrections.csv", "set_aside.csv"
_SHEET = " sheet "
_NAMES = ", ".join(TABLES)
#: Endings of spreadsheets that are not read.
_SPREADSHEETS = (".xls", ".xlsm", ".xlsb", ".ods", ".numbers")


@dataclass(frozen=True, slots=True, eq=False)
class CheckedUpload:
    """An upload after all checks.

    `checked` and `raws`, the cells as they stand corrected, name files as the upload does; `choose`
    are the files whose table is not known; `is_rest_sound`: whether rows stored earlier keep every
    rule once the rows with errors are set aside.
    """

    upload: Upload
    checked: Checked
    raws: tuple[Raw, ...]
    choose: tuple[Arrival, ...]
    is_rest_sound: bool

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Everything found, in the order of the tables."""
        return self.checked.findings

    @property
    def errors(self) -> tuple[Finding, ...]:
        """What forbids storing the batch."""
        return self.checked.errors

    def n_of(self, severity: Severity) -> int:
        """Return how many findings there are of a severity that still counts."""
        shown = self.errors if severity is Severity.ERROR else self.findings
        return sum(one.times for one in shown if one.severity is severity)

    @property
    def n_files(self) -> int:
        """Files that are read."""
        return sum(one.ending in READ for one in self.upload.files)

    @property
    def n_rows(self) -> int:
        """Rows that would be stored, those in the store already among them."""
        return self.checked.n_rows

    @property
    def n_aside(self) -> int:
        """Rows that are set aside."""
        return len({(one.file, one.row) for one in self.checked.set_aside})

    @property
    def can_set_aside(self) -> bool:
        """Whether all errors are about single rows that were read, which can be set aside.

        Those about rows stored earlier go with the rows of the upload that these meet. Of a file
        that cannot be read, as in another encoding, the row says where it ends.
        """
        of_rows = [one for one in self.errors if not one.is_of_stored]
        return bool(of_rows and self.is_rest_sound) and all(
            one.row is not None and one.row > 1 and self.raw_of(one) is not None for one in of_rows
        )

    def raw_of(self, one: Finding) -> Raw | None:
        """Return the cells of the row that a finding is about; None where there are none.

        A large file comes in parts.
        """
        here = (raw for raw in self.raws if (raw.file, raw.table) == (one.file, one.table))
        return next((raw for raw in here if one.row in raw.row or one.row in raw.ragged), None)


def check_upload(
    uploads: Uploads,
    upload: Upload,
    store: Store,
    *,
    quarantine: bool = False,
    progress: Callable[[str], None] | None = None,
) -> CheckedUpload:
    """Read, correct and check an upload against the rows of a store; nothing is stored."""
    damaged = [one for one in upload.files if not uploads.is_whole(upload, one)]
    sound = [one for one in upload.files if one not in damaged]
    other = [one for one in sound if one.ending not in READ]
    unknown = [one for one in sound if one.ending in ENDINGS and not table_of(one)]
    read = [one for one in sound if one not in other and one not in unknown]
    names = {str(uploads.path(upload, one)): one.name for one in read}
    paths = {name: path for path, name in names.items()}
    made = [replace(one, file=_renamed(one.file, paths)) for one in upload.corrections]
    reading = importing.read_paths(
        [uploads.path(upload, one) for one in read],
        progress=progress,
        amend=importing.amending(made),
    )
    if progress:
        progress("checking")
    checked = importing.check(reading, store, quarantine=quarantine)
    rest = checked
    if any(one.is_of_stored for one in checked.errors) and not quarantine:
        rest = importing.check(reading, store, quarantine=True)
    raws = importing.raws_of(reading, checked.findings)
    findings = [*map(_damaged, damaged), *map(_unknown, unknown), *map(_left_out, other)]
    findings += _shown(checked.findings, names)
    unnamed = {one.file for one in findings if one.allowed == _NAMES}
    return CheckedUpload(
        upload,
        replace(
            checked,
            findings=tuple(findings),
            set_aside=tuple(_shown(checked.set_aside, names)),
        ),
        tuple(replace(one, file=_renamed(one.file, names)) for one in raws),
        tuple(one for one in upload.files if one.name in unnamed or one.table),
        not any(one.is_of_stored for one in rest.errors),
    )


def store_upload(
    uploads: Uploads, found: CheckedUpload, store: Store, *, who: str | None = None
) -> Receipt:
    """Store a checked upload as a batch, and keep its corrections and rows set aside with it.

    `who` is the login name of who accepts it; None where nobody logs in.

    Raises
    ------
    Moved
        If another window changed it.
    StoreError
        If the store moved on since the check: who accepts has not seen what it says now.
    DataRejected, StoreError
        As `analytics.data.importing.store_checked`.
    """
    upload, aside = found.upload, found.checked.set_aside
    with uploads.accepting(upload) as batch:
        if store.version != found.checked.version:
            raise StoreError(
                f"the store went from version {found.checked.version} to {store.version} since "
                "the check; check the upload again"
            )
        # Before the batch: once it is stored, rows set aside are nowhere else.
        if aside:
            uploads.write(upload, SET_ASIDE, importing.quarantine_csv(aside, found.raws))
        if upload.corrections:
            uploads.write(upload, CORRECTIONS, importing.corrections_csv(upload.corrections))
        sources = {
            one.name: uploads.path(upload, one) for one in upload.files if one.ending in READ
        }
        made = importing.to_records(upload.corrections)
        about = {"corrections": made} if made else None
        receipt = importing.store_checked(
            found.checked, store, about=about, sources=sources, who=who
        )
        batch.append(receipt.batch or "")
    return receipt


def _shown(findings: Sequence[Finding], names: Mapping[str, str]) -> list[Finding]:
    """Return findings with the names that files came with."""
    files = {file: _renamed(file, names) for file in {one.file for one in findings}}
    return [
        replace(
            one,
            file=files[one.file],
            # Where no table could be given, it is the file's name.
            table=one.table if one.table in TABLES else files[one.file] or one.table,
        )
        for one in findings
    ]


def _renamed(file: str, names: Mapping[str, str]) -> str:
    """Return a file, or a sheet of it, under its other name."""
    for old, new in names.items():
        if file == old or file.startswith(old + _SHEET):
            return new + file[len(old) :]
    return file


def _unknown(file: Arrival) -> Finding:
    stem = PurePosixPath(file.name).stem
    return Finding(
        severity=Severity.ERROR,
        table=file.name,
        file=file.name,
        seen=f"no table is called {stem!r}",
        allowed=_NAMES,
        advice=importing.suggest(stem, TABLES) or "choose the table that it holds",
    )


def _damaged(file: Arrival) -> Finding:
    return Finding(
        severity=Severity.ERROR,
        table=table_of(file) or file.name,
        file=file.name,
        seen="the file is not as it came: it was damaged since (its checksum differs)",
        allowed="the file as it came",
        advice="take it out of the upload and drop it here again",
    )


def _left_out(file: Arrival) -> Finding:
    """Return what is said of a file that is not read: an error where it may be meant as a table."""
    is_meant = file.ending in _SPREADSHEETS or PurePosixPath(file.name).stem in TABLES
    return Finding(
        severity=Severity.ERROR if is_meant else Severity.NOTE,
        table=file.name,
        file=file.name,
        seen=f"a file ending in {file.ending or 'nothing'}; it is left out",
        allowed="files ending in .csv, .parquet or .xlsx, and areas.geojson",
        advice="save the workbook as .xlsx without macros, or the sheet as CSV (UTF-8)"
        if is_meant
        else "",
    )
