"""Where a season stands against its limits, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.catch_limits import LIKELY, nouns
from analytics.rounding import PERCENT, chance, number
from analytics.wording import limit_records as standings
from analytics.wording import numbers

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from analytics.wording.bulletin_index import BulletinIndex
    from analytics.wording.limit_records import Line, Standings

MEANING = (
    "The share used is the total so far over the limit, calculated anew from all data in hand, and "
    "may exceed 100 %. The limit named first is the one that is reached first under today's rules."
)
#: From here on the chance that a limit is exceeded already is given.
NOTABLE = 0.05


def limits_answer(index: BulletinIndex, found: Standings, areas: Sequence[str]) -> str:
    """Return the standing of a season and where it goes (Markdown)."""
    limits = found.of_areas(areas)
    if not limits:
        return _without(index, found)
    known = [line for line in limits if line["estimate"] is not None]
    if not known:
        return _unknown(index, limits)
    first, *others = known
    parts = [_first_limit(index, first, among=known, of=len(limits))]
    parts += [part for part in (_others(index, others), _unknown(index, limits)) if part]
    return "\n\n".join(parts)


def _without(index: BulletinIndex, found: Standings) -> str:
    if found.limits:
        return "No limit of this season counts the chosen areas; choose others, or none for all."
    return (
        f"No limit is set for season {numbers.plain(index.card.season)}, so there is nothing to "
        "stand against. Add rows to the table `limits` (an id, the season, areas, a quantity and "
        "the fish it allows), import it and make the bulletin again."
    )


def _first_limit(index: BulletinIndex, line: Line, *, among: Sequence[Line], of: int) -> str:
    level = line["ci_level"]
    share, fish = standings.used(line), standings.total(line)
    start = (
        f"By {day(line['through'], year=True)}, **{share.words}** {share.bracket(level)} of the "
        f"limit on **{limit(index, line)}** is used: {fish.words} {fish.bracket()} of "
        f"{number(line['limit_fish'], place=0)} {unit(line)}."
    )
    if share.value is None:
        start = (
            f"By {day(line['through'], year=True)}, the total against the limit on "
            f"**{limit(index, line)}** is {fish.words} {unit(line)} {fish.bracket(level)}; of a "
            "limit of none no share can be given."
        )
    parts = [start, outlook(line), _binds(line, of=of, tied=len(among))]
    return " ".join(part for part in parts if part)


def limit(index: BulletinIndex, line: Line) -> str:
    """Return a limit in the words of a sentence (Markdown)."""
    areas = standings.areas_of(line)
    where = standings.place(index, areas)
    over = "over" if where == "all areas" else "in"
    return numbers.plain(f"{nouns(standings.quantities_of(line))} {over} {where}")


def outlook(line: Line) -> str:
    """Return when a limit is reached and how likely it is exceeded, in a sentence or two."""
    if not line["is_preliminary"]:
        return _final(line)
    if standings.is_passed(line):
        return f"It is **exceeded already**{_surely(line)}."
    return f"{_ahead(line)}{_maybe(line)}"


def _ahead(line: Line) -> str:
    """Return when a limit that is not exceeded yet is reached, and how likely it is exceeded."""
    if line["prob_exceeded_by_close"] is None:
        why = f" ({numbers.plain(line['reason'])})" if line["reason"] else ""
        return f"Where it goes cannot be given{why}."
    close = f" by the planned close on {day(line['planned_close'])}" * bool(line["planned_close"])
    likely = chance(line["prob_exceeded_by_close"])
    ahead = f"the probability of exceeding it{close} is **{likely}**"
    if line["exceedance_date_p50"] is None:
        early = line["exceedance_date_p10"]
        could = f"; it could be reached as early as {day(early)} (1 chance in 10)" if early else ""
        could = "" if is_by_now(early, line["through"]) else could
        return f"Under today's rules {ahead}{could}."
    if is_by_now(line["exceedance_date_p50"], line["through"]):
        return f"Under today's rules it **may be exceeded already**; {ahead}."
    half = day(line["exceedance_date_p50"])
    return f"Under today's rules it is reached on **{half}**{_span(line)}; {ahead}."


def _maybe(line: Line) -> str:
    """Return the chance that a limit is exceeded already where it is worth telling."""
    part = line["prob_exceeded_to_date"]
    if part is None or part < NOTABLE:
        return ""
    return (
        f" The chance that it is exceeded already, given the error of the total: "
        f"**{chance(part)}**."
    )


def is_by_now(one: date | None, through: date | None) -> bool:
    """Return whether a day on which a limit is reached is no day to come."""
    return one is not None and through is not None and one <= through


def when(one: date | None, through: date | None, passed: float | None) -> str:
    """Return a day on which a limit is reached, short; one of the past as what it stands for."""
    if one is None:
        return ""
    if not is_by_now(one, through):
        return short_day(one)
    return "may be exceeded already" + (f" ({chance(passed)})" if passed is not None else "")


def _final(line: Line) -> str:
    if standings.is_passed(line):
        return f"The season is over: it was **exceeded**{_surely(line)}."
    return f"The season is over: it was **kept**{_surely(line)}."


def _surely(line: Line) -> str:
    """Return how likely it is that the true total is over the limit, or under it."""
    if line["prob_exceeded_to_date"] is None:
        return ""
    part = (
        line["prob_exceeded_to_date"]
        if standings.is_passed(line)
        else 1 - line["prob_exceeded_to_date"]
    )
    return f" (the chance that this is so, given the error of the total: {chance(part)})"


def _span(line: Line) -> str:
    early, late = line["exceedance_date_p10"], line["exceedance_date_p90"]
    if early is None:
        return ""
    if is_by_now(early, line["through"]):
        return f" (9 chances in 10: by {day(late)})" if late else " (it may also not be reached)"
    if late is None:
        return f" (as early as {day(early)} with 1 chance in 10; it may also not be reached)"
    if early == late:
        return " (80 % on that day)"
    return f" (80{PERCENT} between {day(early)} and {day(late)})"


def _binds(line: Line, *, of: int, tied: int) -> str:
    if of < 2 or not line["is_binding"] or tied < 2:
        return ""
    if not line["is_preliminary"]:
        return f"Of {of} limits it came closest."
    return f"It is reached first of {of} limits."


def _others(index: BulletinIndex, lines: Sequence[Line]) -> str:
    """Return the other limits: passed, likely exceeded, and the rest in one breath."""
    passed = [line for line in lines if standings.is_passed(line)]
    rest = [line for line in lines if line not in passed]
    dark = [
        line for line in rest if line["is_preliminary"] and line["prob_exceeded_by_close"] is None
    ]
    likely = [line for line in rest if (line["prob_exceeded_by_close"] or 0.0) >= LIKELY]
    kept = [line for line in rest if line not in likely and line not in dark]
    parts = []
    if passed:
        names = "; ".join(f"{limit(index, one)} ({standings.used(one).words})" for one in passed)
        parts.append(f"Also exceeded: {names}.")
    if likely:
        parts.append(f"Also likely exceeded: {'; '.join(_likely(index, one) for one in likely)}.")
    if kept:
        parts.append(_kept(kept))
    if dark:
        names = "; ".join(limit(index, one) for one in dark)
        parts.append(f"Where it goes cannot be given for {names}.")
    return " ".join(parts)


def _likely(index: BulletinIndex, line: Line) -> str:
    half, through = line["exceedance_date_p50"], line["through"]
    said = f", {day(half)}" if half else ""
    if is_by_now(half, through):
        said = f", {when(half, through, line['prob_exceeded_to_date'])}"
    return f"{limit(index, line)} ({chance(line['prob_exceeded_by_close'])}{said})"


def _kept(lines: Sequence[Line]) -> str:
    is_one = len(lines) == 1
    who = "The other limit" if is_one else f"The other {len(lines)} limits"
    if not any(line["is_preliminary"] for line in lines):
        return f"{who} {'was' if is_one else 'were'} kept."
    return f"{who} {'is' if is_one else 'are'} less likely than not to be exceeded."


def _unknown(index: BulletinIndex, limits: Sequence[Line]) -> str:
    unknown = [line for line in limits if line["estimate"] is None]
    if not unknown:
        return ""
    named = "; ".join(
        f"{limit(index, one)} ({numbers.plain(one['reason'] or 'no reason was kept')})"
        for one in unknown
    )
    return f"No total can be given against the limit on {named}."


def short_day(one: date) -> str:
    """Return a day for a narrow cell, such as ``14 Mar``."""
    return f"{one.day} {one:%b}"


def unit(line: Line) -> str:
    """Return the unit of a limit in words."""
    return numbers.unit_words(line["unit"] or "fish")


def day(one: date | None, *, year: bool = False) -> str:
    """Return a day such as ``14 March``, with its year where asked."""
    if one is None:
        return "a day not known"
    return f"{one.day} {one:%B}" + (f" {one.year}" if year else "")
