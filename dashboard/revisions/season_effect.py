"""What revisions of weeks did to the season: sums over the weeks that were reported before."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analytics.catch_limits import noun
from analytics.precision import PERCENT, number
from analytics.quantities import QUANTITIES, QuantityKind, capitalised
from analytics.revision_order import HEADLINES, REVISED
from analytics.wording import numbers
from dashboard import html_tables
from dashboard.catalogue import phrase, say, say_n
from dashboard.revisions.moves import cause_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.bulletin_index import BulletinIndex, Row
    from dashboard.revisions.moves import Cause, Move

#: Headline quantities whose weeks add up.
TOTALS = tuple(
    name for name in HEADLINES if QUANTITIES[name].kind in (QuantityKind.TOTAL, QuantityKind.DEATHS)
)
MEANING = phrase(
    "Sums over the weeks that the bulletin before already gave, then and now. Weeks that had no "
    "figure then, or have none now, are left out."
)
_HEADS = (
    phrase("Quantity"),
    phrase("Before"),
    phrase("Now"),
    phrase("Move"),
    phrase("Weeks revised"),
)
#: From such a part of a sum on a move is worth a sentence; our choice, no source.
NOTABLE = 0.005


@dataclass(frozen=True, slots=True)
class SeasonEffect:
    """The sum of an area's weeks before and now, in how many weeks it moved, and why."""

    area: str | None
    quantity: str
    before: float
    now: float
    n_revised: int
    causes: tuple[Cause, ...]

    @property
    def moved(self) -> float:
        """The difference."""
        return self.now - self.before

    @property
    def part(self) -> float:
        """The difference as a part of what was before."""
        return self.moved / self.before if self.before else 0.0


def effects(
    index: BulletinIndex, moves: Sequence[Move], areas: Sequence[str | None]
) -> list[SeasonEffect]:
    """Return the effect on each headline quantity of some areas, None for all together."""
    by_cell = {(one.row.area, one.row.week, one.row.quantity): one for one in moves}
    weeks: dict[tuple[str | None, str], list[tuple[Row, Move | None]]] = defaultdict(list)
    for (area, week, name), row in index.rows.items():
        if week is not None and row.estimate is not None:
            weeks[area, name].append((row, by_cell.get((area, week, name))))
    made = (_effect(weeks[area, name], area, name) for area in areas for name in TOTALS)
    return [one for one in made if one is not None]


def _effect(
    weeks: Sequence[tuple[Row, Move | None]], area: str | None, quantity: str
) -> SeasonEffect | None:
    """Return the sum of weeks with a figure now, over those that had one before."""
    was = [row if move is None else move.before for row, move in weeks]
    both = [
        (old.estimate, row.estimate, move)
        for old, (row, move) in zip(was, weeks, strict=True)
        if old is not None and old.estimate is not None
    ]
    if not both:
        return None
    revised = [move for _, _, move in both if move is not None and move.kind == REVISED]
    causes = dict.fromkeys(cause for move in revised for cause in move.causes)
    before, now = sum(old for old, _, _ in both), sum(new or 0.0 for _, new, _ in both)
    return SeasonEffect(area, quantity, before, now, len(revised), tuple(causes))


def effect_answer(
    index: BulletinIndex, found: Sequence[SeasonEffect], area: str | None, *, before: str
) -> str:
    """Return what revisions did to the season, the largest first, and why (Markdown)."""
    mine = sorted((one for one in found if one.area == area), key=lambda one: -abs(one.part))
    known = {"before": numbers.plain(before)}
    if area is None:
        start = say("Summed over the weeks that {before} already gave, over all areas", **known)
    else:
        known["area"] = numbers.plain(index.name(area))
        start = say("Summed over the weeks that {before} already gave, in {area}", **known)
    if not mine:
        return say("{start}, nothing can be compared: no week has a total.", start=start)
    large = [one for one in mine if abs(one.part) >= NOTABLE]
    if not any(one.n_revised for one in mine):
        return say("{start}, no headline figure was revised since.", start=start)
    least = f"{number(100 * NOTABLE, place=-1)}{PERCENT}"
    if not large:
        return say(
            "{start}, no headline figure moved by {least} or more.", start=start, least=least
        )
    parts = [
        say(
            "{quantity} by **{part}** ({moved})",
            quantity=numbers.plain(noun(one.quantity)),
            part=_part(one),
            moved=_moved(one),
        )
        for one in large
    ]
    causes = tuple(dict.fromkeys(cause for one in large for cause in one.causes))
    others = len(mine) - len(large)
    rest = ""
    if others:
        rest = say_n(
            others,
            " The other moved by less than {least}.",
            " The other {n} moved by less than {least}.",
            least=least,
        )
    return say(
        "{start}, revisions moved {parts}.{rest} The cause: {causes}.",
        start=start,
        parts=", ".join(parts),
        rest=rest,
        causes=numbers.plain(cause_words(causes)),
    )


def effect_table(index: BulletinIndex, found: Sequence[SeasonEffect]) -> str:
    """Return effects as HTML, a group an area."""
    lines: list[str] = []
    areas = list(dict.fromkeys(one.area for one in found))
    for area in areas:
        if len(areas) > 1:
            name = index.name(area)
            lines.append(html_tables.group(_HEADS, capitalised(name)))
        lines += [_line(one) for one in found if one.area == area]
    return html_tables.table(_HEADS, lines)


def _line(one: SeasonEffect) -> str:
    cells = (
        number(one.before, place=0),
        number(one.now, place=0),
        html_tables.bold(_part(one)) + html_tables.small(_moved(one))
        if one.moved
        else say("no change"),
        f"{one.n_revised}",
    )
    return html_tables.line(_HEADS, QUANTITIES[one.quantity].label, cells)


def _part(one: SeasonEffect) -> str:
    shown = number(100 * one.part, place=-1, least=-1, signed=True)
    is_seen = float(shown.replace("−", "-"))
    return f"{shown}{PERCENT}" if is_seen else say("less than ±0.1{percent}", percent=PERCENT)


def _moved(one: SeasonEffect) -> str:
    unit = numbers.unit_words(QUANTITIES[one.quantity].unit)
    return f"{number(one.moved, place=0, least=0, signed=True)} {unit}"
