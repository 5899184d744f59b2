"""The paper form of a sampled day: its parts and columns in the order of the schema, ids by rule.

The printed form and the page that keys it follow from `PARTS`: the eye goes down both alike.
"""

from __future__ import annotations

from dataclasses import dataclass

from analytics.data.schema import TABLES, Column, ColumnKind, site_day_id

#: Columns that nobody writes: ids made by rule, and what the site-day or the boat says already.
_MADE = {
    "site_days": {"sample_id"},
    "interviews": {"interview_id", "sample_id", "site", "date"},
    "fish": {"fish_id", "source", "interview_id", "date", "area", "method", "test_trip_id"},
    "bycatch": {"interview_id"},
}
#: The boat's line on the form, by which its fish and its bycatch are tied to it.
LINE = Column(
    name="line",
    kind=ColumnKind.COUNT,
    meaning="Line of its boat on this form.",
    filled=True,
    low=1,
)
#: Heads of narrow columns; others are the column's name in words.
_HEADS = {
    "line": "boat line",
    "hours_fished": "hours",
    "trip_complete": "trip over",
    "released_legal": "rel. legal",
    "released_sublegal": "rel. sublegal",
    "released_unknown": "rel. size unknown",
    "kept_marked": "kept, marked",
    "released_legal_marked": "legal, marked",
    "released_sublegal_marked": "sublegal, marked",
    "released_deep_hooked": "deep-hooked",
    "total_length_mm": "total mm",
    "fork_length_mm": "fork mm",
    "weight_g": "weight g",
    "frame_site_days": "site-days in the frame",
    "tide_range_m": "tide range m",
}


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the form: one table, the columns that are written, its lines on paper.

    `lines` is 0 for the site-day, which has one row of fields and no lines.
    """

    name: str
    table: str
    title: str
    columns: tuple[Column, ...]
    lines: int = 0

    def column(self, name: str) -> Column:
        """Return the column called `name`."""
        return next(column for column in self.columns if column.name == name)


def _written(table: str) -> tuple[Column, ...]:
    return tuple(one for one in TABLES[table].columns if one.name not in _MADE[table])


PARTS: dict[str, Part] = {
    part.name: part
    for part in (
        Part("site_day", "site_days", "Site-day", _written("site_days")),
        Part("boats", "interviews", "Boats", _written("interviews"), 28),
        Part("fish", "fish", "Fish measured", (LINE, *_written("fish")), 15),
        Part("bycatch", "bycatch", "Other species", (LINE, *_written("bycatch")), 15),
    )
}
#: Fields of the site-day that every form has; the others stand apart, for designs that need them.
FIRST_FIELDS = ("site", "date", "boats_returned")


def head(column: Column) -> str:
    """Return the head of a column on the form, in words."""
    return _HEADS.get(column.name, column.name.replace("_", " "))


# Ids, made by rule so that nobody writes them.


def sample_id(site: str, date: str) -> str:
    """Return the id of a site-day, such as ``R3-20360214``; empty where one of the two is."""
    return site_day_id(site, date)


def interview_id(sample: str, line: int | str) -> str:
    """Return the id of the boat on a line, such as ``R3-20360214-07``; empty without a line."""
    if line == "" or not sample:
        return ""
    return f"{sample}-{line:02d}" if isinstance(line, int) else f"{sample}-{line}"


def fish_id(interview: str, number: int) -> str:
    """Return the id of a boat's fish, such as ``R3-20360214-07-F2``; empty without a boat."""
    return f"{interview}-F{number}" if interview else ""
