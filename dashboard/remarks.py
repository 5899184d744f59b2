"""What to know before using the figures: thin samples, findings, and the words explained."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from analytics.units import Status
from dashboard import reasons, text
from dashboard.sentences import HEADLINE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.book import Book, Row, Stratum

#: What simulations showed of the intervals (analytics/docs/validation.md).
COVERAGE = (
    "Area-by-week intervals rest on few site-days; in simulations they held the truth in about "
    "9 of 10 cases, not 19 of 20."
)
#: Advice of the sampling findings, in words for the page.
_ADVICE = {
    "see status": "the figures that rest on it carry a mark",
    "its rows say no_design": "no figure is given for it",
}
_SPANS = {"Mon–Fri": "weekday", "Sat–Sun": "weekend", "Mon–Sun": "all"}
_WEAK = (Status.COLLAPSED, Status.IMPUTED, Status.NO_SAMPLE, Status.NO_DESIGN)


def finding_notes(book: Book) -> list[str]:
    """Return the findings of a bulletin as plain lines, equal ones counted once."""
    lines: dict[str, int] = {}
    for one in book.findings:
        where = (one["table"] or "").replace("_", "-")
        seen = with_names(one["seen"], book=book)
        words = f"{one['severity'].capitalize()}, {where}: {seen}"
        words += f"; allowed: {one['allowed']}" if one["allowed"] else ""
        advice = _ADVICE.get(one["advice"], one["advice"]) or ""
        words += f". {advice[:1].upper()}{advice[1:]}" if advice else ""
        lines[words] = lines.get(words, 0) + 1
    return [f"{words} ({count} times)" if count > 1 else words for words, count in lines.items()]


def glossary(*, level: float) -> str:
    """Return what the words and marks of the page mean (Markdown)."""
    mild, strong = (words for _, words in reasons.CAUTION_SIGNS)
    lines = [
        f"- **{text.level(level)} CI**: the interval that, over many such samples, holds the true "
        f"figure {text.level(level)} of the time. {COVERAGE}",
        f"- **{reasons.PSE}**, the percent standard error: the standard error in percent of the "
        f"figure. **{reasons.MILD}** {mild}; **{reasons.STRONG}** {strong}. The two limits are "
        "those of the NOAA recreational survey standards; a figure exactly on one belongs below "
        f"it, and a zero has no {reasons.PSE}.",
        f"- **{reasons.TOO_FEW.capitalize()}**: its upper end lies over "
        f"{reasons.USELESS_TIMES:.0f} times the figure, or the error is larger than the figure. "
        "The download holds the numbers.",
        "- **No clear change**: the interval of the change holds “no change”.",
        "- **Not comparable**: the two weeks had other open days (an opening, a closure, a week "
        "cut short).",
        "- **Site-day**: one landing site on one day, the unit that is drawn and sampled.",
        "- **Degrees of freedom**: how many site-days an error rests on, less one for each group "
        "of days they were drawn from; the fewer, the less the error itself is known.",
    ]
    lines += [f"- **{word}**: {meaning}" for word, meaning in reasons.STATUS_WORDS.values()]
    return "\n".join(lines)


def thin_notes(book: Book, *, areas: Sequence[str], week: str) -> list[str]:
    """Return a plain sentence for each area whose figures of a week rest on very little.

    Parameters
    ----------
    book : Book
    areas : sequence of str
        Areas whose figures are shown.
    week : str
        ISO week.
    """
    found = [(area, _thinness(book, area, week)) for area in areas]
    return [
        f"In week {week}, the figures of {book.name(area)} rest on {' and '.join(little)}: read "
        "them, and any interval, as a warning."
        for area, little in found
        if little
    ]


def _thinness(book: Book, area: str, week: str) -> list[str]:
    known = _estimated(book, (area,), week)
    asked = [row.n_interviews for row in known if row.n_interviews is not None]
    freedom = [
        row.df
        for row in known
        if row.df is not None and row.has_interval and row.status != Status.CENSUS
    ]
    little = []
    if asked and max(asked) < reasons.FEW_INTERVIEWS:
        little.append(text.count(max(asked), "interview"))
    if freedom and min(freedom) <= reasons.FEW_DF:
        number = text.number(min(freedom), place=0)
        little.append(f"{number} degree{'' if number == '1' else 's'} of freedom")
    return little


def has_marks(book: Book, *, areas: Sequence[str | None], week: str) -> bool:
    """Return whether a shown figure of a week carries a caution."""
    return any(reasons.caution(row)[0] for row in _estimated(book, areas, week))


def _estimated(book: Book, areas: Sequence[str | None], week: str) -> list[Row]:
    rows = [book.row(area, week, name) for area in areas for name in HEADLINE]
    return [row for row in rows if row is not None and row.estimate is not None]


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


def with_names(words: str | None, *, book: Book) -> str:
    """Return a rule or a finding with the names of areas in the place of their codes.

    Only where the words around it make a code plain: before a week, in brackets, at the start
    before ``is open`` or ``has``, or at the end after ``landing in``; elsewhere a code such as
    ``10`` could be a number.
    """
    if not book.names:
        return words or ""
    codes = "|".join(re.escape(code) for code in sorted(book.names, key=len, reverse=True))
    pattern = (
        rf"(?<!\w)(?:{codes})(?= \d{{4}}-W)|(?<=\()(?:{codes})(?=\))"
        rf"|^(?:{codes})(?= is open | has )|(?<=landing in )(?:{codes})$"
    )
    return re.sub(pattern, lambda found: book.name(found[0]), words or "")


def _stratum_notes(book: Book, one: Stratum) -> list[str]:
    where = f"In week {one.week}, {span(one)} landings at {book.name(one.landing_area)}"
    rule = with_names(one.rule, book=book)
    tail = f" ({rule})" if rule else ""
    sampled, frame = one.n_psu or 0, one.n_psu_frame or 0
    notes = []
    if one.status in _WEAK and sampled == 0:
        filled = "are filled in" if one.status == Status.IMPUTED else "have no estimate"
        of = text.count(frame, "site-day")
        notes.append(f"{where} were not sampled on any of {of} and {filled}{tail}.")
    elif sampled == 1 and frame > 1:
        notes.append(f"{where} rest on one site-day of {frame}{tail}.")
    elif rule:
        notes.append(f"{where}: {rule}.")
    if one.n_missing_psu:
        lost = text.count(one.n_missing_psu, "site-day")
        notes.append(f"{where} lost {lost}: boats returned and nobody was interviewed.")
    return notes
