"""Lines of the season's tables put on the axes of figures, and how projections of past seasons did.

The second is in words, dots and a table.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import timedelta
from statistics import fmean
from typing import TYPE_CHECKING

import numpy as np
import streamlit as st

from analytics.catch_limits import LIKELY
from analytics.precision import DASH, PERCENT, chance, number, percent
from analytics.quantities import QUANTITIES, capitalised
from analytics.units import short_day
from analytics.weeks import week_end
from analytics.wording import limits as standings
from analytics.wording import numbers
from analytics.wording.accuracy import Scored, backtest_skill, judged, part_of
from analytics.wording.limits import MODEL
from analytics.wording.numbers import Measurement, NumberKind
from dashboard import html_tables, page_frame
from dashboard.catalogue import phrase, say
from dashboard.charts import limits as fanned
from dashboard.charts.forest import ForestRow
from dashboard.charts.limits import Bar, Fan
from dashboard.page_frame import colours, download

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from analytics.options.compare import Fans
    from analytics.wording.bulletin_index import BulletinIndex
    from analytics.wording.limits import Line, Standings
    from dashboard.filters import Choice


#: What is said of bulletins from before they had the tables of limits.
OLDER = phrase(
    "This bulletin was kept before bulletins showed where a season stands against its limits."
)


#: A week that ends so long after the close holds it.
LAST_WEEK = timedelta(days=6)
#: Columns of the fan, in the order of the chances of the engine.
QUANTILES = ("q025", "q10", "q25", "q50", "q75", "q90", "q975")


def bars(index: BulletinIndex, limits: Sequence[Line]) -> list[Bar]:
    """Return the bars of limits, in the order given."""
    return [_bar(index, line) for line in limits]


def _bar(index: BulletinIndex, line: Line) -> Bar:
    fish = {"fish": number(line["limit_fish"], place=0)}
    is_first = line["is_binding"] and line["is_preliminary"]
    note = say("of {fish}, reached first", **fish) if is_first else say("of {fish}", **fish)
    return Bar(
        label=standings.label(index, line),
        note=note,
        used=standings.used(line),
        expected=standings.expected_share(line),
        words=_bar_words(line),
    )


def _bar_words(line: Line) -> str:
    total = standings.total(line)
    if total.value is None:
        return line["reason"] or say("no total")
    lines = [f"{total.figure(line['ci_level'])} {standings.unit(line)}"]
    lines.append(say("used: {figure}", figure=standings.used(line).figure()))
    if standings.has_outlook(line):
        lines.append(
            say("expected at the close: {figure}", figure=standings.expected(line).figure())
        )
        likely = chance(line["prob_exceeded_by_close"])
        lines.append(say("probability of exceeding it: {chance}", chance=likely))
    return "\n".join(lines)


def finding(limits: Sequence[Line]) -> str:
    """Return how many limits are likely exceeded, or were, as the title of their figure."""
    if not any(line["is_preliminary"] for line in limits):
        known = [line for line in limits if line["estimate"] is not None]
        return _many([standings.is_passed(line) for line in known], _EXCEEDED)
    chances = [line["prob_exceeded_by_close"] for line in limits]
    likely = [one >= LIKELY for one in chances if one is not None]
    return _many(likely, _LIKELY)


#: What a title says of limits that were exceeded, or likely are: the only one, the only one not,
#: none, one, several.
_EXCEEDED = (
    phrase("The limit was exceeded"),
    phrase("The limit was not exceeded"),
    phrase("No limit of {of} was exceeded"),
    phrase("{hit} of {of} limits was exceeded"),
    phrase("{hit} of {of} limits were exceeded"),
)
_LIKELY = (
    phrase("The limit is likely exceeded by the planned close"),
    phrase("The limit is not likely exceeded by the planned close"),
    phrase("No limit of {of} is likely exceeded by the planned close"),
    phrase("{hit} of {of} limits is likely exceeded by the planned close"),
    phrase("{hit} of {of} limits are likely exceeded by the planned close"),
)


def _many(hit: Sequence[bool], texts: tuple[str, str, str, str, str]) -> str:
    n, of = sum(hit), len(hit)
    if not of:
        return say("How much of each limit is used")
    if of == 1:
        return say(texts[0 if n else 1])
    return say(texts[2 + min(n, 2)], hit=n, of=of)


def draw_fan(one: Fan, label: str) -> None:
    """Draw a fan under its finding, with what its bands hold."""
    title = fanned.fan_finding(one)
    figure = fanned.season_fan(one, palette=colours())
    said = fanned.fan_description(one, of=f"{label}, {one.name}" if one.beside else label)
    named = f"{label}: {title}" if title else label
    page_frame.panel(named, figure, key="season-fan", alt=said)
    if one.ahead:
        st.caption(say(fanned.MEANING))


def fan(found: Standings, line: Line) -> Fan:
    """Return the fan of a limit that has weeks."""
    close = line["planned_close"]
    return Fan(
        lines=_to_close(_until_still(found.fan[line["limit_id"]]), close),
        limit_fish=line["limit_fish"],
        now=standings.total(line),
        close=close,
        unit=standings.unit(line),
    )


def _to_close(lines: Sequence[Line], close: date | None) -> tuple[Line, ...]:
    """Return the weeks of a fan with the last of them ending on the planned close within it."""
    *first, last = lines
    if close is None or not last["is_projected"] or not close < last["day"] <= close + LAST_WEEK:
        return tuple(lines)
    return (*first, last | {"day": close})


def option_fan(found: Standings, line: Line, fans: Fans, name: str) -> Fan | None:
    """Return the fan of a limit under an option, beside today's rule; None where it has none.

    A total that is not known has quantiles that are no numbers, and no fan.
    """
    if line["limit_id"] not in fans.limit_ids or name not in fans.options:
        return None
    at = fans.limit_ids.index(line["limit_id"])
    now, other = ((0, at), (fans.options.index(name), at))
    if not np.isfinite(fans.quantiles[other]).all():
        return None
    past = [one for one in found.fan.get(line["limit_id"], ()) if not one["is_projected"]]
    days = [day.astype(object) for day in fans.days]
    ahead = [
        {"day": day, "week": week, "is_projected": True, "estimate": mean}
        | dict(zip(QUANTILES, ends, strict=True))
        for day, week, mean, ends in zip(
            days, fans.weeks, fans.mean[other].tolist(), fans.quantiles[other].tolist(), strict=True
        )
    ]
    middle = fans.quantiles[now][:, QUANTILES.index("q50")].tolist()
    lines = _to_close(_until_still((*past, *ahead), middle), line["planned_close"])
    days = [one["day"] for one in lines[len(past) :]]
    return Fan(
        lines=lines,
        limit_fish=line["limit_fish"],
        now=standings.total(line),
        close=line["planned_close"],
        beside=() if now == other else tuple(zip(days, middle, strict=False)),
        unit=standings.unit(line),
        name=name,
    )


def _until_still(lines: Sequence[Line], middle: Sequence[float] = ()) -> tuple[Line, ...]:
    """Return the weeks of a fan without those after the close, in which nothing more is counted."""
    found, other = list(lines), list(middle)
    while len(found) > 1 and found[-1]["is_projected"] and found[-2]["is_projected"]:
        is_moved = any(found[-1][name] != found[-2][name] for name in QUANTILES)
        if is_moved or (len(other) > 1 and other[-1] != other[-2]):
            break
        found, other = found[:-1], other[:-1]
    return tuple(found)


def backtest_panels(
    lines: Sequence[Line], areas: Sequence[str | None]
) -> list[tuple[str | None, str, list[ForestRow]]]:
    """Return area, quantity and dots of every panel of past projections that has any."""
    names = [name for name in QUANTITIES if any(line["quantity"] == name for line in lines)]
    found = [(area, name, backtest_dots(lines, area, name)) for area in areas for name in names]
    return [one for one in found if one[2]]


def assumed(choice: Choice, found: Standings, title: str) -> None:
    """Draw, folded, what every number ahead rests on; nothing where the bulletin keeps none."""
    if found.assumed:
        page_frame.folded(title, "fold-assumed", lambda: _assumed(choice, found))


def _assumed(choice: Choice, found: Standings) -> None:
    for topic, lines in found.assumed.items():
        heading = capitalised(topic).replace("_", " ")
        st.markdown(f"**{numbers.plain(heading)}**" if topic else "")
        st.markdown("\n".join(f"- {numbers.plain(one)}" for one in lines))
    download(
        say("what was assumed"),
        choice.index.bulletin.table("assumptions"),
        choice,
        "assumptions",
    )


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


def backtest_table(lines: Sequence[Line]) -> str:
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


def backtest_dots(lines: Sequence[Line], area: str | None, quantity: str) -> list[ForestRow]:
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
