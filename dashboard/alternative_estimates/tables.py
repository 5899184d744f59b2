"""Other ways to calculate, and what an error is made of, as HTML tables and sentences."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pyarrow.compute as pc

from analytics.codes import sentences, without_estimators
from analytics.precision import DASH, PERCENT, chance, number, percent
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


#: The parts of a variance in words, short and in a sentence, and what would make each smaller.
PARTS = {
    "between_units": (
        phrase("between site-days"),
        phrase("differences between the site-days of a stratum"),
        phrase("more site-days"),
    ),
    "within_units": (
        phrase("boats not interviewed"),
        phrase("boats that were not interviewed"),
        phrase("more interviews a site-day"),
    ),
    "missed_days": (
        phrase("missed site-days"),
        phrase("site-days with boats and no interview"),
        phrase("an interview on each site-day"),
    ),
    "collapsed_strata": (
        phrase("strata with one site-day"),
        phrase("strata with one site-day"),
        phrase("a second site-day in strata with one"),
    ),
    "imputed_strata": (
        phrase("strata not sampled"),
        phrase("strata that were not sampled"),
        phrase("a site-day in each stratum that had none"),
    ),
    "borrowed_marked_shares": (
        phrase("marks not read"),
        phrase("marks that nobody read"),
        phrase("more marks read"),
    ),
    "mortality_rates": (
        phrase("rates of death"),
        phrase("the rates of death"),
        phrase("rates of death known better"),
    ),
    "interviews": (
        phrase("interviews"),
        phrase("the survey"),
        phrase("more site-days and interviews"),
    ),
    "test_fishing": (
        phrase("test fishing"),
        phrase("the fish of test fishing"),
        phrase("more fish of test fishing"),
    ),
}
#: Lines of a split that are shown one by one; the others are one line.
MOST_LINES = 8
REST = phrase("all others")
#: A share under this is read as 0 %.
SMALL = 0.005
_PART_HEADS = (
    phrase("Part"),
    phrase("Share of the variance"),
    phrase("What would make it smaller"),
)


@dataclass(frozen=True, slots=True)
class Share:
    """One line of a split: its words and its share of the variance, 0 to 1."""

    label: str
    share: float
    part: str = ""

    @property
    def words(self) -> str:
        """The share in percent; one next to nothing is under 1 % in the place of many zeros."""
        return chance(self.share) if 0 < self.share < SMALL else percent(self.share)

    @property
    def source(self) -> str:
        """What the share comes from, in a sentence."""
        return say(PARTS[self.part][1]) if self.part in PARTS else self.label

    @property
    def cure(self) -> str:
        """What would make it smaller; empty where that is not one thing."""
        return say(PARTS[self.part][2]) if self.part in PARTS else ""


def variance_shares(
    index: BulletinIndex, *, area: str | None, quantity: str, split: str
) -> list[Share]:
    """Return a split of the variance of a season figure, the largest share first."""
    table = index.bulletin.variance_budget
    is_mine = pc.and_(pc.equal(table["quantity"], quantity), pc.equal(table["split"], split))
    lines = [
        Share(_label(index, line, split), line["share"], line["part"] or "")
        for line in table.filter(is_mine).to_pylist()
        if line["area"] == area
    ]
    found = sorted(lines, key=lambda one: -one.share)
    if len(found) <= MOST_LINES + 1:
        return found
    rest = sum(one.share for one in found[MOST_LINES:])
    return [*found[:MOST_LINES], Share(say(REST), rest)]


def _label(index: BulletinIndex, line: dict[str, Any], split: str) -> str:
    if line["part"]:
        return say(PARTS.get(line["part"], (line["part"],))[0])
    if split == "landing_area":
        return index.name(line["landing_area"])
    return say("week {week}", week=line["week"])


def variance_answer(index: BulletinIndex, *, area: str | None, quantity: str) -> str:
    """Return what most of an error comes from (Markdown)."""
    found = variance_shares(index, area=area, quantity=quantity, split="part")
    name = numbers.plain(index.name(area))
    name = capitalised(name)
    if not found:
        return say("{area}: there is no standard error to take apart.", area=name)
    first = found[0]
    words = say(
        "{area}: **{share}** of the variance comes from **{source}**",
        area=name,
        share=percent(first.share),
        source=first.source,
    )
    further = [
        say("{share} from {source}", share=one.words, source=one.source)
        for one in found[1:]
        if one.share >= 0.01
    ]
    words += say(", then {parts}.", parts=", ".join(further)) if further else "."
    where = _largest(index, area, quantity, "landing_area")
    when = _largest(index, area, quantity, "week")
    if where and when:
        words += say(
            " Landings in {area} bring {share} of it, {week} {share_of_week}.",
            area=numbers.plain(where.label),
            share=percent(where.share),
            week=when.label,
            share_of_week=percent(when.share),
        )
    cure = first.cure and say(" What would make it smaller: {cure}.", cure=first.cure)
    return words + cure


def variance_title(found: Sequence[Share], *, where: str) -> str:
    """Return the finding of a figure: what most of an error comes from."""
    first = found[0]
    return say(
        "{where}: {share} of the variance comes from {source}",
        where=where,
        share=percent(first.share),
        source=first.source,
    )


def _largest(index: BulletinIndex, area: str | None, quantity: str, split: str) -> Share | None:
    """Return the largest line of a split that lies in strata."""
    found = variance_shares(index, area=area, quantity=quantity, split=split)
    return next((one for one in found if not one.part and one.label != say(REST)), None)


def parts_table(index: BulletinIndex, *, areas: Sequence[str | None], quantity: str) -> str:
    """Return the parts of the variance as an HTML table, a domain after the other."""
    lines: list[str] = []
    for area in areas:
        name = index.name(area)
        lines.append(html_tables.group(_PART_HEADS, capitalised(name)))
        found = variance_shares(index, area=area, quantity=quantity, split="part")
        for one in found:
            cells = (one.words, html_tables.small(one.cure))
            lines.append(html_tables.line(_PART_HEADS, one.label, cells))
        lines += [] if found else [html_tables.words_line(_PART_HEADS, say("no standard error"))]
    return html_tables.table(_PART_HEADS, lines)
