"""Deaths as dots: the totals by reports and by the sample, the groups, the areas."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.charts.dots import Dot
from dashboard.released.classes import HUE
from dashboard.released.deaths import (
    DIED,
    FATES,
    deaths_of,
    fish_of,
    groups,
    label,
    out_of,
    rate_of,
    span_of,
    total,
    totals,
)
from dashboard.released.index import REPORTED, SAMPLED, SAMPLED_DEATHS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.book import Book
    from dashboard.released.index import Line, Released

#: Groups with a smaller part of all deaths stand in the table alone.
LEAST_PART = 0.01
NAMES = (
    ("sea", "at the composition of test fishing"),
    ("copper", "releases as anglers reported them"),
    ("bar", "interval, from the fish and the rate"),
    ("thin", "the same fish at the low and the high end of the rate"),
)
_BASES = {SAMPLED_DEATHS: SAMPLED, "deaths": REPORTED}


def sums(told: Released, area: str | None) -> list[Dot]:
    """Return kept, released, lost and all deaths of a domain, by the sample and by reports."""
    found = []
    for fate in FATES:
        for table, basis in _BASES.items():
            every = groups(told, area, table=table)
            mine = [one for one in totals(every) if one["fate"] == fate]
            names = (
                [DIED.get(fate, FATES[fate])] if len(mine) == 1 else [label(one) for one in mine]
            )
            found += [
                _dot(name, one, every, basis=basis) for name, one in zip(names, mine, strict=True)
            ]
    return known(found)


def by_group(told: Released, area: str | None) -> list[Dot]:
    """Return reported deaths, a dot for each group of fish; small groups are left out."""
    whole = total(told, area)
    least = LEAST_PART * ((whole["deaths"] if whole else None) or 0.0)
    every = groups(told, area)
    return known(
        [
            _dot(label(line, short=True), line, every, basis=REPORTED)
            for line in every
            if line["deaths"] is None or line["deaths"] >= least
        ]
    )


def by_area(book: Book, told: Released) -> list[Dot]:
    """Return all deaths together, by the sample and by reports, for each area."""
    found = []
    for area in book.areas:
        for table, basis in _BASES.items():
            line = total(told, area, table=table)
            if line is not None:
                found.append(_dot(book.name(area), line, (), basis=basis))
    return known(found)


def known(dots: list[Dot]) -> list[Dot]:
    """Return the dots of a figure; none where not one of them has a number."""
    return dots if any(dot.amount.value is not None for dot in dots) else []


def _dot(name: str, line: Line, every: Sequence[Line], *, basis: str) -> Dot:
    lines = []
    if line["fish"] is not None and line["rate_prop"] is not None:
        fish = f"{fish_of(line).words} {out_of(line, every)}"
        lines.append(f"{fish}, at a rate of {rate_of(line).words}")
    lines += [one for one in (line["standing"], line["reason"]) if one]
    words = "\n".join(lines)
    return Dot(name, deaths_of(line), thin=span_of(line), hue=HUE[basis], words=words)
