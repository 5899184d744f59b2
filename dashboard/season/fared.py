"""How projections of past seasons fared, in words, dots and a table."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING

from analytics.units import QUANTITIES
from dashboard import cells, text
from dashboard.amounts import Amount, Sort
from dashboard.charts.dots import Dot
from dashboard.digits import DASH, PERCENT, percent

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.season.index import Line

HEADS = ("Figure", "Projections", "Inside 80 %", "Inside 95 %", "Typical miss")
MEANING = (
    "Each past season was projected to its end as of earlier weeks, with what was known then, and "
    "set against what was estimated at its end. An 80 % interval should hold 8 of 10. Projections "
    "of one season share its luck, so these rates are rough."
)
NAMED = (("bar", "80 % interval"), ("thin", "95 % interval"), ("sea", "expected over final"))
#: How far a hit rate may lie from 80 % before it is told as other than promised.
OFF = 0.1


@dataclass(frozen=True, slots=True)
class Fared:
    """How often the projections of some lines ended inside their intervals."""

    n: int
    in_80: int
    in_95: int
    miss: float | None

    @property
    def verdict(self) -> str:
        """Return whether the intervals held what they promise."""
        rate = self.in_80 / self.n
        if rate < 0.8 - OFF:
            return "fewer than they promise: take the intervals ahead as too narrow"
        if rate > 0.8 + OFF:
            return "more than they promise: the intervals ahead are rather too wide"
        return "about as many as they promise"


def judged(lines: Sequence[Line]) -> list[Line]:
    """Return the projections that can be set against the end of their season."""
    needed = ("expected", "low_80", "high_80", "low_95", "high_95", "final")
    return [line for line in lines if all(line[name] is not None for name in needed)]


def fared(lines: Sequence[Line]) -> Fared | None:
    """Return how some projections fared; None where there are none."""
    found = judged(lines)
    if not found:
        return None
    misses = [abs(one["expected"] / one["final"] - 1) for one in found if one["final"] > 0]
    return Fared(
        n=len(found),
        in_80=sum(one["low_80"] <= one["final"] <= one["high_80"] for one in found),
        in_95=sum(one["low_95"] <= one["final"] <= one["high_95"] for one in found),
        miss=median(misses) if misses else None,
    )


def answer(lines: Sequence[Line]) -> str:
    """Return how past projections fared in a sentence (Markdown)."""
    found = fared(lines)
    if found is None:
        why = list(dict.fromkeys(line["reason"] for line in lines if line["reason"]))
        told = f" ({text.plain('; '.join(why[:2]))})" if why else ""
        return f"No past season could be projected, so nothing vouches for the intervals{told}."
    of_seasons = text.count(len({line["season"] for line in judged(lines)}), "past season")
    inside = _part(found.in_80, found.n)
    return (
        f"Of {text.count(found.n, 'projection')} of {of_seasons}, **{inside}** "
        f"ended inside the 80{PERCENT} interval and {_part(found.in_95, found.n)} inside the "
        f"95{PERCENT} one: {found.verdict}."
    )


def table(lines: Sequence[Line]) -> str:
    """Return how past projections fared, by figure, as HTML."""
    names = [name for name in QUANTITIES if any(line["quantity"] == name for line in lines)]
    return cells.table(HEADS, [_line(lines, name) for name in names])


def _line(lines: Sequence[Line], name: str) -> str:
    mine = [line for line in lines if line["quantity"] == name]
    found = fared(mine)
    if found is None:
        why = next((line["reason"] for line in mine if line["reason"]), "")
        return cells.line(
            HEADS, QUANTITIES[name].label, [DASH + cells.small(why), DASH, DASH, DASH]
        )
    inside = [
        f"{found.n}",
        _part(found.in_80, found.n),
        _part(found.in_95, found.n),
        DASH if found.miss is None else percent(found.miss),
    ]
    return cells.line(HEADS, QUANTITIES[name].label, inside)


def _part(some: int, of: int) -> str:
    return f"{some} ({percent(some / of)})"


def dots(lines: Sequence[Line], area: str | None, quantity: str) -> list[Dot]:
    """Return the projections of a figure over what it came to, earliest first."""
    mine = [
        line
        for line in judged(lines)
        if line["area"] == area and line["quantity"] == quantity and line["final"] > 0
    ]
    return [_dot(line) for line in sorted(mine, key=lambda one: (one["season"], one["through"]))]


def _dot(line: Line) -> Dot:
    final = line["final"]
    names = ("expected", "low_80", "high_80")
    ratio = Amount(*(line[name] / final for name in names), sort=Sort.RATIO)
    fish = Amount(line["expected"], line["low_80"], line["high_80"])
    return Dot(
        label=f"{line['season']}, {line['through']}",
        amount=ratio,
        thin=(line["low_95"] / final, line["high_95"] / final),
        words=f"expected {fish.figure()} fish\nfinal {fish.shown(final)}",
    )
