"""What the store has of a form's site-day, and that site-day as a form to correct."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analytics.data.importing import Incoming
from analytics.documents.paper_form import LINE, PARTS
from dashboard.forms.changes import changes, text_of
from dashboard.forms.day_form import DayForm, rows_of_sample
from dashboard.forms.placed import Cells, filled

if TYPE_CHECKING:
    from analytics.data.snapshot import Snapshot
    from dashboard.forms.day_form import CheckedForm

_BOAT = re.compile(r"-(\d{2,})$")
_FISH = re.compile(r"-F(\d+)$")


@dataclass(frozen=True, slots=True)
class StoredDay:
    """A site-day of the store beside the form: rows that would change, ids that are not on it."""

    n_boats: int
    n_changed: int
    n_added: int
    not_on_form: tuple[str, ...]


def stored_day(checked: CheckedForm, snapshot: Snapshot) -> StoredDay | None:
    """Return what the store has of a form's site-day; None where it has none."""
    rows = rows_of_sample(snapshot, checked.sample)
    if not rows["site_days"].num_rows:
        return None
    found = {
        name: changes(typed.data, rows[name], table=name)
        for name, typed in checked.checked.reading.tables.items()
        if name in rows and isinstance(typed, Incoming)
    }
    missing = {name: changes(one.slice(0, 0), one, table=name) for name, one in rows.items()}
    gone = [
        " ".join(key)
        for name in ("interviews", "fish", "bycatch")
        for key in found.get(name, missing[name]).gone
    ]
    return StoredDay(
        rows["interviews"].num_rows,
        sum(one.n_changed for one in found.values()),
        sum(len(one.added) for one in found.values()),
        tuple(gone),
    )


def as_form(snapshot: Snapshot, sample: str) -> DayForm | None:
    """Return a stored site-day as a form; None where its ids are not those that a form would make.

    Keyed again, the same ids come out, so that corrected rows take the place of the stored ones.
    """
    rows = rows_of_sample(snapshot, sample)
    boats: dict[int, Cells] = {}
    for row in rows["interviews"].to_pylist():
        line = _line(row["interview_id"], sample)
        if line is None:
            return None
        boats[line] = _cells("boats", row)
    fish = [(_number(row, sample), row) for row in rows["fish"].to_pylist()]
    if any(place is None for place, _ in fish) or not _is_in_turn([place for place, _ in fish]):
        return None
    form = DayForm().with_lines("site_day", [_cells("site_day", rows["site_days"].to_pylist()[0])])
    last = max(boats, default=0)
    form = form.with_lines("boats", [boats.get(line, {}) for line in range(1, last + 1)])
    placed = sorted(((place, row) for place, row in fish if place), key=lambda one: one[0])
    form = form.with_lines(
        "fish", [{LINE.name: str(line), **_cells("fish", row)} for (line, _), row in placed]
    )
    others = [(_line(row["interview_id"], sample), row) for row in rows["bycatch"].to_pylist()]
    return form.with_lines(
        "bycatch", [{LINE.name: str(line), **_cells("bycatch", row)} for line, row in others]
    )


def _cells(part: str, row: dict[str, Any]) -> Cells:
    names = [column.name for column in PARTS[part].columns if column.name != LINE.name]
    return filled({name: text_of(row[name]) for name in names})


def _line(interview: str, sample: str) -> int | None:
    found = _BOAT.fullmatch(interview.removeprefix(sample))
    return int(found[1]) if found else None


def _number(row: dict[str, Any], sample: str) -> tuple[int, int] | None:
    """Return the boat's line of a fish and its number there; None where its id says neither."""
    line = _line(row["interview_id"], sample)
    found = _FISH.fullmatch(row["fish_id"].removeprefix(row["interview_id"]))
    return (line, int(found[1])) if line is not None and found else None


def _is_in_turn(places: list[tuple[int, int] | None]) -> bool:
    """Whether the fish of every boat are numbered 1, 2, and on."""
    by_line: dict[int, list[int]] = {}
    for line, number in filter(None, places):
        by_line.setdefault(line, []).append(number)
    return all(sorted(some) == list(range(1, len(some) + 1)) for some in by_line.values())
