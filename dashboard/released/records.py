"""What a bulletin keeps of the fish that go back, by domain, ready for sentences and figures."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

from analytics.quantities import capitalised
from analytics.wording import numbers
from analytics.wording.bulletin_index import Row, of_line
from analytics.wording.bulletin_index import lines as lines_of
from dashboard.catalogue import say

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.wording.bulletin_index import BulletinIndex

Line = dict[str, Any]

SURVEY, POOLED = "survey", "pooled"
REPORTED, SAMPLED = "reported", "sampled"
#: Deaths by the composition of test fishing; the other lines of ``deaths`` are as reported.
SAMPLED_DEATHS = "sampled_deaths"
_ROW = frozenset(field.name for field in fields(Row))
#: Tables that are kept as lines.
LINES = (
    *("deaths", "method_mix_deaths", "holding_rates", "wound_mix", "survival"),
    *("lengths", "legal_share", "conversions"),
)


@dataclass(frozen=True, slots=True)
class DetailedRow:
    """A result row, and the further columns of its table."""

    row: Row
    more: Line


@dataclass(frozen=True, slots=True, eq=False)
class Released:
    """The tables of released fish; area None is all areas together, week None the season.

    `shares` are sublegal shares by basis, area and week, `classes` encounters by size and mark by
    basis, area, week and quantity, `compared` sampled over reported by area, week and quantity,
    `species` other species by name, area and week. `lines` has those of every other table by its
    name; those of ``deaths`` that are not by reports stand under `SAMPLED_DEATHS`.
    """

    shares: Mapping[tuple[str, str | None, str | None], DetailedRow]
    classes: Mapping[tuple[str, str | None, str | None, str], DetailedRow]
    compared: Mapping[tuple[str | None, str | None, str], Line]
    species: Mapping[tuple[str, str | None, str | None], Row]
    lines: Mapping[str, tuple[Line, ...]]

    def share(self, basis: str, area: str | None, week: str | None) -> Row | None:
        """Return the sublegal share of a domain on a basis, or None where there is no row."""
        found = self.shares.get((basis, area, week))
        return found.row if found else None

    def of_class(self, basis: str, area: str | None, quantity: str) -> DetailedRow | None:
        """Return a class of fish in the season so far, or None where there is no row."""
        return self.classes.get((basis, area, None, quantity))

    def of(self, table: str, area: str | None) -> list[Line]:
        """Return the lines of a table that are about an area; None is all areas together."""
        return [line for line in self.lines[table] if line["area"] == area]


def read(index: BulletinIndex) -> Released:
    """Index the tables of released fish of a bulletin; those it lacks are empty."""
    shares, classes, species = (
        [_detailed(line, index) for line in lines_of(index, name)]
        for name in ("shares", "composition", "bycatch")
    )
    compared = lines_of(index, "composition_ratio")
    deaths: dict[str, list[Line]] = {"deaths": [], SAMPLED_DEATHS: []}
    for line in lines_of(index, "deaths"):
        is_reported = (line.get("basis") or REPORTED) == REPORTED  # an older bulletin has no basis
        deaths["deaths" if is_reported else SAMPLED_DEATHS].append(line)
    return Released(
        shares={(str(one.row.basis), one.row.area, one.row.week): one for one in shares},
        classes={
            (str(one.row.basis), one.row.area, one.row.week, one.row.quantity): one
            for one in classes
        },
        compared={(line["area"], line["week"], line["quantity"]): line for line in compared},
        species={(one.more["species"], one.row.area, one.row.week): one.row for one in species},
        lines={name: tuple(lines_of(index, name)) for name in LINES}
        | {name: tuple(lines) for name, lines in deaths.items()},
    )


def _detailed(line: Line, index: BulletinIndex) -> DetailedRow:
    row = {name: value for name, value in line.items() if name in _ROW}
    more = {name: value for name, value in line.items() if name not in _ROW}
    return DetailedRow(of_line(row, index.names), more)


# Domains in words.


def domains(index: BulletinIndex, areas: Sequence[str]) -> list[str | None]:
    """Return the domains that figures show: chosen areas, else all together and then each."""
    return [*areas] if areas else [None, *index.areas]


def where(index: BulletinIndex, area: str | None) -> str:
    """Return a domain in the words of a sentence (Markdown)."""
    if area is None:
        return say("over all areas")
    return say("in {area}", area=numbers.plain(index.name(area)))


def start(index: BulletinIndex, area: str | None) -> str:
    """Return a domain as the start of a sentence (Markdown)."""
    place = where(index, area)
    return capitalised(place)


def when(index: BulletinIndex, week: str | None = None) -> str:
    """Return a week, or the season so far, in the words of a sentence."""
    if week is None:
        return say("season through week {week}", week=index.card.through)
    return say("week {week}", week=week)


def head(index: BulletinIndex, area: str | None) -> str:
    """Return a domain as a heading, as it stands in the data."""
    name = index.name(area)
    return capitalised(name)
