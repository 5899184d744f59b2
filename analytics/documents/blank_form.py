"""The blank paper form of a sampled day as a PDF, in the order in which a page keys it."""

from __future__ import annotations

from typing import Any

from analytics.data.schema import Column, ColumnKind
from analytics.documents.form_layout import FIRST_FIELDS, PARTS, Part, head
from analytics.documents.typesetting import pdf_of, template

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
    return f"{words[:1].upper()}{words[1:]}" + (" y/n" if column.kind is ColumnKind.FLAG else "")


def _width(column: Column) -> float:
    return _WIDE.get(column.name, _WIDTHS.get(column.kind, 1.0))


def _field(column: Column) -> dict[str, str]:
    hint = "YYYY-MM-DD" if column.kind is ColumnKind.DATE else ""
    return {"head": _head(column), "hint": hint}
