"""Which files of the paths given are input tables: the stem of a file names its table."""

from __future__ import annotations

import difflib
import re
from pathlib import PurePath
from typing import TYPE_CHECKING

from analytics.data.schema import TABLES
from analytics.errors import UsageError
from analytics.findings import Finding, Severity

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

ENDINGS = (".csv", ".parquet")
#: A workbook holds a table a sheet.
WORKBOOK = ".xlsx"
#: The file of outlines of areas, and the table that its features are rows of.
OUTLINES = ".geojson"
OUTLINES_FILE, OUTLINES_TABLE = f"areas{OUTLINES}", "area_outlines"
#: Signs of a name that end a line, steer a terminal, turn the text round, or are no UTF-8.
_UNSEEN = re.compile("[\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
_EVERY_ENDING = (*ENDINGS, WORKBOOK)


def find_files(paths: Sequence[Path]) -> tuple[list[Path], list[Finding]]:
    """Return the table files of folders (not of folders in them) and files, each once.

    In a folder, what neither ends as a table nor has one's name is ignored; what stands against
    reading the rest is returned as findings. A path that does not exist is a `UsageError`.
    """
    files: dict[Path, Path] = {}
    faults: list[Finding] = []
    for path in paths:
        if not _exists(path):
            raise UsageError(f"{shown(path)} does not exist; name a folder or files with tables")
        try:
            inside, mistaken = _tables_in(path) if path.is_dir() else ([path], [])
        except OSError as error:
            why = f"a folder that cannot be read: {error.strerror}"
            inside, mistaken = [], [_fault(path, why, "a folder you may read")]
        faults += mistaken
        if not inside and not mistaken:
            faults.append(_fault(path, "no table in this folder", _allowed_files()))
        for file in inside:
            fault = _name_fault(file)
            if fault:
                faults.append(fault)
            else:
                files.setdefault(file.resolve(), file)
    return list(files.values()), faults


def shown(path: PurePath) -> str:
    """Return a path on one line, in characters that every terminal and file can hold."""
    text = str(path)
    return repr(text)[1:-1] if _UNSEEN.search(text) else text


def _exists(path: Path) -> bool:
    try:
        return path.exists()
    except (OSError, ValueError):  # a name too long, or with a NUL
        return False


def table_in(file: PurePath) -> str:
    """Return the table that a file's name says it holds; empty where it is none."""
    if file.suffix.lower() == OUTLINES:
        return OUTLINES_TABLE
    return file.stem if file.stem in TABLES else ""


def suggest(word: str, known: Iterable[str]) -> str:
    """Return ``did you mean ...?`` where a known word is close, else nothing."""
    by_lower = {one.lower(): one for one in known}
    close = difflib.get_close_matches(word.strip().lower(), by_lower, n=1, cutoff=0.75)
    return f"did you mean {by_lower[close[0]]}?" if close else ""


def _tables_in(folder: Path) -> tuple[list[Path], list[Finding]]:
    """Return the table files of a folder, and errors for what only looks like one."""
    # A spreadsheet program keeps such a file beside a workbook that is open.
    entries = sorted(one for one in folder.iterdir() if not one.name.startswith("~$"))
    files = [
        one
        for one in entries
        if one.is_file()
        and (one.suffix.lower() in _EVERY_ENDING or one.name.lower() == OUTLINES_FILE)
    ]
    faults = [_mistaken(one) for one in entries if one not in files]
    return files, [fault for fault in faults if fault is not None]


def _mistaken(path: Path) -> Finding | None:
    """Return the error about a table that would be skipped, None for what is no table."""
    ends_as_table = path.suffix.lower() in _EVERY_ENDING
    named_as_table = path.name.partition(".")[0].lower() in TABLES
    if not path.exists() and (ends_as_table or named_as_table):
        return _fault(path, "a link that leads nowhere", _allowed_files(), "correct or remove it")
    if not (path.is_file() or path.is_dir()) and (ends_as_table or named_as_table):
        return _place_fault(path)
    if path.is_dir() and ends_as_table:
        return _fault(path, "a folder named as a table", _allowed_files(), "rename the folder")
    if path.is_file() and named_as_table and path.suffix.lower() != OUTLINES:
        return _name_fault(path)
    return None


def _name_fault(file: Path) -> Finding | None:
    return _place_fault(file) or _ending_fault(file)


def _place_fault(file: Path) -> Finding | None:
    """Return what is wrong with what a name leads to, whatever it says."""
    if _UNSEEN.search(str(file)):
        seen = f"a name with signs that cannot be shown: {shown(file)}"
        return _fault(file, seen, "letters, digits and signs on one line, in UTF-8", "rename it")
    if not file.is_file():
        seen = "a device or a channel, which may never end"
        return _fault(file, seen, "an ordinary file", "save its content as a file")
    return None


def _ending_fault(file: Path) -> Finding | None:
    ending = file.suffix.lower()
    if ending == OUTLINES:
        if file.name.lower() == OUTLINES_FILE:
            return None
        seen = f"outlines in a file called {file.name!r}"
        return _fault(file, seen, OUTLINES_FILE, f"rename it {OUTLINES_FILE}")
    if ending not in _EVERY_ENDING:
        advice = "save the sheet as CSV (UTF-8) under the table's name, or the workbook as .xlsx"
        return _fault(
            file, f"a file ending in {file.suffix or 'nothing'}", _allowed_files(), advice
        )
    if ending != WORKBOOK and file.stem not in TABLES:
        return _fault(
            file,
            f"no table is called {file.stem!r}",
            ", ".join(TABLES),
            suggest(file.stem, TABLES) or "rename the file after the table it holds",
        )
    return None


def _allowed_files() -> str:
    return (
        "files such as interviews.csv or interviews.parquet, a workbook (.xlsx), or areas.geojson"
    )


def _fault(path: Path, seen: str, allowed: str, advice: str = "") -> Finding:
    return Finding(
        severity=Severity.ERROR,
        table=shown(PurePath(path.name)),
        file=shown(path),
        seen=seen,
        allowed=allowed,
        advice=advice,
    )
