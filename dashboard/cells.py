"""The HTML tables of the pages: heads, lines and groups; what stands in the cells is escaped."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from dashboard.digits import DASH

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.amounts import Amount


def line(heads: Sequence[str], first: str, cells: Sequence[str], *, is_all: bool = False) -> str:
    """Return a line of a table; `cells` are HTML, `first` is plain and escaped here."""
    inside = "".join(
        f"<td data-label='{escape(head)}'>{cell}</td>"
        for head, cell in zip(heads[1:], cells, strict=True)
    )
    kind = " class='bm-all'" if is_all else ""
    return f"<tr{kind}><th scope='row'>{escape(first)}</th>{inside}</tr>"


def group(heads: Sequence[str], name: str) -> str:
    """Return a line that heads the lines after it."""
    return (
        f"<tr class='bm-group'><th scope='rowgroup' colspan='{len(heads)}'>{escape(name)}</th></tr>"
    )


def words_line(heads: Sequence[str], words: str) -> str:
    """Return a line of words in the place of figures."""
    return f"<tr><td colspan='{len(heads)}'>{escape(words)}</td></tr>"


def table(heads: Sequence[str], lines: Sequence[str], *, kind: str = "") -> str:
    """Return a table of finished lines."""
    top = "".join(f"<th scope='col'>{escape(head)}</th>" for head in heads)
    return (
        f"<table class='bm-table {kind}'><thead><tr>{top}</tr></thead>"
        f"<tbody>{''.join(lines)}</tbody></table>"
    )


def amount(one: Amount, *, below: Sequence[str] = (), why: str = "") -> str:
    """Return a number with its interval below it, then further lines; or why there is none."""
    if one.value is None:
        return DASH + small(why)
    return escape(one.words) + small(one.limits or "no interval", *below)


def small(*lines: str) -> str:
    """Return plain lines in small print; empty ones are left out."""
    return "".join(f"<small>{escape(words)}</small>" for words in lines if words)
