"""The page in words: the one-sentence answer, and what is thin or borrowed behind it."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from analytics.units import Status
from dashboard import text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.book import Book, Row, Stratum

EFFORT, MET, KEPT, SHARE, RATE = (
    "angler_trips",
    "encounter_fish",
    "kept_fish",
    "sublegal_prop",
    "encounters_per_angler_hour",
)
#: The five figures of the page, in order.
HEADLINE = (EFFORT, MET, KEPT, SHARE, RATE)

_SPANS = {"12345": "weekday", "67": "weekend", "1234567": "all-week"}
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_WEAK = (Status.COLLAPSED, Status.IMPUTED, Status.NO_SAMPLE, Status.NO_DESIGN)


def answer(book: Book, *, area: str | None, week: str) -> str:
    """Return the week of one area, or of all areas together, in one sentence (Markdown)."""
    met, effort = book.row(area, week, MET), book.row(area, week, EFFORT)
    where = "over all areas" if area is None else f"in {text.plain(book.name(area))}"
    start = f"In week {week}, {where},"
    if met is None and effort is None:
        return f"{start} there was no open day and no sample, so there is nothing to report."
    if met is None or met.estimate is None or effort is None or effort.estimate is None:
        return f"{start} {_without_totals(book, area=area, week=week)}"
    return (
        f"{start} anglers made **{text.value(effort)}** trips {text.bracket(effort)}, "
        f"met **{text.value(met)}** Chinook {text.bracket(met, full=False)}, "
        f"{_kept(book.row(area, week, KEPT))} and {_share(book.row(area, week, SHARE))}; "
        f"{_against(book, area=area, week=week)}."
    )


def answer_by_area(book: Book, *, areas: Sequence[str], week: str) -> str:
    """Return the encounters of several areas in one sentence, and why they are not added up."""
    parts = [f"{text.plain(book.name(area))} {_met(book.row(area, week, MET))}" for area in areas]
    return (
        f"In week {week} the Chinook met were, by area: {'; '.join(parts)}. "
        "The bulletin has no sum over a choice of areas, so none is shown."
    )


def finding_notes(book: Book) -> list[str]:
    """Return the findings of a bulletin as plain lines, equal ones counted once."""
    lines: dict[str, int] = {}
    for one in book.findings:
        words = f"{one['severity'].capitalize()}, {one['table']}: {one['seen']}"
        words += f"; allowed: {one['allowed']}" if one["allowed"] else ""
        words += f". {one['advice'][:1].upper()}{one['advice'][1:]}" if one["advice"] else ""
        lines[words] = lines.get(words, 0) + 1
    return [f"{words} ({count} times)" if count > 1 else words for words, count in lines.items()]


def glossary(*, level: float) -> str:
    """Return what the words and marks of the page mean (Markdown)."""
    lines = [
        f"- **{text.level(level)} CI**: the interval that, over many such samples, holds the true "
        f"figure {text.level(level)} of the time.",
        f"- **!** standard error over {text.CAUTION_PSE:.0%} of the estimate: take with caution; "
        f"**!!** over {text.STRONG_CAUTION_PSE:.0%}: very uncertain (common practice, no source). "
        "A zero has no such measure.",
        "- **No clear change**: the interval of the change holds “no change”.",
        "- **Site-day**: one landing site on one day, the unit that is drawn and sampled.",
    ]
    lines += [f"- **{word}**: {meaning}" for word, meaning in text.STATUS_WORDS.values()]
    return "\n".join(lines)


def strata_notes(book: Book, *, areas: Sequence[str], week: str) -> list[str]:
    """Return a plain sentence for each thin, filled or partly lost stratum of a week.

    Parameters
    ----------
    book : Book
    areas : sequence of str
        Landing areas; empty for all.
    week : str
        ISO week.
    """
    chosen = [one for one in book.strata if one.week == week]
    if areas:
        chosen = [one for one in chosen if one.landing_area in areas]
    return [note for one in chosen for note in _stratum_notes(book, one)]


def span(stratum: str | None) -> str:
    """Return the days of a stratum in words, such as ``weekday``; its own name otherwise."""
    found = re.search(r"days ([1-7]+)$", stratum or "")
    if not found:
        return f"“{stratum}”" if stratum else "all"
    digits = found.group(1)
    return _SPANS.get(digits) or "/".join(_DAYS[int(digit) - 1] for digit in digits)


def rule_words(rule: str | None, *, book: Book) -> str:
    """Return a borrowing rule with its day digits and area codes turned into words."""
    words = re.sub(
        r"(\d{4}-W\d\d) days ([1-7]+)",
        lambda found: f"{found.group(1)} ({span('days ' + found.group(2))}s)",
        rule or "",
    )
    for code in sorted(book.names, key=len, reverse=True):
        words = re.sub(rf"\b{re.escape(code)}(?= \d{{4}}-W)", book.name(code), words)
    return words


def _without_totals(book: Book, *, area: str | None, week: str) -> str:
    met, rate = book.row(area, week, MET), book.row(area, week, RATE)
    share = book.row(area, week, SHARE)
    if rate is None or rate.estimate is None:
        return f"there is no estimate: {text.why_no_estimate(met)}."
    parts = [f"anglers met **{text.value(rate)}** Chinook per angler-hour {text.bracket(rate)}"]
    if share is not None and share.estimate is not None:
        parts.append(_share(share))
    return f"{' and '.join(parts)}; totals cannot be given: {text.why_no_estimate(met)}."


def _kept(row: Row | None) -> str:
    if row is None or row.estimate is None:
        return f"kept an unknown number ({text.why_no_estimate(row)})"
    return f"kept **{text.value(row)}** {text.bracket(row, full=False)}"


def _share(row: Row | None) -> str:
    if row is None or row.estimate is None:
        return f"the sublegal share is not known ({text.why_no_estimate(row)})"
    return f"**{text.value(row)}** of the fish met were sublegal {text.bracket(row, full=False)}"


def _met(row: Row | None) -> str:
    if row is None or row.estimate is None:
        return text.why_no_estimate(row)
    return f"**{text.value(row)}** {text.bracket(row)}"


def _against(book: Book, *, area: str | None, week: str) -> str:
    effort = text.change_word(book.change(area, week, EFFORT))
    met = text.change_word(book.change(area, week, MET))
    if effort == met == "not known":
        return "how that compares with the week before is not known"
    if effort == met:
        return f"against the week before, {_verb('effort and encounters', effort, many=True)}"
    both = (_verb("effort", effort), _verb("encounters", met, many=True))
    return f"against the week before, {both[0]} and {both[1]}"


def _verb(subject: str, word: str, *, many: bool = False) -> str:
    if word == "no clear change":
        return f"{subject} {'show' if many else 'shows'} no clear change"
    if word == "not known":
        return f"the change in {subject} is not known"
    return f"{subject} {'are' if many else 'is'} {word}"


def _stratum_notes(book: Book, one: Stratum) -> list[str]:
    where = f"In week {one.week}, {span(one.stratum)} landings at {book.name(one.landing_area)}"
    rule = rule_words(one.rule, book=book)
    tail = f" ({rule})" if rule else ""
    sampled, frame = one.n_psu or 0, one.n_psu_frame or 0
    notes = []
    if one.status in _WEAK and sampled == 0:
        filled = "are filled in" if one.status == Status.IMPUTED else "have no estimate"
        notes.append(f"{where} were not sampled on any of {_site_days(frame)} and {filled}{tail}.")
    elif sampled == 1 and frame > 1:
        notes.append(f"{where} rest on one site-day of {frame}{tail}.")
    elif rule:
        notes.append(f"{where}: {rule}.")
    if one.n_missing_psu:
        lost = _site_days(one.n_missing_psu)
        notes.append(f"{where} lost {lost}: boats returned and nobody was interviewed.")
    return notes


def _site_days(count: int) -> str:
    return f"{count} site-day" if count == 1 else f"{count} site-days"
