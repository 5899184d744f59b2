"""What each option would do, in a sentence and in tables as HTML."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from analytics.catch_limits import join_words, nouns
from analytics.codes import has_code
from analytics.options.report import COUNTS, risk_moved
from analytics.precision import DASH, chance
from analytics.quantities import QUANTITIES
from analytics.wording import numbers
from analytics.wording.limits import day, is_by_now
from dashboard import html_tables
from dashboard.catalogue import phrase, say
from dashboard.options import compare
from dashboard.released.records import head
from dashboard.season_limits.table import reached

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from analytics.documents.rules_in_words import RuleLine
    from analytics.wording.bulletin_index import BulletinIndex
    from analytics.wording.numbers import Measurement
    from dashboard.options.compare import Answered, Line

    #: What is said of a change, and whether it begins with a verb of the option.
    Said = tuple[str, bool]


#: A change of a chance that is given: one point.
POINT = 0.01
MEANING = phrase(
    "Figures are totals of the whole season, so far and to come. All options are compared on the "
    "same draws of what may come, so a difference (in bold) is that of the rules alone; below each "
    "figure stands its interval. A limit is likely exceeded where its chance is 50 % or more; the "
    "chance shown is that of the limit reached first today, and all limits stand further below. "
    "How a chance differs from today's is in percentage points, ± the standard error that the "
    "number of draws leaves in it (Monte-Carlo error); the error of the data is in the chances."
)
DOMINANCE = phrase(
    "An option is dominated where another is at least as good on every count and better on one: "
    "more angler trips, more fish kept, fewer sublegal releases, fewer deaths, and a lower "
    "probability of exceeding each limit."
)
_TRIPS, _KEPT, _DEATHS = "angler_trips", "kept_fish", "total_deaths_fish"
#: Quantity, what is said of less and of more.
_SAID = {
    _DEATHS: (phrase("saves about {n} deaths"), phrase("costs about {n} more deaths")),
    _TRIPS: (phrase("costs {n} angler trips"), phrase("gives {n} more angler trips")),
    _KEPT: (phrase("{n} fewer Chinook are kept"), phrase("{n} more Chinook are kept")),
}
_UNSURE = {
    _DEATHS: phrase("deaths show no clear change"),
    _TRIPS: phrase("angler trips show no clear change"),
    _KEPT: phrase("Chinook kept show no clear change"),
}


#: From so many options on a page says first what they come to, and folds what each does.
MANY = 4


def is_many(found: Answered) -> bool:
    """Return whether options are so many that each has few words."""
    return len(found.changed) >= MANY


def summary(found: Answered, area: str | None, index: BulletinIndex) -> str:
    """Return what many options come to: the fewest limits exceeded, the most deaths (Markdown)."""
    where = "" if area is None else say(" in {area}", area=numbers.plain(index.name(area)))
    parts = [_fewest_limits(found)]
    moved = {name: found.difference(name, area, _DEATHS) for name in found.changed}
    saved = [name for name, one in moved.items() if one.high is not None and one.high < 0]
    if saved:
        most = min(saved, key=lambda name: moved[name].value or 0.0)
        parts.append(
            say(
                "**{option}** saves the most deaths{where}, {deaths} ({span})",
                option=numbers.plain(most),
                where=where,
                deaths=signed(moved[most]),
                span=signed_span(moved[most]),
            )
        )
    else:
        parts.append(say("none clearly saves deaths{where}", where=where))
    return say(
        "Of {n} options: {parts}.", n=len(found.changed), parts="; ".join(filter(None, parts))
    )


def _fewest_limits(found: Answered) -> str:
    """Return under which options the fewest limits are likely exceeded; empty where not known."""
    likely = {name: found.likely(name) for name in found.changed}
    of = max(of for _, of in likely.values())
    if not of:
        return ""
    least = min(n for n, _ in likely.values())
    best = [numbers.plain(name) for name, (n, _) in likely.items() if n == least]
    return say(
        "the fewest limits are likely exceeded under {options}: {least} of {of} (today {today})",
        options=f"**{best[0]}**" if len(best) == 1 else say("{n} of them", n=len(best)),
        least=least,
        of=of,
        today=found.likely(found.options[0])[0],
    )


def options_answer(
    found: Answered, limits: Mapping[str, str], area: str | None, index: BulletinIndex
) -> str:
    """Return a sentence on each option (Markdown)."""
    if not found.changed:
        return say("There is no option to compare; add one below.")
    where = "" if area is None else say(" (in {area})", area=numbers.plain(index.name(area)))
    return "\n\n".join(_sentence(found, limits, name, area, where) for name in found.changed)


def dominated(found: Answered) -> str:
    """Return which options are dominated, and by which (Markdown)."""
    every = (cell for cells in found.assumptions.values() for cell in cells)
    if any(has_code(cell, "dominance_not_judged") for cell in every):
        return say("Which options are dominated is not known: a count of some option is missing.")
    named = []
    for name, by in found.dominated.items():
        other = say(" (by {option})", option=numbers.plain(by)) if by else ""
        named.append(f"**{numbers.plain(name)}**{other}")
    return say("Dominated options: {options}.", options=", ".join(named) or say("none"))


def _sentence(
    found: Answered, limits: Mapping[str, str], name: str, area: str | None, where: str
) -> str:
    start = f"**{numbers.plain(name)}**{where}"
    by = found.dominated.get(name)
    tail = ""
    if by:
        tail = " " + say("It is dominated on every count by {option}.", option=numbers.plain(by))
    changes = {one: found.difference(name, area, one) for one in _SAID}
    level = found.figures[(name, area, _DEATHS)]["ci_level"]
    if all(compare.is_nothing(one) for one in changes.values()):
        return say("{option} changes nothing against today's rule.", option=start) + tail
    limits_said = _of_limits(found, limits, name)
    if all(one.value is None for one in changes.values()):
        what = join_words([nouns([one]) for one in changes])
        unknown = say("what it does to {what} cannot be given", what=what)
        return f"{start}: {unknown}; {limits_said}.{tail}"
    deaths = _said(_DEATHS, changes[_DEATHS], level)
    trips = _said(_TRIPS, changes[_TRIPS])
    kept, _ = _said(_KEPT, changes[_KEPT])
    return f"{_joined(start, deaths, trips)}; {kept}; {limits_said}.{tail}"


def _joined(start: str, deaths: Said, trips: Said) -> str:
    """Return the first two parts: those that begin with a verb follow the name of the option."""
    known = {"option": start, "deaths": deaths[0], "trips": trips[0]}
    if deaths[1] and trips[1]:
        return say("{option} {deaths} and {trips}", **known)
    if deaths[1]:
        return say("{option} {deaths}; {trips}", **known)
    if trips[1]:
        return say("{option}: {deaths}; it {trips}", **known)
    return say("{option}: {deaths}; {trips}", **known)


def _said(name: str, one: Measurement, level: float | None = None) -> Said:
    if one.value is None:
        return say("what it does to {what} cannot be given", what=nouns([name])), False
    if compare.is_nothing(one):
        return say("{what} stay as they are", what=nouns([name])), False
    span = signed_span(one)
    named = "" if level is None else f"{numbers.level(level)} CI "
    if one.low is None or one.high is None or one.low <= 0 <= one.high:
        shown = f"({signed(one)}{', ' + named + span if span else ''})"
        return f"{say(_UNSURE[name])} {shown}", False
    less, more = _SAID[name]
    ends = sorted((abs(one.low), abs(one.high)))
    size = f"**{one.shown(abs(one.value))}** ({named}{one.shown(ends[0])}–{one.shown(ends[1])})"
    return say(less if one.value < 0 else more, n=size), name != _KEPT


def signed(one: Measurement) -> str:
    """Return a difference with its sign; a dash where there is none."""
    return DASH if one.value is None else _sign(one, one.value)


def signed_span(one: Measurement) -> str:
    """Return the interval of a difference, such as ``−470 to −180``; empty where it has none."""
    if one.low is None or one.high is None:
        return ""
    return say("{low} to {high}", low=_sign(one, one.low), high=_sign(one, one.high))


def _sign(one: Measurement, value: float) -> str:
    shown = one.shown(value)
    return f"+{shown}" if value > 0 and shown != "0" else shown


def _of_limits(found: Answered, limits: Mapping[str, str], name: str) -> str:
    """Return how many limits are likely exceeded, the first one, and the worst rise of a chance."""
    n, of = found.likely(name)
    if not of:
        return say("no limit can be given")
    today, _ = found.likely(found.options[0])
    text = phrase("limits likely exceeded: **{n} of {of}** (today {today})")
    parts = [say(text, n=n, of=of, today=today)]
    binding = found.reach.get((found.binding, name)) if found.binding else None
    if binding is not None and binding["prob_exceeded_by_close"] is not None:
        before = found.reach.get((binding["limit_id"], found.options[0]))
        parts.append(
            say(
                "the probability of exceeding the limit reached first, on {limit}, {chances}{days}",
                limit=_named(limits, binding),
                chances=_chances(binding),
                days=_days(before, binding, found.through),
            )
        )
    worst = found.worst(name)
    if (
        worst is not None
        and worst is not binding
        and worst["prob_exceeded_by_close_difference"] >= POINT
    ):
        text = phrase("the chance that rises most is that of {limit}, {chances}")
        parts.append(say(text, limit=_named(limits, worst), chances=_from_to(worst)))
    return "; ".join(parts)


def _named(limits: Mapping[str, str], line: Line) -> str:
    return limits.get(line["limit_id"], numbers.plain(line["limit_id"]))


def _chances(line: Line) -> str:
    """Return how a chance moves, such as ``falls from 64 % to 12 %``."""
    now, moved = line["prob_exceeded_by_close"], line["prob_exceeded_by_close_difference"]
    if moved is None:
        return say("is **{chance}**", chance=chance(now))
    if abs(moved) < POINT or chance(now - moved) == chance(now):
        return say("stays at **{chance}**", chance=chance(now))
    if moved < 0:
        return say("falls {chances}", chances=_from_to(line))
    return say("rises {chances}", chances=_from_to(line))


def _from_to(line: Line) -> str:
    now, moved = line["prob_exceeded_by_close"], line["prob_exceeded_by_close_difference"]
    known = {"before": chance(now - moved), "now": chance(now), "moved": risk_moved(line)}
    return say("from {before} to **{now}** ({moved})", **known)


def _days(today: Line | None, line: Line, through: date | None) -> str:
    """Return how the day on which a limit is reached moves; empty where either has none."""
    before, now = (today or {}).get("exceedance_date_p50"), line["exceedance_date_p50"]
    if before is None or now is None or before == now:
        return ""
    if is_by_now(before, through) or is_by_now(now, through):
        return ""  # no day to come: the limit may be exceeded already
    return say(", and its day moves from {before} to {now}", before=day(before), now=day(now))


OF_LIMITS = (
    phrase("Limits likely exceeded"),
    phrase("Probability of exceeding the limit reached first"),
)
HEADS = (phrase("Option"), *(QUANTITIES[name].label for name in COUNTS), *OF_LIMITS)
LIMIT_HEADS = (
    phrase("Option"),
    phrase("Total at the end"),
    phrase("Probability of exceeding"),
    phrase("Against today's rule"),
    phrase("Reached on"),
)


def decision_table(
    index: BulletinIndex,
    found: Answered,
    labels: Mapping[str, str],
    areas: Sequence[str | None],
    *,
    rules: Sequence[RuleLine] = (),
    is_short: bool = False,
) -> str:
    """Return the decision table: a line an option with the `rules` it changes, a group an area.

    A short one has today's totals and of every option what differs from them; on a phone it has
    trips, fish kept, deaths and limits in a row.
    """
    changed = defaultdict[str, list[str]](list)
    for one in rules:
        changed[one.option].append(_rule(one))
    heads = [say(one) for one in (HEADS if found.limits else HEADS[: -len(OF_LIMITS)])]
    lines: list[str] = []
    for area in areas:
        if len(areas) > 1 or area is not None:
            lines.append(html_tables.group(heads, head(index, area)))
        lines += [
            _line(found, labels, name, area, heads, rules=changed[name], is_short=is_short)
            for name in found.options
        ]
    return html_tables.table(heads, lines, kind="bm-options bm-slim" if is_short else "bm-options")


def _line(
    found: Answered,
    labels: Mapping[str, str],
    name: str,
    area: str | None,
    heads: Sequence[str],
    *,
    rules: Sequence[str],
    is_short: bool,
) -> str:
    inside = [_figure(found, name, area, one, is_short=is_short) for one in COUNTS]
    if found.limits:
        inside += [_likely(found, name), _chance(found, labels, name)]
    is_first = name == found.options[0]
    by = found.dominated.get(name)
    below = html_tables.small(
        *rules, say("▽ dominated on every count by {option}", option=by) if by else ""
    )
    return html_tables.line(heads, name, inside, is_all=is_first, below=below)


def _rule(one: RuleLine) -> str:
    """Return a rule that an option changes, such as ``Daily limit, Ombrey Basin: 1 Chinook``."""
    where = "" if one.where == "all areas" else f", {one.where}"
    return f"{one.rule}{where}: {one.changed}"


def _figure(found: Answered, name: str, area: str | None, quantity: str, *, is_short: bool) -> str:
    whole = found.figure(name, area, quantity)
    if whole.value is None:
        return DASH
    shown = html_tables.amount(whole)
    if name == found.options[0]:
        return shown
    moved = found.difference(name, area, quantity)
    above = "" if is_short else shown
    if compare.is_nothing(moved):
        return above + html_tables.bold(say("no change"))
    span = signed_span(moved) or say("no interval")
    return above + html_tables.bold(signed(moved)) + html_tables.small(span)


def _likely(found: Answered, name: str) -> str:
    n, of = found.likely(name)
    if not of:
        return DASH
    before, _ = found.likely(found.options[0])
    today = "" if name == found.options[0] else say("today {n}", n=before)
    return say("{n} of {of}", n=n, of=of) + html_tables.small(today)


def _chance(found: Answered, labels: Mapping[str, str], name: str) -> str:
    """Return the probability of exceeding the limit that is reached first today."""
    limit = found.binding
    line = found.reach.get((limit, name)) if limit else None
    if limit is None or line is None or line["prob_exceeded_by_close"] is None:
        return DASH
    moved = "" if name == found.options[0] else risk_moved(line)
    return chance(line["prob_exceeded_by_close"]) + html_tables.small(
        moved, labels.get(limit, limit)
    )


def limits_table(
    found: Answered,
    labels: Mapping[str, str],
    through: date,
    passed: Mapping[str, float | None] | None = None,
    one: str | None = None,
) -> str:
    """Return each limit, or `one` of them, under each option as HTML."""
    known, heads = passed or {}, [*map(say, LIMIT_HEADS)]
    lines: list[str] = []
    for limit in found.limits if one is None else [one]:
        lines += [html_tables.group(heads, labels.get(limit, limit))] * (one is None)
        lines += [
            _limit_line(
                name,
                found.reach[(limit, name)],
                _reached(found.reach[(limit, name)], through, known.get(limit)),
                heads,
                is_today=name == found.options[0],
            )
            for name in found.options
            if (limit, name) in found.reach
        ]
    kind = "bm-slim-limit" if one is not None and is_many(found) else ""
    return html_tables.table(heads, lines, kind=kind) if lines else ""


def _limit_line(name: str, line: Line, days: str, heads: Sequence[str], *, is_today: bool) -> str:
    inside = [
        html_tables.amount(compare.total(line)),
        DASH if line["prob_exceeded_by_close"] is None else chance(line["prob_exceeded_by_close"]),
        DASH if is_today else risk_moved(line),
        days,
    ]
    return html_tables.line(heads, name, inside, is_all=is_today)


def _reached(line: Line, through: date, passed: float | None) -> str:
    late = line["exceedance_date_p90"]
    if line["prob_exceeded_by_close"] is None:
        return DASH
    if late is not None and late <= through:
        surely = ""
        if passed is not None:
            surely = say("the chance that it is: {chance}", chance=chance(passed))
        return say("exceeded already") + html_tables.small(surely)
    return reached(line, through, passed)
