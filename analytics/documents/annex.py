"""The annex of a bulletin's document: season by area, methods, sampling, findings, provenance.

Result rows become cells and tables here: value, interval, caution, sample.
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from analytics.codes import parse, sentence
from analytics.documents import blocks
from analytics.precision import DASH
from analytics.quantities import QUANTITIES, Status, capitalised
from analytics.wording import numbers, reasons, week
from analytics.wording.bulletin_index import in_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.documents.blocks import Block, Imprint
    from analytics.wording.bulletin_index import BulletinIndex, Row, Stratum
    from analytics.wording.limits import Standings


def figure_cell(row: Row | None) -> Block:
    """Return a figure with its interval below it, and its mark of caution."""
    if row is None or row.estimate is None:
        return blocks.cell(DASH, reasons.why_no_estimate_short(row))
    limits_words = numbers.interval(row) or reasons.brief(reasons.why_no_interval(row))
    return blocks.cell(numbers.value(row), limits_words, mark=reasons.caution(row)[0])


def sample_cell(row: Row | None) -> Block:
    """Return how many site-days of how many were sampled, and the interviews."""
    if row is None:
        return blocks.cell(DASH, "no open day")
    of = "" if row.n_psu_frame is None else f" of {row.n_psu_frame:,}"
    return blocks.cell(f"{row.n_psu or 0:,}{of}", numbers.count(row.n_interviews or 0, "interview"))


def area_table(index: BulletinIndex, names: Sequence[str], one_week: str | None) -> Block:
    """Return figures by area, all areas first; of a week, or of the season where it is None."""
    areas = (None, *index.areas)
    lines: list[list[Block | str]] = []
    for area in areas:
        rows = [index.row(area, one_week, name) for name in names]
        first = next((row for row in rows if row is not None), None)
        name = "All areas" if area is None else index.name(area)
        lines.append([name, *map(figure_cell, rows), sample_cell(first)])
    heads = ["Area", *(QUANTITIES[name].label for name in names), "Site-days"]
    widths = [1.5, *([1.05] * len(names)), 1.0]
    return blocks.table(heads, lines, widths=widths, first_is_all=True)


def wide_cell(row: Row | None) -> Block:
    """Return a figure with its interval on its own line, for a wide column."""
    if row is None or row.estimate is None:
        return blocks.cell(DASH, reasons.why_no_estimate_short(row) if row else "")
    ends = numbers.interval(row) or reasons.brief(reasons.why_no_interval(row))
    return blocks.cell(f"{numbers.value(row)} ({ends})", mark=reasons.caution(row)[0])


#: Findings that an annex lists; the workbook has all.
MOST_FINDINGS = 25


def annex(
    index: BulletinIndex, standings: Standings, imprint: Imprint, *, note: Sequence[Block] = ()
) -> list[Block]:
    """Return the blocks of the annex; `note` has the analyst's where the first page cuts it."""
    found = [
        blocks.heading("Annex"),
        *note,
        blocks.heading("Season to date by area", level=3),
        area_table(index, week.HEADLINE, None),
        blocks.heading("Methods used this week", level=3),
        blocks.bullets(methods(index), is_markdown=False),
    ]
    assumed = list(dict.fromkeys(words for of in standings.assumed.values() for words in of))
    if assumed:
        found.append(blocks.heading("What the projections assume", level=3))
        found.append(blocks.bullets(assumed, is_markdown=False))
    found.append(blocks.heading(f"Sampling in week {index.card.through}", level=3))
    found += _sampling(index)
    found.append(blocks.heading("Findings in the data", level=3))
    found += _findings(index)
    found.append(blocks.heading("About this bulletin", level=3))
    found.append(blocks.facts(about(index, imprint)))
    return found


def methods(index: BulletinIndex) -> list[str]:
    """Return how the figures of the week and the season were made, each way once, in sentences."""
    used: dict[str, dict[str, None]] = defaultdict(dict)
    for name, quantity in QUANTITIES.items():
        for domain in (None, *index.areas):
            row = index.row(domain, index.card.through, name)
            for code in parse(row.method if row is not None else ""):
                used[sentence(code)][quantity.noun] = None
    every = max(map(len, used.values()), default=0)
    found = []
    for words, labels in used.items():
        who = "all figures" if len(labels) == every > 3 else ", ".join(labels)
        found.append(f"{capitalised(words)}: {who}.")
    return found or ["No figure of the week could be estimated."]


def _sampling(index: BulletinIndex) -> list[Block]:
    strata = [one for one in index.strata if one.week == index.card.through]
    if not strata:
        return [blocks.prose("No stratum of this week is known.")]
    heads = ["Landing area", "Days", "Site-days", "Boats", "Interviews", "Basis"]
    lines = [_stratum(index, one) for one in strata]
    notes = [blocks.prose(numbers.plain(one)) for one in _thin(index)]
    widths = [1.6, 0.9, 0.9, 0.7, 0.8, 2.4]
    return [blocks.table(heads, lines, widths=widths, are_words=[1, 5]), *notes]


def _thin(index: BulletinIndex) -> list[str]:
    return week.thin_notes(index, areas=index.areas, week=index.card.through)


def _stratum(index: BulletinIndex, one: Stratum) -> list[str]:
    word = reasons.STATUS_WORDS.get(one.status or "", (one.status or DASH, ""))[0]
    rule = in_words(one.rule, index)
    # The rule of a thin stratum says what was done there, and needs no second word for it.
    is_said = rule and one.status in (Status.COLLAPSED, Status.IMPUTED)
    basis = rule if is_said else f"{word}{f': {rule}' if rule else ''}"
    missing = f"; {one.n_missing_psu} without interviews" if one.n_missing_psu else ""
    return [
        index.name(one.landing_area),
        week.span(one),
        f"{one.n_psu or 0} of {one.n_psu_frame or 0}",
        f"{one.boats_returned or 0:,}",
        f"{one.n_interviews or 0:,}",
        f"{basis}{missing}",
    ]


def _findings(index: BulletinIndex) -> list[Block]:
    found = week.finding_notes(index)
    if not found:
        return [blocks.prose("There is no finding.")]
    shown = blocks.bullets(found[:MOST_FINDINGS], is_markdown=False)
    if len(found) <= MOST_FINDINGS:
        return [shown]
    more = f"{numbers.count(len(found) - MOST_FINDINGS, 'more finding')} in the workbook."
    return [shown, blocks.prose(more, is_small=True)]


def about(index: BulletinIndex, imprint: Imprint) -> list[tuple[str, str]]:
    """Return what the bulletin is and rests on, a line a fact, and how to cite it."""
    card = index.card
    made = f"{card.made_utc[:10]} {card.made_utc[11:16]} UTC"
    title = f"Winter Chinook fishery, season {card.season}, through week {card.through}"
    # Without a publisher the title comes first, as in other lists of references.
    who, what = (imprint.publisher, f" {title}.") if imprint.publisher else (title, "")
    cite = (
        f"{who} ({card.made_utc[:4]}).{what} Bulletin {card.bulletin}, data version {card.version}."
    )
    return [
        ("Bulletin", card.bulletin),
        ("Covers", f"season {card.season} through the week of {numbers.week_dates(card.through)}"),
        ("Data as of", f"version {card.version} of the store (content {card.snapshot_key})"),
        ("Made", f"{made}, with blackmouth {card.program}"),
        ("Bulletin before", card.since or "none of an earlier version of the data"),
        ("Next release", imprint.next_release or week.next_release(index)),
        ("Publisher", imprint.publisher or "not stated"),
        ("Contact", imprint.contact or "not stated"),
        ("Cite as", cite),
    ]
