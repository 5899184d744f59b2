"""Other ways to calculate as HTML tables and sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analytics.codes import sentences, without_estimators
from analytics.precision import DASH, PERCENT, number, percent
from analytics.quantities import capitalised
from analytics.wording import numbers, reasons
from dashboard import html_tables
from dashboard.alternative_estimates import bases
from dashboard.catalogue import phrase, say, say_n

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.bulletin_index import BulletinIndex
    from dashboard.alternative_estimates.bases import Ways

Line = dict[str, Any]

_HEADS = (
    phrase("How it is calculated"),
    phrase("Season figure"),
    phrase("Against as sampled"),
    phrase("How it was made"),
)
_SHARE_HEADS = (
    phrase("Area"),
    phrase("For listed sites"),
    phrase("Contacts"),
    phrase("Totals times"),
    phrase("Note"),
)
_REPORT_HEADS = (phrase("Fish reported"), phrase("Boats"), phrase("By the curve"))
#: A p-value below is given as such.
_LEAST_P = 0.001


def readings_table(
    index: BulletinIndex, ways: Ways, *, areas: Sequence[str | None], quantity: str
) -> str:
    """Return a season figure on every basis as an HTML table, a domain after the other."""
    parts: list[str] = []
    for area in areas:
        name = index.name(area)
        parts.append(html_tables.group(_HEADS, capitalised(name)))
        found = bases.readings(index, ways, area=area, quantity=quantity)
        usual = found[0].row if found else None
        parts += [_line(one, is_usual=one is found[0], usual=usual) for one in found]
        parts += [] if found else [html_tables.words_line(_HEADS, say("no open day"))]
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
        days = say(
            "{boats} on {days}",
            boats=say_n(line["boats"], "{n} boat", "{n} boats"),
            days=say_n(line["n_days"], "{n} day", "{n} days"),
        )
        factor = DASH
        if line["factor"] is not None:
            se = line["factor_se"]
            none = say("no error to be had")
            error = none if se is None else say("standard error {se:.3f}", se=se)
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
    limits = say("no interval")
    if line["share_low"] is not None:
        low, high = (number(100 * line[end], place=0) for end in ("share_low", "share_high"))
        limits = f"{low}–{high}{PERCENT}"
    return percent(line["share"]) + html_tables.small(limits)


def shares_words(lines: Sequence[Line], *, index: BulletinIndex) -> str:
    """Return what coverage tells, in a sentence (Markdown)."""
    known = _least_and_most(lines, index=index)
    if not known:
        return say("No boat met on the water on an open day was asked where it would land.")
    shares = [
        say("**{share}** in {area}", share=share, area=numbers.plain(name)) for share, name in known
    ]
    return say(
        "Of the boats met on the water, {shares} were for a listed site. The rest is in no figure "
        "as sampled; over all boats, totals are multiplied by the factor in the table, and its "
        "error counts.",
        shares=say(" to ").join(shares),
    )


def shares_title(lines: Sequence[Line], *, index: BulletinIndex) -> str:
    """Return the finding of the figure of coverage: where the least and the most boats go."""
    (share, area), *more = _least_and_most(lines, index=index)
    if not more:
        return say("{share} of boats were for a listed site in {area}", share=share, area=area)
    return say(
        "{share} of boats were for a listed site in {area}, {most} in {other}",
        share=share,
        area=area,
        most=more[0][0],
        other=more[0][1],
    )


def _least_and_most(lines: Sequence[Line], *, index: BulletinIndex) -> list[tuple[str, str]]:
    """Return the least and the most share with its area; of all together where no area has one.

    The share of all areas that an area without enough contacts takes says nothing of that area.
    """
    known = sorted((one for one in lines if one["share"] is not None), key=lambda one: one["share"])
    own = [one for one in known if not one["is_pooled"]]
    if known and not own:
        return [(percent(known[0]["share"]), say("all areas together"))]
    ends = own[:: max(len(own) - 1, 1)] if own else []
    if ends and ends[0]["share"] == ends[-1]["share"]:
        ends = ends[:1]
    return [(percent(one["share"]), index.name(one["area"])) for one in ends]


def reports_title(lines: Sequence[Line]) -> str:
    """Return the finding of the figure of reports: whether they heap on round numbers."""
    one = lines[0]
    if one["reason"] or one["ratio"] is None:
        return say("Sublegal fish reported by a boat; too little to test for rounding")
    if one["ratio_low"] <= 1:
        return say(
            "No clear sign of rounding: multiples of 5 are reported {ratio:.2f} times as often as "
            "expected",
            **one,
        )
    return say("Multiples of 5 are reported {ratio:.2f} times as often as expected", **one)


def reports_words(lines: Sequence[Line]) -> str:
    """Return what the test for heaps tells, in a sentence or two (Markdown)."""
    if not lines:
        return say(
            "No boat of the season reported a sublegal release, so there is nothing to test."
        )
    one = lines[0]
    if one["reason"] or one["ratio"] is None:
        why = numbers.plain(sentences(one["reason"]))
        return say("Whether reports heap on round numbers was not tested: {why}.", why=why)
    level = numbers.level(one["ci_level"])
    ratio = say(
        "**{ratio:.2f}** times ({level} CI {ratio_low:.2f}–{ratio_high:.2f}; {p})",
        level=level,
        p=_p_words(one["p_value"]),
        **one,
    )
    if one["ratio_low"] <= 1:
        found = say(
            "Boats reported 5, 10, 15 … sublegal fish {times} as often as a smooth curve through "
            "the other numbers expects: no clear sign of rounding.",
            times=ratio,
        )
    else:
        low, high = (number(one[end], place=0) for end in ("n_heaped_low", "n_heaped_high"))
        found = say(
            "Boats reported 5, 10, 15 … sublegal fish {times} as often as a smooth curve through "
            "the other numbers expects: about {n} ({low}–{high}) of {n_reports:,} reports were "
            "rounded there (an interval of chance alone; by how people round, the number can come "
            "out a third too high).",
            times=ratio,
            n=number(one["n_heaped"], place=0),
            low=low,
            high=high,
            n_reports=one["n_reports"],
        )
    shows = say(
        "Rounding shows that fish are recalled and not counted; how much too high reports run as a "
        "whole, it cannot show."
    )
    return f"{found} {shows}"


def _p_words(p: float) -> str:
    return say("p under {least}", least=_LEAST_P) if p < _LEAST_P else f"p {p:.3f}"


def reports_table(lines: Sequence[Line]) -> str:
    """Return the table of reports as HTML; numbers nobody reported are left out."""
    parts = [
        html_tables.line(
            _REPORT_HEADS,
            say("{fish} (multiple of 5)", **line) if line["is_heap"] else f"{line['fish']}",
            (
                f"{line['boats']:,}",
                DASH if line["smooth"] is None else number(line["smooth"], place=-1),
            ),
        )
        for line in lines
        if line["boats"]
    ]
    return html_tables.table(_REPORT_HEADS, parts)
