"""The answer of a week in one sentence."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from analytics.precision import Precision
from analytics.wording import numbers, reasons

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.bulletin_index import BulletinIndex, Row

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


def week_answer(index: BulletinIndex, *, area: str | None, week: str) -> str:
    """Return the week of one area, or of all areas together, in one sentence (Markdown)."""
    met, effort = index.row(area, week, MET), index.row(area, week, EFFORT)
    where = "over all areas" if area is None else f"in {numbers.plain(index.name(area))}"
    start = f"In week {week}, {where}{_left_out(met, effort)},"
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


def week_answer_by_area(index: BulletinIndex, *, areas: Sequence[str], week: str) -> str:
    """Return the encounters of several areas in one sentence, and why they are not added up."""
    parts = [
        f"{numbers.plain(index.name(area))} {_met(index.row(area, week, MET))}" for area in areas
    ]
    return _once(
        f"In week {week} the Chinook met were, by area: {'; '.join(parts)}. "
        "The bulletin has no sum over a choice of areas, so none is shown."
    )


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
    if row.precision not in (Precision.CAUTION, Precision.WITHHELD) or not reasons.is_useful(row):
        return words
    return f"{words[:-1]}; {reasons.precision(row)}, {row.precision})"


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
