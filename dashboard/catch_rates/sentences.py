"""Catch rates in sentences and tables: where they stand, whether they rose, what is ahead."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics import rounding
from analytics.catch_limits import join_words
from analytics.rounding import DASH, PERCENT, number, percent
from analytics.wording import numbers, reasons
from dashboard import html_tables
from dashboard.catch_rates import records
from dashboard.catch_rates.records import ENCOUNTERS, KEPT, SHARE
from dashboard.released.records import domains, head, start

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.bulletin_index import BulletinIndex
    from dashboard.catch_rates.records import Line, Rates

LABELS = {
    ENCOUNTERS: "Encounters per angler-hour",
    KEPT: "Kept fish per angler-hour",
    SHARE: "Sublegal share of encounters",
}
#: The same on buttons.
BUTTONS = {ENCOUNTERS: "Encounters", KEPT: "Kept fish", SHARE: "Sublegal share"}
_SUBJECTS = {
    ENCOUNTERS: ("encounters per angler-hour", "are", "show"),
    KEPT: ("kept fish per angler-hour", "are", "show"),
    SHARE: ("the sublegal share of encounters", "is", "shows"),
}
NOT_KNOWN = "not known"
#: The words of a change with their arrows, in the order they are given.
ARROWS = {"rising": "↗", "falling": "↘", "no clear change": "→", NOT_KNOWN: "?"}
#: What is said of weeks that had trips and none of the fish.
NONE = {ENCOUNTERS: "No fish was met", KEPT: "No fish was kept", SHARE: "No sublegal fish was met"}
#: From which probability on a word is used; under the last one the other way is likelier.
#: Mastrandrea et al. (2010), Guidance note for lead authors of the IPCC Fifth Assessment Report on
#: consistent treatment of uncertainties; from memory.
#: What is nearer to none or all is called virtually certain.
_SURELY = 0.01
_CHANCES = (
    (0.99, "virtually certain"),
    (0.95, "extremely likely"),
    (0.90, "very likely"),
    (0.66, "likely"),
)
RULE = (
    "As on every page, a figure is called rising or falling where the interval of its change from "
    "the week before does not hold “no change” and such words are seldom of the wrong sign; "
    "otherwise there is no clear change."
)
MANY = (
    "Every area and each of the three rates is judged alone: of twenty without any change, "
    "one may still be called rising or falling."
)
CHANCES = (
    "The words of a chance: about as likely as not up to 66 %, likely from 66 %, very likely from "
    "90 %, extremely likely from 95 %, virtually certain from 99 % (Mastrandrea et al. 2010, "
    "Guidance note on consistent treatment of uncertainties; from memory)."
).replace(" %", PERCENT)
_WHOSE = {SHARE: "the share", KEPT: "the rate", ENCOUNTERS: "the rate"}
AHEAD = "Weeks ahead extend the trend and its slope, no more."
PAST_OF_ENCOUNTERS = (
    "Bulletins keep rates of past seasons for encounters only, so none are shown here."
)
WHY_UNLIKE = (
    "The design-based rate is the headline here as on every page. Smoothed trend and standardised "
    "rate are a second figure and answer other questions. The "
    "design-based estimate weights the boats interviewed in a week up to all boats, whoever they "
    "were; the standardised rate is the same week at the season's own mix; the trend also uses the "
    "weeks around it. Where a week has few trips they may differ much, as their intervals say."
)


def meaning(response: str) -> str:
    """Return what the standardised rate and the smoothed trend of a response are."""
    return (
        f"The standardised rate is {_WHOSE[response]} of an area and week at the season's own mix "
        "of methods, days and party sizes, so that a change in who goes fishing is no change in "
        "the fish. The smoothed trend is a line through it that knows how uncertain each week is; "
        "closed weeks count as missing and not as zero."
    )


def scale(response: str) -> str:
    """Return what the scales of the panels are, and whether past seasons lie behind."""
    if response == SHARE:
        return f"Each panel has its own scale, which need not begin at zero. {PAST_OF_ENCOUNTERS}"
    own = "Each panel has its own scale, from zero."
    return own if response == ENCOUNTERS else f"{own} {PAST_OF_ENCOUNTERS}"


def trend_answer(
    index: BulletinIndex, rates: Rates, areas: Sequence[str | None], *, response: str
) -> str:
    """Return whether a catch rate rises or falls, one paragraph a domain (Markdown)."""
    if not rates.trend and not rates.index:
        return (
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
    parts = [f"**{word}** in {', '.join(names)}" for word, names in found.items() if names]
    return f"By area, against the week before: {'; '.join(parts)}." if parts else ""


def word_of(line: Line | None) -> str:
    """Return the word of the change of a design-based figure, one of `ARROWS`."""
    word = "" if line is None else line["survey_direction"] or ""
    return word if word in ARROWS else NOT_KNOWN


def _answer_of(index: BulletinIndex, rates: Rates, area: str | None, response: str) -> str:
    headline = _headline(index, records.newest(rates, response, area), area, response)
    return f"{headline}{_none(rates, area, response)}\n\n{_second(rates, area, response)}"


def _headline(index: BulletinIndex, line: Line | None, area: str | None, response: str) -> str:
    """Return the design-based figure of the newest week and how it compares."""
    subject, verb, shows = _SUBJECTS[response]
    where = start(index, area)
    if line is None or line["survey_estimate"] is None:
        return f"{where}, {subject} cannot be given for any week."
    found, word = records.raw(line), word_of(line)
    limits = f" {numbers.plain(found.bracket(line['ci_level']))}" if found.has_interval else ""
    said = {
        "rising": f"{verb} **rising**",
        "falling": f"{verb} **falling**",
        "no clear change": f"{shows} **no clear change**",
    }.get(word)
    size = f" ({numbers.plain(_shift_of(line))})" if _shift_of(line) else ""
    pronoun = "it" if response == SHARE else "they"
    change = f"{pronoun} {said}{size}" if said else "the change is **not known**"
    return (
        f"{where}, {subject} {verb} **{found.words}**{limits} in week {line['week']}; against the "
        f"week before, {change}."
    )


def _shift_of(line: Line) -> str:
    """Return the change from the week before with its interval; empty without one."""
    ends = [line[f"survey_change{end}"] for end in ("", "_low", "_high")]
    if any(one is None for one in ends) or line["ci_level"] is None:
        return ""
    is_share = line["response"] == SHARE
    amount, low, high = (signed(one if is_share else one - 1) for one in ends)
    unit = " points" if is_share else PERCENT
    level = numbers.level(line["ci_level"])
    return f"{amount}{unit}, {level} CI {low} to {high}{'' if is_share else unit}"


def _second(rates: Rates, area: str | None, response: str) -> str:
    """Return the smoothed trend as the second figure that it is."""
    line = records.latest(rates, response, area)
    named = "Second figure, the smoothed trend of the standardised rate"
    if line is None or line["level"] is None:
        return f"{named}: none can be given ({numbers.plain(why_none(line))})."
    level = records.level(line)
    return (
        f"{named}: **{level.words}** {numbers.plain(level.bracket(line['ci_level']))} in week "
        f"{line['week']}{_against(rates, line)}.{_outlook(rates, line)}"
    )


def _none(rates: Rates, area: str | None, response: str) -> str:
    """Return that the last weeks had trips and none of the fish; empty where they had some."""
    trips, weeks = records.empty_trips(rates, response, area)
    if not weeks:
        return ""
    when = "last week" if weeks == 1 else f"last {weeks} weeks"
    return f" {NONE[response]} in {numbers.count(trips, 'trip')} of the {when}."


def why_none(line: Line | None) -> str:
    """Return why there is no level."""
    return (line["reason"] if line else "") or "no week has a figure"


def _against(rates: Rates, line: Line) -> str:
    size = shift(rates, line, weeks=4)
    if not size or line["prob_increase_4_weeks"] is None:
        return "; there is no week four weeks before to compare with"
    said = numbers.plain(chance(line["prob_increase_4_weeks"]))
    return f", {numbers.plain(size)} against four weeks before; {said}"


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
    return f"{points} point{'' if points in ('+1', '−1') else 's'}"


def signed(part: float) -> str:
    """Return a proportion in percent with its sign, without the percent sign."""
    points = number(100 * part, place=0 if abs(part) >= 0.0095 else -1)
    is_none = not points.strip("−0.")
    return "0" if is_none else points if points.startswith("−") else f"+{points}"


def chance(rose: float) -> str:
    """Return the probability of a rise in words, such as ``a rise is very likely (94 %)``."""
    likelier = max(rose, 1 - rose)
    noun = "rise" if rose >= 0.5 else "fall"
    for least, word in _CHANCES:
        if likelier >= least:
            return f"a {noun} is {word} ({rounding.chance(likelier, almost=_SURELY)})"
    return f"a rise is about as likely as not ({rounding.chance(rose, almost=_SURELY)})"


def _outlook(rates: Rates, line: Line) -> str:
    found = records.ahead(rates, line["response"], line["area"])
    if not found:
        return ""
    levels = [records.level(one) for one in found]
    parts = [f"{one.words} {numbers.plain(one.bracket())}" for one in levels]
    weeks = [one["week"] for one in found]
    when = f"week {weeks[0]}" if len(weeks) == 1 else f"weeks {weeks[0]} to {weeks[-1]}"
    return f" If the trend continues, {when} would stand at {join_words(parts)}."


def rose_words(rose: float) -> str:
    """Return the probability of a rise in percent."""
    return rounding.chance(rose, almost=_SURELY)


# The table: the direction first, then three figures, changes and weeks ahead.

HEADS = (
    *("Area", "Against the week before", "Design-based", "Standardised rate"),
    *("Smoothed trend", "Trend over four weeks", "Ahead"),
)
#: Said of the design-based estimate where no week has an interval.
NEVER = "no interval: none is kept for this rate"
#: Part of a rate of all areas from which it is said that it is imputed for areas not fished.
MUCH_IMPUTED = 0.05
_NOT_HERE = "no figure this week"


def table(index: BulletinIndex, rates: Rates, areas: Sequence[str], *, response: str) -> str:
    """Return word, level, index, survey figure, moves and outlook of each area as HTML."""
    lines = [_line(index, rates, area, response) for area in domains(index, areas)]
    return html_tables.table(HEADS, lines)


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
            html_tables.amount(records.level(line), below=(f"week {line['week'][5:]}",)),
            _moved(rates, line),
            html_tables.small(*ahead, is_unbroken=True) or DASH,
        ]
    return html_tables.line(HEADS, head(index, area), inside, is_all=area is None)


def _word(line: Line | None) -> str:
    """Return the word of a change with its arrow."""
    word = word_of(line)
    return html_tables.bold(f"{ARROWS[word]} {word}", is_unbroken=True)


def _index(rates: Rates, response: str, area: str | None, week: str) -> str:
    line = records.index_of(rates, response, area, week)
    if line is None:
        return DASH + html_tables.small("closed" if week else "")
    found = numbers.of_line(line, "index", records.sort_of(response))
    below = _rests_on(line, response)
    if found.value is None:
        return DASH + html_tables.small(line["reason"] or _NOT_HERE, *below)
    return html_tables.amount(found, below=below)


def _rests_on(line: Line, response: str) -> list[str]:
    """Return what a rate is based on: trips, whether they had any of the fish, what was imputed."""
    trips, note, imputed = line["n_trips"], line.get("note") or "", line.get("imputed_prop") or 0.0
    is_none, found = line["survey_estimate"] == 0, []
    if trips and not (is_none and line["reason"]):  # that reason says it already
        some = f"{numbers.count(trips, 'trip')}{' with fish' if response == SHARE else ''}"
        found.append(f"{NONE[response].lower()} in {some}" if is_none else some)
    if trips and is_none and line["ci_low"] is not None:
        note = ""
    if imputed >= MUCH_IMPUTED:
        found.append(f"{percent(imputed)} imputed for areas not fished")
    return [*found, note]


def _raw(rates: Rates, response: str, area: str | None, week: str) -> str:
    """Return the survey's figure of a week as a cell."""
    line = records.index_of(rates, response, area, week)
    if line is None or line["survey_estimate"] is None:
        return DASH + html_tables.small(_NOT_HERE if week else "")
    found = records.raw(line)
    if records.is_too_wide(line):
        return found.words + html_tables.small(reasons.TOO_FEW)
    if found.has_interval:
        return html_tables.amount(found)
    why = "none seen, no interval"
    if found.value:
        lines = (one for (of, _), found in rates.index.items() if of == response for one in found)
        has_any = any(one["survey_low"] is not None for one in lines)
        why = "no interval: its error cannot be given" if has_any else NEVER
    return found.words + html_tables.small(why)


def _moved(rates: Rates, line: Line) -> str:
    """Return the moves over four weeks and since the week before as a cell."""
    size, rose = shift(rates, line, weeks=4), line["prob_increase_4_weeks"]
    first = f"{size} in four weeks" if size else "no week to compare with"
    chances = [] if rose is None else [f"chance of a rise: {rose_words(rose)}"]
    since = shift(rates, line, weeks=1)
    if since and line["prob_increase_1_weeks"] is not None:
        chances.append(
            f"{since} since the week before: {rose_words(line['prob_increase_1_weeks'])}"
        )
    return first + html_tables.small(*chances)
