"""Tables out of a command: the file asked for, and a table written as its ending says."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from analytics.cli.terminal import require_folder_of, write_whole
from analytics.errors import WrongUse

if TYPE_CHECKING:
    import pyarrow as pa


def out_path(out: str) -> Path | None:
    """Return the file that ``--out`` names, None for standard output.

    Raises
    ------
    WrongUse
        If its ending is not known, or its folder is not there.
    """
    if out == "-":
        return None
    path = Path(out)
    if path.suffix.lower() not in (".csv", ".parquet"):
        raise WrongUse(f"--out {out}; allowed: a file ending in .csv or .parquet, or -")
    require_folder_of(path)
    return path


def domains(by: str) -> tuple[str, ...]:
    """Return the columns that ``--by`` names.

    Raises
    ------
    WrongUse
        If that is no level of the estimates.
    """
    words = tuple(word.strip() for word in by.split(","))
    if sorted(words) == ["area", "week"]:
        return "area", "week"
    if words in {("area",), ("week",), ("season",)}:
        return words
    raise WrongUse(f"--by {by}; allowed: area, week, area,week or season")


def write_table(table: pa.Table, target: Path | None) -> None:
    """Write a table whole or not at all; to standard output as CSV where no file is named."""
    from analytics.table import to_frame  # noqa: PLC0415 - keeps --help quick

    if target is None:
        to_frame(table).to_csv(sys.stdout, index=False, lineterminator="\n")
        return
    write_whole(target, lambda draft: _write(table, draft))


def _write(table: pa.Table, path: Path) -> None:
    import pyarrow.parquet as pq  # noqa: PLC0415 - keeps --help quick

    from analytics.table import to_frame  # noqa: PLC0415

    if path.suffix.lower() == ".parquet":
        pq.write_table(table, path)
    else:
        to_frame(table).to_csv(path, index=False, lineterminator="\n")
