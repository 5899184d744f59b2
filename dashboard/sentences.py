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

_SPANS = {"Mon–Fri": "weekday", "Sat–Sun": "weekend", "Mon–Sun": "all"}
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
    mild, strong = (words for _, words in text.CAUTION_SIGNS)
    lines = [
        f"- **{text.level(level)} CI**: the interval that, over many such samples, holds the true "
        f"figure {text.level(level)} of the time.",
        f"- **!** {mild}: take with caution; **!!** {strong}: very uncertain; the error is the "
        "standard error, and the two steps are common practice without a source. "
        "A zero has no such measure.",
        "- **No clear change**: the interval of the change holds “no change”.",
        "- **Site-day**: one landing site on one day, the unit that is drawn and sampled.",
    ]
    lines += [f"- **{word}**: {meaning}" for word, meaning in text.STATUS_WORDS.values()]
    return "\n".join(lines)


def strata_notes(book: Book, *, areas: Sequence[str], week: str) -> list[str]:
    """Return a plain sentence for each thin, filled or partly lost stratum of a week.

    Strata of every landing area are told, because fish are landed in other areas than they were
    met in; those of the chosen areas come first.

    Parameters
    ----------
    book : Book
    areas : sequence of str
        Chosen areas.
    week : str
        ISO week.
    """
    chosen = [one for one in book.strata if one.week == week]
    chosen.sort(key=lambda one: one.landing_area not in areas)
    return [note for one in chosen for note in _stratum_notes(book, one)]


def span(one: Stratum) -> str:
    """Return the days of a stratum in words, such as ``weekday``; a user's own name in quotes."""
    days = (one.stratum or "").removeprefix(f"{one.week} ")
    if days == one.stratum:
        return f"“{one.stratum}”"
    return _SPANS.get(days, days)


def rule_words(rule: str | None, *, book: Book) -> str:
    """Return a borrowing rule with the names of areas in the place of their codes."""
    codes = "|".join(re.escape(code) for code in sorted(book.names, key=len, reverse=True))
    pattern = rf"(?<!\w)({codes})(?= \d{{4}}-W)"
    return re.sub(pattern, lambda found: book.name(found.group(1)), rule or "")


def _without_totals(book: Book, *, area: str | None, week: str) -> str:
    met, rate = book.row(area, week, MET), book.row(area, week, RATE)
    share = book.row(area, week, SHARE)
    if rate is None or rate.estimate is None:
        return f"there is no estimate: {text.why_no_estimate(met)}."
    parts = [f"anglers met **{text.value(rate)}** Chinook per angler-hour {text.bracket(rate)}"]
    if share is not None and share.estimate is not None:
        parts.append(_share(share))
    why = text.why_no_estimate(met).removeprefix("no total: ")
    return f"{' and '.join(parts)}; totals cannot be given ({why})."


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
    changes = [book.change(area, week, name) for name in (EFFORT, MET)]
    if changes == [None, None]:
        return "there is no open week just before to compare with"
    effort, met = (text.change_word(one) for one in changes)
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
    where = f"In week {one.week}, {span(one)} landings at {book.name(one.landing_area)}"
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
