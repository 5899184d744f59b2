"""How projections of past seasons did, in words, dots and a table."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from statistics import fmean, median
from typing import TYPE_CHECKING

from analytics.quantities import QUANTITIES
from analytics.rounding import DASH, PERCENT, chance, percent
from analytics.wording import numbers
from analytics.wording.limit_records import MODEL
from analytics.wording.numbers import Measurement, NumberKind
from dashboard import html_tables
from dashboard.charts.forest import ForestRow

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.limit_records import Line

HEADS = ("Figure", "Projections", "Inside 80 %", "Inside 95 %", "Typical miss")
MEANING = (
    "Each past season was projected to its end as of earlier weeks, from its own weeks until then "
    "and from the other past seasons, and set against what was still to come by the estimate at "
    "its end. That estimate has an error of its own, which the intervals hold. An 80 % interval "
    "should hold 8 of 10. Projections of one season are alike, so these rates are rough."
)
SCORED = (
    "The plain rule takes what was caught to date and the share of past seasons' totals that had "
    "come by the same part of their open days. The mixture is between the two, by past errors. "
    "CRPS (continuous ranked probability score) is the mean miss of a projection, its width "
    "included, and the interval score the width of the 80 % interval with a penalty for each miss; "
    "both are in percent of what came, and lower is better."
)
METHODS = {MODEL: "Model (used)", "plain_rule": "Plain rule", "mixture": "Mixture of both"}
#: Whether a level that is called so should prove to have risen.
RISEN = {"rising": 1.0, "falling": 0.0}
SCORE_HEADS = (
    "Projection",
    "Projections",
    "Inside 80 %",
    "Inside 95 %",
    "Mean error",
    "CRPS",
    "Interval score 80 %",
)
OVER = (
    "The season is over, so nothing is projected and no projection is tested: its figures are "
    "those of the whole season."
)
UNTESTED = (
    "This bulletin was made without a test on past seasons, or there is no past season yet: "
    "nothing vouches for the intervals ahead."
)
NAMED = (("bar", "80 % interval"), ("thin", "95 % interval"), ("sea", "expected over final"))
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


def accuracy_answer(lines: Sequence[Line], *, is_over: bool = False) -> str:
    """Return how past projections did (Markdown); a season that is over has none, by design."""
    if not lines:
        return OVER if is_over else UNTESTED
    found = backtest_skill(lines)
    if found is None:
        return "No past season could be projected, so nothing vouches for the intervals ahead."
    of_seasons = numbers.count(len({line["season"] for line in judged(lines)}), "past season")
    inside = _part(found.in_80, found.n)
    return (
        f"Of {numbers.count(found.n, 'projection')} of {of_seasons}, **{inside}** "
        f"ended inside the 80{PERCENT} interval and {_part(found.in_95, found.n)} inside the "
        f"95{PERCENT} one: {found.verdict}. {found.side}"
    ).strip()


def not_judged(lines: Sequence[Line]) -> list[str]:
    """Return for each season and reason which projections are lacking, in words."""
    weeks_of: dict[tuple[str, str], set[str]] = defaultdict(set)
    for line in lines:
        if line["reason"]:
            weeks_of[line["season"], line["reason"]].add(line["through"] or "")
    return [
        f"{season}{_from(weeks)}: {reason}" for (season, reason), weeks in sorted(weeks_of.items())
    ]


def _from(weeks: set[str]) -> str:
    known = sorted(week for week in weeks if week)
    return f" from {', '.join(known)}" if known else ""


def table(lines: Sequence[Line]) -> str:
    """Return how past projections did, by figure, as HTML."""
    names = [name for name in QUANTITIES if any(line["quantity"] == name for line in lines)]
    return html_tables.table(HEADS, [_line(lines, name) for name in names])


def _line(lines: Sequence[Line], name: str) -> str:
    mine = [line for line in lines if line["quantity"] == name]
    found = backtest_skill(mine)
    if found is None:
        why = next((line["reason"] for line in mine if line["reason"]), "")
        return html_tables.line(
            HEADS, QUANTITIES[name].label, [DASH + html_tables.small(why), DASH, DASH, DASH]
        )
    inside = [
        f"{found.n}",
        _part(found.in_80, found.n),
        _part(found.in_95, found.n),
        DASH if found.miss is None else percent(found.miss),
    ]
    return html_tables.line(HEADS, QUANTITIES[name].label, inside)


def _part(some: int, of: int) -> str:
    """Return a count with its percent of all; only none and all read as 0 and 100 %."""
    part = percent(some / of) if some in (0, of) else chance(some / of)
    return f"{some} ({part})"


def dots(lines: Sequence[Line], area: str | None, quantity: str) -> list[ForestRow]:
    """Return the projections of a figure over what it came to, earliest first."""
    mine = [
        line
        for line in judged(lines)
        if line["area"] == area and line["quantity"] == quantity and line["final"] > 0
    ]
    return [_dot(line) for line in sorted(mine, key=lambda one: (one["season"], one["through"]))]


def _dot(line: Line) -> ForestRow:
    final = line["final"]
    fish = Measurement(line["projected_total"], line["low_80"], line["high_80"])
    value, low, high = (line[name] / final for name in ("projected_total", "low_80", "high_80"))
    ratio = Measurement(value, low, high, NumberKind.RATIO)
    return ForestRow(
        label=f"{line['season']}, {line['through']}",
        amount=ratio,
        thin=(line["low_95"] / final, line["high_95"] / final),
        words=f"expected {fish.figure()} fish\nfinal {fish.shown(final)}",
    )


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


def score_table(found: Sequence[Scored]) -> str:
    """Return how each method did, as HTML: the model on all, and all on those that all have."""
    of_all = _shared(found)
    rows = [_score_line(METHODS[MODEL], [one for one in found if one.method == MODEL])]
    if of_all:
        rows = [
            _score_line(words, [one for one in of_all if one.method == method])
            for method, words in METHODS.items()
        ]
    return html_tables.table(SCORE_HEADS, rows)


def _shared(found: Sequence[Scored]) -> list[Scored]:
    """Return the projections that every method made."""
    methods: dict[tuple[object, ...], set[str]] = defaultdict(set)
    for one in found:
        methods[one.figure, one.at].add(one.method)
    return [one for one in found if len(methods[one.figure, one.at]) == len(METHODS)]


def relative(found: Sequence[Scored]) -> tuple[float, float, float] | None:
    """Return mean error, CRPS and interval score over what came of alike figures on average."""
    came: dict[tuple[str | None, str], list[float]] = defaultdict(list)
    for one in found:
        came[one.figure].append(one.came)
    size = {figure: fmean(values) for figure, values in came.items()}
    known = [one for one in found if size[one.figure] > 0]
    if not known:
        return None
    return (
        fmean((one.projected - one.came) / size[one.figure] for one in known),
        fmean(one.crps / size[one.figure] for one in known),
        fmean(one.interval_score / size[one.figure] for one in known),
    )


def _score_line(words: str, found: Sequence[Scored]) -> str:
    scores = relative(found)
    if scores is None:
        return html_tables.line(SCORE_HEADS, words, [DASH] * (len(SCORE_HEADS) - 1))
    cells = [
        f"{len(found)}",
        *(_part(sum(one.inside[at] for one in found), len(found)) for at in (0, 1)),
        f"{'+' if scores[0] > 0 else ''}{percent(scores[0])}",
        *(percent(one) for one in scores[1:]),
    ]
    return html_tables.line(SCORE_HEADS, words, cells)


def issued_answer(lines: Sequence[Line]) -> str:
    """Return how the projections and the trends of earlier bulletins did (Markdown)."""
    found = [one for one in of_issued(lines) if one.method == MODEL]
    if not found:
        return (
            "No bulletin in the archive has projected weeks that are over by now: the projections "
            "of this one are kept and will be scored by later ones."
        )
    inside = _part(sum(one.inside[0] for one in found), len(found))
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
    return [f"Of {numbers.count(len(called), 'trend')} called, {_part(right, len(called))} held."]
