"""The sentences of Local waters, each by the catalogue: short words for people who fish.

Numbers, dates and weekdays follow the language too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from babel import dates as babel_dates
from babel import lists as babel_lists
from babel import numbers as babel_numbers

from analytics.codes import exclude, sentences
from analytics.data.calendar import weekday_words
from analytics.units import DEFAULT_UNITS, DateOrder, Length, Units, at_least, beside
from analytics.wording import reasons
from analytics.wording.bulletin_index import monday
from analytics.wording.limits import LimitState
from analytics.wording.numbers import plain
from analytics.wording.regulations import OpenState
from dashboard.catalogue import phrase, say
from dashboard.charts.drawing import Point
from dashboard.local_waters.facts import MOST_LIMITS, figure, is_closed

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from analytics.wording.bulletin_index import BulletinIndex, Row
    from analytics.wording.regulations import AreaRules, Opening
    from dashboard.local_waters.facts import LimitFact, LocalFacts

#: From these chances on it is said how sure the trend is (our choice, no source).
_SURE, _LIKELY = 0.95, 0.8
#: Under this a figure of one decimal would read 0.0, and one of ten 0.
_LEAST = 0.05
#: Why something is not known, by codes of the registry, in short words for people who fish; other
#: codes have their sentence there, in English.
_WHY = {
    "closed": phrase("the area is closed"),
    "areas_never_open": phrase("no area of it opens this season"),
    "few_weeks_before": phrase("the season has too few weeks behind it"),
    "few_weeks_with_error": phrase("too few weeks have a sure figure"),
    "no_complete_trip": phrase("no boat was asked at the end of a trip"),
    "no_fish_in_trips": phrase("no boat that was asked had met a fish"),
    "no_interview": phrase("no boat was asked"),
    "no_response": phrase("no boat gave this number"),
    "no_site_day": phrase("no ramp was visited"),
    "no_site_day_of_area": phrase("no ramp where its boats land was visited"),
    "no_totals_from_convenience": phrase(
        "boats were asked where it was handy, so all fish cannot be counted up"
    ),
    "convenience_only": phrase(
        "boats were asked where it was handy, so all fish cannot be counted up"
    ),
    "nothing_to_come": phrase("too little is known of the trips to come"),
    "quantity_not_projected": phrase("this count is not carried on to the end of the season"),
    "reports_projected_alone": phrase("this count is not carried on to the end of the season"),
}
#: Codes that lead to a reason and are none.
_LEADING = ("no_outlook", "missing_in")
#: Days of a week from Monday on, as babel counts them.
_WEEK = range(7)


@dataclass(frozen=True, slots=True, eq=False)
class Words:
    """Numbers, dates and lengths in a language and in the units of the reader."""

    language: str
    units: Units = DEFAULT_UNITS

    def number(self, value: float, digits: int = 0, *, is_fixed: bool = True) -> str:
        """Return a number as the language writes it, with so many decimals, or at most so many."""
        form = "#,##0" + ("." + "#0"[is_fixed] * digits if digits else "")
        return str(babel_numbers.format_decimal(round(value, digits), form, locale=self.language))

    def rough(self, value: float) -> str:
        """Return a number as people say it: one decimal under two, whole under ten, two digits."""
        if value < 2:
            return self.number(value, 1)
        place = min(1 - math.floor(math.log10(value)), 0)
        return self.number(round(value, place))

    def day(self, day: date, *, with_year: bool = False) -> str:
        """Return a day in the reader's order, such as ``30 April``."""
        if self.units.dates is DateOrder.YMD:
            return day.isoformat()
        is_month_first = self.units.dates is DateOrder.MDY
        form = say("MMMM d") if is_month_first else say("d MMMM")
        if with_year:
            form = say("MMMM d, y") if is_month_first else say("d MMMM y")
        return str(babel_dates.format_date(day, form, locale=self.language))

    def weekday(self, day: date) -> str:
        """Return a day with its weekday and year."""
        name = babel_dates.format_date(day, "EEEE", locale=self.language)
        return say("{weekday}, {day}", weekday=name, day=self.day(day, with_year=True))

    def weekdays(self, digits: str) -> str:
        """Return weekday digits in words, runs joined."""
        names = babel_dates.get_day_names("abbreviated", locale=self.language)
        return weekday_words(digits, [str(names[day]).rstrip(".") for day in _WEEK])

    def least_length(self, mm: float) -> str:
        """Return a minimum length in the reader's unit, then in inches, or in cm beside inches."""
        first = self.units.length
        return f"{self._least(mm, first)} ({self._least(mm, beside(first))})"

    def _least(self, mm: float, unit: Length) -> str:
        name = say("in") if unit is Length.IN else str(unit)
        return f"{self.number(at_least(mm, unit), 1, is_fixed=False)}\u00a0{name}"

    def join(self, names: Sequence[str]) -> str:
        """Return names joined as the language lists them."""
        return str(babel_lists.format_list(list(names), locale=self.language))


def week_words(words: Words, week: str) -> str:
    """Return the days of a week."""
    first = monday(week)
    last = first + timedelta(days=6)
    return say("{first} to {last}", first=words.day(first), last=words.day(last))


def lately(words: Words, facts: LocalFacts, name: str) -> str:
    """Return what fishing was like lately, the answer of the page (Markdown)."""
    if facts.week is None or facts.met is None:
        return say(
            "There is no figure for **{area}** yet: {why}.", area=plain(name), why=_no_figure(facts)
        )
    parts = [
        say(
            "In **{area}** an angler met about **{met}** Chinook a trip in the week of {week}"
            "{range}.",
            area=plain(name),
            met=words.number(facts.met.estimate or 0.0, 1),
            week=week_words(words, facts.week),
            range=_range(words, facts.met),
        )
    ]
    if facts.kept is not None:
        parts.append(_kept(words, facts.kept.estimate or 0.0))
    if facts.small is not None:
        parts.append(_small(words, facts.small.estimate or 0.0))
    if facts.kept_a_day is not None and facts.kept_a_day >= _LEAST:
        fish = words.rough(facts.kept_a_day)
        parts.append(say("All boats there kept about {fish} Chinook an open day.", fish=fish))
    if reasons.caution(facts.met)[0]:
        parts.append(say("Few boats were asked, so take this with care."))
    if facts.later is not None:
        why = say("the area was closed") if facts.was_closed else say("too few boats were asked")
        later = week_words(words, facts.later)
        parts.append(say("The week of {week} has no figure: {why}.", week=later, why=why))
    return " ".join(parts)


def _kept(words: Words, a_trip: float) -> str:
    if not a_trip:
        return say("The boats asked kept none.")
    if a_trip < _LEAST:
        return say("Fewer than {least} a trip were kept.", least=words.number(2 * _LEAST, 1))
    return say("About {kept} a trip were kept.", kept=words.number(a_trip, 1))


def _small(words: Words, share: float) -> str:
    if share < _LEAST:
        return say("Hardly any Chinook met were too small to keep.")
    if share > 1 - _LEAST:
        return say("Nearly all Chinook met were too small to keep.")
    small = words.number(10 * share)
    return say("Of ten Chinook met, {small} were too small to keep.", small=small)


def _no_figure(facts: LocalFacts) -> str:
    """Return why no week has a figure that anglers are shown."""
    if facts.is_unopened:
        return say("the area was closed")
    return say("no boat was asked") if facts.is_unsampled else say("too few boats were asked")


def _why(codes: str) -> str:
    """Return the reasons of a cell of codes in short words; empty where it gives none."""
    found = exclude(codes, _LEADING)
    return "; ".join(map(say, reasons.in_short(found, _WHY))) or sentences(found)


def _range(words: Words, row: Row) -> str:
    if row.ci_low is None or row.ci_high is None:
        return ""
    low, high = words.number(row.ci_low, 1), words.number(row.ci_high, 1)
    return say(" (likely {low} to {high})", low=low, high=high)


def trend(words: Words, facts: LocalFacts) -> str:
    """Return whether it is getting better: one word, then how sure (Markdown)."""
    answers = {"rising": say("Yes"), "falling": say("No"), "no_clear_change": say("Unclear")}
    chance = facts.chance
    if facts.direction not in answers or chance is None:
        why = _why(facts.no_trend) or say("this bulletin gives no trend of the area")
        return say("**Is it getting better?** Not known: {why}.", why=plain(why))
    if max(chance, 1 - chance) >= _SURE:
        sure = say("We are quite sure.")
    elif max(chance, 1 - chance) >= _LIKELY and facts.direction != "no_clear_change":
        sure = say("We are fairly sure.")
    else:
        sure = say("It is too close to call.")
    return say(
        "**Is it getting better?** {answer}. {sure} We look back four weeks.",
        answer=answers[facts.direction],
        sure=sure,
    )


def points(words: Words, index: BulletinIndex, places: Sequence[tuple[str, str]]) -> list[Point]:
    """Return the points of the small figure, one an area and week."""
    found = []
    for at, (area, week) in enumerate(places):
        known = figure(index, area, week)
        if known is None or known.estimate is None:
            is_shut = is_closed(index, area, week)
            why = say("closed") if is_shut else say("too few boats asked")
            found.append(Point(at, None, words=why))
            continue
        number = words.number(known.estimate, 1)
        said = say("{number} Chinook a trip", number=number) + _range(words, known)
        found.append(Point(at, known.estimate, known.ci_low, known.ci_high, said))
    return found


# What may be kept.


def open_words(words: Words, rules: AreaRules) -> str:
    """Return whether an area is open on the day the rules are said for (Markdown)."""
    day = words.weekday(rules.day)
    if rules.state is OpenState.OPEN:
        return say("**Open** on {day}.", day=day)
    if rules.next_open is not None:
        opens = words.weekday(rules.next_open)
        return say("**Closed** on {day}. It opens on {opens}.", day=day, opens=opens)
    if rules.state is OpenState.OVER and rules.season_last_day is not None:
        last = words.day(rules.season_last_day)
        return say("**Closed.** The season ended on {last}.", last=last)
    if rules.state is OpenState.OVER:
        return say("**Closed.** The season is over.")
    return say("This bulletin has no rules for the area.")


def keep_lines(words: Words, rules: AreaRules) -> list[tuple[str, str]]:
    """Return what may be kept as names with values; none where the season is over."""
    if rules.opening is None or rules.state is OpenState.OVER:
        return []
    opening = rules.opening
    found = [(say("Open days"), _days(words, opening))]
    if rules.last_day is not None:
        found.append((say("Last day"), words.day(rules.last_day)))
    if opening.daily_limit_fish is not None:
        limit = words.number(opening.daily_limit_fish)
        found.append((say("Daily limit"), say("{limit} Chinook an angler", limit=limit)))
    if opening.min_length_mm is not None:
        found.append((say("Smallest fish"), words.least_length(opening.min_length_mm)))
    if opening.mark_selective is not None:
        marked = (
            say("only fish with a clipped fin") if opening.mark_selective else say("clipped or not")
        )
        found.append((say("Which fish"), marked))
    return found


def _days(words: Words, opening: Opening) -> str:
    is_daily = len(set(opening.open_weekdays)) == 7
    return say("every day") if is_daily else words.weekdays(opening.open_weekdays)


def check_rules(*, has_bulletin: bool = True) -> str:
    """Return the caution that goes with rules (Markdown)."""
    if not has_bulletin:
        return say("**Check the official rules before you go.** They can change at any time.")
    return say(
        "**Check the official rules before you go.** They can change after this bulletin was made."
    )


# Limits, usual dates.


def limit_lines(words: Words, index: BulletinIndex, facts: LocalFacts) -> list[str]:
    """Return how near the limits of an area are, a line each (Markdown)."""
    if not facts.limits:
        return [say("No limit is set for this area.")]
    return [_limit(words, index, one) for one in facts.limits[:MOST_LIMITS]]


def _limit(words: Words, index: BulletinIndex, one: LimitFact) -> str:
    states = {
        LimitState.EXCEEDED: say("over the limit"),
        LimitState.NEAR: say("likely to be reached"),
        LimitState.WATCH: say("may be reached"),
        LimitState.WELL_BELOW: say("well below"),
        LimitState.STAYED_BELOW: say("stayed below the limit"),
        LimitState.UNSURE: say("perhaps over the limit"),
        LimitState.UNKNOWN: say("not known"),
    }
    every = set(index.areas) <= set(one.areas)
    where = say("all areas") if every else words.join([index.name(area) for area in one.areas])
    line = f"**{_counted(words, one)}**, {plain(where)}: {states[one.state]}"
    if why := _why(one.why):
        line += f" ({plain(why)})"
    if one.reached is not None:
        line += say(" about {day}", day=words.day(one.reached))
    if one.used is not None:
        used = words.number(100 * one.used)
        of_season = say("; {used} % used in all", used=used)
        line += of_season if one.is_final else say("; {used} % used so far", used=used)
    return line + "."


def _counted(words: Words, one: LimitFact) -> str:
    """Return what a limit counts, in few words."""
    names: dict[tuple[str, ...], str] = {
        ("kept_fish",): say("Fish kept"),
        ("encounter_fish",): say("Fish met"),
        ("released_sublegal_fish",): say("Small fish let go"),
        ("released_fish",): say("Fish let go"),
        ("total_deaths_fish",): say("Fish that die"),
    }
    if all(name.endswith("_unmarked_fish") for name in one.quantities):
        return say("Unclipped fish met")
    return names.get(one.quantities, say("Fish counted"))


def usual(words: Words, facts: LocalFacts) -> str:
    """Return when the fish usually come (Markdown)."""
    if facts.usual is None:
        return say("Past seasons cannot tell yet when the fish come to this area.")
    n, half, most = facts.usual
    return say(
        "Half of a season's fish had come by about **{half}**, and three in four by {most}. This "
        "is the middle of {n} past seasons.",
        half=words.day(half),
        most=words.day(most),
        n=words.number(n),
    )


# Care for fish and people.


def release_lines() -> list[str]:
    """Return how to let a fish go well (Markdown)."""
    return [
        say("Most Chinook met in winter are young fish that stay to feed. They can grow up."),
        say("Keep the fish in the water. Do not lift it by the line or the gills."),
        say("Use single hooks without barbs. Turn them out with a tool."),
        say("If the hook is deep, cut the line. Do not dig for it."),
        say("Tell the sampler how many fish you let go, and how large they were."),
    ]


def release_source() -> str:
    """Return where the advice comes from."""
    return say(
        "The advice is common practice, no source. Hooks in the gills kill most: 82 of 100 fish "
        "died, against 2 of 100 hooked in the jaw (Lindsay et al. 2004, “Hooking mortality by "
        "anatomical location and its use in estimating mortality of spring Chinook salmon caught "
        "and released in a river sport fishery”)."
    )


def care_lines() -> list[str]:
    """Return cautions about cold water and eating, which point to the authorities (Markdown)."""
    return [
        say(
            "**Cold water kills fast.** Wear a life jacket. Ask the local weather and rescue "
            "services first. If in doubt, stay on land."
        ),
        say(
            "**Eating fish.** Ask your local health office how much fish from here is safe to "
            "eat. This matters most for children and during pregnancy."
        ),
    ]


def no_regulation(*, has_bulletin: bool = True) -> str:
    """Return what the page is not."""
    if not has_bulletin:
        return say("This page is no regulation. The rules of the agency in charge decide.")
    return say(
        "This page is no regulation. Its figures come from talks with anglers at the ramps, and "
        "they can be wrong. The rules of the agency in charge decide."
    )


# What is said where something is wrong, and what the tools of the page are called.


def no_bulletin() -> str:
    """Return that there are rules, and no bulletin yet (Markdown)."""
    return say(
        "There is no bulletin yet, so nothing can be said of the fishing. Here is when each area "
        "is open, and what you may keep."
    )


def nothing() -> str:
    """Return that there is no bulletin."""
    return say("There is no bulletin to show yet. Come back when the first one is made.")


def unreadable() -> str:
    """Return that the bulletins cannot be read."""
    return say(
        "The bulletins cannot be read now. Nothing was changed; please say so to whoever runs this "
        "page."
    )


def left_out(words: Words, n: int) -> str:
    """Return that bulletins are left out."""
    return say("Bulletins left out because they cannot be read: {n}.", n=words.number(n))


def unmet(wishes: Sequence[tuple[str, str | None]]) -> str:
    """Return what a link asked for that cannot be had."""
    kinds = {
        "season": say("season"),
        "bulletin": say("bulletin"),
        "area": say("area"),
        "lang": say("language"),
        "units": say("units"),
    }
    asked = [f"{kinds.get(key, key)} {value or ''}".strip() for key, value in wishes]
    return say(
        "The link asks for what is not here: {asked}. What is shown in its place stands in the "
        "fields.",
        asked="; ".join(asked),
    )
