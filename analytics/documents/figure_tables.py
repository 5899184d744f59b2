"""Result rows as cells and tables of a document: value, interval, caution, sample."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.documents import blocks
from analytics.quantities import QUANTITIES
from analytics.rounding import DASH
from analytics.wording import numbers, reasons

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.documents.blocks import Block
    from analytics.wording.bulletin_index import BulletinIndex, Row


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
