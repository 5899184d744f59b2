"""Double entry: the same form keyed twice, compared cell by cell, each difference chosen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analytics.documents.paper_form import LINE, PARTS
from dashboard.forms.placed import Cells, filled

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from dashboard.forms.day_form import DayForm

#: Which keying a cell was chosen from.
FIRST, SECOND = "first", "second"
#: A line of a part: of fish and other species by their boat and their number there.
_Place = tuple[str, int]


@dataclass(frozen=True, slots=True)
class Difference:
    """A cell that the two keyings give differently; an empty text is an empty cell."""

    part: str
    boat: str
    number: int
    column: str
    first: str
    second: str

    @property
    def address(self) -> str:
        """Where it is, as one text; the key of a choice."""
        return f"{self.part}/{self.boat}/{self.number}/{self.column}"

    @property
    def place(self) -> _Place:
        """Its line."""
        return self.boat, self.number


def differences(first: DayForm, second: DayForm) -> list[Difference]:
    """Return every cell in which two keyings differ, in the order of the form.

    Boats are matched by their line; fish and other species by their boat's line and their order.
    """
    found = []
    for name, part in PARTS.items():
        one, two = _lines(first, name), _lines(second, name)
        for place in sorted(one.keys() | two.keys(), key=_order):
            a, b = one.get(place, {}), two.get(place, {})
            found += [
                Difference(
                    name, *place, column.name, a.get(column.name, ""), b.get(column.name, "")
                )
                for column in part.columns
                if a.get(column.name, "") != b.get(column.name, "")
            ]
    return found


def undecided(found: Iterable[Difference], chosen: Mapping[str, str]) -> list[Difference]:
    """Return the differences for which no keying was chosen yet."""
    return [one for one in found if chosen.get(one.address) not in (FIRST, SECOND)]


def decided(first: DayForm, second: DayForm, chosen: Mapping[str, str]) -> DayForm:
    """Return the form in which every difference is as chosen; undecided ones as keyed first."""
    form = first
    found = differences(first, second)
    for name in PARTS:
        lines = {place: dict(cells) for place, cells in _lines(first, name).items()}
        for one in found:
            if one.part == name and chosen.get(one.address) == SECOND:
                lines.setdefault(one.place, {})[one.column] = one.second
        form = form.with_lines(name, _laid_out(name, lines))
    return form


def _lines(form: DayForm, part: str) -> dict[_Place, Cells]:
    """Return the filled lines of a part by place."""
    if LINE not in PARTS[part].columns:
        return {("", n): filled(cells) for n, cells in enumerate(form.lines(part), 1) if cells}
    lines: dict[_Place, Cells] = {}
    seen: dict[str, int] = {}
    for cells in filter(None, map(filled, form.lines(part))):
        boat = cells.get(LINE.name, "")
        seen[boat] = seen.get(boat, 0) + 1
        lines[boat, seen[boat]] = cells
    return lines


def _laid_out(part: str, lines: Mapping[_Place, Cells]) -> list[Cells]:
    """Return lines by place as a list; boats keep their line."""
    ordered = sorted(
        ((place, filled(cells)) for place, cells in lines.items()), key=lambda p: _order(p[0])
    )
    if LINE in PARTS[part].columns:
        return [cells for _, cells in ordered if cells]
    last = max((number for (_, number), _ in ordered), default=0)
    by_number = {number: cells for (_, number), cells in ordered}
    return [by_number.get(number, {}) for number in range(1, last + 1)]


def _order(place: _Place) -> tuple[int, str, int]:
    boat, number = place
    return (int(boat) if boat.isascii() and boat.isdigit() else -1, boat, number)
