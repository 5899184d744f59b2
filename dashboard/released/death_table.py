"""Deaths of the season by group of fish, as tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard import cells, text
from dashboard.released import notes
from dashboard.released.deaths import (
    deaths_of,
    fish_of,
    groups,
    is_certain,
    is_sum,
    label,
    out_of,
    rate_of,
    span_of,
    totals,
)
from dashboard.released.index import SAMPLED_DEATHS, head

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.amounts import Amount
    from dashboard.book import Book
    from dashboard.released.index import Line, Released

_HEADS = ("Fish", "Out of", "Rate", "Deaths", "Rates low to high", "Source and notes")
SMALL = (
    "Deep: hooked in gills, throat or gut, or bleeding. Groups with under 1 % of the deaths stand "
    "in the table alone."
)
ALL_RATES = (
    "Low and high in the line of all together take every rate at its low end, or every rate at "
    "its high end, at once: a wider span than chance alone would give, and no interval."
)


def table(
    book: Book, told: Released, areas: Sequence[str | None], *, is_short: bool = False
) -> str:
    """Return deaths as an HTML table, a domain after the other; `is_short` leaves out parts.

    Notes that several lines share are left out: `shared_notes` has them.
    """
    shared = _shared(told, areas, is_short=is_short)
    parts: list[tuple[str, list[tuple[Line, list[str]]]]] = []
    for area in areas:
        for basis, name in _headings(book, told, area).items():
            every = groups(told, area, table=basis)
            shown = totals(every) if is_short else every
            parts.append((name, [(one, _values(one, every, shared=shared)) for one in shown]))
    used = _used([values for _, of_domain in parts for _, values in of_domain])
    heads = (_HEADS[0], *(_HEADS[1 + at] for at in used))
    lines = []
    for name, of_domain in parts:
        lines.append(cells.group(heads, name))
        lines += [
            cells.line(heads, label(one), [values[at] for at in used], is_all=is_sum(one))
            for one, values in of_domain
        ]
        lines += [] if of_domain else [cells.words_line(heads, "no fish met")]
    return cells.table(heads, lines, kind="bm-rates")


def _used(lines: Sequence[Sequence[str]]) -> list[int]:
    """Return the columns in which some line has more than a dash."""
    return [
        at
        for at in range(len(_HEADS) - 1)
        if not lines or any(values[at] != text.DASH for values in lines)
    ]


def shared_notes(told: Released, areas: Sequence[str | None], *, is_short: bool = False) -> str:
    """Return the notes that several lines of `table` share, once; empty where there are none."""
    return notes.sentence(_shared(told, areas, is_short=is_short))


def _shared(told: Released, areas: Sequence[str | None], *, is_short: bool) -> list[str]:
    found = [
        groups(told, area, table=basis) for area in areas for basis in ("deaths", SAMPLED_DEATHS)
    ]
    return notes.shared([one for lines in found for one in (totals(lines) if is_short else lines)])


def _headings(book: Book, told: Released, area: str | None) -> dict[str, str]:
    """Return the heading of a domain for each table that has lines: reports, then the sample."""
    name = head(book, area)
    if not told.of(SAMPLED_DEATHS, area):
        return {"deaths": name}
    return {
        "deaths": f"{name}, releases as reported",
        SAMPLED_DEATHS: f"{name}, at the composition of test fishing",
    }


def _values(line: Line, every: Sequence[Line], *, shared: Sequence[str]) -> list[str]:
    fish = fish_of(line)
    deaths = deaths_of(line)
    has_none = line["rate_prop"] is None or line["fate"] == "kept"
    error = f"± {fish.shown(line['fish_se'])}" if line["fish_se"] else ""
    return [
        text.DASH
        if fish.value is None
        else f"{fish.words} {out_of(line, every)}{cells.small(error)}",
        text.DASH if has_none else _rate(rate_of(line)),
        _deaths(line, deaths),
        text.DASH if deaths.value is None else deaths.between(*span_of(line)) or text.DASH,
        source_of(line, shared=shared),
    ]


def _deaths(line: Line, deaths: Amount) -> str:
    if deaths.value is None:
        return text.DASH
    if is_certain(line):
        return deaths.words + cells.small("no error")
    return cells.amount(deaths)


def _rate(rate: Amount) -> str:
    return rate.words + cells.small(rate.limits or "no error given")


def source_of(line: Line, *, shared: Sequence[str] = ()) -> str:
    """Return where a rate is from, how far to trust it, and its own notes, as HTML."""
    parts = [line["source"] or "", line["standing"] or ""]
    if (line["standing"] or "") in (line["source"] or ""):
        parts = parts[:1]
    return cells.small(*parts, notes.own(line, shared=shared)) or text.DASH
