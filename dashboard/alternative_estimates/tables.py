"""Other ways to calculate as HTML tables and sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analytics.codes import sentences, without_estimators
from analytics.rounding import DASH, PERCENT, number, percent
from analytics.wording import numbers, reasons
from dashboard import html_tables
from dashboard.alternative_estimates import bases

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.bulletin_index import BulletinIndex
    from dashboard.alternative_estimates.bases import Ways

Line = dict[str, Any]

_HEADS = ("How it is calculated", "Season figure", "Against as sampled", "How it was made")
_SHARE_HEADS = ("Area", "For listed sites", "Contacts", "Totals times", "Note")
_REPORT_HEADS = ("Fish reported", "Boats", "By the curve")
#: A p-value below is given as such.
_LEAST_P = 0.001


def readings_table(
    index: BulletinIndex, ways: Ways, *, areas: Sequence[str | None], quantity: str
) -> str:
    """Return a season figure on every basis as an HTML table, a domain after the other."""
    parts: list[str] = []
    for area in areas:
        name = index.name(area)
        parts.append(html_tables.group(_HEADS, name[:1].upper() + name[1:]))
        found = bases.readings(index, ways, area=area, quantity=quantity)
        usual = found[0].row if found else None
        parts += [_line(one, is_usual=one is found[0], usual=usual) for one in found]
        parts += [] if found else [html_tables.words_line(_HEADS, "no open day")]
    return html_tables.table(_HEADS, parts, kind="bm-moves")


def _line(one: bases.Reading, *, is_usual: bool, usual: Any) -> str:
    overlap = "" if one.is_assumed else bases.against(one, usual)
    off = bases.shift(one, usual)
    compared = html_tables.bold(off) + html_tables.small(overlap)
    cells = (
        html_tables.cell(one.row),
        DASH if is_usual or not off else compared,
        html_tables.small(reasons.behind(one.row)),
    )
    return html_tables.line(_HEADS, bases.whole(one.basis), cells)


def share_lines(index: BulletinIndex, areas: Sequence[str]) -> list[Line]:
    """Return the lines of the table of coverage of some areas; all where none is chosen."""
    lines: list[Line] = index.bulletin.coverage.to_pylist()
    return [line for line in lines if not areas or line["area"] in areas]


def shares_table(lines: Sequence[Line], *, index: BulletinIndex) -> str:
    """Return coverage by area as an HTML table."""
    parts: list[str] = []
    has_notes = any(_note(line) for line in lines)
    heads = _SHARE_HEADS if has_notes else _SHARE_HEADS[:-1]
    for line in lines:
        days = f"{numbers.count(line['boats'], 'boat')} on {numbers.count(line['n_days'], 'day')}"
        factor = DASH
        if line["factor"] is not None:
            se = line["factor_se"]
            error = "no error to be had" if se is None else f"standard error {se:.3f}"
            factor = f"{line['factor']:.3f}" + html_tables.small(error)
        cells = (_share(line), days, factor, html_tables.small(_note(line)))
        name = index.name(line["area"])
        parts.append(html_tables.line(heads, name, cells[: len(heads) - 1]))
    return html_tables.table(heads, parts)


def _note(line: Line) -> str:
    """Return what is to be said of a factor beside its estimator, or why there is none."""
    return sentences(without_estimators(line["method"]))


def _share(line: Line) -> str:
    if line["share"] is None:
        return DASH
    limits = "no interval"
    if line["share_low"] is not None:
        low, high = (number(100 * line[end], place=0) for end in ("share_low", "share_high"))
        limits = f"{low}–{high}{PERCENT}"
    return percent(line["share"]) + html_tables.small(limits)


def shares_words(lines: Sequence[Line], *, index: BulletinIndex) -> str:
    """Return what coverage tells, in a sentence (Markdown)."""
    known = sorted((one for one in lines if one["share"] is not None), key=lambda one: one["share"])
    if not known:
        return "No boat met on the water on an open day was asked where it would land."
    low, high = known[0], known[-1]
    span = f"**{percent(low['share'])}** in {numbers.plain(index.name(low['area']))}"
    if low["share"] != high["share"]:
        span += f" to **{percent(high['share'])}** in {numbers.plain(index.name(high['area']))}"
    return (
        f"Of the boats met on the water, {span} were for a listed site. The rest is in no figure "
        "as sampled; over all boats, totals are multiplied by the factor in the table, and its "
        "error counts."
    )


def shares_title(lines: Sequence[Line], *, index: BulletinIndex) -> str:
    """Return the finding of the figure of coverage: where the least and the most boats go."""
    known = sorted((one for one in lines if one["share"] is not None), key=lambda one: one["share"])
    low, high = known[0], known[-1]
    words = f"{percent(low['share'])} of boats were for a listed site in {index.name(low['area'])}"
    if low["share"] == high["share"]:
        return words
    return f"{words}, {percent(high['share'])} in {index.name(high['area'])}"


def reports_title(lines: Sequence[Line]) -> str:
    """Return the finding of the figure of reports: whether they heap on round numbers."""
    one = lines[0]
    if one["reason"] or one["ratio"] is None:
        return "Sublegal fish reported by a boat; too little to test for rounding"
    times = f"{one['ratio']:.2f} times as often as expected"
    if one["ratio_low"] <= 1:
        return f"No clear sign of rounding: multiples of 5 are reported {times}"
    return f"Multiples of 5 are reported {times}"


def reports_words(lines: Sequence[Line]) -> str:
    """Return what the test for heaps tells, in a sentence or two (Markdown)."""
    if not lines:
        return "No boat of the season reported a sublegal release, so there is nothing to test."
    one = lines[0]
    if one["reason"] or one["ratio"] is None:
        why = numbers.plain(sentences(one["reason"]))
        return f"Whether reports heap on round numbers was not tested: {why}."
    level = numbers.level(one["ci_level"])
    ratio = (
        f"**{one['ratio']:.2f}** times ({level} CI {one['ratio_low']:.2f}–{one['ratio_high']:.2f}; "
        f"{_p_words(one['p_value'])})"
    )
    start = (
        f"Boats reported 5, 10, 15 … sublegal fish {ratio} as often as a smooth curve through the "
        "other numbers expects"
    )
    if one["ratio_low"] <= 1:
        tail = ": no clear sign of rounding."
    else:
        low, high = (number(one[end], place=0) for end in ("n_heaped_low", "n_heaped_high"))
        tail = (
            f": about {number(one['n_heaped'], place=0)} ({low}–{high}) of "
            f"{one['n_reports']:,} reports were rounded there (an interval of chance alone; "
            "by how people round, the number can come out a third too high)."
        )
    return (
        f"{start}{tail} Rounding shows that fish are recalled and not counted; how much too high "
        "reports run as a whole, it cannot show."
    )


def _p_words(p: float) -> str:
    return f"p under {_LEAST_P}" if p < _LEAST_P else f"p {p:.3f}"


def reports_table(lines: Sequence[Line]) -> str:
    """Return the table of reports as HTML; numbers nobody reported are left out."""
    parts = [
        html_tables.line(
            _REPORT_HEADS,
            f"{line['fish']}{' (multiple of 5)' if line['is_heap'] else ''}",
            (
                f"{line['boats']:,}",
                DASH if line["smooth"] is None else number(line["smooth"], place=-1),
            ),
        )
        for line in lines
        if line["boats"]
    ]
    return html_tables.table(_REPORT_HEADS, parts)
