"""A week in words: answer, key points, what to know first, the season beside past ones."""

from __future__ import annotations

import re
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from analytics.precision import Precision, number
from analytics.quantities import Status, capitalised
from analytics.revision_order import POOLING, REVISED
from analytics.units import day_words
from analytics.weeks import week_end
from analytics.wording import numbers, reasons
from analytics.wording.bulletin_index import area_sum, finite, in_words, last_known
from analytics.wording.bulletin_index import lines as lines_of
from analytics.wording.numbers import Measurement, NumberKind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.bulletin_index import BulletinIndex, Row, Stratum

EFFORT, MET, KEPT, SHARE, RATE = (
    "angler_trips",
    "encounter_fish",
    "kept_fish",
    "sublegal_prop",
    "encounters_per_angler_hour",
)
#: The five figures of the page, in order.
HEADLINE = (EFFORT, MET, KEPT, SHARE, RATE)

_NO_COMPARISON = {
    "not known": "how that compares with the week before is not known",
    "not comparable": "the week before had other open days, so its totals are not compared",
}


def week_answer(index: BulletinIndex, *, area: str | None, week: str, when: str = "") -> str:
    """Return the week of one area, or of all areas together, in one sentence (Markdown).

    `when` names the week; its code does where it is empty.
    """
    met, effort = index.row(area, week, MET), index.row(area, week, EFFORT)
    where = "over all areas" if area is None else f"in {numbers.plain(index.name(area))}"
    start = f"In {when or f'week {week}'}, {where}{_left_out(met, effort)},"
    if met is None and effort is None:
        return f"{start} there was no open day and no sample, so there is nothing to report."
    if effort is None or effort.estimate is None:
        return f"{start} {_without_totals(index, area=area, week=week)}"
    return _once(
        f"{start} anglers made **{numbers.value(effort)}** trips {_limits(effort, full=True)}, "
        f"{_number('met', met, of=' Chinook')}, {_number('kept', index.row(area, week, KEPT))} "
        f"and {_share(index.row(area, week, SHARE))}; "
        f"{_against(index, area=area, week=week)}."
    )


def headline_sums(index: BulletinIndex, *, areas: Sequence[str], week: str) -> list[Row | None]:
    """Return the five figures over several areas together, each None where there is no sum."""
    return [area_sum(index, areas, week, name) for name in HEADLINE]


def week_answer_by_area(index: BulletinIndex, *, areas: Sequence[str], week: str) -> str:
    """Return the encounters of several areas in one sentence, with their sum where there is one."""
    parts = [
        f"{numbers.plain(index.name(area))} {_met(index.row(area, week, MET))}" for area in areas
    ]
    together = area_sum(index, areas, week, MET)
    tail = f"Together: {_met(together)}."
    if together is None:
        tail = "The bulletin has no sum over these areas, so none is shown."
    return _once(f"In week {week} the Chinook met were, by area: {'; '.join(parts)}. {tail}")


def _once(words: str) -> str:
    """Return a sentence that gives each reason for a lacking interval once."""
    for reason in dict.fromkeys(re.findall(rf"\((?:no interval: .+?|{reasons.TOO_FEW})\)", words)):
        first, _, rest = words.partition(reason)
        words = first + reason + rest.replace(reason, f"({reasons.brief(reason.strip('()'))})")
    return words


def _without_totals(index: BulletinIndex, *, area: str | None, week: str) -> str:
    met, rate = index.row(area, week, MET), index.row(area, week, RATE)
    share = index.row(area, week, SHARE)
    if rate is None or rate.estimate is None:
        return f"there is no estimate: {_why(met)}."
    parts = [
        f"anglers met **{numbers.value(rate)}** Chinook per angler-hour {_limits(rate, full=True)}"
    ]
    if share is not None and share.estimate is not None:
        parts.append(_share(share))
    return f"{' and '.join(parts)}; totals cannot be given ({_why(met)})."


def _why(row: Row | None) -> str:
    return numbers.plain(reasons.why_no_estimate(row))


def _left_out(*rows: Row | None) -> str:
    """Return what the figures are without, in commas; empty where nothing is left out."""
    words = dict.fromkeys(found for row in rows if (found := reasons.left_out(row)))
    return "".join(f", {numbers.plain(one)}" for one in words)


def _number(verb: str, row: Row | None, *, of: str = "") -> str:
    if row is None or row.estimate is None:
        return f"{verb} an unknown number{of and ' of' + of} ({_why(row)})"
    return f"{verb} **{numbers.value(row)}**{of} {_limits(row)}"


def _limits(row: Row, *, full: bool = False) -> str:
    """Return the interval in brackets, with the caution that the error calls for."""
    words = numbers.bracket(row, full=full)
    if not reasons.is_useful(row):
        return words
    if row.precision in (Precision.CAUTION, Precision.WITHHELD):
        return f"{words[:-1]}; {reasons.precision(row)}, {row.precision})"
    return f"{words[:-1]}; {Precision.CAUTION})" if reasons.is_wide(row) else words


def _share(row: Row | None) -> str:
    if row is None or row.estimate is None:
        return f"the sublegal share is not known ({_why(row)})"
    return f"**{numbers.value(row)}** of the fish met were sublegal {_limits(row)}"


def _met(row: Row | None) -> str:
    if row is None or row.estimate is None:
        return _why(row)
    return f"**{numbers.value(row)}** {_limits(row, full=True)}"


def _against(index: BulletinIndex, *, area: str | None, week: str) -> str:
    changes = [index.change(area, week, name) for name in (EFFORT, MET)]
    if changes == [None, None]:
        return "there is no open week just before to compare with"
    effort, met = (numbers.change_word(one) for one in changes)
    if effort == met:
        if met in _NO_COMPARISON:
            return _NO_COMPARISON[met]
        return f"against the week before, {_verb('effort and encounters', met, many=True)}"
    both = (_verb("effort", effort), _verb("encounters", met, many=True))
    return f"against the week before, {both[0]} and {both[1]}"


def _verb(subject: str, word: str, *, many: bool = False) -> str:
    if word == "no clear change":
        return f"{subject} {'show' if many else 'shows'} no clear change"
    if word == "not known":
        return f"the change in {subject} is not known"
    if word == "not comparable":
        return f"{subject} cannot be compared, because it had other open days"
    return f"{subject} {'are' if many else 'is'} {word}"


# What to know before using the figures: thin samples, findings, and the words explained.

#: What simulations showed of the intervals (analytics/docs/validation.md).
COVERAGE = (
    "Area-by-week intervals rest on few site-days; in five simulated fisheries they contained the "
    "truth in 94 to 98 of 100 cases."
)
_SPANS = {"Mon–Fri": "weekday", "Sat–Sun": "weekend", "Mon–Sun": "all"}
_WEAK = (Status.COLLAPSED, Status.IMPUTED, Status.NO_SAMPLE, Status.NO_DESIGN)


def finding_notes(index: BulletinIndex) -> list[str]:
    """Return the findings of a bulletin as plain lines, equal ones counted once."""
    lines: dict[str, int] = {}
    for one in index.findings:
        where = (one["table"] or "").replace("_", "-")
        seen = in_words(one["seen"], index)
        words = f"{one['severity'].capitalize()}, {where}: {seen}"
        words += f"; allowed: {in_words(one['allowed'], index)}" if one["allowed"] else ""
        advice = in_words(one["advice"], index)
        words += f". {capitalised(advice)}" if advice else ""
        lines[words] = lines.get(words, 0) + 1
    return [f"{words} ({count} times)" if count > 1 else words for words, count in lines.items()]


def thin_notes(index: BulletinIndex, *, areas: Sequence[str], week: str) -> list[str]:
    """Return a plain sentence for each area whose figures of an ISO week rest on very little."""
    found = [_thin_note(index, area, week) for area in areas]
    return [note for note in found if note]


def _thin_note(index: BulletinIndex, area: str, week: str) -> str:
    """Return on how little the figures of an area rest; empty where that is enough."""
    known = _estimated(index, (area,), week)
    interviews = [row.n_interviews for row in known if row.n_interviews is not None]
    if interviews and not max(interviews):
        start = f"In week {week}, no boat that was interviewed had fished in {index.name(area)}"
        if any(row.estimate for row in known):
            return f"{start}: its figures come from other weeks and are unreliable."
        return f"{start}: its figures are 0, and a few boats may have been missed."
    on = " and ".join(_thinness(known, interviews))
    start = f"In week {week}, the figures of {index.name(area)} rest on {on}"
    return f"{start}: they and their intervals are unreliable." if on else ""


def _thinness(known: Sequence[Row], interviews: Sequence[int]) -> list[str]:
    freedom = [
        row.df
        for row in known
        if row.df is not None and row.has_interval and row.status != Status.CENSUS
    ]
    little = []
    if interviews and max(interviews) < reasons.FEW_INTERVIEWS:
        little.append(numbers.count(max(interviews), "interview"))
    if freedom and min(freedom) <= reasons.FEW_DF:
        few = number(min(freedom), place=0)
        little.append(f"{few} degree{'' if few == '1' else 's'} of freedom")
    return little


def has_marks(index: BulletinIndex, *, areas: Sequence[str | None], week: str) -> bool:
    """Return whether a shown figure of a week carries a caution."""
    return any(reasons.caution(row)[0] for row in _estimated(index, areas, week))


def _estimated(index: BulletinIndex, areas: Sequence[str | None], week: str) -> list[Row]:
    rows = [index.row(area, week, name) for area in areas for name in HEADLINE]
    return [row for row in rows if row is not None and row.estimate is not None]


def strata_notes(index: BulletinIndex, *, areas: Sequence[str], week: str) -> list[str]:
    """Return a plain sentence for each thin, imputed or partly missing stratum of an ISO week.

    Strata of every landing area are given, because fish are landed in other areas than they were
    caught in; those of the chosen areas come first.
    """
    chosen = [one for one in index.strata if one.week == week]
    chosen.sort(key=lambda one: one.landing_area not in areas)
    return [note for one in chosen for note in _stratum_notes(index, one)]


def span(one: Stratum) -> str:
    """Return the days of a stratum in words, such as ``weekday``; a user's own name in quotes."""
    days = (one.stratum or "").removeprefix(f"{one.week} ")
    if days == one.stratum:
        return f"“{one.stratum}”"
    return _SPANS.get(days, days)


def _stratum_notes(index: BulletinIndex, one: Stratum) -> list[str]:
    where = f"In week {one.week}, {span(one)} landings at {index.name(one.landing_area)}"
    rule = in_words(one.rule, index)
    tail = f" ({rule})" if rule else ""
    sampled, frame = one.n_psu or 0, one.n_psu_frame or 0
    notes = []
    if one.status in _WEAK and sampled == 0:
        filled = "are filled in" if one.status == Status.IMPUTED else "have no estimate"
        of = numbers.count(frame, "site-day")
        notes.append(f"{where} were not sampled on any of {of} and {filled}{tail}.")
    elif sampled == 1 and frame > 1:
        notes.append(f"{where} rest on one site-day of {frame}{tail}.")
    elif rule:
        notes.append(f"{where}: {rule}.")
    if one.n_missing_psu:
        missing = numbers.count(one.n_missing_psu, "site-day")
        notes.append(f"{where} have {missing} missing: boats returned and nobody was interviewed.")
    return notes


def caution(what: str) -> str:
    """Return who decides, for the foot of a page or document."""
    return (
        f"This {what} informs; it decides nothing. Local rules, the agency in charge and licensed "
        "practice decide what is open and what may be kept."
    )


#: What winter water does, for the foot of pages.
COLD_WATER = (
    "Winter water is cold: about 1 minute to get the breath under control, 10 minutes of useful "
    "movement, 1 hour before unconsciousness (the 1-10-1 rule). Wear the life jacket; stay ashore"
    " when in doubt."
)

# Where reported and sampled encounters differ by more than chance.

#: What the released fish of a basis stand on.
_FISH = {
    "reported": "as reported in interviews",
    "sampled": "from legal marked fish at the composition of test fishing",
}


def fish_words(basis: str) -> str:
    """Return what the released fish of a basis stand on; empty where a bulletin mixes the two."""
    return _FISH.get(basis, "")


def basis_ratios(index: BulletinIndex, week: str | None) -> dict[str | None, dict[str, Any]]:
    """Return sampled over reported encounters by area where the interval excludes 1.

    Of a week, None of the season so far.
    """
    lines = map(finite, index.bulletin.table("composition_ratio").to_pylist())
    return {
        line["area"]: line
        for line in lines
        if line["week"] == week
        and line["quantity"] == MET
        and None not in (line["ratio"], line["ci_low"], line["ci_high"])
        and not line["ci_low"] <= 1 <= line["ci_high"]
    }


def bases_apart_in_week(index: BulletinIndex, *, areas: Sequence[str | None], week: str) -> str:
    """Return a sentence that names where the two differ in a week; empty where they do not."""
    found = basis_ratios(index, week)
    parts = [_apart(index, area, found[area]) for area in areas if area in found]
    if not parts:
        return ""
    return f"Reported and sampled encounters of week {week} do not agree {'; '.join(parts)}. "


def bases_apart_in_season(index: BulletinIndex, *, areas: Sequence[str | None]) -> list[str]:
    """Return a sentence for each domain of the season in which the two differ."""
    found = basis_ratios(index, None)
    return [
        f"Reported and sampled encounters do not agree {_apart(index, area, found[area])}."
        for area in areas
        if area in found
    ]


def _apart(index: BulletinIndex, area: str | None, line: dict[str, Any]) -> str:
    where = "over all areas" if area is None else f"in {numbers.plain(index.name(area))}"
    level = f"{100 * line['ci_level']:g} % interval"
    ends = f"{line['ci_low']:.2f} to {line['ci_high']:.2f}"
    return f"{where} (sampled ÷ reported **{line['ratio']:.2f}**, {level} {ends})"


# A season against past ones by the same week.

Line = dict[str, Any]


_VERDICTS = {
    "above": "stronger than past ones",
    "below": "weaker than past ones",
    "alike": "not clearly different from past ones",
    "unknown": "of unknown strength",
}


def last_strength(lines: Sequence[Line]) -> Line | None:
    """Return the last week's comparison with past seasons, of those with a ratio if any has.

    `lines` are those of one area in the table ``run_strength``, in order of their weeks.
    """
    return last_known(lines, "ratio")


def strength_answer(line: Line | None) -> str:
    """Return how strong the season is, as the rest of a sentence that names an area (Markdown)."""
    if line is None or line["ratio"] is None:
        return f"the strength of this season cannot be given ({numbers.plain(why_no_ratio(line))})."
    ratio = numbers.of_line(line, "ratio", NumberKind.RATIO)
    past = numbers.count(line["n_past"] or 0, "past season")
    return (
        f"this season is **{verdict(line)}**: through week {line['week']} standardised encounters "
        f"are **{ratio.words} times** {numbers.plain(ratio.bracket(line['ci_level']))} those of "
        f"{past} by the same week{_envelope(line)}."
    )


def why_no_ratio(line: Line | None) -> str:
    """Return why a season cannot be compared with past ones."""
    return (line["reason"] if line else "") or "no week has a figure"


def verdict(line: Line) -> str:
    """Return whether a season is stronger or weaker than the past, by its interval."""
    return _VERDICTS[strength_side(line)]


def strength_side(line: Line | None) -> str:
    """Return ``above``, ``below`` or ``alike`` by the interval of the ratio, or ``unknown``."""
    low, high = (None, None) if line is None else (line["ci_low"], line["ci_high"])
    if low is None or high is None:
        return "unknown"
    return "above" if low > 1 else "below" if high < 1 else "alike"


def _envelope(line: Line) -> str:
    low, high = line["past_low"], line["past_high"]
    if low is None or high is None:
        return ""
    ratio = line["ratio"]
    side = "above them all" if ratio > high else "below them all" if ratio < low else "among them"
    shown = Measurement(ratio, low, high, NumberKind.RATIO)
    ends = f"from {shown.shown(low)} to {shown.shown(high)} of their mean"
    return f"; past ones ranged {ends}: it is {side}"


def season_strength(index: BulletinIndex) -> Line | None:
    """Return the comparison of a bulletin's season with past ones, over all areas."""
    mine = [
        line
        for line in lines_of(index, "run_strength")
        if line["season"] == index.card.season and line["area"] is None
    ]
    return last_strength(sorted(mine, key=lambda line: line["week"] or ""))


# The key points of a bulletin.


class Topic(StrEnum):
    """What a key point is about."""

    WEEK = "week"
    TO_DATE = "to_date"
    CHANGE = "change"
    STRENGTH = "strength"
    REVISED = "revised"


def key_points(index: BulletinIndex) -> dict[Topic, str]:
    """Return three to five sentences by topic, each dated and with its interval (Markdown)."""
    last = index.card.through
    when = f"the week of {numbers.week_dates(last)}"
    found = {
        Topic.WEEK: week_answer(index, area=None, week=last, when=when),
        Topic.TO_DATE: _to_date(index),
        Topic.CHANGE: _widest_change(index),
        Topic.STRENGTH: f"Over all areas, {strength_answer(season_strength(index))}",
        Topic.REVISED: _revised(index),
    }
    return {topic: words for topic, words in found.items() if words}


def _to_date(index: BulletinIndex) -> str:
    """Return the season so far in a sentence."""
    names = {KEPT: "Chinook kept", MET: "met", "total_deaths_fish": "dead, fish kept included"}
    rows = {name: index.row(None, None, name) for name in names}
    said = [
        f"**{numbers.value(row)}** {names[name]} "
        f"{numbers.plain(numbers.bracket(row, full=name == KEPT))}"
        for name, row in rows.items()
        if row is not None and row.estimate is not None
    ]
    if rows[KEPT] is None:
        return ""
    start = f"The season through {day_words(week_end(index.card.through))}"
    if not said:
        return f"{start} has no totals: {numbers.plain(reasons.why_no_estimate(rows[KEPT]))}."
    return f"{start}: {', '.join(said)}."


def _widest_change(index: BulletinIndex) -> str:
    """Return the areas whose encounters rose or fell clearly against the week before."""
    found = dict[str, list[str]]()
    for area in index.areas:
        change = index.change(area, index.card.through, MET)
        word = numbers.change_word(change)
        if word in ("rising", "falling"):
            words = numbers.change(change).partition(": ")[2]
            name = f"{numbers.plain(index.name(area))} ({numbers.plain(words)})"
            found.setdefault(word, []).append(name)
    if not found:
        return ""
    parts = [f"**{word}** in {'; '.join(names)}" for word, names in found.items()]
    return f"By area, against the week before, encounters are {', and '.join(parts)}."


def next_release(index: BulletinIndex) -> str:
    """Return when the next bulletin comes, where the imprint does not say."""
    if not index.card.preliminary:
        return "none planned: the season is over; late data would bring one"
    return "once the data of the week after are in"


def _revised(index: BulletinIndex) -> str:
    """Return how many figures of the bulletin before were revised, why, and how far.

    What pooling alone moved, by less than a standard error, is no key point.
    """
    revised = [line for line in lines_of(index, "revisions") if line["kind"] == REVISED]
    late = [line for line in revised if line.get("effect") != POOLING]
    far = sum(abs(line["change_in_se"] or 0.0) > 1 for line in revised)
    if not late and not far:
        return ""
    why = "late data" if late else "data of other weeks alone, from which thin strata borrow,"
    many = ", **one** of them" if far == 1 else f", **{far:,}** of them"
    return (
        f"Since bulletin {numbers.plain(index.card.since)}, {why} revised "
        f"{numbers.count(len(revised), 'figure')} of earlier weeks{many if far else ', **none**'} "
        "by more than a standard error."
    )
