"""A bulletin indexed for reading: a row, a change or a stratum in one look-up, nulls as None."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from textwrap import shorten
from typing import TYPE_CHECKING, Any, TypeVar
from unicodedata import bidirectional

import pyarrow as pa
import pyarrow.compute as pc

from analytics.codes import sentences, with_area_names
from analytics.precision import mark_of, pse_of
from analytics.result_table import area_names
from analytics.weeks import week_start, weeks_between

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from analytics.bulletin.archive import Bulletin, BulletinMetadata
    from analytics.precision import Precision

T = TypeVar("T")

#: Columns that hold codes, and are read in words.
_CODED = ("reason", "note", "rule", "purpose", "case", "direction", "evidence", "survey_direction")

#: An area (None: all areas together), an ISO week (None: the whole season), a quantity.
Key = tuple[str | None, str | None, str]


@dataclass(frozen=True, slots=True)
class Row:
    """One result row; the fields are its columns, areas in `method` by their names."""

    season: str | None
    area: str | None
    week: str | None
    quantity: str
    unit: str
    estimate: float | None
    se: float | None
    ci_low: float | None
    ci_high: float | None
    ci_level: float | None
    ci_method: str | None
    df: float | None
    n_psu: int | None
    n_psu_frame: int | None
    n_interviews: int | None
    method: str | None
    status: str
    basis: str | None = None

    @property
    def has_interval(self) -> bool:
        """Whether both ends of the interval are known."""
        return self.ci_low is not None and self.ci_high is not None

    @property
    def pse(self) -> float | None:
        """Percent standard error; None where it is missing or the estimate is zero."""
        return pse_of(self.estimate, self.se)

    @property
    def precision(self) -> Precision:
        """What the percent standard error says of the use of the figure."""
        return mark_of(self.pse)


@dataclass(frozen=True, slots=True)
class Change:
    """Change of one quantity from the week before; the fields are the archive's columns."""

    season: str | None
    area: str | None
    week: str | None
    previous_week: str | None
    quantity: str
    previous: float | None
    estimate: float | None
    change: float | None
    ci_low: float | None
    ci_high: float | None
    ci_level: float | None
    form: str | None
    direction: str | None


@dataclass(frozen=True, slots=True)
class Stratum:
    """What sampling reached in one stratum; the fields are the archive's columns."""

    season: str | None
    landing_area: str | None
    week: str | None
    stratum: str | None
    n_psu_frame: int | None
    n_psu: int | None
    n_missing_psu: int | None
    boats_returned: int | None
    n_interviews: int | None
    status: str | None
    rule: str | None


@dataclass(frozen=True, slots=True, eq=False)
class BulletinIndex:
    """A bulletin, indexed.

    `bulletin` holds the Arrow tables as saved, for downloads; `names` the names of areas; `areas`
    and `weeks`, in order, those that have a row; `axis` every week from the first to the last,
    closed ones too, so that time runs evenly.
    """

    card: BulletinMetadata
    bulletin: Bulletin
    rows: Mapping[Key, Row]
    changes: Mapping[Key, Change]
    strata: tuple[Stratum, ...]
    findings: tuple[dict[str, Any], ...]
    names: Mapping[str, str]
    areas: tuple[str, ...]
    weeks: tuple[str, ...]
    axis: tuple[str, ...]

    def name(self, area: str | None) -> str:
        """Return the name of an area for people; None is all areas together."""
        return "all areas" if area is None else before_words(self.names.get(area) or area)

    def row(self, area: str | None, week: str | None, quantity: str) -> Row | None:
        """Return a result row, or None where the bulletin has none."""
        return self.rows.get((area, week, quantity))

    def change(self, area: str | None, week: str | None, quantity: str) -> Change | None:
        """Return the change from the week before, or None where the bulletin has none."""
        return self.changes.get((area, week, quantity))


def index_bulletin(bulletin: Bulletin) -> BulletinIndex:
    """Index a bulletin for reading."""
    names = area_names(bulletin.areas)
    found = (of_line(line, names) for line in bulletin.rows.to_pylist())
    rows = {(row.area, row.week, row.quantity): row for row in found}
    changes = {
        (one.area, one.week, one.quantity): replace(one, direction=sentences(one.direction))
        for one in _records(bulletin.changes, Change)
    }
    weeks = tuple(sorted({week for _, week, _ in rows if week is not None}))
    return BulletinIndex(
        card=bulletin.card,
        bulletin=bulletin,
        rows=rows,
        changes=changes,
        strata=tuple(_records(bulletin.strata, Stratum)),
        findings=tuple(bulletin.findings.to_pylist()),
        names=names,
        areas=tuple(sorted({area for area, _, _ in rows if area is not None})),
        weeks=weeks,
        axis=weeks_between(weeks[0], weeks[-1]) if weeks else (),
    )


#: Directions of letters that run from right to left, and the mark after which words turn back.
_RIGHT_TO_LEFT, _LEFT_TO_RIGHT = frozenset({"R", "AL"}), "\u200e"
#: What stands for the rest of a name.
_CUT = "…"


def before_words(name: str) -> str:
    """Return a name that does not turn the words after it where it runs from right to left."""
    return f"{name}{_LEFT_TO_RIGHT}" if _RIGHT_TO_LEFT & set(map(bidirectional, name)) else name


def cut_name(name: str, width: int) -> str:
    """Return a name of at most `width` characters, cut between words where it has some."""
    short = shorten(name, width, placeholder=_CUT)
    return f"{name[: width - 1]}{_CUT}" if short == _CUT else short


def of_line(line: dict[str, Any], names: Mapping[str, str]) -> Row:
    """Return a line of a table as a result row, areas in `method` by their names."""
    row = Row(**_sound(line))
    return replace(row, method=with_area_names(row.method, lambda area: names.get(area) or area))


def lines(index: BulletinIndex, name: str) -> list[dict[str, Any]]:
    """Return the lines of a table, its codes in words; what is no finite number is none.

    A column of codes is also there as codes, such as ``reason_codes``, areas by their names.
    """
    return [_in_words(line, index) for line in index.bulletin.table(name).to_pylist()]


def in_words(cell: str | None, index: BulletinIndex) -> str:
    """Return a cell of codes in words, areas by their names."""
    return sentences(cell, index.name)


def last_known(lines: Sequence[dict[str, Any]], column: str) -> dict[str, Any] | None:
    """Return the last line with a number in a column, else the last line, None of none."""
    known = [line for line in lines if line[column] is not None]
    return known[-1] if known else lines[-1] if lines else None


def finite(line: dict[str, Any]) -> dict[str, Any]:
    """Return a line of a table with None in the place of a number without bound, or of none."""
    return {
        name: None if isinstance(value, float) and not math.isfinite(value) else value
        for name, value in line.items()
    }


def _in_words(line: dict[str, Any], index: BulletinIndex) -> dict[str, Any]:
    sound = finite(line)
    coded = [name for name in _CODED if isinstance(sound.get(name), str)]
    return (
        sound
        | {f"{name}_codes": with_area_names(sound.get(name), index.name) for name in _CODED}
        | {name: in_words(sound[name], index) for name in coded}
    )


def rows_of_week(index: BulletinIndex, *, week: str, areas: tuple[str, ...]) -> pa.Table:
    """Return the result rows of an ISO week, in `RESULT_SCHEMA`; every domain without areas."""
    table = index.bulletin.rows
    chosen = pc.equal(table["week"], week)
    if areas:
        chosen = pc.and_(chosen, pc.is_in(table["area"], pa.array(areas, pa.string())))
    return table.filter(pc.fill_null(chosen, False))


def monday(week: str) -> date:
    """Return the Monday of an ISO week written ``2031-W05``."""
    return week_start(week).date()


def _records(table: pa.Table, kind: type[T]) -> list[T]:
    return [kind(**_sound(line)) for line in table.to_pylist()]


def _sound(line: dict[str, Any]) -> dict[str, Any]:
    """Return a line without NaN; a figure without bound is no figure, an interval may have none."""
    return {
        name: None if isinstance(value, float) and _is_no_number(name, value) else value
        for name, value in line.items()
    }


def _is_no_number(name: str, value: float) -> bool:
    return math.isnan(value) or (math.isinf(value) and name in ("estimate", "previous", "change"))
