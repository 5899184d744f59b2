"""What the page Today shows: words with the link that each opens, and the same as HTML.

Limits and areas are tables whose lines open pages; points and facts are lists.
"""

from __future__ import annotations

from dataclasses import dataclass
from textwrap import shorten
from typing import TYPE_CHECKING, Any

from jinja2 import DictLoader, Environment

from analytics.bulletin.notes import last_note
from analytics.catch_limits import join_words
from analytics.documents.blocks import read_imprint, runs
from analytics.errors import BlackmouthError, StoreError, UsageError
from analytics.people import Action
from analytics.precision import DASH, chance
from analytics.quantities import Status
from analytics.units import day_words, short_day
from analytics.wording import limits, numbers, regulations
from analytics.wording.regulations import OpenState
from analytics.wording.week import EFFORT, Topic, key_points, next_release, span
from dashboard import data, filters, notices, people, store_access
from dashboard.catalogue import phrase, say, say_n
from dashboard.pages import link_to

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from markupsafe import Markup

    from analytics.units import Units
    from analytics.wording.limits import Line, Standings
    from analytics.wording.regulations import AreaRules
    from dashboard.filters import Choice


#: How many limits have a line of their own; the one that is reached first stands on top.
MOST_LIMITS = 8
#: Characters of the analyst's note that the page shows; the whole note stands on the week's page.
LONGEST_NOTE = 160
#: The page that each key point opens, and what it is called there.
_PAGES = {
    Topic.WEEK: ("week", phrase("The week")),
    Topic.TO_DATE: ("released", phrase("The season so far")),
    Topic.CHANGE: ("week", phrase("Against the week before")),
    Topic.STRENGTH: ("seasonal_pattern", phrase("Against past seasons")),
    Topic.REVISED: ("revisions", phrase("Revised")),
}

#: What strata count of a week: site-days sampled and of the frame, interviews, site-days missing.
_COUNTED = ("n_psu", "n_psu_frame", "n_interviews", "n_missing_psu")

#: The choices that every link keeps, by their names in it.
Kept = dict[str, list[str]]


@dataclass(frozen=True, slots=True)
class LimitLine:
    """A limit in a line: its state as code and words, its figures in words, its page."""

    state: str
    words: str
    limit: str
    used: str
    chance: str
    reached: str
    link: str


@dataclass(frozen=True, slots=True)
class AreaLine:
    """An area in a line: when it is open, what may be kept, its page."""

    area: str
    is_open: bool
    times: str
    rules: str
    link: str


@dataclass(frozen=True, slots=True)
class Item:
    """A head that opens a page, and words as runs of plain and bold text."""

    head: str
    link: str
    words: list[dict[str, str | bool]]


# One status line a limit.


def limit_lines(choice: Choice, found: Standings, kept: Kept) -> list[LimitLine]:
    """Return a line for each limit that the chosen areas count against, the first on top."""
    shown = found.of_areas(choice.areas)[:MOST_LIMITS]
    return [_limit_line(choice, line, kept) for line in shown]


def _limit_line(choice: Choice, line: Line, kept: Kept) -> LimitLine:
    state, likely, used = limits.state(line), limits.probability(line), limits.used(line)
    return LimitLine(
        state=state.value,
        words=limits.STATE_WORDS[state],
        limit=limits.label(choice.index, line),
        used=f"{used.words} ({used.limits})" if used.limits else used.words,
        chance=DASH if likely is None else chance(likely),
        reached=_reached(line),
        link=link_to("season_limits", kept, limit=line["limit_id"]),
    )


def _reached(line: Line) -> str:
    if limits.is_passed(line):
        return say("yes")
    if line["estimate"] is None:
        return DASH
    if not line["is_preliminary"]:
        return say("no")
    half = line["exceedance_date_p50"]
    if half is None:
        return DASH if line["prob_exceeded_by_close"] is None else say("likely not")
    if limits.is_by_now(half, line["through"]):
        return say("may be already")
    return say("about {day}", day=short_day(half))


# What is open where.


def area_lines(choice: Choice, kept: Kept) -> tuple[list[AreaLine], str]:
    """Return a line for each chosen area, and the rules that all of them share.

    Both are empty where the bulletin keeps no openings.
    """
    if not regulations.openings(choice.index):
        return [], ""
    every = regulations.rules_by_area(choice.index)
    found = {area: rules for area, rules in every.items() if area in (choice.areas or every)}
    units = filters.units()
    kept_by = {area: _keep(rules, units) for area, rules in found.items()}
    given = [words for words in kept_by.values() if words]
    common = [one for one in (given[0] if len(given) > 1 else []) if all(one in w for w in given)]
    lines = [
        AreaLine(
            area=choice.index.name(area),
            is_open=rules.is_open,
            times=regulations.open_words(rules, units)
            if kept_by[area]
            else regulations.rule_words(rules, units),
            rules=", ".join(one for one in kept_by[area] if one not in common),
            link=link_to("local_waters", {**kept, "area": [area]}),
        )
        for area, rules in found.items()
    ]
    return lines, ", ".join(common)


def _keep(rules: AreaRules, units: Units) -> list[str]:
    """Return what may be kept; nothing where there are no rules or the season is over."""
    if rules.opening is None or rules.state is OpenState.OVER:
        return []
    return regulations.keep_words(rules.opening, units)


def said_for(choice: Choice) -> str:
    """Return the day that the rules are said for, in words."""
    return regulations.said_for_words(regulations.day_said_for(choice.index), filters.units())


# Key points, and the facts beside them.


def points(choice: Choice, kept: Kept) -> list[Item]:
    """Return the key points of the bulletin, each with the page that has more of it."""
    found = []
    for topic, words in key_points(choice.index).items():
        page, head = _PAGES[topic]
        week = {"week": choice.index.card.through} if page == "week" else {}
        found.append(Item(say(head), link_to(page, kept, **week), runs(words)))
    return found


def facts(choice: Choice, found: Standings, kept: Kept) -> list[Item]:
    """Return the planned close, what sampling reached and missed, and the newest bulletin."""
    close = _close(choice, found)
    return [
        Item(say("Planned close"), link_to("season_limits", kept), runs(close)),
        Item(
            say("Sampling, {days}", days=numbers.week_dates(choice.index.card.through)),
            link_to("week", kept, week=choice.index.card.through),
            runs(sampling(choice)),
        ),
        Item(say("Bulletin"), link_to("revisions", kept), runs(_bulletin(choice))),
        *_note(choice, kept),
    ]


def _note(choice: Choice, kept: Kept) -> list[Item]:
    """Return the beginning of the analyst's note; what is wrong with it the week's page says."""
    card, folder = choice.index.card, data.archive_folder()
    if folder is None or store_access.store_path() is None:
        return []
    try:
        note = last_note(folder, card.bulletin)
    except StoreError:
        return []
    if not note or not note.text:
        return []
    text = numbers.plain(shorten(note.text, LONGEST_NOTE, placeholder=" …"))
    link = link_to("week", kept, week=card.through)
    return [Item(notices.note_head(note.author), link, runs(text))]


def _close(choice: Choice, found: Standings) -> str:
    """Return the days to the planned close, from that of the rules through the last."""
    rules = regulations.rules_by_area(choice.index)
    ends = [one.season_last_day for area, one in rules.items() if area in (choice.areas or rules)]
    known = [end for end in ends if end is not None]
    known = known or [end for one in found.limits if (end := one["planned_close"]) is not None]
    if not known:
        return say("The bulletin names no planned close.")
    last, now = max(known), regulations.day_said_for(choice.index)
    order = filters.units().dates
    when = day_words(last, order)
    if last < now or not choice.index.card.preliminary:
        return say("The season is over; its last day was {day}.", day=when)
    first = min(end for end in known if end >= now)
    start = day_words(now, order, with_year=False)
    days = say_n((last - now).days + 1, "{n} day", "{n} days")
    if first == last:
        return say("**{days}** from {start} to {end}.", days=days, start=start, end=when)
    return say(
        "**{days}** from {start} to {end}; the next area closes for the season on {first}.",
        days=days,
        start=start,
        end=when,
        first=day_words(first, order, with_year=False),
    )


def sampling(choice: Choice) -> str:
    """Return what sampling reached in the bulletin's last week, and what it missed (Markdown)."""
    index, week = choice.index, choice.index.card.through
    strata = [one for one in index.strata if one.week == week]
    row = index.row(None, week, EFFORT)
    if strata:
        sampled, frame, asked, missing = (
            sum(getattr(one, of) or 0 for one in strata) for of in _COUNTED
        )
        gaps = [one for one in strata if not one.n_psu and one.n_psu_frame]
        named = [f"{index.name(one.landing_area)} ({span(one)})" for one in gaps]
        lacking = [say("no sample of {areas}", areas=join_words(named))] if named else []
        if missing:
            one, many = "{n} site-day without an interview", "{n} site-days without an interview"
            lacking.append(say_n(missing, one, many))
        return say(
            "**{sampled} of {site_days}** sampled, {interviews}. Missed: {missed}.",
            sampled=sampled,
            site_days=say_n(frame, "{n} site-day", "{n} site-days"),
            interviews=say_n(asked, "{n} interview", "{n} interviews"),
            missed=numbers.plain("; ".join(lacking)) or say("nothing"),
        )
    if row is None or row.n_psu is None:
        return say("The bulletin says nothing of the sampling of this week.")
    asked_words = say_n(row.n_interviews or 0, "{n} interview", "{n} interviews")
    if row.status == Status.NO_DESIGN:
        return say_n(
            row.n_psu,
            "**No designed sample**: {interviews} of convenience on {n} site-day.",
            "**No designed sample**: {interviews} of convenience on {n} site-days.",
            interviews=asked_words,
        )
    known = {"sampled": row.n_psu, "frame": row.n_psu_frame, "interviews": asked_words}
    if row.n_psu_frame is None:
        return say("**{sampled} site-days** sampled, {interviews}.", **known)
    return say("**{sampled} of {frame} site-days** sampled, {interviews}.", **known)


def _bulletin(choice: Choice) -> str:
    """Return what bulletin is shown, whether it is the newest, and when the next one comes."""
    card = choice.index.card
    known = {"week": card.through, "version": card.version, "day": notices.made_words(card)}
    known["kind"] = say("preliminary") if card.preliminary else say("final, unless late data come")
    if choice.newest:
        words = say(
            "Newest: through week {week}, version {version}, made on {day}; {kind}.", **known
        )
    else:
        words = say(
            "**There is a newer one.** This one: through week {week}, version {version}, made on "
            "{day}; {kind}.",
            **known,
        )
    shown = numbers.plain(words).replace(r"\*\*", "**")
    next_one = say("Next release: {when}.", when=_next_release(choice))
    return " ".join(filter(None, [shown, _since(choice), next_one]))


def _since(choice: Choice) -> str:
    """Return how much came into the store since the newest bulletin of it (Markdown)."""
    if not choice.newest or not people.may(Action.SEE_STORE):
        return ""
    try:
        store = store_access.store()
        version = store.version if store is not None and store.exists else 0
    except BlackmouthError:  # the page New bulletin says what is wrong with the store
        return ""
    changes = version - choice.index.card.version
    if changes <= 0:
        return ""
    return say_n(
        changes,
        "**{n} change of the data came in since**: make a new bulletin.",
        "**{n} changes of the data came in since**: make a new bulletin.",
    )


def _next_release(choice: Choice) -> str:
    path = store_access.store_path()
    try:
        said = read_imprint(path).next_release if path else ""
    except UsageError:
        if not people.may(Action.SEE_STORE):
            return say("not known")
        return numbers.plain(say("not known, for desk/imprint.toml cannot be read"))
    return numbers.plain(said.rstrip(".") or next_release(choice.index))


def rest(choice: Choice, found: Standings, kept: Mapping[str, list[str]]) -> tuple[str, str]:
    """Return the words and the link for limits without a line; both empty where there are none."""
    more = len(found.of_areas(choice.areas)) - MOST_LIMITS
    if more <= 0:
        return "", ""
    words = say_n(more, "{n} further limit", "{n} further limits")
    return words, link_to("season_limits", dict(kept))


_TEMPLATES = """
{% macro limits(lines, rest, brief, rule) -%}
<table class='bm-today'><caption>{{ say('Limits of the season') }}</caption><thead><tr>
{%- for head in (say('State'), say('Limit on'), say('Used so far'),
 say('Chance to exceed'), say('Reached')) -%}
<th scope='col'>{{ head }}</th>{% endfor %}</tr></thead><tbody>
{%- for one in lines %}<tr>
<td><b class='bm-state bm-{{ one.state }}'>{{ one.words }}</b></td>
<th scope='row' class='bm-first'><a class='bm-go' href='{{ one.link }}'>{{ one.limit }}</a></th>
<td data-label='{{ say('Used') }}'>{{ one.used }}</td>{# -#}
<td data-label='{{ say('Chance') }}'>{{ one.chance }}</td>
<td data-label='{{ say('Reached') }}'>{{ one.reached }}</td></tr>
{%- endfor %}</tbody></table>
{%- if rest[0] %}<p class='bm-fine'><a class='bm-go' href='{{ rest[1] }}'>{{ rest[0] }}</a></p>
{%- endif %}<details class='bm-fine'><summary>{{ brief }}</summary>{{ rule }}
</details>
{%- endmacro %}

{% macro areas(lines, day, common) -%}
<table class='bm-today'><caption>{{ say('Open where, on {day}', day=day) }}</caption><thead><tr>
{%- for head in (say('Area'), say('Open'), say('May be kept')) -%}
<th scope='col'>{{ head }}</th>{% endfor %}</tr></thead><tbody>
{%- for one in lines %}<tr{% if one.is_open %} class='bm-open'{% endif %}>
<th scope='row'><a class='bm-go' href='{{ one.link }}'>{{ one.area }}</a></th>
<td class='bm-wraps'>{{ one.times }}</td><td>{{ one.rules }}</td></tr>
{%- endfor %}</tbody></table><p class='bm-fine'>
{%- if common %}{{ say('Everywhere {rules}.', rules=common) }} {% endif -%}
{{ say('As the bulletin has them. Check the official rules before you go.') }}</p>
{%- endmacro %}

{% macro said(words) -%}
{% for one in words %}{% if one.is_bold %}<b>{{ one.text }}</b>{% else %}{{ one.text }}
{%- endif %}{% endfor %}
{%- endmacro %}

{% macro points(items) -%}
<h2 class='bm-today-head'>{{ say('Key points') }}</h2><ul class='bm-points'>
{%- for one in items %}<li><a class='bm-go' href='{{ one.link }}'>{{ one.head }}</a>:
 {{ said(one.words) }}</li>{% endfor %}</ul>
{%- endmacro %}

{% macro facts(items) -%}
<div class='bm-facts'>
{%- for one in items %}<div><a class='bm-go' href='{{ one.link }}'>{{ one.head }}</a>:
<p>{{ said(one.words) }}</p></div>{% endfor %}</div>
{%- endmacro %}

"""
_PARTS: Any = (
    Environment(autoescape=True, loader=DictLoader({"parts": _TEMPLATES}))
    .get_template("parts", globals={"say": say})
    .module
)


def limits_table(
    lines: Sequence[LimitLine], rest: tuple[str, str], *, brief: str, rule: str
) -> Markup:
    """Return a table of limits, a line each; `rest` are words and link for those left out.

    `rule` says how a limit gets its state, under its `brief` form.
    """
    return _PARTS.limits(lines, rest, brief, rule)


def areas_table(lines: Sequence[AreaLine], *, day: str, common: str) -> Markup:
    """Return a table of areas with their rules on a day; `common` are those of every area."""
    return _PARTS.areas(lines, day, common)


def points_list(items: Sequence[Item]) -> Markup:
    """Return key points as a list, the head of each a link."""
    return _PARTS.points(items)


def facts_list(items: Sequence[Item]) -> Markup:
    """Return facts side by side, the head of each a link."""
    return _PARTS.facts(items)
