"""The paper form of a sampled day: its parts and columns in schema order, ids by rule, and its PDF.

The printed form and the page that keys it follow from `PARTS`: the eye goes down both alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from analytics.data.schema import TABLES, Column, ColumnKind, site_day_id
from analytics.documents.typesetting import pdf_of, template
from analytics.quantities import capitalised

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


#: Shares of the width by kind of column, and of columns with the sampler's own words.
_WIDTHS = {ColumnKind.FLAG: 1.0, ColumnKind.TEXT: 1.8}
_WIDE = {"method": 1.9, "species": 4.0, "wound_site": 2.4, "area": 1.3}
_BOATS_ON_THE_FIRST_PAGE = 12
_TITLE = "Site-day form"
#: The usual caution, in our words; local rules come first.
_SAFETY = (
    "Your safety comes before the sample: stay away from iced docks and breaking water, wear a "
    "flotation vest, tell somebody when you go and when you are back. A missed day is no fault: "
    "write the reason in the notes. Local rules and your own crew's instructions come first."
)
_RULES = (
    "Leave a box empty for not recorded; write 0 where none was seen.",
    "Count every boat that came back, interviewed or not.",
    "One line a boat; rel. is released. Its fish and other species carry the number of its line.",
    "Marked means that the adipose fin is clipped. Lengths in mm, weights in g, hours as 3.5.",
)


def blank_form() -> bytes:
    """Return the blank form: site-day and boats, boats continued, fish and other species."""
    return pdf_of(form_template("blank_form.typ"), form_data())


def form_template(name: str) -> str:
    """Return a template that finds the pages of the form as ``form-pages``."""
    return template("form_parts.typ") + template(name)


def form_data() -> dict[str, Any]:
    """Return what the pages of the form say."""
    site_day = PARTS["site_day"]
    fields = [_field(site_day.column(name)) for name in FIRST_FIELDS]
    more = [_field(one) for one in site_day.columns if one.name not in FIRST_FIELDS]
    return {
        "title": _TITLE,
        "fields": fields,
        "more": more,
        "parts": {name: _part(part) for name, part in PARTS.items() if part.lines},
        "safety": _SAFETY,
        "rules": _RULES,
        "first": _BOATS_ON_THE_FIRST_PAGE,
        "tied": "These belong to the form of",
    }


def _part(part: Part) -> dict[str, Any]:
    return {
        "title": part.title,
        "heads": [_head(column) for column in part.columns],
        "widths": [_width(column) for column in part.columns],
        "lines": part.lines,
        # The line of a boat is printed; fish and other species are written with it.
        "is_numbered": part.name == "boats",
    }


def _head(column: Column) -> str:
    words = head(column)
    return capitalised(words) + (" y/n" if column.kind is ColumnKind.FLAG else "")


def _width(column: Column) -> float:
    return _WIDE.get(column.name, _WIDTHS.get(column.kind, 1.0))


def _field(column: Column) -> dict[str, str]:
    hint = "YYYY-MM-DD" if column.kind is ColumnKind.DATE else ""
    return {"head": _head(column), "hint": hint}
