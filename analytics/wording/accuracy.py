"""How projections did, past seasons' and earlier bulletins', in numbers and sentences."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import fmean, median
from typing import TYPE_CHECKING

from analytics.codes import Code, parse
from analytics.precision import PERCENT, chance, percent
from analytics.wording import numbers
from analytics.wording.limits import MODEL
from analytics.wording.numbers import Measurement, NumberKind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.bulletin_index import BulletinIndex
    from analytics.wording.limits import Line


#: Whether a level that is called so should prove to have risen.
RISEN = {"rising": 1.0, "falling": 0.0}
OVER = (
    "The season is over, so nothing is projected and no projection is tested: its figures are "
    "those of the whole season."
)
_UNSURE = "nothing vouches for the intervals ahead."
OLDER = f"This bulletin was kept before projections were tested on past seasons: {_UNSURE}"
NO_SEASON = f"There is no past season yet to test projections on: {_UNSURE}"
#: The assumption that names how many past seasons were looked at.
_TESTED = "width_of_errors"
#: How far a hit rate may lie from 80 % before it is given as other than promised.
OFF = 0.1
#: From so many projections on their 95 % intervals are judged too, and between which rates they
#: hold what they promise (our choice).
MANY, LEAST, MOST = 40, 0.9, 0.98


@dataclass(frozen=True, slots=True)
class BacktestSkill:
    """How many of `n` projections ended inside their intervals, over or under the 80 % one.

    `miss` is the median size of expected over final, less 1; `ratio` its mean.
    """

    n: int
    in_80: int
    in_95: int
    over: int
    under: int
    miss: float | None
    ratio: float | None

    @property
    def verdict(self) -> str:
        """Return whether the intervals held what they promise."""
        narrow, wide = self.in_80 / self.n, self.in_95 / self.n
        is_many = self.n >= MANY
        if narrow < 0.8 - OFF and not (is_many and wide > MOST):
            return "fewer than they promise: take the intervals ahead as too narrow"
        if narrow < 0.8 - OFF:
            return (
                f"fewer than they promise at 80{PERCENT}, more at 95{PERCENT}: their middle is too "
                "narrow and their ends are wider than they promise"
            )
        if is_many and wide < LEAST:
            return (
                "fewer than they promise at 95 %: take the ends of the intervals ahead as too near"
            )
        if narrow > 0.8 + OFF or (is_many and wide > MOST):
            return "more than they promise: the intervals ahead are wider than they promise"
        return "about as many as they promise"

    @property
    def side(self) -> str:
        """Return on which side the misses lie, and what is expected on average, in sentences."""
        parts = []
        if self.over or self.under:
            parts.append(
                f"Of those outside the 80{PERCENT} interval, {self.over} ended above it and "
                f"{self.under} below."
            )
        if self.ratio is not None:
            mean = Measurement(self.ratio, sort=NumberKind.RATIO).words
            parts.append(f"On average {mean} times the final total was expected.")
        return " ".join(parts)


def judged(lines: Sequence[Line]) -> list[Line]:
    """Return the projections that can be set against the end of their season."""
    needed = ("projected_total", "low_80", "high_80", "low_95", "high_95", "final")
    return [line for line in lines if all(line[name] is not None for name in needed)]


def backtest_skill(lines: Sequence[Line]) -> BacktestSkill | None:
    """Return how some projections did; None where there are none."""
    found = judged(lines)
    if not found:
        return None
    ratios = [one["projected_total"] / one["final"] for one in found if one["final"] > 0]
    return BacktestSkill(
        n=len(found),
        in_80=sum(one["low_80"] <= one["final"] <= one["high_80"] for one in found),
        in_95=sum(one["low_95"] <= one["final"] <= one["high_95"] for one in found),
        over=sum(one["final"] > one["high_80"] for one in found),
        under=sum(one["final"] < one["low_80"] for one in found),
        miss=median(abs(one - 1) for one in ratios) if ratios else None,
        ratio=fmean(ratios) if ratios else None,
    )


def accuracy_answer(index: BulletinIndex, lines: Sequence[Line]) -> str:
    """Return how past projections did (Markdown), or the one reason why none is tested."""
    return how_they_did(lines) if lines else _untested(index)


def _untested(index: BulletinIndex) -> str:
    """Return why a bulletin tests no projection: a season that is over has none, by design."""
    if not index.card.preliminary:
        return OVER
    if "backtest" not in index.bulletin.outlook:
        return OLDER
    # Past seasons that were looked at and have no line are too short to be projected.
    cells = index.bulletin.table("assumptions")["assumption"].to_pylist()
    parts = (part for cell in cells for part in parse(cell))
    n = next((one["n"] for one in parts if isinstance(one, Code) and one.name == _TESTED), "")
    if not n:
        return NO_SEASON
    seasons = numbers.count(int(n), "past season")
    return f"{seasons} with too few weeks to be projected from earlier ones: {_UNSURE}"


def how_they_did(lines: Sequence[Line]) -> str:
    """Return how some past projections did, one at least (Markdown)."""
    found = backtest_skill(lines)
    if found is None:
        return f"No past season could be projected: {_UNSURE}"
    of_seasons = numbers.count(len({line["season"] for line in judged(lines)}), "past season")
    inside = part_of(found.in_80, found.n)
    return (
        f"Of {numbers.count(found.n, 'projection')} of {of_seasons}, **{inside}** "
        f"ended inside the 80{PERCENT} interval and {part_of(found.in_95, found.n)} inside the "
        f"95{PERCENT} one: {found.verdict}. {found.side}"
    ).strip()


def part_of(some: int, of: int) -> str:
    """Return a count with its percent of all; only none and all read as 0 and 100 %."""
    part = percent(some / of) if some in (0, of) else chance(some / of)
    return f"{some} ({part})"


# Scores by method: past seasons, and projections that were issued.


@dataclass(frozen=True, slots=True)
class Scored:
    """One projection of what was to come, beside what came; `figure` tells alike ones apart."""

    method: str
    figure: tuple[str | None, str]
    at: tuple[str | None, ...]
    projected: float
    came: float
    inside: tuple[bool, bool]
    crps: float
    interval_score: float


def of_past(lines: Sequence[Line]) -> list[Scored]:
    """Return the projections of past seasons that have a score."""
    found = []
    for line in judged([one for one in lines if one["crps"] is not None]):
        to_date = line["to_date"]
        found.append(
            Scored(
                line["projected_by"] or MODEL,
                (line["area"], line["quantity"]),
                (line["season"], line["through"]),
                line["projected_total"] - to_date,
                line["final"] - to_date,
                _inside(line, line["final"]),
                line["crps"],
                line["interval_score_80"],
            )
        )
    return found


def of_issued(lines: Sequence[Line]) -> list[Scored]:
    """Return the projections of bulletins that have a score."""
    return [
        Scored(
            line["projected_by"],
            (line["area"], f"{line['target']} {line['horizon']}"),
            (line["bulletin"], line["through"]),
            line["projected"],
            line["came"],
            _inside(line, line["came"]),
            line["crps"],
            line["interval_score_80"],
        )
        for line in lines
        if line["crps"] is not None
    ]


def _inside(line: Line, came: float) -> tuple[bool, bool]:
    return (
        line["low_80"] <= came <= line["high_80"],
        line["low_95"] <= came <= line["high_95"],
    )


def issued_answer(lines: Sequence[Line]) -> str:
    """Return how the projections and the trends of earlier bulletins did (Markdown)."""
    found = [one for one in of_issued(lines) if one.method == MODEL]
    if not found:
        return (
            "No bulletin in the archive has projected weeks that are over by now: the projections "
            "of this one are kept and will be scored by later ones."
        )
    inside = part_of(sum(one.inside[0] for one in found), len(found))
    bulletins = numbers.count(len({one.at[0] for one in found}), "earlier bulletin")
    said = (
        f"Of {numbers.count(len(found), 'projection')} in {bulletins}, **{inside}** came inside "
        f"their 80{PERCENT} interval."
    )
    return " ".join([said, *_calls(lines)])


def _calls(lines: Sequence[Line]) -> list[str]:
    """Return how often a level that was called to rise or fall proved to have done so."""
    called = [line for line in lines if line["direction"] in RISEN]
    if not called:
        return []
    right = sum(RISEN[line["direction"]] == line["came"] for line in called)
    return [f"Of {numbers.count(len(called), 'trend')} called, {part_of(right, len(called))} held."]
