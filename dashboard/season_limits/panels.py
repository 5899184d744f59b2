"""Lines of the season's tables put on the axes of figures."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np
import streamlit as st

from analytics.catch_limits import LIKELY
from analytics.precision import chance, number
from analytics.quantities import QUANTITIES, capitalised
from analytics.wording import limits as standings
from analytics.wording import numbers
from dashboard import page_frame
from dashboard.catalogue import phrase, say
from dashboard.charts import limits as fanned
from dashboard.charts.limits import Bar, Fan
from dashboard.page_frame import colours, download
from dashboard.season_limits import backtest as past

#: What is said of bulletins from before they had the tables of limits.
OLDER = phrase(
    "This bulletin was kept before bulletins showed where a season stands against its limits."
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from analytics.options.compare import Fans
    from analytics.wording.bulletin_index import BulletinIndex
    from analytics.wording.limits import Line, Standings
    from dashboard.charts.forest import ForestRow
    from dashboard.filters import Choice

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
    found = [(area, name, past.dots(lines, area, name)) for area in areas for name in names]
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
