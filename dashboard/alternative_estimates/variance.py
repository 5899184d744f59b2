"""What the error of a season figure is made of, as lines and in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pyarrow.compute as pc

from analytics.precision import chance, percent
from analytics.quantities import capitalised
from analytics.wording import numbers
from dashboard import html_tables
from dashboard.catalogue import phrase, say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.bulletin_index import BulletinIndex

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
_HEADS = (phrase("Part"), phrase("Share of the variance"), phrase("What would make it smaller"))


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


def shares(index: BulletinIndex, *, area: str | None, quantity: str, split: str) -> list[Share]:
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


def answer(index: BulletinIndex, *, area: str | None, quantity: str) -> str:
    """Return what most of an error comes from (Markdown)."""
    found = shares(index, area=area, quantity=quantity, split="part")
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


def title(found: Sequence[Share], *, where: str) -> str:
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
    found = shares(index, area=area, quantity=quantity, split=split)
    return next((one for one in found if not one.part and one.label != say(REST)), None)


def parts_table(index: BulletinIndex, *, areas: Sequence[str | None], quantity: str) -> str:
    """Return the parts of the variance as an HTML table, a domain after the other."""
    lines: list[str] = []
    for area in areas:
        name = index.name(area)
        lines.append(html_tables.group(_HEADS, capitalised(name)))
        found = shares(index, area=area, quantity=quantity, split="part")
        for one in found:
            cells = (one.words, html_tables.small(one.cure))
            lines.append(html_tables.line(_HEADS, one.label, cells))
        lines += [] if found else [html_tables.words_line(_HEADS, say("no standard error"))]
    return html_tables.table(_HEADS, lines)
