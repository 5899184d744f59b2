"""How projections of past seasons did, in words, dots and a table."""

from __future__ import annotations

from collections import defaultdict
from statistics import fmean
from typing import TYPE_CHECKING

from analytics.precision import DASH, PERCENT, percent
from analytics.quantities import QUANTITIES
from analytics.units import short_day
from analytics.weeks import week_end
from analytics.wording.accuracy import Scored, backtest_skill, judged, part_of
from analytics.wording.limits import MODEL
from analytics.wording.numbers import Measurement, NumberKind
from dashboard import html_tables
from dashboard.catalogue import phrase, say
from dashboard.charts.forest import ForestRow

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.limits import Line

HEADS = (
    phrase("Figure"),
    phrase("Projections"),
    phrase("Inside 80 %"),
    phrase("Inside 95 %"),
    phrase("Typical miss"),
)
MEANING = phrase(
    "Each past season was projected to its end as of earlier weeks, from its own weeks until then "
    "and from the other past seasons, and set against what was still to come by the estimate at "
    "its end. That estimate has an error of its own, which the intervals hold. An 80 % interval "
    "should hold 8 of 10. Projections of one season are alike, so these rates are rough."
)
SCORED = phrase(
    "The plain rule takes what was caught to date and the share of past seasons' totals that had "
    "come by the same part of their open days. The mixture is between the two, by past errors. "
    "CRPS (continuous ranked probability score) is the mean miss of a projection, its width "
    "included, and the interval score the width of the 80 % interval with a penalty for each miss; "
    "both are in percent of what came, and lower is better. All are of what was still to come, not "
    "of the whole total."
)
NO_PLAIN = phrase(
    "The plain rule needs two other past seasons to each projection: there are too few for it to "
    "stand beside the model."
)
METHODS = {
    MODEL: phrase("Model (used)"),
    "plain_rule": phrase("Plain rule"),
    "mixture": phrase("Mixture of both"),
}
SCORE_HEADS = (
    phrase("Projection"),
    phrase("Projections"),
    phrase("Inside 80 %"),
    phrase("Inside 95 %"),
    phrase("Mean error"),
    "CRPS",
    phrase("Interval score 80 %"),
)
NAMED = (
    ("bar", phrase("80 % interval")),
    ("thin", phrase("95 % interval")),
    ("sea", phrase("expected over final")),
)


def not_judged(lines: Sequence[Line]) -> list[str]:
    """Return for each season and reason which projections are lacking, in words."""
    weeks_of: dict[tuple[str, str], set[str]] = defaultdict(set)
    for line in lines:
        if line["reason"]:
            weeks_of[line["season"], line["reason"]].add(line["through"] or "")
    return [
        f"{_from(season, weeks)}: {reason}" for (season, reason), weeks in sorted(weeks_of.items())
    ]


def _from(season: str, weeks: set[str]) -> str:
    known = sorted(week for week in weeks if week)
    return say("{season} from {weeks}", season=season, weeks=", ".join(known)) if known else season


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
        part_of(found.in_80, found.n),
        part_of(found.in_95, found.n),
        DASH if found.miss is None else percent(found.miss),
    ]
    return html_tables.line(HEADS, QUANTITIES[name].label, inside)


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
        label=f"{line['season']}, {short_day(week_end(line['through']))}",
        amount=ratio,
        thin=(line["low_95"] / final, line["high_95"] / final),
        words=say(
            "week {week}\nexpected {expected}\nfinal {final} fish",
            week=line["through"],
            expected=fish.figure(),
            final=fish.shown(final),
        ),
    )


def hits(found: Sequence[ForestRow]) -> str:
    """Return how many projections of a figure hold what came, such as ``13 of 15 inside 80 %``."""
    ends = [(dot.amount.low, dot.amount.high) for dot in found]
    inside = sum(low is not None and high is not None and low <= 1 <= high for low, high in ends)
    return say(
        "{inside} of {n} inside the 80{percent} interval",
        inside=inside,
        n=len(found),
        percent=PERCENT,
    )


def about_plain(found: Sequence[Scored]) -> str:
    """Return why the table of scores has no plain rule; empty where it has one."""
    return "" if _shared(found) else say(NO_PLAIN)


def score_table(found: Sequence[Scored]) -> str:
    """Return how each method did, as HTML: the model on all, and all on those that all have."""
    of_all = _shared(found)
    rows = [_score_line(say(METHODS[MODEL]), [one for one in found if one.method == MODEL])]
    if of_all:
        rows = [
            _score_line(say(words), [one for one in of_all if one.method == method])
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
        *(part_of(sum(one.inside[at] for one in found), len(found)) for at in (0, 1)),
        f"{'+' if scores[0] > 0 else ''}{percent(scores[0])}",
        *(percent(one) for one in scores[1:]),
    ]
    return html_tables.line(SCORE_HEADS, words, cells)
