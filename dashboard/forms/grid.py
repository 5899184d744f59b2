"""A grid to type a table's rows in: every cell text, kept as typed, judged by the checks alone.

A grid of numbers or of fixed words drops in silence what is pasted and does not fit; a grid with a
fixed number of lines keeps its edits while the columns beside them change.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd
import streamlit as st

from analytics.data.importing import allowed_of
from analytics.documents.form_layout import head
from dashboard.forms.placed import Cells, filled

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from analytics.data.schema import Column

#: Lines of a grid: a pasted block with more is cut by the browser, so there are many.
LINES = 600
_MORE_LINES = 100
_ROW_PIXELS, _HEAD_PIXELS = 35, 38
#: Columns beside those that are typed.
LINE_AND_CHECK, BECOMES = "line and check", "becomes"
KEYS = (
    "Keys: Tab goes to the next cell, Enter to the cell below, arrows anywhere; for a new line: "
    "arrow down, Home, Tab. Delete empties a cell; Escape, then Tab leaves the grid. A block "
    f"copied from a spreadsheet can be pasted, up to line {LINES}. Where the page is slow, a key "
    "that is pressed before a cell has opened can be lost: look over each line."
)


@dataclass(frozen=True, slots=True)
class Grid:
    """A grid under a key of its own: the columns typed and the lines it began with.

    `key` must be another one whenever `shown` is.
    """

    key: str
    columns: tuple[Column, ...]
    shown: tuple[Cells, ...]
    label: str
    noun: str = "Line"

    @property
    def n_lines(self) -> int:
        """How many lines it has: more than anybody pastes at once."""
        return LINES + _MORE_LINES * (len(self.shown) // _MORE_LINES)

    def typed(self) -> list[Cells]:
        """Return the lines as they stand with what was typed so far."""
        lines = [dict(cells) for cells in self.shown]
        lines += [{} for _ in range(self.n_lines - len(lines))]
        names = {column.name for column in self.columns}
        for place, cells in _edits(self.key).items():
            kept = {name: value for name, value in cells.items() if name in names}
            lines[int(place)] = filled(lines[int(place)] | kept)
        return lines


def is_full(grid: Grid) -> bool:
    """Whether the last line holds anything, as where a longer block was pasted and cut."""
    return bool(grid.typed()[-1])


def is_drawn(key: str) -> bool:
    """Whether a grid of this key was drawn in the run before, and so holds what was typed."""
    return key in st.session_state


def _edits(key: str) -> Mapping[Any, Mapping[str, Any]]:
    found: Mapping[str, Any] = st.session_state.get(key) or {}
    return found.get("edited_rows") or {}


@dataclass(frozen=True, slots=True)
class Beside:
    """What stands beside the lines of a grid, by line, and known values said of its columns.

    `checks`: what the checks say; `becomes`: the id made of the line, where ids are made by rule;
    `known`: values by column, which its help lists.
    """

    checks: Mapping[int, str]
    becomes: Mapping[int, str] | None = None
    known: Mapping[str, Sequence[str]] = field(default_factory=dict)


def draw(grid: Grid, beside: Beside, *, visible: int = 10) -> None:
    """Draw a grid with what stands beside its lines; `visible` lines are in sight."""
    checks, becomes = beside.checks, beside.becomes
    lines = range(1, grid.n_lines + 1)
    data: dict[str, list[str | None]] = {
        LINE_AND_CHECK: [f"{n} {checks[n]}" if n in checks else str(n) for n in lines]
    }
    for column in grid.columns:
        given = [cells.get(column.name) for cells in grid.shown]
        data[column.name] = [*given, *[None] * (grid.n_lines - len(given))]
    if becomes is not None:
        data[BECOMES] = [becomes.get(n) for n in lines]
    st.data_editor(
        pd.DataFrame({name: pd.Series(cells, dtype="str") for name, cells in data.items()}),
        key=grid.key,
        num_rows="fixed",
        hide_index=True,
        width="stretch",
        height=_HEAD_PIXELS + _ROW_PIXELS * visible,
        placeholder="",
        alt=grid.label,
        disabled=[LINE_AND_CHECK, BECOMES],
        column_config=_config(grid, beside.known),
    )
    with st.container():  # always there, so that no grid below moves
        if is_full(grid):
            st.warning(
                f"The last of the {grid.n_lines} lines is filled. If what you pasted was longer, "
                "the rest was cut and is not here: give it to the page Data desk as a file."
            )


def _config(grid: Grid, words: Mapping[str, Sequence[str]]) -> dict[str, Any]:
    made = {
        column.name: st.column_config.TextColumn(
            head(column),
            help=help_of(column, words.get(column.name, ())),
            width=_width(column),
        )
        for column in grid.columns
    }
    return {
        LINE_AND_CHECK: st.column_config.TextColumn(
            grid.noun,
            help="The line, and what the checks say of it; the table below says it in full.",
            width=118,
            pinned=True,
        ),
        **made,
        BECOMES: st.column_config.TextColumn(
            "becomes", help="The id of the row, made by rule.", width=190
        ),
    }


def _width(column: Column) -> int:
    return 36 + 7 * len(head(column))


def help_of(column: Column, words: Iterable[str] = ()) -> str:
    """Return what a column means and may hold, in words."""
    known = ", ".join(words)
    parts = [
        column.meaning,
        f"Allowed: {allowed_of(column)}{f' ({known})' if known else ''}.",
        "Must be filled." if column.filled else "Leave it empty where not recorded.",
    ]
    if column.default:
        parts.append(f"Empty means {column.default}.")
    return " ".join(parts)
