"""Encounters by size and mark, reported beside sampled, in words, tables and dots."""

from __future__ import annotations

from collections import Counter
from itertools import product
from typing import TYPE_CHECKING

import streamlit as st

from analytics.codes import Code, exclude, has_code, parse, without_estimators
from analytics.codes import sentence as code_sentence
from analytics.precision import DASH
from analytics.wording import numbers, reasons
from analytics.wording.numbers import NumberKind
from analytics.wording.week import MET
from dashboard import html_tables, page_frame
from dashboard.catalogue import phrase, say
from dashboard.charts.forest import ForestRow, known_rows
from dashboard.released.records import REPORTED, SAMPLED, domains, head, start, when

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from analytics.wording.bulletin_index import BulletinIndex
    from analytics.wording.numbers import Measurement
    from dashboard.filters import Choice
    from dashboard.released.records import DetailedRow, Line, Released

#: The four classes, then all of them together, with the words of figures and tables.
CLASSES = {
    "encounter_legal_marked_fish": phrase("legal, marked"),
    "encounter_legal_unmarked_fish": phrase("legal, unmarked"),
    "encounter_sublegal_marked_fish": phrase("sublegal, marked"),
    "encounter_sublegal_unmarked_fish": phrase("sublegal, unmarked"),
}
ALL = {**CLASSES, MET: phrase("all met")}
HUE = {SAMPLED: "sea", REPORTED: "copper"}
NAMES = (
    ("sea", phrase("sampled: test fishing and fish kept")),
    ("copper", phrase("reported by anglers")),
    ("bar", "interval"),
)
_HEADS = (
    phrase("Fish met"),
    phrase("Reported"),
    phrase("Sampled"),
    phrase("Sampled over reported"),
    phrase("Sample size"),
)
POOLING = phrase(
    "An area and week with under 20 measured fish, or with too few of the class counted up from "
    "(under 5 expected), takes in fish of neighbouring weeks, then of the season, then of "
    "the nearest areas."
)
#: How the note ends that numbers the measured fish: the table has them.
_FISH = "sample_fish"
#: How the method of a result row says which of the two it is.
_USED = {"sampled_composition": SAMPLED, "reported_marks": REPORTED}
BOTH = phrase(
    "Reported: what anglers reported at the landing site, size and adipose mark recalled. "
    "Sampled: legal marked fish seen at the landing site, multiplied by how many fish of each "
    "class test fishing met for each legal marked one. Both rest on the same interviews for the "
    "fish kept, and the interval of the ratio takes that into account. Memory makes reported "
    "releases too high (Sullivan 2003 found protected-length fish reported 2.2 times); a sample "
    "is biased if test fishing meets other fish than anglers do."
)


def classes_answer(index: BulletinIndex, released: Released, areas: Sequence[str | None]) -> str:
    """Return how many fish were met, by both methods, in sentences (Markdown)."""
    if not released.classes:
        return say(
            "There are no encounters by size and mark to show: no interview of this season "
            "reports marks, and no fish of test fishing was measured."
        )
    return "\n\n".join(_answer_of(index, released, area) for area in areas)


def _answer_of(index: BulletinIndex, released: Released, area: str | None) -> str:
    both = [released.of_class(basis, area, MET) for basis in (SAMPLED, REPORTED)]
    known = [one is not None and one.row.estimate is not None for one in both]
    parts = [_said(one, *texts) for one, texts in zip(both, (_OF_SAMPLE, _OF_REPORTS), strict=True)]
    words = f"{start(index, area)}, {when(index)}: "
    if all(known):
        words += say("{sample} Chinook met, {reports}", sample=parts[0], reports=parts[1])
    elif known[1]:
        words += say("{reports} Chinook met; {sample}", sample=parts[0], reports=parts[1])
    else:
        words += "; ".join(parts)
    words += _ratio_words(released.compared.get((area, None, MET)), said=" ".join(parts))
    return f"{words}.{_largest(released, area)}{_used(index, area)}"


#: What is said of a basis with an estimate, and without one.
_OF_SAMPLE = (phrase("from the sample {figure}"), phrase("no estimate from the sample ({why})"))
_OF_REPORTS = (phrase("from reports {figure}"), phrase("no estimate from reports ({why})"))


def _said(one: DetailedRow | None, with_figure: str, without: str) -> str:
    if one is None or one.row.estimate is None:
        why = reasons.why_no_estimate(one.row) if one else say("the bulletin has none")
        return say(without, why=numbers.plain(why))
    figure = f"**{numbers.value(one.row)}** {numbers.plain(numbers.bracket(one.row))}"
    return say(with_figure, figure=figure)


def _ratio_words(line: Line | None, *, said: str) -> str:
    """Return the ratio in words; a reason that was `said` before is not said again."""
    if line is None:
        return ""
    ratio = ratio_of(line)
    if ratio.value is None:
        why = numbers.plain(line["reason"] or say("none was calculated"))
        none = say(", so there is no ratio of the two")
        return none if why in said else say("; no ratio ({why})", why=why)
    limits = numbers.plain(ratio.bracket(line["ci_level"]))
    words = say("; sampled over reported is **{ratio}** {range}", ratio=ratio.words, range=limits)
    if line["ci_low"] is None or line["ci_high"] is None:
        return words
    if line["ci_high"] < 1:
        return say("{ratio}, so reports are above the sample", ratio=words)
    if line["ci_low"] > 1:
        return say("{ratio}, so reports are below the sample", ratio=words)
    return say("{ratio}, so the two do not differ clearly", ratio=words)


_LARGEST = {
    SAMPLED: phrase(" Most by the sample were {fish}: **{figure}** {range}."),
    REPORTED: phrase(" Most by reports were {fish}: **{figure}** {range}."),
}


def _largest(released: Released, area: str | None) -> str:
    """Return which class is met most, by the sample where there is one."""
    for basis, text in _LARGEST.items():
        found = (released.of_class(basis, area, name) for name in CLASSES)
        known = [one.row for one in found if one is not None and one.row.estimate]
        if known:
            most = max(known, key=lambda row: row.estimate or 0.0)
            limits = numbers.plain(numbers.bracket(most, full=False))
            fish = say(CLASSES[most.quantity]).replace(",", say(" and"))
            return say(text, fish=fish, figure=numbers.value(most), range=limits)
    return ""


def _used(index: BulletinIndex, area: str | None) -> str:
    """Return which of the two the result rows of the bulletin are."""
    rows = [row for name in CLASSES if (row := index.row(area, None, name)) is not None]
    starts = {
        basis
        for row, (estimator, basis) in product(rows, _USED.items())
        if row.estimate is not None and has_code(row.method, estimator)
    }
    if len(starts) != 1:
        return ""
    if starts.pop() == SAMPLED:
        return say(" The other pages and files give the four classes by the sample.")
    return say(" The other pages and files give the four classes as reported.")


def ratio_of(line: Line) -> Measurement:
    """Return the ratio of a line of the comparison with its interval."""
    return numbers.of_line(line, "ratio", NumberKind.RATIO)


def forest_rows(released: Released, area: str | None) -> list[ForestRow]:
    """Return the classes of a domain by both methods; none where not one has a number."""
    found: list[ForestRow] = []
    for (quantity, label), basis in product(ALL.items(), (SAMPLED, REPORTED)):
        one = released.of_class(basis, area, quantity)
        if one is not None:
            sample = _sample_words(one) if basis == SAMPLED else ""
            words = "\n".join(line for line in (basis, reasons.behind(one.row), sample) if line)
            amount = numbers.of_row(one.row, NumberKind.COUNT)
            found.append(ForestRow(say(label), amount, hue=HUE[basis], words=words))
    return known_rows(found)


def ratio_rows(released: Released, area: str | None) -> list[ForestRow]:
    """Return sampled over reported, class by class, of a domain."""
    lines = {label: released.compared.get((area, None, name)) for name, label in ALL.items()}
    return known_rows(
        [
            ForestRow(say(label), ratio_of(line), words=line["reason"] or "")
            for label, line in lines.items()
            if line is not None
        ]
    )


def table(index: BulletinIndex, released: Released, areas: Sequence[str | None]) -> str:
    """Return the classes of some domains as an HTML table, a domain after the other.

    A reason that several cells of a domain share is said once, below its lines.
    """
    lines: list[str] = []
    for area in areas:
        lines.append(html_tables.group(_HEADS, head(index, area)))
        shared = _shared_reasons(released, area)
        of_area = [_line(released, area, quantity, shared=shared) for quantity in ALL]
        found = [line for line in of_area if line]
        lines += found or [html_tables.words_line(_HEADS, say("no open day"))]
        lines += [
            html_tables.words_line(
                _HEADS, say("Where an estimate or an interval is missing: {why}.", why=why)
            )
            for why in shared
        ]
    return html_tables.table(_HEADS, lines, kind="bm-moves")


def _shared_reasons(released: Released, area: str | None) -> list[str]:
    """Return the reasons that stand more than once among the figures of a domain."""
    both = (released.of_class(*one) for one in product((REPORTED, SAMPLED), [area], ALL))
    found = [reasons.why_no_estimate(one.row) for one in both if one and one.row.estimate is None]
    ratios = (released.compared.get((area, None, name)) for name in ALL)
    found += [line["reason"] for line in ratios if line and line["reason"]]
    return [why for why, times in Counter(found).items() if times > 1]


def _line(released: Released, area: str | None, quantity: str, *, shared: Sequence[str]) -> str:
    both = [released.of_class(basis, area, quantity) for basis in (REPORTED, SAMPLED)]
    if both == [None, None]:
        return ""
    compared = released.compared.get((area, None, quantity))
    ratio = DASH
    if compared is not None:
        found, why = ratio_of(compared), compared["reason"] or ""
        why = "" if why in shared else why
        ratio = html_tables.amount(found, why=why, below=("" if found.limits else why,))
    sample = html_tables.small(_sample_words(both[1])) if both[1] else DASH
    values = (*(_cell(one, shared=shared) for one in both), ratio, sample)
    return html_tables.line(_HEADS, say(ALL[quantity]), values, is_all=quantity == MET)


def _cell(one: DetailedRow | None, *, shared: Sequence[str]) -> str:
    if one is None or (one.row.estimate is None and reasons.why_no_estimate(one.row) in shared):
        return DASH
    return html_tables.cell(one.row)


def _sample_words(one: DetailedRow) -> str:
    if one.more["n_measured"] is None:
        return ""
    words = say("{n_measured:,} measured", **one.more)
    if one.row.quantity != MET and one.more["n_class"] is not None:
        words = say("{n_class:,} of {n_measured:,} measured", **one.more)
    return words


def rules(index: BulletinIndex, released: Released, areas: Sequence[str | None]) -> str:
    """Return how samples were pooled, each rule once, with its area where there are several."""
    return _by_area(
        index, released, areas, lambda one: [one.more["rule"]] if one.more["rule"] else []
    )


def behind(index: BulletinIndex, released: Released, areas: Sequence[str | None]) -> str:
    """Return what else the bulletin notes of the sampled figures, each note once."""

    def notes(one: DetailedRow) -> list[str]:
        if one.row.estimate is None:
            return []
        said = [of.name for of in parse(one.more["rule_codes"]) if isinstance(of, Code)]
        rest = exclude(without_estimators(one.row.method), [*said, _FISH])
        return [code_sentence(part) for part in parse(rest)]

    return _by_area(index, released, areas, notes)


def _by_area(
    index: BulletinIndex,
    released: Released,
    areas: Sequence[str | None],
    words: Callable[[DetailedRow], Sequence[str]],
) -> str:
    named: dict[str, dict[str, None]] = {}
    for (basis, area, week, _), one in released.classes.items():
        if basis == SAMPLED and week is None and area in areas:
            for part in words(one):
                named.setdefault(part, {})[index.name(area)] = None
    if len(areas) == 1:
        return "; ".join(named)
    return "; ".join(f"{part} ({', '.join(of)})" for part, of in named.items())


# Notes of the lines of a table: those that several lines share are said once, below it.

#: What the rate of fish drop-off is of: the table says it with the fish.
_BASES = ("of_encounters", "of_kept")
#: Said in the place of a figure whose reason stands below the table.
BELOW = phrase("no estimate: see below the table")


def of(line: Line) -> list[str]:
    """Return the notes of a line in words, but for what its rate is of."""
    return [code_sentence(part) for part in parse(exclude(line.get("reason_codes"), _BASES))]


def shared(lines: Sequence[Line]) -> list[str]:
    """Return the notes that stand on two lines or more, in the order in which they occur."""
    times = Counter(note for line in lines for note in dict.fromkeys(of(line)))
    return [note for note, count in times.items() if count > 1]


def own(line: Line, *, shared: Sequence[str]) -> str:
    """Return the notes of a line that are not shared; a line without a figure points to those."""
    mine = [note for note in of(line) if note not in shared]
    lacks = line.get("deaths", 0.0) is None and len(mine) < len(of(line))
    return "; ".join([say(BELOW), *mine] if lacks and not mine else mine)


def draw_shared(found: Sequence[str]) -> None:
    """Draw notes as a sentence in small print; nothing where there are none."""
    if found:
        st.caption(numbers.plain(say("Notes: {notes}.", notes="; ".join(found))))


# The part of the page.


def draw(choice: Choice, released: Released) -> None:
    """Draw encounters by size and mark, reported beside sampled."""
    index, shown_domains = choice.index, domains(choice.index, choice.areas)
    page_frame.lead(classes_answer(index, released, choice.domains))
    if not released.classes:
        return
    found = [row for area in shown_domains for row in forest_rows(released, area)]
    if found:
        st.header(say("Encounters by size and mark, the season so far"), anchor=False)
        page_frame.forest_signs(found, NAMES)
        for area in choice.domains:
            _class_pair(choice, released, area)
        st.caption(say(page_frame.OWN_SCALE))
    if found and not choice.areas:
        shown = [area for area in index.areas if forest_rows(released, area)]
        page_frame.grid(shown, lambda area: _class_panel(choice, released, area))
    st.caption(say(BOTH))
    pooled, notes = (numbers.plain(of(index, released, choice.domains)) for of in (rules, behind))
    how = say(" How samples were pooled: {rules}.", rules=pooled) if pooled else ""
    st.caption(say(POOLING) + how)
    if notes:
        st.caption(say("Sampled figures: {notes}.", notes=notes))
    st.html(table(index, released, choice.domains))
    if not choice.areas:
        with st.expander(say("The same by area")):
            st.html(table(index, released, index.areas))
    page_frame.downloads(
        choice, composition=say("the classes"), composition_ratio=say("the comparison")
    )


def _class_pair(choice: Choice, released: Released, area: str | None) -> None:
    left, right = st.columns([3, 2])
    with left:
        _class_panel(choice, released, area)
    ratios = ratio_rows(released, area)
    if ratios:
        with right:
            title, key = (
                say("Sampled over reported, {area}", area=choice.index.name(area)),
                f"released-ratio-{area or 'all'}",
            )
            page_frame.forest_panel(
                ratios, title=title, key=key, of=say("Ratio of the two"), guide=1.0
            )
            st.caption(say("Dotted line: as many sampled as reported."))


def _class_panel(choice: Choice, released: Released, area: str | None) -> None:
    found = forest_rows(released, area)
    if found:
        title, key = head(choice.index, area), f"released-classes-{area or 'all'}"
        of = say("Encounters by size and mark")
        page_frame.forest_panel(found, title=title, key=key, of=of, names=NAMES)
