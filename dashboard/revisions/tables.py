"""Moves as HTML tables."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from analytics.quantities import QUANTITIES
from dashboard import html_tables
from dashboard.revisions import moves as moved

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from dashboard.bulletin_index import BulletinIndex
    from dashboard.revisions.moves import Move

_HEADS = ("Area and week", "Before", "Now", "Move", "Why")


def moves_table(moves: Sequence[Move], *, book: BulletinIndex) -> str:
    """Return moves as an HTML table, one a line, in the order given."""
    return html_tables.table(_HEADS, [_line(move, book=book) for move in moves], kind="bm-moves")


def counts(moves: Iterable[Move]) -> str:
    """Return how many weekly figures of each quantity moved, as HTML; empty where none did."""
    found = Counter(move.row.quantity for move in moves if move.row.week)
    if not found:
        return ""
    heads = ("Quantity", "Figures that moved")
    lines = [
        html_tables.line(heads, QUANTITIES[name].label, [f"{found[name]:,}"])
        for name in QUANTITIES
        if found[name]
    ]
    return html_tables.table(heads, lines)


def _line(move: Move, *, book: BulletinIndex) -> str:
    size, place = moved.in_errors(move), moved.place_of(move)
    cells = (
        html_tables.cell(move.before, place=place) if move.before else "–",
        html_tables.cell(move.now, place=place) if move.now else "–",
        html_tables.bold(moved.shift(move)) + html_tables.small(size),
        html_tables.small(moved.cause_words(move.causes)),
    )
    name, _, week = moved.where(move, book=book).rpartition(", ")
    return html_tables.line(_HEADS, html_tables.dated(name, week), cells)
