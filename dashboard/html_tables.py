"""Figures and tables as HTML, and the files they can be taken away in; names are escaped here."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.precision import marks_of, pse
from analytics.quantities import QUANTITIES
from analytics.result_table import to_frame
from dashboard import numbers, reasons
from dashboard.charts.theme import PARTIAL, PLAIN, mark
from dashboard.digits import DASH
from dashboard.week.sentences import HEADLINE

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from dashboard.bulletin_index import BulletinIndex, Change, Row
    from dashboard.charts.theme import Mark
    from dashboard.numbers import Measurement


_EVERY_HEADS = ("Quantity", "Estimate", "Change from last week", "Sample size")
#: What the site-days beside an area are.
SITE_DAYS = (
    "Sample size: the site-days of an area are those of every ramp where boats that fished there "
    "came back, so the areas do not add up to all areas."
)


def cards(book: BulletinIndex, *, area: str | None, week: str) -> str:
    """Return the five figures of a domain as HTML: value, interval, change from last week."""
    inside = "".join(
        _card(name, book.row(area, week, name), book.change(area, week, name)) for name in HEADLINE
    )
    label = escape(f"Figures of {book.name(area)}, week {week}")
    return f'<div class="bm-cards" role="group" aria-label="{label}">{inside}</div>'


def week_table(book: BulletinIndex, *, areas: Sequence[str], week: str, together: bool) -> str:
    """Return the week by area as an HTML table, the row of all areas first where asked."""
    heads = "".join(f"<th scope='col'>{QUANTITIES[name].label}</th>" for name in HEADLINE)
    domains: list[str | None] = [None, *areas] if together else [*areas]
    lines = "".join(_line(book, area, week=week) for area in domains)
    return (
        f"<table class='bm-table'><thead><tr><th scope='col'>Area</th>{heads}"
        f"<th scope='col' title='{SITE_DAYS}'>Sample size</th></tr></thead>"
        f"<tbody>{lines}</tbody></table>"
    )


def legend(marks: Iterable[Mark], *, chosen: str, more: Sequence[tuple[str, str]] = ()) -> str:
    """Return the legend of a figure as HTML; `more` are further signs with their words."""
    signs = [*((one.glyph, one.words) for one in marks), *more]
    parts = [f"<span><b>{sign}</b> {escape(words)}</span>" for sign, words in signs]
    parts += [f"<span class='bm-week'>{escape(chosen)}: the chosen week</span>"]
    return f"<div class='bm-legend'>{''.join(parts)}</div>"


def few_weeks(weeks: Sequence[str], *, of: int) -> str:
    """Return a line for narrow screens on which weeks are shown, as HTML."""
    if len(weeks) == of:
        return "<div class='bm-legend'>Every week of the season so far.</div>"
    return (
        f"<div class='bm-legend'>{len(weeks)} of {of} weeks, {escape(weeks[0])} to "
        f"{escape(weeks[-1])}; choose another week to see others.</div>"
    )


def every_quantity(book: BulletinIndex, *, areas: Sequence[str | None], week: str) -> str:
    """Return every quantity of a week as an HTML table, an area after the other, whole words."""
    heads = "".join(f"<th scope='col'>{head}</th>" for head in _EVERY_HEADS)
    parts = "".join(_every_of(book, area, week=week) for area in areas)
    return (
        "<table class='bm-table bm-every'>"
        f"<thead><tr>{heads}</tr></thead><tbody>{parts}</tbody></table>"
    )


def with_precision(table: pa.Table) -> pa.Table:
    """Return result rows with their percent standard error and what it says, as two more columns.

    `pse_percent` is null where there is none, `precision` is in words throughout.
    """
    columns = (table[name].to_pylist() for name in ("estimate", "se"))
    percents = pse(*(np.array(column, float) for column in columns))
    given = pa.array(percents, pa.float64(), from_pandas=True)
    words = pa.array([str(mark) for mark in marks_of(percents)], pa.string())
    return table.append_column("pse_percent", given).append_column("precision", words)


def of_areas(table: pa.Table, *, areas: Sequence[str]) -> pa.Table:
    """Return the lines of some areas; every line where none is chosen or the table has none."""
    if not areas or "area" not in table.schema.names:
        return table
    chosen = pc.is_in(table["area"], value_set=pa.array(areas, pa.string()))
    return table.filter(pc.fill_null(chosen, False))


def csv(table: pa.Table, names: Mapping[str, str]) -> bytes:
    """Return a table as CSV, the name of each area after its code; null is empty."""
    if "area" in table.schema.names:
        areas = table["area"].to_pylist()
        said = ["all areas" if one is None else names.get(one) or one for one in areas]
        at = table.schema.get_field_index("area") + 1
        table = table.add_column(at, "area_name", pa.array(said, pa.string()))
    words: str = to_frame(table).to_csv(index=False, lineterminator="\n")
    return words.encode()


def signs(words: Iterable[tuple[str, str]], *, hues: Mapping[str, str] | None = None) -> str:
    """Return the signs of a figure with their words, as HTML.

    Parameters
    ----------
    words : iterable of (str, str)
        Signs with their words.
    hues : mapping of str to str, optional
        Signs drawn in another colour of the palette than estimates: ``copper``, ``ink``, ``quiet``.
    """
    parts = "".join(
        f"<span>{_sign(sign, (hues or {}).get(sign))} {escape(said)}</span>" for sign, said in words
    )
    return f"<div class='bm-legend'>{parts}</div>"


def _sign(sign: str, hue: str | None) -> str:
    return f"<b class='bm-{hue}'>{sign}</b>" if hue else f"<b>{sign}</b>"


def _card(name: str, row: Row | None, change: Change | None) -> str:
    quantity = QUANTITIES[name]
    if row is None or row.estimate is None:
        figure = f"<div class='bm-words'>{escape(reasons.why_no_estimate(row))}</div>"
    else:
        figure = (
            f"<div class='bm-value'>{escape(numbers.value(row))}</div>"
            f"<div class='bm-interval'>{escape(_limits(row))}{_precision(row, tag='div')}</div>"
        )
    word, _, amount = numbers.change(change).partition(":")
    changed = f"<b>{escape(word)}</b>" + (f"<br>{escape(amount)}" if amount else "")
    warned = "".join(
        f"<div class='bm-care'>{sign} {escape(words)}</div>" for sign, words in _cares(row)
    )
    return (
        f"<div class='bm-card' title='{escape(quantity.meaning, quote=True)}'>"
        f"<div class='bm-label'>{escape(quantity.label)}</div>{figure}{warned}"
        f"<div class='bm-change'>{changed}</div></div>"
    )


def _cares(row: Row | None) -> list[tuple[str, str]]:
    """Return the warnings of a figure: its sign and words; none where all is well."""
    left_out = (mark(row).glyph if mark(row) == PARTIAL else "", reasons.left_out(row))
    return [one for one in (reasons.caution(row), left_out) if one[1]]


def _limits(row: Row) -> str:
    limits = numbers.interval(row)
    return f"{numbers.level(row.ci_level)} CI {limits}" if limits else reasons.why_no_interval(row)


def _line(book: BulletinIndex, area: str | None, *, week: str) -> str:
    cells = "".join(
        f"<td data-label='{QUANTITIES[name].label}'>{cell(book.row(area, week, name))}</td>"
        for name in HEADLINE
    )
    rows = [book.row(area, week, name) for name in HEADLINE]
    kind = " class='bm-all'" if area is None else ""
    behind = f"<td data-label='Sample size'>{_behind(rows, area=area)}</td>"
    return f"<tr{kind}><th scope='row'>{_head(book, area)}</th>{cells}{behind}</tr>"


def _head(book: BulletinIndex, area: str | None) -> str:
    return escape("All areas" if area is None else book.name(area))


def cell(row: Row | None, *, place: int | None = None) -> str:
    """Return a figure with its interval, its percent standard error and its caution, as HTML.

    `place` is the power of ten of its last digit; as its error has it when not given.
    """
    if row is None or row.estimate is None:
        whole = escape(reasons.why_no_estimate(row), quote=True)
        short = escape(reasons.why_no_estimate_short(row))
        return f"<span title='{whole}'>{numbers.DASH}<small>{short}</small></span>"
    limits = numbers.interval(row) or reasons.why_no_interval(row)
    sign, words = reasons.caution(row)
    care = (
        f" <span class='bm-mark' title='{escape(words, quote=True)}'>{sign}</span>" if sign else ""
    )
    below = f"<small>{escape(limits)}</small>{_precision(row)}{_use(row)}"
    return f"{escape(numbers.value(row, place=place))}{care}{below}"


def _precision(row: Row, *, tag: str = "small") -> str:
    words = reasons.precision(row)
    return f"<{tag}>{escape(words)}</{tag}>" if words else ""


def _use(row: Row) -> str:
    """Return in a few words how a figure may be used, where it carries a caution."""
    words = reasons.caution(row)[1].partition(":")[0]
    return f"<small class='bm-care'>{escape(words)}</small>" if words else ""


def _behind(rows: Sequence[Row | None], *, area: str | None) -> str:
    """Return the sample behind a line and every reservation among its figures.

    Interviews come first for an area: its site-days are shared with other areas.
    """
    known = [row for row in rows if row is not None]
    if not known:
        return "no open day"
    marks = dict.fromkeys(mark(row) for row in known)
    left_out = dict.fromkeys(found for row in known if (found := reasons.left_out(row)))
    words = [f"{one.glyph} {one.words}" for one in marks if one not in (PLAIN, PARTIAL)]
    words += [f"{PARTIAL.glyph} {one}" if PARTIAL in marks else one for one in left_out]
    first = known[0]
    sample = [_site_days(first), numbers.count(first.n_interviews or 0, "interview")]
    sample = sample if area is None else sample[::-1]
    return "".join(f"<small>{escape(one)}</small>" for one in (*sample, *words))


def _site_days(row: Row) -> str:
    """Return how many site-days were sampled, and of how many where they were drawn from any."""
    sampled = row.n_psu or 0
    if row.n_psu_frame is None:
        return numbers.count(sampled, "site-day")
    return f"{sampled} of {numbers.count(row.n_psu_frame, 'site-day')}"


def _every_of(book: BulletinIndex, area: str | None, *, week: str) -> str:
    rows = [row for name in QUANTITIES if (row := book.row(area, week, name)) is not None]
    span = len(_EVERY_HEADS)
    head = (
        f"<tr class='bm-group'><th scope='rowgroup' colspan='{span}'>{_head(book, area)}</th></tr>"
    )
    none = f"<tr><td colspan='{span}'>no open day</td></tr>"
    return head + ("".join(_every_line(book, row) for row in rows) or none)


def _every_line(book: BulletinIndex, row: Row) -> str:
    sign, words = reasons.caution(row)
    care = f"<small class='bm-care'>{sign} {escape(words)}</small>" if sign else ""
    change = numbers.change(book.change(row.area, row.week, row.quantity))
    figure = numbers.DASH if row.estimate is None else numbers.figure(row)
    cells = (escape(figure) + _precision(row) + care, escape(change), escape(reasons.behind(row)))
    inside = "".join(
        f"<td data-label='{label}'>{cell}</td>"
        for label, cell in zip(_EVERY_HEADS[1:], cells, strict=True)
    )
    return f"<tr><th scope='row'>{escape(QUANTITIES[row.quantity].label)}</th>{inside}</tr>"


# The HTML tables of the pages: heads, lines and groups; what stands in the cells is escaped.


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


def amount(one: Measurement, *, below: Sequence[str] = (), why: str = "") -> str:
    """Return a number with its interval below it, then further lines; or why there is none."""
    if one.value is None:
        return DASH + small(why)
    return escape(one.words) + small(one.limits or "no interval", *below)


def small(*lines: str) -> str:
    """Return plain lines in small print; empty ones are left out."""
    return "".join(f"<small>{escape(words)}</small>" for words in lines if words)
