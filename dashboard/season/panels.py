"""Lines of the season's tables put on the axes of figures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.units import QUANTITIES
from dashboard.charts.fan import Fan
from dashboard.charts.limits import Bar
from dashboard.digits import number
from dashboard.season import fared as past
from dashboard.season import index as standings
from dashboard.season import words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.book import Book
    from dashboard.charts.dots import Dot
    from dashboard.season.index import Line, Standings


def bars(book: Book, limits: Sequence[Line]) -> list[Bar]:
    """Return the bars of limits, in the order given."""
    return [_bar(book, line) for line in limits]


def _bar(book: Book, line: Line) -> Bar:
    ahead = line["is_preliminary"]
    expected = standings.expected_share(line if ahead else line | {"expected": None})
    note = f"of {number(line['limit_fish'], place=0)}"
    return Bar(
        label=standings.label(book, line),
        note=f"{note}, binds first" if line["is_binding"] and ahead else note,
        used=standings.used(line),
        expected=expected,
        words=_told(line),
    )


def _told(line: Line) -> str:
    total = standings.total(line)
    if total.value is None:
        return line["reason"] or "no total"
    lines = [f"{total.figure(line['ci_level'])} {words.unit(line)}"]
    lines.append(f"used: {standings.used(line).figure()}")
    if standings.has_outlook(line):
        lines.append(f"expected at the close: {standings.expected(line).figure()}")
        lines.append(f"chance to pass it: {words.chance(line['pass_prob'])}")
    return "\n".join(lines)


def fan(found: Standings, line: Line) -> Fan:
    """Return the fan of a limit that has weeks."""
    return Fan(
        lines=found.fan[line["limit_id"]],
        limit_fish=line["limit_fish"],
        now=standings.total(line),
        close=line["planned_close"],
    )


def fared(
    lines: Sequence[Line], areas: Sequence[str | None]
) -> list[tuple[str | None, str, list[Dot]]]:
    """Return area, quantity and dots of every panel of past projections that has any."""
    names = [name for name in QUANTITIES if any(line["quantity"] == name for line in lines)]
    found = [(area, name, past.dots(lines, area, name)) for area in areas for name in names]
    return [one for one in found if one[2]]


def label_of(quantity: str) -> str:
    """Return a quantity for people; one that is not known as it stands."""
    return QUANTITIES[quantity].label if quantity in QUANTITIES else quantity
