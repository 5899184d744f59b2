"""The season's figures in every way the bulletin calculated them, and what sets them apart."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pyarrow.compute as pc

from analytics.codes import Code, has_code, parse, sentence
from analytics.precision import PERCENT, number
from analytics.quantities import QUANTITIES, QuantityKind
from analytics.wording import numbers, reasons
from analytics.wording.bulletin_index import in_words, index_bulletin, of_line
from dashboard.catalogue import phrase, say

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.wording.bulletin_index import BulletinIndex, Row

#: The bulletin's own rows, then the bases of its table of readings.
USUAL, ALL_BOATS, BOATS_COUNTED = "as_sampled", "all_boats", "boats_counted"
#: How the bases of assumptions begin; the rest is the multiplier.
_DIVIDED = "sublegal_reports_divided_by_"
_SHORT = {
    USUAL: phrase("as sampled"),
    ALL_BOATS: phrase("all boats"),
    BOATS_COUNTED: phrase("boats counted"),
}
_WHOLE = {
    USUAL: phrase("As sampled: boats that land at listed sites"),
    ALL_BOATS: phrase("Over all boats, those that land elsewhere too"),
    BOATS_COUNTED: phrase("From boats counted on the water"),
}
_BRIEF = {ALL_BOATS: phrase("over all boats"), BOATS_COUNTED: phrase("from boats counted")}
_SAID = {
    ALL_BOATS: phrase("calculated over all boats, those that land elsewhere too"),
    BOATS_COUNTED: phrase("with effort from boats counted on the water"),
}


@dataclass(frozen=True, slots=True)
class Reading:
    """One figure on one basis."""

    basis: str
    row: Row

    @property
    def is_assumed(self) -> bool:
        """Whether it rests on a stated assumption and not on data of its own."""
        return multiplier(self.basis) != ""


@dataclass(frozen=True, slots=True, eq=False)
class Ways:
    """Season figures of the other bases, by basis, area (None: all areas together) and quantity.

    `other` has the rows of the other basis of released fish as a bulletin of their own, None where
    there are none.
    """

    bases: tuple[str, ...]
    rows: Mapping[tuple[str, str | None, str], Row]
    other: BulletinIndex | None = None


def _other_basis(index: BulletinIndex) -> BulletinIndex | None:
    bulletin = index.bulletin
    if not bulletin.other_basis.num_rows:
        return None
    return index_bulletin(
        replace(bulletin, rows=bulletin.other_basis, changes=bulletin.changes.slice(0, 0))
    )


def read(index: BulletinIndex) -> Ways:
    """Return the season figures of a bulletin's table of readings."""
    table = index.bulletin.alternative_estimates
    lines = table.filter(pc.is_null(table["week"])).to_pylist()
    rows = {}
    for line in lines:
        basis = line.pop("alternative")
        row = of_line(line, index.names)
        rows[basis, row.area, row.quantity] = row
    named = tuple(dict.fromkeys(basis for basis, _, _ in rows))
    return Ways(named, rows, _other_basis(index))


def multiplier(basis: str) -> str:
    """Return how many times too high an assumption takes reports, such as ``2.2``; else empty."""
    return basis.removeprefix(_DIVIDED) if basis.startswith(_DIVIDED) else ""


def short(basis: str) -> str:
    """Return a basis in two words or so, for the axis of a figure."""
    times = multiplier(basis)
    return say("reports ÷ {times}", times=times) if times else say(_SHORT.get(basis, basis))


def whole(basis: str) -> str:
    """Return a basis in words, for a table."""
    times = multiplier(basis)
    if times:
        return say("If sublegal releases were reported {times} times too high", times=times)
    return say(_WHOLE.get(basis, basis))


def readings(index: BulletinIndex, ways: Ways, *, area: str | None, quantity: str) -> list[Reading]:
    """Return a season figure on every basis that has it, the usual one first.

    Assumptions that leave a quantity as it is in every domain, such as effort, are left out.
    """
    usual = index.row(area, None, quantity)
    found = [] if usual is None else [Reading(USUAL, usual)]
    for basis in ways.bases:
        row = ways.rows.get((basis, area, quantity))
        if row is not None and (not multiplier(basis) or is_touched(index, ways, quantity)):
            found.append(Reading(basis, row))
    return found


def is_touched(index: BulletinIndex, ways: Ways, quantity: str) -> bool:
    """Return whether an assumption changes some figure of a quantity, or has none to change."""
    assumed = (
        (row, index.row(area, None, name))
        for (basis, area, name), row in ways.rows.items()
        if name == quantity and multiplier(basis)
    )
    known = [(row, usual) for row, usual in assumed if usual and usual.estimate is not None]
    return not known or any(row.estimate != usual.estimate for row, usual in known)


def shift(one: Reading, usual: Row | None) -> str:
    """Return how far a figure lies from the usual one, such as ``14 % higher``; else empty."""
    if usual is None or usual.estimate is None or one.row.estimate is None:
        return ""
    off = one.row.estimate - usual.estimate
    if QUANTITIES[one.row.quantity].kind is QuantityKind.SHARE:
        size, unit = 100 * off, ""
    elif usual.estimate:
        size, unit = 100 * off / usual.estimate, PERCENT
    else:
        return ""
    shown = number(abs(size), place=-1 if abs(size) < 1 else 0) + unit
    if abs(size) < 0.05:
        return say("the same")
    if unit:
        return say("{n} higher", n=shown) if size > 0 else say("{n} lower", n=shown)
    return say("{n} points higher", n=shown) if size > 0 else say("{n} points lower", n=shown)


def against(one: Reading, usual: Row | None) -> str:
    """Return whether two intervals overlap, in words; empty where either has none that helps."""
    if usual is None or not (reasons.is_useful(one.row) and reasons.is_useful(usual)):
        return ""
    lows = [row.ci_low or 0.0 for row in (one.row, usual)]
    highs = [row.ci_high or 0.0 for row in (one.row, usual)]
    return say("intervals overlap") if max(lows) <= min(highs) else say("intervals lie apart")


def estimates_answer(
    index: BulletinIndex, ways: Ways, *, areas: Sequence[str | None], quantity: str
) -> str:
    """Return how much a season figure depends on how it is calculated (Markdown), by area."""
    parts = [
        _answer_of(index, readings(index, ways, area=area, quantity=quantity), area)
        for area in areas
    ]
    return "\n\n".join(parts)


def _answer_of(index: BulletinIndex, found: Sequence[Reading], area: str | None) -> str:
    where = numbers.plain(index.name(area))
    if not found or found[0].row.estimate is None:
        why = numbers.plain(reasons.why_no_estimate(found[0].row if found else None))
        return say(
            "For {area} there is no season figure to start from: {why}.", area=where, why=why
        )
    usual = found[0].row
    label = QUANTITIES[usual.quantity].label
    start = say(
        "{quantity}, {area}, season through week {week}: **{figure}** {range} as sampled",
        quantity=label,
        area=where,
        week=index.card.through,
        figure=numbers.value(usual),
        range=numbers.plain(numbers.bracket(usual)),
    )
    compared = [_compared(one, usual) for one in found[1:] if not one.is_assumed]
    assumed = [_compared(one, usual) for one in found[1:] if one.is_assumed]
    if not compared and not assumed:
        return say("{figure}; the bulletin calculates it in no other way.", figure=start)
    words = f"{start}; {'; '.join(compared)}." if compared else f"{start}."
    if assumed:
        words += say(" As an assumption alone: {figures}.", figures="; ".join(assumed))
    return words


def title(found: Sequence[Reading], *, where: str) -> str:
    """Return the finding of a panel: how far the other estimates lie from the figure as sampled."""
    usual = found[0]
    if usual.basis != USUAL or usual.row.estimate is None:
        return say("{where}: no figure as sampled", where=where)
    others = [
        f"{size} {say(_BRIEF[one.basis]) if one.basis in _BRIEF else short(one.basis)}"
        for one in found[1:]
        if not one.is_assumed and (size := shift(one, usual.row))
    ]
    sampled = say("{figure} as sampled", figure=numbers.value(usual.row))
    return f"{where}: {', '.join(others) or sampled}"


def _compared(one: Reading, usual: Row) -> str:
    times = multiplier(one.basis)
    start = say(_SAID.get(one.basis, one.basis))
    if times:
        start = say("if reports ran {times} times too high", times=times)
    if one.row.estimate is None:
        why = numbers.plain(reasons.why_no_estimate(one.row))
        return say("{basis}, no figure ({why})", basis=start, why=why)
    size = shift(one, usual)
    overlap = "" if times else against(one, usual)
    tail = f", {overlap}" if overlap else ""
    return f"{start}, **{size or numbers.value(one.row)}**{tail}"


def why_not(index: BulletinIndex) -> list[str]:
    """Return why the bulletin lacks a basis, in its own words."""
    seen = [one["seen"] for one in index.findings if one["table"] in ("boat_counts", "coverage")]
    return [in_words(one, index) for one in seen if has_code(one, "basis_failed")]


def uneven(index: BulletinIndex, areas: Sequence[str]) -> list[str]:
    """Return the warnings that interviews and counts go ill together in some areas."""
    codes = [code for one in index.findings for code in parse(one["seen"])]
    return [
        sentence(code, index.name)
        for code in codes
        if isinstance(code, Code)
        and code.name == "uneven_days"
        and (not areas or code["area"] in areas)
    ]
