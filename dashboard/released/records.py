"""What a bulletin keeps of the fish that go back, by domain, ready to be given and drawn."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

from dashboard import numbers
from dashboard.bulletin_index import Row, of_line
from dashboard.bulletin_index import lines as lines_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from dashboard.bulletin_index import BulletinIndex

Line = dict[str, Any]
Domain = tuple[str | None, str | None]  # area (None: all areas), week (None: the season)

SURVEY, POOLED = "survey", "pooled"
REPORTED, SAMPLED = "reported", "sampled"
#: Deaths at the composition of test fishing; the other lines of ``deaths`` count what was reported.
SAMPLED_DEATHS = "sampled_deaths"
_ROW = frozenset(field.name for field in fields(Row))


@dataclass(frozen=True, slots=True)
class Told:
    """A result row, and the further columns of its table."""

    row: Row
    more: Line


@dataclass(frozen=True, slots=True, eq=False)
class Released:
    """The tables of released fish.

    Parameters
    ----------
    shares : mapping of (basis, area, week) to Told
        Sublegal shares.
    classes : mapping of (basis, area, week, quantity) to Told
        Encounters by size and mark.
    compared : mapping of (area, week, quantity) to dict
        Sampled over reported.
    species : mapping of (species, area, week) to Row
        Other species.
    lines : mapping of str to tuple of dict
        The lines of every other table, by its name; those of ``deaths`` that are not by reports
        stand under `SAMPLED_DEATHS`.
    """

    shares: Mapping[tuple[str, str | None, str | None], Told]
    classes: Mapping[tuple[str, str | None, str | None, str], Told]
    compared: Mapping[tuple[str | None, str | None, str], Line]
    species: Mapping[tuple[str, str | None, str | None], Row]
    lines: Mapping[str, tuple[Line, ...]]

    def share(self, basis: str, area: str | None, week: str | None) -> Row | None:
        """Return the sublegal share of a domain on a basis, or None where there is no row."""
        found = self.shares.get((basis, area, week))
        return found.row if found else None

    def of(self, table: str, area: str | None) -> list[Line]:
        """Return the lines of a table that are about an area; None is all areas together."""
        return [line for line in self.lines[table] if line["area"] == area]


#: Tables that are kept as lines.
LINES = (
    *("deaths", "method_mix_deaths", "holding_rates", "wound_mix", "survival"),
    *("lengths", "legal_share", "conversions"),
)


def index(book: BulletinIndex) -> Released:
    """Index the tables of released fish of a bulletin; those it lacks are empty."""
    shares = [_told(line, book) for line in lines_of(book, "shares")]
    classes = [_told(line, book) for line in lines_of(book, "composition")]
    species = [_told(line, book) for line in lines_of(book, "bycatch")]
    return Released(
        shares={(one.more["basis"], one.row.area, one.row.week): one for one in shares},
        classes={
            (one.more["basis"], one.row.area, one.row.week, one.row.quantity): one
            for one in classes
        },
        compared={
            (line["area"], line["week"], line["quantity"]): line
            for line in lines_of(book, "composition_ratio")
        },
        species={(one.more["species"], one.row.area, one.row.week): one.row for one in species},
        lines={name: tuple(lines_of(book, name)) for name in LINES} | _deaths(book),
    )


def _deaths(book: BulletinIndex) -> dict[str, tuple[Line, ...]]:
    """Return the lines of deaths by what counts the releases; no basis is reports."""
    found: dict[str, list[Line]] = {"deaths": [], SAMPLED_DEATHS: []}
    for line in lines_of(book, "deaths"):
        is_reported = (line.get("basis") or REPORTED) == REPORTED
        found["deaths" if is_reported else SAMPLED_DEATHS].append(line)
    return {name: tuple(lines) for name, lines in found.items()}


def domains(book: BulletinIndex, areas: Sequence[str]) -> list[str | None]:
    """Return the domains that figures show: chosen areas, else all together and then each."""
    return [*areas] if areas else [None, *book.areas]


def where(book: BulletinIndex, area: str | None) -> str:
    """Return a domain in the words of a sentence (Markdown)."""
    return "over all areas" if area is None else f"in {numbers.plain(book.name(area))}"


def head(book: BulletinIndex, area: str | None) -> str:
    """Return a domain as a heading, as it stands in the data."""
    name = book.name(area)
    return name[:1].upper() + name[1:]


def _told(line: Line, book: BulletinIndex) -> Told:
    row = {name: value for name, value in line.items() if name in _ROW}
    more = {name: value for name, value in line.items() if name not in _ROW}
    return Told(of_line(row, book.names), more)
