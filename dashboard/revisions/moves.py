"""What moved since the bulletin before, as records and in words."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, fields
from datetime import datetime
from itertools import zip_longest
from typing import TYPE_CHECKING, Any

from analytics.precision import PERCENT, number
from analytics.quantities import QUANTITIES, QuantityKind, capitalised
from analytics.revision_order import GONE, JOINED_BY, NEW, POOLING, RESTATED, REVISED, importance
from analytics.units import short_day
from analytics.wording import numbers, reasons
from analytics.wording.bulletin_index import Row, of_line
from dashboard import html_tables
from dashboard.catalogue import phrase, say, say_n

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from analytics.wording.bulletin_index import BulletinIndex


#: Files of a batch that are named; the rest are counted.
FILES_NAMED = 2
#: How many digits more than its error gives a figure may be shown to, so that a move is seen.
MORE_DIGITS = 5
#: Columns of a row as it was before, under the names that a move keeps them.
_BEFORE = {
    "estimate": "previous",
    "se": "previous_se",
    "ci_low": "previous_ci_low",
    "ci_high": "previous_ci_high",
    "method": "previous_method",
    "status": "previous_status",
}


@dataclass(frozen=True, slots=True)
class Cause:
    """A batch that came or went, or a change of the program; `files` are names joined by commas."""

    batch: str
    event: str
    at_utc: str
    files: str


@dataclass(frozen=True, slots=True)
class Move:
    """One figure that moved since the bulletin before.

    `kind` is ``revised``, ``restated`` (the figure stands, its error or status does not), ``new``
    or ``removed``; `moved` is the difference, `change_in_se` the same over the standard error
    before; `effect` is one of `analytics.revision_order.EFFECTS`, empty in a bulletin older than
    these.
    """

    kind: str
    before: Row | None
    now: Row | None
    moved: float | None
    change_in_se: float | None
    causes: tuple[Cause, ...]
    effect: str

    @property
    def is_pooled(self) -> bool:
        """Whether data of other weeks or areas alone moved it."""
        return self.effect == POOLING

    @property
    def row(self) -> Row:
        """The figure now, or the last there was."""
        row = self.now or self.before
        assert row is not None
        return row

    @property
    def importance(self) -> tuple[bool, int, bool, bool, float]:
        """The key that sorts moves, the most important first, as the table of revisions has it."""
        row = self.row
        return importance(
            {
                "area": row.area,
                "week": row.week,
                "quantity": row.quantity,
                "effect": self.effect,
                "previous": self.before.estimate if self.before else None,
                "estimate": self.now.estimate if self.now else None,
                "change_in_se": self.change_in_se,
            }
        )


def read(index: BulletinIndex) -> tuple[Move, ...]:
    """Return what moved since the bulletin before, in the order of the bulletin."""
    return tuple(_move(line, index.names) for line in index.bulletin.revisions.to_pylist())


def _move(line: dict[str, Any], names: Mapping[str, str]) -> Move:
    now = {one.name: line.get(one.name) for one in fields(Row)}
    before = now | {name: line[column] for name, column in _BEFORE.items()}
    return Move(
        kind=line["kind"],
        before=None if line["kind"] == NEW else of_line(before, names),
        now=None if line["kind"] == GONE else of_line(now, names),
        moved=line["change"],
        change_in_se=line["change_in_se"],
        causes=_causes(line),
        effect=line["effect"] or "",
    )


def _causes(line: Mapping[str, str | None]) -> tuple[Cause, ...]:
    parts = ((line[name] or "").split(JOINED_BY) for name in ("batch", "event", "at_utc"))
    files = (line["sources"] or "").split(JOINED_BY)
    return tuple(
        Cause(*parts_of) for parts_of in zip_longest(*parts, files, fillvalue="") if parts_of[0]
    )


def chosen(
    moves: Iterable[Move], *, areas: Sequence[str], quantity: str | None = None
) -> list[Move]:
    """Return the moves of some areas and one quantity, else of all, the most important first."""
    found = [
        move
        for move in moves
        if (not areas or move.row.area in areas) and quantity in {None, move.row.quantity}
    ]
    return sorted(found, key=lambda move: move.importance)


def shift(move: Move) -> str:
    """Return how far a figure moved, such as ``−18 %``, or what became of it."""
    if move.kind in (NEW, GONE):
        return move.kind
    if move.moved is None:
        has_figure = move.row.estimate is not None
        return say("has a figure now") if has_figure else say("has no figure any more")
    if move.kind == RESTATED:
        return say("same figure")
    return _shift_of(move, move.before.estimate if move.before else None, move.moved)


def _shift_of(move: Move, before: float | None, moved: float) -> str:
    if QUANTITIES[move.row.quantity].kind is QuantityKind.SHARE:
        return say("{moved} points", moved=_signed(100 * moved))
    if not before:
        return say("from 0 to {figure}", figure=numbers.value(move.row))
    return f"{_signed(100 * moved / abs(before))}{PERCENT}"


def place_of(move: Move) -> int | None:
    """Return the power of ten of the last digit that both sides of a move are shown to.

    Fine enough that a reader who sets one figure against the other finds what `shift` tells.
    None where a side lacks or was zero: then each is shown as its own error has it.
    """
    before, now = move.before, move.now
    if before is None or now is None or before.estimate is None or now.estimate is None:
        return None
    is_share = QUANTITIES[now.quantity].kind is QuantityKind.SHARE
    if move.moved is None or not (before.estimate or is_share):
        return None
    first = min(numbers.last_place(before), numbers.last_place(now))
    if move.kind == RESTATED:
        return first
    places = range(first, first - MORE_DIGITS - 1, -1)
    return next((place for place in places if _agrees(move, before, now, place)), first)


def _agrees(move: Move, before: Row, now: Row, place: int) -> bool:
    """Return whether the figures, rounded at a place, differ by what is given."""
    factor = numbers.scale(now)
    exact = [factor * (row.estimate or 0.0) for row in (before, now)]
    old, new = (round(amount, -place) for amount in exact)
    if any(amount and not rounded for amount, rounded in zip(exact, (old, new), strict=True)):
        return False
    return _shift_of(move, old / factor, (new - old) / factor) == shift(move)


def in_errors(move: Move) -> str:
    """Return how far a figure moved against its error before; empty where that had none."""
    if move.kind == RESTATED:
        return say("its error or its status changed")
    if move.change_in_se is None:
        return ""
    size = abs(move.change_in_se)
    if round(size, 1) == 0:
        return say("less than 0.1 of its standard error before")
    shown = number(size, place=-1 if size < 10 else 0)
    if round(size, 1) >= 1:
        return say("{number} times its standard error before", number=shown)
    return say("{number} of its standard error before", number=shown)


def cause_words(causes: Sequence[Cause]) -> str:
    """Return what moved a figure, such as ``batch b0002 (slip.csv), imported 11 Feb 2036``."""
    named = [_cause_words(cause) for cause in causes]
    return say(" and ").join(named) or say("the bulletin names no batch")


def _cause_words(cause: Cause) -> str:
    if cause.event == "program":
        version = cause.batch.removeprefix("program ")
        return say("another version of this program ({version})", version=version)
    files = [name for name in cause.files.split(", ") if name]
    return say(
        "batch {batch}, {event} {day}",
        batch=batch_name(cause.batch, files),
        event=cause.event,
        day=_day(cause.at_utc),
    ).rstrip()


def batch_name(batch: str, files: Sequence[str]) -> str:
    """Return a batch as ``b0004 (week_2036-W07.parquet)``: its number and its first files."""
    named = ", ".join(files[:FILES_NAMED])
    if len(files) > FILES_NAMED:
        named += say(" and {n} more", n=len(files) - FILES_NAMED)
    return batch.partition("-")[0] + (f" ({named})" if named else "")


def _day(instant: str) -> str:
    try:
        day = datetime.fromisoformat(instant)
    except ValueError:
        return instant
    return short_day(day, with_year=True)


def where(move: Move, *, index: BulletinIndex) -> str:
    """Return the domain of a move, such as ``Pale Hook, week 2036-W03``."""
    name = index.name(move.row.area)
    week = say("week {week}", week=move.row.week) if move.row.week else say("the season so far")
    return f"{capitalised(name)}, {week}"


def revisions_answer(
    index: BulletinIndex, moves: Sequence[Move], *, areas: Sequence[str], quantity: str, before: str
) -> str:
    """Return what moved in weeks already reported, and why, in a sentence or three (Markdown).

    `before` is what the bulletin before is called.
    """
    mine = chosen(moves, areas=areas, quantity=quantity)
    weekly = [move for move in mine if move.row.week]
    revised = [move for move in weekly if move.kind == REVISED]
    label = QUANTITIES[quantity].noun
    scope = (
        say("(each area, and all together)")
        if not areas
        else say(
            "in {areas}", areas=say(" and ").join(numbers.plain(index.name(area)) for area in areas)
        )
    )
    whole = len(revised) + _standing(index, weekly, areas=areas, quantity=quantity)
    of = say(
        "Of the {whole:,} weekly figures of {label} {scope} that {before} already gave,",
        whole=whole,
        label=label,
        scope=scope,
        before=numbers.plain(before),
    )
    many = say_n(len(revised), "**{n}** was revised since.", "**{n}** were revised since.")
    start = f"{of} {many if revised else say('**none** was revised since.')}"
    if not revised:
        return f"{start}{_others(weekly)}"
    first = revised[0]
    place = place_of(first)
    return say(
        "{start} The most important of these: {where}, from {before} to {now}{errors}. "
        "The cause: {causes}.{others}",
        start=start,
        where=numbers.plain(where(first, index=index)),
        before=_figure(first.before, place),
        now=_figure(first.now, place),
        errors=_measure(first),
        causes=numbers.plain(_all_causes(revised)),
        others=_others(weekly),
    )


def _standing(
    index: BulletinIndex, weekly: Sequence[Move], *, areas: Sequence[str], quantity: str
) -> int:
    """Count the weekly figures with a number that were there before and did not move."""
    moved = {(move.row.area, move.row.week) for move in weekly if move.kind in (NEW, REVISED)}
    lost = {(move.row.area, move.row.week) for move in weekly} - moved
    return sum(
        name == quantity and week is not None and (area, week) not in moved
        for (area, week, name), row in index.rows.items()
        if (row.estimate is not None or (area, week) in lost) and (not areas or area in areas)
    )


def _all_causes(moves: Sequence[Move]) -> str:
    return cause_words(tuple(dict.fromkeys(one for move in moves for one in move.causes)))


def _measure(move: Move) -> str:
    words = in_errors(move)
    return f", {words}" if words else ""


def _figure(row: Row | None, place: int | None) -> str:
    if row is None or row.estimate is None:
        return say("no figure ({why})", why=numbers.plain(reasons.why_no_estimate(row)))
    return f"**{numbers.value(row, place=place)}** {numbers.plain(numbers.bracket(row))}"


_CAME_OR_WENT = (
    (NEW, phrase(" New since then: week {weeks}."), phrase(" New since then: weeks {weeks}.")),
    (GONE, phrase(" Gone since then: week {weeks}."), phrase(" Gone since then: weeks {weeks}.")),
)


def _others(weekly: Sequence[Move]) -> str:
    """Return what else is not as it was: errors alone, weeks that came or went."""
    words = ""
    restated = sum(move.kind == RESTATED for move in weekly)
    if restated:
        words += say_n(
            restated,
            " {n} figure kept its value with another error or status.",
            " {n} figures kept their value with another error or status.",
        )
    pooled = sum(move.is_pooled for move in weekly if move.kind in (REVISED, RESTATED))
    if pooled:
        words += say_n(
            pooled,
            " {n} figure had no new data of the same area and week: data of other weeks, from "
            "which thin strata borrow, changed them.",
            " {n} figures had no new data of the same area and week: data of other weeks, from "
            "which thin strata borrow, changed them.",
        )
    for kind, one, many in _CAME_OR_WENT:
        weeks = sorted({move.row.week for move in weekly if move.kind == kind and move.row.week})
        if weeks:
            words += say(many if weeks[1:] else one, weeks=", ".join(weeks))
    return words


def _signed(amount: float) -> str:
    shown = f"{amount:+,.1f}" if abs(amount) < 1 else f"{amount:+,.0f}"
    return say("less than ±0.1") if float(shown.replace(",", "")) == 0 else shown.replace("-", "−")


# Moves as HTML tables.

_HEADS = (phrase("Area and week"), phrase("Before"), phrase("Now"), phrase("Move"), phrase("Why"))


def moves_table(moves: Sequence[Move], *, index: BulletinIndex) -> str:
    """Return moves as an HTML table, one a line, in the order given."""
    return html_tables.table(_HEADS, [_line(move, index=index) for move in moves], kind="bm-moves")


def counts(moves: Iterable[Move]) -> str:
    """Return how many weekly figures of each quantity moved, as HTML; empty where none did."""
    found = Counter(move.row.quantity for move in moves if move.row.week)
    if not found:
        return ""
    heads = (say("Quantity"), say("Revised figures"))
    lines = [
        html_tables.line(heads, QUANTITIES[name].label, [f"{found[name]:,}"])
        for name in QUANTITIES
        if found[name]
    ]
    return html_tables.table(heads, lines)


def _line(move: Move, *, index: BulletinIndex) -> str:
    size, place = in_errors(move), place_of(move)
    cells = (
        html_tables.cell(move.before, place=place) if move.before else "–",
        html_tables.cell(move.now, place=place) if move.now else "–",
        html_tables.bold(shift(move)) + html_tables.small(size),
        html_tables.small(cause_words(move.causes)),
    )
    name, _, week = where(move, index=index).rpartition(", ")
    return html_tables.line(_HEADS, html_tables.dated(name, week), cells)
