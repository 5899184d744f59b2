"""Catch rates in sentences and tables: where they stand, whether they rose, what is ahead."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics import precision
from analytics.catch_limits import join_words
from analytics.precision import DASH, PERCENT, number, percent
from analytics.wording import numbers, reasons
from dashboard import html_tables
from dashboard.catalogue import phrase, say, say_n
from dashboard.catch_rates import records
from dashboard.catch_rates.records import ENCOUNTERS, KEPT, SHARE
from dashboard.released.records import domains, head, start

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.bulletin_index import BulletinIndex
    from dashboard.catch_rates.records import Line, Rates

LABELS = {
    ENCOUNTERS: phrase("Encounters per angler-hour"),
    KEPT: phrase("Kept fish per angler-hour"),
    SHARE: phrase("Sublegal share of encounters"),
}
#: The same on buttons.
BUTTONS = {
    ENCOUNTERS: phrase("Encounters"),
    KEPT: phrase("Kept fish"),
    SHARE: phrase("Sublegal share"),
}
_SUBJECTS = {
    ENCOUNTERS: phrase("encounters per angler-hour"),
    KEPT: phrase("kept fish per angler-hour"),
    SHARE: phrase("the sublegal share of encounters"),
}
#: What a sentence says of a change: of a share, and of other rates.
_CHANGES = {
    "rising": (phrase("it is **rising**"), phrase("they are **rising**")),
    "falling": (phrase("it is **falling**"), phrase("they are **falling**")),
    "no clear change": (
        phrase("it shows **no clear change**"),
        phrase("they show **no clear change**"),
    ),
}
NOT_KNOWN = phrase("not known")
#: The words of a change with their arrows, in the order they are given.
ARROWS = {
    phrase("rising"): "↗",
    phrase("falling"): "↘",
    phrase("no clear change"): "→",
    NOT_KNOWN: "?",
}
#: What is said of weeks that had trips and none of the fish.
NONE = {
    ENCOUNTERS: phrase("No fish was met"),
    KEPT: phrase("No fish was kept"),
    SHARE: phrase("No sublegal fish was met"),
}
#: From which probability on a word is used; under the last one the other way is likelier.
#: Mastrandrea et al. (2010), Guidance note for lead authors of the IPCC Fifth Assessment Report on
#: consistent treatment of uncertainties; from memory.
#: What is nearer to none or all is called virtually certain.
_SURELY = 0.01
_CHANCES = (
    (0.99, phrase("virtually certain")),
    (0.95, phrase("extremely likely")),
    (0.90, phrase("very likely")),
    (0.66, phrase("likely")),
)
RULE = phrase(
    "As on every page, a figure is called rising or falling where the interval of its change from "
    "the week before does not hold “no change” and such words are seldom of the wrong sign; "
    "otherwise there is no clear change."
)
MANY = phrase(
    "Every area and each of the three rates is judged alone: of twenty without any change, "
    "one may still be called rising or falling."
)
CHANCES = phrase(
    "The words of a chance: about as likely as not up to 66\u00a0%, likely from 66\u00a0%, very "
    "likely from 90\u00a0%, extremely likely from 95\u00a0%, virtually certain from 99\u00a0% "
    "(Mastrandrea et al. 2010, Guidance note on consistent treatment of uncertainties; from "
    "memory)."
)
_WHOSE = {SHARE: phrase("the share"), KEPT: phrase("the rate"), ENCOUNTERS: phrase("the rate")}
AHEAD = phrase("Weeks ahead extend the trend and its slope, no more.")
PAST_OF_ENCOUNTERS = phrase(
    "Bulletins keep rates of past seasons for encounters only, so none are shown here."
)
WHY_UNLIKE = phrase(
    "The design-based rate is the headline here as on every page. Smoothed trend and standardised "
    "rate are a second figure and answer other questions. The "
    "design-based estimate weights the boats interviewed in a week up to all boats, whoever they "
    "were; the standardised rate is the same week at the season's own mix; the trend also uses the "
    "weeks around it. Where a week has few trips they may differ much, as their intervals say."
)


def meaning(response: str) -> str:
    """Return what the standardised rate and the smoothed trend of a response are."""
    return say(
        "The standardised rate is {rate} of an area and week at the season's own mix of methods, "
        "days and party sizes, so that a change in who goes fishing is no change in the fish. The "
        "smoothed trend is a line through it that knows how uncertain each week is; closed weeks "
        "count as missing and not as zero.",
        rate=say(_WHOSE[response]),
    )


def scale(response: str) -> str:
    """Return what the scales of the panels are, and whether past seasons lie behind."""
    if response == SHARE:
        own = say("Each panel has its own scale, which need not begin at zero.")
    else:
        own = say("Each panel has its own scale, from zero.")
    return own if response == ENCOUNTERS else f"{own} {say(PAST_OF_ENCOUNTERS)}"


def trend_answer(
    index: BulletinIndex, rates: Rates, areas: Sequence[str | None], *, response: str
) -> str:
    """Return whether a catch rate rises or falls, one paragraph a domain (Markdown)."""
    if not rates.trend and not rates.index:
        return say(
            "There are no modelled catch rates to show: the bulletin holds none for this season "
            "(table `index`)."
        )
    parts = [_answer_of(index, rates, area, response) for area in areas]
    if None in areas:
        parts.append(_by_area(index, rates, response))
    return "\n\n".join(part for part in parts if part)


def _by_area(index: BulletinIndex, rates: Rates, response: str) -> str:
    """Return which areas rise and fall in one sentence; empty where no area has a figure."""
    found: dict[str, list[str]] = {word: [] for word in ARROWS}
    for area in index.areas:
        if rates.trend.get((response, area)) or rates.index.get((response, area)):
            name = numbers.plain(index.name(area))
            found[word_of(records.newest(rates, response, area))].append(name)
    parts = [
        say("**{change}** in {areas}", change=say(word), areas=", ".join(names))
        for word, names in found.items()
        if names
    ]
    if not parts:
        return ""
    return say("By area, against the week before: {changes}.", changes="; ".join(parts))


def word_of(line: Line | None) -> str:
    """Return the word of the change of a design-based figure, one of `ARROWS`."""
    word = "" if line is None else line["survey_direction"] or ""
    return word if word in ARROWS else NOT_KNOWN


def _answer_of(index: BulletinIndex, rates: Rates, area: str | None, response: str) -> str:
    headline = _headline(index, records.newest(rates, response, area), area, response)
    return f"{headline}{_none(rates, area, response)}\n\n{_second(rates, area, response)}"


def _headline(index: BulletinIndex, line: Line | None, area: str | None, response: str) -> str:
    """Return the design-based figure of the newest week and how it compares."""
    known = {"where": start(index, area), "rate": say(_SUBJECTS[response])}
    if line is None or line["survey_estimate"] is None:
        return say("{where}, {rate} cannot be given for any week.", **known)
    found, word = records.raw(line), word_of(line)
    size = f" ({numbers.plain(_shift_of(line))})" if _shift_of(line) else ""
    if word in _CHANGES:
        known["change"] = say(_CHANGES[word][response != SHARE]) + size
    else:
        known["change"] = say("the change is **not known**")
    limits = f" {numbers.plain(found.bracket(line['ci_level']))}" if found.has_interval else ""
    known |= {"figure": f"**{found.words}**{limits}", "week": line["week"]}
    if response == SHARE:
        return say(
            "{where}, {rate} is {figure} in week {week}; against the week before, {change}.",
            **known,
        )
    return say(
        "{where}, {rate} are {figure} in week {week}; against the week before, {change}.", **known
    )


def _shift_of(line: Line) -> str:
    """Return the change from the week before with its interval; empty without one."""
    ends = [line[f"survey_change{end}"] for end in ("", "_low", "_high")]
    if any(one is None for one in ends) or line["ci_level"] is None:
        return ""
    is_share = line["response"] == SHARE
    amount, low, high = (signed(one if is_share else one - 1) for one in ends)
    named = {"amount": amount, "low": low, "high": high, "level": numbers.level(line["ci_level"])}
    if is_share:
        return say("{amount} points, {level} CI {low} to {high}", **named)
    text = phrase("{amount}{percent}, {level} CI {low} to {high}{percent}")
    return say(text, percent=PERCENT, **named)


def _second(rates: Rates, area: str | None, response: str) -> str:
    """Return the smoothed trend as the second figure that it is."""
    line = records.latest(rates, response, area)
    if line is None or line["level"] is None:
        return say(
            "Second figure, the smoothed trend of the standardised rate: none can be given "
            "({why}).",
            why=numbers.plain(why_none(line)),
        )
    level = records.level(line)
    return say(
        "Second figure, the smoothed trend of the standardised rate: **{figure}** {range} in week "
        "{week}{change}.{outlook}",
        figure=level.words,
        range=numbers.plain(level.bracket(line["ci_level"])),
        week=line["week"],
        change=_against(rates, line),
        outlook=_outlook(rates, line),
    )


def _none(rates: Rates, area: str | None, response: str) -> str:
    """Return that the last weeks had trips and none of the fish; empty where they had some."""
    trips, weeks = records.empty_trips(rates, response, area)
    if not weeks:
        return ""
    known = {"none": say(NONE[response]), "trips": say_n(trips, "{n} trip", "{n} trips")}
    if weeks == 1:
        return say(" {none} in {trips} of the last week.", **known)
    return say(" {none} in {trips} of the last {weeks} weeks.", weeks=weeks, **known)


def why_none(line: Line | None) -> str:
    """Return why there is no level."""
    return (line["reason"] if line else "") or say("no week has a figure")


def _against(rates: Rates, line: Line) -> str:
    size = shift(rates, line, weeks=4)
    if not size or line["prob_increase_4_weeks"] is None:
        return say("; there is no week four weeks before to compare with")
    said = numbers.plain(chance(line["prob_increase_4_weeks"]))
    size = numbers.plain(size)
    return say(", {change} against four weeks before; {chance}", change=size, chance=said)


def shift(rates: Rates, line: Line, *, weeks: int) -> str:
    """Return how far a level moved over one or four weeks, such as ``+12 %``; empty if not known.

    A share is given in points, from the two levels as kept.
    """
    if line["response"] != SHARE:
        change = line[f"change_{weeks}_weeks"]
        return "" if change is None else signed(change) + PERCENT
    earlier = records.before(rates, line, weeks=weeks)
    if earlier is None:
        return ""
    points = signed(line["level"] - earlier["level"])
    is_one = points in ("+1", "−1")
    return say("{points} point", points=points) if is_one else say("{points} points", points=points)


def signed(part: float) -> str:
    """Return a proportion in percent with its sign, without the percent sign."""
    points = number(100 * part, place=0 if abs(part) >= 0.0095 else -1)
    is_none = not points.strip("−0.")
    return "0" if is_none else points if points.startswith("−") else f"+{points}"


def chance(rose: float) -> str:
    """Return the probability of a rise in words, such as ``a rise is very likely (94 %)``."""
    likelier = max(rose, 1 - rose)
    text = phrase("a rise is {likely} ({chance})")
    if rose < 0.5:
        text = phrase("a fall is {likely} ({chance})")
    for least, word in _CHANCES:
        if likelier >= least:
            shown = precision.chance(likelier, almost=_SURELY)
            return say(text, likely=say(word), chance=shown)
    shown = precision.chance(rose, almost=_SURELY)
    return say("a rise is about as likely as not ({chance})", chance=shown)


def _outlook(rates: Rates, line: Line) -> str:
    found = records.ahead(rates, line["response"], line["area"])
    if not found:
        return ""
    levels = [records.level(one) for one in found]
    parts = [f"{one.words} {numbers.plain(one.bracket())}" for one in levels]
    weeks = [one["week"] for one in found]
    known = {"first": weeks[0], "last": weeks[-1], "levels": join_words(parts)}
    if len(weeks) == 1:
        return say(" If the trend continues, week {first} would stand at {levels}.", **known)
    return say(" If the trend continues, weeks {first} to {last} would stand at {levels}.", **known)


def rose_words(rose: float) -> str:
    """Return the probability of a rise in percent."""
    return precision.chance(rose, almost=_SURELY)


# The table: the direction first, then three figures, changes and weeks ahead.

HEADS = (
    *(
        phrase("Area"),
        phrase("Against the week before"),
        phrase("Design-based"),
        phrase("Standardised rate"),
    ),
    *(phrase("Smoothed trend"), phrase("Trend over four weeks"), phrase("Ahead")),
)
#: Said of the design-based estimate where no week has an interval.
NEVER = phrase("no interval: none is kept for this rate")
#: Part of a rate of all areas from which it is said that it is imputed for areas not fished.
MUCH_IMPUTED = 0.05
_NOT_HERE = phrase("no figure this week")


def table(index: BulletinIndex, rates: Rates, areas: Sequence[str], *, response: str) -> str:
    """Return word, level, index, survey figure, moves and outlook of each area as HTML."""
    lines = [_line(index, rates, area, response) for area in domains(index, areas)]
    return html_tables.table(HEADS, lines, kind="bm-trends")


def _line(index: BulletinIndex, rates: Rates, area: str | None, response: str) -> str:
    line, newest = records.latest(rates, response, area), records.newest(rates, response, area)
    week = "" if newest is None else str(newest["week"])
    size = "" if newest is None else _shift_of(newest)
    inside = [
        _word(newest) + html_tables.small(size),
        _raw(rates, response, area, week),
        _index(rates, response, area, week),
    ]
    if line is None or line["level"] is None:
        inside += [DASH + html_tables.small(why_none(line)), DASH, DASH]
    else:
        ahead = (
            f"{one['week'][5:]}: {records.level(one).figure()}"
            for one in records.ahead(rates, response, area)
        )
        inside += [
            html_tables.amount(
                records.level(line), below=(say("week {week}", week=line["week"][5:]),)
            ),
            _moved(rates, line),
            html_tables.small(*ahead, is_unbroken=True) or DASH,
        ]
    return html_tables.line(HEADS, head(index, area), inside, is_all=area is None)


def _word(line: Line | None) -> str:
    """Return the word of a change with its arrow."""
    word = word_of(line)
    return html_tables.bold(f"{ARROWS[word]} {say(word)}", is_unbroken=True)


def _index(rates: Rates, response: str, area: str | None, week: str) -> str:
    line = records.index_of(rates, response, area, week)
    if line is None:
        return DASH + html_tables.small(say("closed") if week else "")
    found = numbers.of_line(line, "index", records.sort_of(response))
    below = _rests_on(line, response)
    if found.value is None:
        return DASH + html_tables.small(line["reason"] or say(_NOT_HERE), *below)
    return html_tables.amount(found, below=below)


def _rests_on(line: Line, response: str) -> list[str]:
    """Return what a rate is based on: trips, whether they had any of the fish, what was imputed."""
    trips, note, imputed = line["n_trips"], line.get("note") or "", line.get("imputed_prop") or 0.0
    is_none, found = line["survey_estimate"] == 0, []
    if trips and not (is_none and line["reason"]):  # that reason says it already
        if response == SHARE:
            some = say_n(trips, "{n} trip with fish", "{n} trips with fish")
        else:
            some = say_n(trips, "{n} trip", "{n} trips")
        none = say(NONE[response]).lower()
        found.append(say("{none} in {trips}", none=none, trips=some) if is_none else some)
    if trips and is_none and line["ci_low"] is not None:
        note = ""
    if imputed >= MUCH_IMPUTED:
        found.append(say("{share} imputed for areas not fished", share=percent(imputed)))
    return [*found, note]


def _raw(rates: Rates, response: str, area: str | None, week: str) -> str:
    """Return the survey's figure of a week as a cell."""
    line = records.index_of(rates, response, area, week)
    if line is None or line["survey_estimate"] is None:
        return DASH + html_tables.small(say(_NOT_HERE) if week else "")
    found = records.raw(line)
    if records.is_too_wide(line):
        return found.words + html_tables.small(reasons.TOO_FEW)
    if found.has_interval:
        return html_tables.amount(found)
    why = say("none seen, no interval")
    if found.value:
        lines = (one for (of, _), found in rates.index.items() if of == response for one in found)
        has_any = any(one["survey_low"] is not None for one in lines)
        why = say("no interval: its error cannot be given") if has_any else say(NEVER)
    return found.words + html_tables.small(why)


def _moved(rates: Rates, line: Line) -> str:
    """Return the moves over four weeks and since the week before as a cell."""
    size, rose = shift(rates, line, weeks=4), line["prob_increase_4_weeks"]
    first = say("{change} in four weeks", change=size) if size else say("no week to compare with")
    chances = [] if rose is None else [say("chance of a rise: {chance}", chance=rose_words(rose))]
    since = shift(rates, line, weeks=1)
    if since and line["prob_increase_1_weeks"] is not None:
        rose = rose_words(line["prob_increase_1_weeks"])
        chances.append(say("{change} since the week before: {chance}", change=since, chance=rose))
    return first + html_tables.small(*chances)
