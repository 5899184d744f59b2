"""Moves as HTML tables."""

from __future__ import annotations

from collections import Counter
from html import escape
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
    heads = "".join(f"<th scope='col'>{head}</th>" for head in _HEADS)
    lines = "".join(_line(move, book=book) for move in moves)
    return (
        f"<table class='bm-table bm-moves'><thead><tr>{heads}</tr></thead>"
        f"<tbody>{lines}</tbody></table>"
    )


def counts(moves: Iterable[Move]) -> str:
    """Return how many weekly figures of each quantity moved, as HTML; empty where none did."""
    found = Counter(move.row.quantity for move in moves if move.row.week)
    if not found:
        return ""
    lines = "".join(
        f"<tr><th scope='row'>{escape(QUANTITIES[name].label)}</th>"
        f"<td data-label='Figures that moved'>{found[name]:,}</td></tr>"
        for name in QUANTITIES
        if found[name]
    )
    heads = "<th scope='col'>Quantity</th><th scope='col'>Figures that moved</th>"
    return f"<table class='bm-table'><thead><tr>{heads}</tr></thead><tbody>{lines}</tbody></table>"


def _line(move: Move, *, book: BulletinIndex) -> str:
    size, place = moved.in_errors(move), moved.place_of(move)
    cells = (
        html_tables.cell(move.before, place=place) if move.before else "–",
        html_tables.cell(move.now, place=place) if move.now else "–",
        f"<b>{escape(moved.shift(move))}</b>" + (f"<small>{escape(size)}</small>" if size else ""),
        f"<small>{escape(moved.cause_words(move.causes))}</small>",
    )
    inside = "".join(
        f"<td data-label='{head}'>{cell}</td>" for head, cell in zip(_HEADS[1:], cells, strict=True)
    )
    name, _, week = moved.where(move, book=book).rpartition(", ")
    head = f"{escape(name)}, <span class='bm-whole'>{escape(week)}</span>"
    return f"<tr><th scope='row'>{head}</th>{inside}</tr>"
