"""Findings for people: alike ones grouped on a screen, rows set aside as a file to mend."""

from __future__ import annotations

import csv
import io
import json
from collections import defaultdict
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.data.importing.typed import Fault, read_extra
from analytics.findings import Finding, Severity, number_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from analytics.data.importing.reading import Raw

SHOWN_OF_A_KIND = 3

_QUARANTINE = ("file", "table", "row", "column", "seen", "allowed", "advice", "row_json")


def grouped(findings: Iterable[Finding], *, shown: int = SHOWN_OF_A_KIND) -> list[str]:
    """Return findings as lines; of alike ones the first few and how many more there are.

    Alike are findings of one severity, table, column and rule.
    """
    kinds: dict[tuple[Any, ...], list[Finding]] = defaultdict(list)
    for one in findings:
        kinds[one.severity, one.table, one.column, one.allowed, one.advice].append(one)
    lines: list[str] = []
    for alike in kinds.values():
        lines += [str(one) for one in alike[:shown]]
        if len(alike) > shown:
            lines.append(f"  ... and {len(alike) - shown:,} more like it")
    return lines


def counted(findings: Iterable[Finding]) -> str:
    """Return how many errors and warnings there are, such as ``2 errors, 1 warning``."""
    severities = [one.severity for one in findings]
    counts = [(severities.count(severity), severity) for severity in Severity]
    words = [number_of(n, severity) for n, severity in counts if n]
    return ", ".join(words) or "no findings"


def quarantine_csv(errors: Sequence[Finding], raws: Sequence[Raw]) -> str:
    """Return rows set aside as CSV: one line an error, with the whole row as JSON.

    Parameters
    ----------
    errors : sequence of Finding
        The errors whose rows were set aside.
    raws : sequence of Raw
        The files they came from.
    """
    by_file = {raw.file: raw for raw in raws}
    sheet = io.StringIO()
    writer = csv.writer(sheet, lineterminator="\n")
    writer.writerow(_QUARANTINE)
    for error in errors:
        texts = [error.column or "", error.seen, error.allowed, error.advice]
        row = _row_json(by_file[error.file], error.row)
        place = [_harmless(error.file), error.table, error.row]
        writer.writerow([*place, *map(_harmless, texts), row])
    return sheet.getvalue()


def _row_json(raw: Raw, row: int | None) -> str:
    if row in raw.ragged:
        return json.dumps({"line": raw.ragged[row]}, ensure_ascii=False)
    place = int(np.searchsorted(raw.row, row or 0))
    cells = raw.data.slice(place, 1).to_pylist()[0]
    return json.dumps(cells, ensure_ascii=False, default=str)


def _harmless(text: str) -> str:
    """Return a text that a spreadsheet shows and does not run."""
    return f"'{text}" if isinstance(read_extra(text), Fault) else text
