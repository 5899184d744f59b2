"""An answer in a few aligned lines, for a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analytics.season.answer_cells import NONE, day, first_number, likely
from analytics.season.answer_sentences import binding

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pyarrow as pa

    from analytics.season.answer_about import About

_COLUMNS = {
    "angler_trips": "trips",
    "kept_fish": "kept",
    "released_sublegal_fish": "sublegal",
    "total_deaths_fish": "deaths",
}
_LONGEST = 40


def short_lines(about: About, tables: Mapping[str, pa.Table]) -> list[str]:
    """Return an answer as lines: an option each, with its difference from today's rule.

    Parameters
    ----------
    about : About
    tables : mapping of str to pyarrow.Table
        In the shapes of `analytics.season.tables.ANSWER_SCHEMAS`.
    """
    rows = {name: table.to_pylist() for name, table in tables.items()}
    figures = {
        (row["option"], row["quantity"]): row for row in rows["figures"] if row["area"] is None
    }
    options = list(dict.fromkeys(row["option"] for row in rows["figures"]))
    marked = {row["option"] for row in rows["beaten"] if row["is_beaten"]}
    lines = [["option", *_COLUMNS.values(), "limits likely passed"]]
    for option in options:
        cells = [
            _cell(figures.get((option, one)), is_first=option == options[0]) for one in _COLUMNS
        ]
        lines.append(
            [_cut(option) + " *" * (option in marked), *cells, likely(rows["reach"], option)]
        )
    head = f"Season {about.season} through {day(about.through)}: totals by the end of the season"
    notes = ["(in brackets the difference from the first line; intervals in answer.md)"]
    notes += ["* beaten by another option on every count"] * bool(marked)
    first = [(option, binding(about, rows["reach"], option)) for option in options]
    told = [f"  {_cut(option)}: {words}" for option, words in first if words]
    return [head, *_aligned(lines), *(["binds first:"] if told else []), *told, *notes]


def _cell(row: Mapping[str, Any] | None, *, is_first: bool) -> str:
    if row is None:
        return NONE
    total = first_number(row, "estimate", "ci_low", "ci_high")
    if is_first or row["difference"] is None:
        return total
    ends = ("difference", "difference_low", "difference_high")
    return f"{total} ({first_number(row, *ends, signed=True)})"


def _cut(name: str) -> str:
    return name if len(name) <= _LONGEST else name[: _LONGEST - 1] + "…"


def _aligned(lines: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    return [
        "  ".join(
            [line[0].ljust(widths[0])]
            + [cell.rjust(width) for cell, width in zip(line[1:], widths[1:], strict=True)]
        ).rstrip()
        for line in lines
    ]
