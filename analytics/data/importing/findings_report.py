"""Findings for people: alike ones grouped on a screen; all of them, or rows set aside, as files."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.csv_text import lines_csv
from analytics.data.importing.typed import value_of
from analytics.findings import Finding, Severity, how_many, number_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from analytics.data.importing.corrections import Correction
    from analytics.data.importing.reading import Raw

SHOWN_OF_A_KIND = 3
#: What is allowed in more signs than these, such as a list of tables, is said once.
_LONG = 60
_AS_ABOVE = "as above"

_FINDINGS = ("severity", "table", "file", "row", "column", "seen", "allowed", "advice")
_CORRECTIONS = ("file", "row", "column", "old", "new")
_QUARANTINE = ("file", "table", "row", "column", "seen", "allowed", "advice", "row_json")


def grouped(findings: Iterable[Finding], *, shown: int = SHOWN_OF_A_KIND) -> list[str]:
    """Return findings as lines; of alike ones the first few and how many more there are.

    Alike are findings of one severity, table, column and rule. A long list of what is allowed is
    said once.
    """
    kinds: dict[tuple[Any, ...], list[Finding]] = defaultdict(list)
    for one in findings:
        kinds[one.severity, one.table, one.column, one.allowed, one.advice].append(one)
    lines: list[str] = []
    said: set[str] = set()
    for alike in kinds.values():
        for one in alike[:shown]:
            lines.append(str(replace(one, allowed=_AS_ABOVE) if one.allowed in said else one))
            if len(one.allowed) > _LONG:
                said.add(one.allowed)
        more = how_many(alike) - len(alike[:shown])
        if more:
            lines.append(f"  ... and {more:,} more like it")
    return lines


def counted(findings: Iterable[Finding]) -> str:
    """Return how many errors and warnings there are, such as ``2 errors, 1 warning``."""
    counts = Counter[Severity]()
    for one in findings:
        counts[one.severity] += one.times
    words = [number_of(counts[severity], severity) for severity in Severity if counts[severity]]
    return ", ".join(words) or "no findings"


def findings_csv(findings: Iterable[Finding]) -> str:
    """Return findings as CSV, one line each, in the order given."""
    return lines_csv(
        _FINDINGS,
        ([str(one.severity), one.table, one.file, one.row, *_texts(one)] for one in findings),
    )


def quarantine_csv(errors: Sequence[Finding], raws: Sequence[Raw]) -> str:
    """Return rows set aside as CSV: one line an error, with the whole row of its file as JSON."""
    by_file: dict[str, list[Raw]] = defaultdict(list)
    for raw in raws:
        by_file[raw.file].append(raw)
    return lines_csv(
        _QUARANTINE,
        (
            [
                one.file,
                one.table,
                one.row,
                *_texts(one),
                _row_json(by_file[one.file], one.row),
            ]
            for one in errors
        ),
    )


def corrections_csv(corrections: Iterable[Correction]) -> str:
    """Return corrections as CSV, one line each, in the order in which they were made."""
    return lines_csv(
        _CORRECTIONS,
        ([one.file, one.row, one.column, one.old, one.new] for one in corrections),
    )


def _texts(one: Finding) -> list[str]:
    return [one.column or "", one.seen, one.allowed, one.advice]


def _row_json(raws: Sequence[Raw], row: int | None) -> str:
    for raw in raws:
        if row in raw.ragged:
            return json.dumps({"line": raw.ragged[row]}, ensure_ascii=False)
        place = int(np.searchsorted(raw.row, row or 0))
        if place < len(raw.row) and raw.row[place] == row:
            cells = {name: value_of(raw.data[name][place]) for name in raw.data.column_names}
            return json.dumps(cells, ensure_ascii=False, default=str)
    raise AssertionError(row)
