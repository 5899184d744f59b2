"""Figures and tables as HTML, and the files they can be taken away in; names are escaped here."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from analytics.table import to_frame
from analytics.units import QUANTITIES
from dashboard import text
from dashboard.charts.marks import PLAIN, mark
from dashboard.sentences import HEADLINE

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import pyarrow as pa

    from dashboard.book import Book, Change, Row
    from dashboard.charts.marks import Mark


def cards(book: Book, *, area: str | None, week: str) -> str:
    """Return the five figures of a domain as HTML: value, interval, change from last week."""
    inside = "".join(
        _card(name, book.row(area, week, name), book.change(area, week, name)) for name in HEADLINE
    )
    label = escape(f"Figures of {book.name(area)}, week {week}")
    return f'<div class="bm-cards" role="group" aria-label="{label}">{inside}</div>'


def week_table(book: Book, *, areas: Sequence[str], week: str, together: bool) -> str:
    """Return the week by area as an HTML table, the row of all areas first where asked."""
    heads = "".join(f"<th scope='col'>{QUANTITIES[name].label}</th>" for name in HEADLINE)
    domains: list[str | None] = [None, *areas] if together else [*areas]
    lines = "".join(_line(book, area, week=week) for area in domains)
    return (
        f"<table class='bm-table'><thead><tr><th scope='col'>Area</th>{heads}"
        f"<th scope='col'>Behind it</th></tr></thead><tbody>{lines}</tbody></table>"
    )


def legend(marks: Iterable[Mark], *, chosen: str, more: Sequence[tuple[str, str]] = ()) -> str:
    """Return the legend of a figure as HTML; `more` are further signs with their words."""
    signs = [*((one.glyph, one.words) for one in marks), *more]
    parts = [f"<span><b>{sign}</b> {escape(words)}</span>" for sign, words in signs]
    parts += [f"<span class='bm-week'>{escape(chosen)}: the chosen week</span>"]
    return f"<div class='bm-legend'>{''.join(parts)}</div>"


def every_quantity(book: Book, *, areas: Sequence[str | None], week: str) -> list[dict[str, str]]:
    """Return every quantity of a week for people, one dict a row, words in every cell."""
    rows = [
        row
        for area in areas
        for name in QUANTITIES
        if (row := book.row(area, week, name)) is not None
    ]
    return [_words(book, row) for row in rows]


def csv(table: pa.Table) -> bytes:
    """Return result rows as CSV, as the command line writes them; null is empty."""
    words: str = to_frame(table).to_csv(index=False, lineterminator="\n")
    return words.encode()


def _card(name: str, row: Row | None, change: Change | None) -> str:
    quantity = QUANTITIES[name]
    mark_text, care = text.caution(row)
    if row is None or row.estimate is None:
        figure = f"<div class='bm-words'>{escape(text.why_no_estimate(row))}</div>"
    else:
        figure = (
            f"<div class='bm-value'>{escape(text.value(row))}</div>"
            f"<div class='bm-interval'>{escape(_limits(row))}</div>"
        )
    word, _, amount = text.change(change).partition(":")
    changed = f"<b>{escape(word)}</b>" + (f"<br>{escape(amount)}" if amount else "")
    warned = f"<div class='bm-care'>{mark_text} {escape(care)}</div>" if care else ""
    return (
        f"<div class='bm-card' title='{escape(quantity.meaning, quote=True)}'>"
        f"<div class='bm-label'>{escape(quantity.label)}</div>{figure}{warned}"
        f"<div class='bm-change'>{changed}</div></div>"
    )


def _limits(row: Row) -> str:
    limits = text.interval(row)
    return f"{text.level(row.ci_level)} CI {limits}" if limits else text.why_no_interval(row)


def _line(book: Book, area: str | None, *, week: str) -> str:
    cells = "".join(
        f"<td data-label='{QUANTITIES[name].label}'>{_cell(book.row(area, week, name))}</td>"
        for name in HEADLINE
    )
    rows = [book.row(area, week, name) for name in HEADLINE]
    kind = " class='bm-all'" if area is None else ""
    head = escape(book.name(area).capitalize() if area is None else book.name(area))
    behind = f"<td data-label='Behind it'>{_behind(rows)}</td>"
    return f"<tr{kind}><th scope='row'>{head}</th>{cells}{behind}</tr>"


def _cell(row: Row | None) -> str:
    if row is None or row.estimate is None:
        return f"{text.DASH}<small>{escape(text.why_no_estimate(row))}</small>"
    limits = text.interval(row) or text.why_no_interval(row)
    care = text.caution(row)
    sign = f" <span class='bm-mark' title='{escape(care[1])}'>{care[0]}</span>" if care[0] else ""
    return f"{escape(text.value(row))}{sign}<small>{escape(limits)}</small>"


def _behind(rows: Sequence[Row | None]) -> str:
    """Return the sample behind a line and every reservation among its figures."""
    known = [row for row in rows if row is not None]
    if not known:
        return "no open day"
    marks = dict.fromkeys(mark(row) for row in known)
    marks.pop(PLAIN, None)
    words = [f"{one.glyph} {escape(one.words)}" for one in marks]
    first = known[0]
    sample = f"{first.n_psu or 0} of {first.n_psu_frame or 0} site-days"
    asked = f"{first.n_interviews or 0:,} interviews"
    return "".join(f"<small>{one}</small>" for one in (sample, asked, *words))


def _words(book: Book, row: Row) -> dict[str, str]:
    change = book.change(row.area, row.week, row.quantity)
    return {
        "Area": book.name(row.area),
        "Quantity": QUANTITIES[row.quantity].label,
        "Estimate": text.figure(row),
        "Care": text.caution(row)[1],
        "Change from last week": text.change(change) if change else "",
        "Behind it": text.STATUS_WORDS.get(row.status, (row.status, ""))[0],
    }
