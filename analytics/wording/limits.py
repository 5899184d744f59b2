"""Where a season stands against its limits: the tables a bulletin keeps of them, and sentences."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from analytics.catch_limits import LIKELY, already_exceeded, join_words, nouns, split_list
from analytics.codes import sentences
from analytics.precision import PERCENT, chance, number, percent
from analytics.quantities import capitalised
from analytics.units import day_words, short_day
from analytics.wording import numbers
from analytics.wording.bulletin_index import lines as lines_of
from analytics.wording.numbers import Measurement, NumberKind

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.wording.bulletin_index import BulletinIndex

Line = dict[str, Any]

#: How the projection that all figures rest on is called; older bulletins name none.
MODEL = "model"
_ALL = f"100{PERCENT}"
#: From this probability of exceeding a limit on it is watched (our choice, no source); from
#: `LIKELY` on it is near.
WATCHED = 0.1


class LimitState(StrEnum):
    """How near a limit is."""

    WELL_BELOW = "well_below"
    WATCH = "watch"
    NEAR = "near"
    EXCEEDED = "exceeded"
    #: Of a season that is over.
    STAYED_BELOW = "stayed_below"
    UNSURE = "unsure"
    UNKNOWN = "unknown"


#: The words of each state, the nearest first.
STATE_WORDS = {
    LimitState.EXCEEDED: "exceeded",
    LimitState.NEAR: "near",
    LimitState.WATCH: "watch",
    LimitState.WELL_BELOW: "well below",
    LimitState.STAYED_BELOW: "stayed below",
    LimitState.UNSURE: "not sure",
    LimitState.UNKNOWN: "not known",
}
STATE_RULE_BRIEF = (
    f"Near: a chance of {percent(LIKELY)} or more to exceed; watch: {percent(WATCHED)} or more "
    "(our choice, no source)"
)
STATE_RULE = (
    f"Exceeded: the total so far is over the limit. Near: the probability that it is exceeded by "
    f"the planned close is {percent(LIKELY)} or more; watch: {percent(WATCHED)} or more; well "
    f"below: under {percent(WATCHED)}. Of a season that is over: stayed below, or not sure where "
    f"the probability that it was exceeded is {percent(WATCHED)} or more. The two bounds are our "
    "choice, no source. Reached: the day by which it is as likely as not."
)


@dataclass(frozen=True, slots=True, eq=False)
class Standings:
    """The tables of a season's limits: the limit that is reached first on top, `fan` by day.

    `backtest` has past seasons projected as of earlier weeks by the model, `compared` by every
    method, `issued` what became of projections in bulletins; `assumed` what the numbers ahead rest
    on, by topic.
    """

    limits: tuple[Line, ...]
    fan: Mapping[str, tuple[Line, ...]]
    backtest: tuple[Line, ...]
    assumed: Mapping[str, tuple[str, ...]]
    compared: tuple[Line, ...] = ()
    issued: tuple[Line, ...] = ()

    def of_areas(self, areas: Sequence[str]) -> tuple[Line, ...]:
        """Return the limits that some areas count against; all where none is given."""
        return tuple(line for line in self.limits if not areas or set(areas_of(line)) & set(areas))


def read(index: BulletinIndex) -> Standings:
    """Index the tables of limits of a bulletin; those it lacks are empty."""
    season = index.card.season
    limits = [line for line in lines_of(index, "limit_status") if line["season"] == season]
    fan: dict[str, list[Line]] = defaultdict(list)
    for line in sorted(lines_of(index, "limit_paths"), key=lambda one: one["day"] or date.min):
        fan[line["limit_id"]].append(line)
    past = lines_of(index, "backtest")
    topics: dict[str, list[str]] = defaultdict(list)
    for line in lines_of(index, "assumptions"):
        topics[line["topic"] or ""].append(in_words(index, line["assumption"] or ""))
    return Standings(
        limits=tuple(sorted(limits, key=_first)),
        fan={name: tuple(lines) for name, lines in fan.items()},
        backtest=tuple(line for line in past if line["projected_by"] in (None, MODEL)),
        compared=tuple(past),
        issued=tuple(lines_of(index, "projection_scores")),
        assumed={topic: tuple(words) for topic, words in topics.items()},
    )


def areas_of(line: Line) -> tuple[str, ...]:
    """Return the areas of a limit."""
    return split_list(line["areas"])


def quantities_of(line: Line) -> tuple[str, ...]:
    """Return the quantities whose sum is limited."""
    return split_list(line["quantity"])


def place(index: BulletinIndex, areas: Sequence[str]) -> str:
    """Return areas as people name them, as they stand in the data."""
    if set(index.areas) <= set(areas):
        return "all areas"
    return join_words([index.name(area) for area in areas])


def label(index: BulletinIndex, line: Line) -> str:
    """Return a limit in short, such as ``Chinook kept, Quillon Bank``."""
    words = nouns(quantities_of(line))
    return f"{capitalised(words)}, {place(index, areas_of(line))}"


def limit_names(index: BulletinIndex) -> dict[str, str]:
    """Return what each limit of a bulletin is called, by its id."""
    return {line["limit_id"]: label(index, line) for line in lines_of(index, "limit_status")}


def in_words(index: BulletinIndex, cell: str) -> str:
    """Return a cell of codes in words for people, areas by their names."""
    return sentences(cell, index.name)


def total(line: Line) -> Measurement:
    """Return the total so far."""
    return Measurement(line["estimate"], line["ci_low"], line["ci_high"])


class ShareUsed(Measurement):
    """A share of a limit: just short of the whole, or just over it, never reads as 100 %."""

    __slots__ = ()

    @property
    def words(self) -> str:
        """The share alone."""
        shown = super().words
        if self.value is None or self.value == 1 or shown != _ALL:
            return shown
        closer = number(100 * self.value, place=-1) + PERCENT
        side = "under" if self.value < 1 else "over"
        return f"just {side} {_ALL}" if closer == f"100.0{PERCENT}" else closer


def used(line: Line) -> ShareUsed:
    """Return the share of a limit that is used."""
    return ShareUsed(
        line["share_used"], line["share_used_low"], line["share_used_high"], NumberKind.SHARE
    )


def expected(line: Line) -> Measurement:
    """Return the total that is expected at the planned close; none of a season that is over."""
    if not line["is_preliminary"]:
        return Measurement(None)
    return Measurement(
        line["projected_total"], line["projected_total_low"], line["projected_total_high"]
    )


def expected_share(line: Line) -> Measurement:
    """Return the total that is expected at the planned close as a share of the limit."""
    limit, total = line["limit_fish"], expected(line)
    if not limit:
        return Measurement(None, sort=NumberKind.SHARE)
    value, low, high = (
        None if end is None else end / limit for end in (total.value, total.low, total.high)
    )
    return Measurement(value, low, high, NumberKind.SHARE)


def is_passed(line: Line) -> bool:
    """Return whether the total so far is over the limit."""
    return line["estimate"] is not None and line["estimate"] > line["limit_fish"]


def has_outlook(line: Line) -> bool:
    """Return whether anything is said of what is to come."""
    return bool(line["is_preliminary"]) and line["prob_exceeded_by_close"] is not None


def probability(line: Line) -> float | None:
    """Return the probability that a limit is exceeded by the close, or was in a season over."""
    if line["estimate"] is None:
        return None
    name = "prob_exceeded_by_close" if line["is_preliminary"] else "prob_exceeded_to_date"
    found: float | None = line[name]
    return found


def state_of(probability: float | None, *, is_exceeded: bool, is_over: bool = False) -> LimitState:
    """Return how near a limit is.

    Parameters
    ----------
    probability : float or None
        That the limit is exceeded by the planned close; of a season that is over, that it was.
    is_exceeded : bool
        Whether the total so far is over the limit.
    is_over : bool
        Whether the season is over.
    """
    if is_exceeded:
        return LimitState.EXCEEDED
    if probability is None:
        return LimitState.UNKNOWN
    if is_over:
        return LimitState.UNSURE if probability >= WATCHED else LimitState.STAYED_BELOW
    if probability >= LIKELY:
        return LimitState.NEAR
    return LimitState.WATCH if probability >= WATCHED else LimitState.WELL_BELOW


def state(line: Line) -> LimitState:
    """Return how near a limit is."""
    over = not line["is_preliminary"]
    return state_of(probability(line), is_exceeded=is_passed(line), is_over=over)


def _first(line: Line) -> tuple[Any, ...]:
    """Return what limits are sorted by: the binding one, then the earliest, then the most used."""
    return (
        not line["is_binding"],
        line["exceedance_date_p50"] or date.max,
        -(line["prob_exceeded_by_close"] or 0.0),
        -(line["share_used"] or 0.0),
        line["limit_id"] or "",
    )


# The standing of a season in sentences.

MEANING = (
    "The share used is the total so far over the limit, calculated anew from all data in hand, and "
    "may exceed 100 %. The limit named first is the one that is reached first under today's rules; "
    "of a season that is over, the one that came closest."
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
    share, fish = used(line), total(line)
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
    areas = areas_of(line)
    where = place(index, areas)
    over = "over" if where == "all areas" else "in"
    return numbers.plain(f"{nouns(quantities_of(line))} {over} {where}")


def outlook(line: Line) -> str:
    """Return when a limit is reached and how likely it is exceeded, in a sentence or two."""
    if not line["is_preliminary"]:
        return _final(line)
    if is_passed(line):
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
    return already_exceeded(passed)


def _final(line: Line) -> str:
    if is_passed(line):
        return f"The season is over: it was **exceeded**{_surely(line)}."
    return f"The season is over: it was **kept**{_surely(line)}."


def _surely(line: Line) -> str:
    """Return how likely it is that the true total is over the limit, or under it."""
    if line["prob_exceeded_to_date"] is None:
        return ""
    part = line["prob_exceeded_to_date"] if is_passed(line) else 1 - line["prob_exceeded_to_date"]
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
    passed = [line for line in lines if is_passed(line)]
    rest = [line for line in lines if line not in passed]
    dark = [
        line for line in rest if line["is_preliminary"] and line["prob_exceeded_by_close"] is None
    ]
    likely = [line for line in rest if (line["prob_exceeded_by_close"] or 0.0) >= LIKELY]
    kept = [line for line in rest if line not in likely and line not in dark]
    parts = []
    if passed:
        names = "; ".join(f"{limit(index, one)} ({used(one).words})" for one in passed)
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
    by_reason: dict[str, list[str]] = {}
    for one in unknown:
        why = numbers.plain(one["reason"] or "no reason was kept")
        by_reason.setdefault(why, []).append(limit(index, one))
    if len(by_reason) == 1 and len(unknown) == len(limits) > 1:
        return f"No total can be given against any of the {len(limits)} limits ({why})."
    named = "; ".join(f"{', '.join(those)} ({why})" for why, those in by_reason.items())
    return f"No total can be given against the limit on {named}."


def unit(line: Line) -> str:
    """Return the unit of a limit in words."""
    return numbers.unit_words(line["unit"] or "fish")


def day(one: date | None, *, year: bool = False) -> str:
    """Return a day such as ``14 March``, with its year where asked."""
    if one is None:
        return "a day not known"
    return day_words(one, with_year=year)
