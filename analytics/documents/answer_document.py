"""The comparison of rule changes as a document: question, rules, figures, risks, assumptions."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import pyarrow as pa

from analytics.codes import coded, sentences
from analytics.documents import blocks, figures
from analytics.documents.rules_in_words import rule_lines
from analytics.options.baseline_io import limits_of, passed_already
from analytics.options.report import (
    CAUTION,
    COUNTS,
    DIFFERENCE,
    GAINS,
    HOW_FAR,
    HOW_FAR_HEADS,
    RISK,
    TOTAL,
    Answer,
    Points,
    ReportContext,
    amount,
    chance,
    count_words,
    day,
    how_far,
)
from analytics.options.schemas import ANSWER_SCHEMAS, INVERSE_SCHEMAS
from analytics.precision import PERCENT
from analytics.quantities import QUANTITIES, capitalised
from analytics.result_table import area_names
from analytics.wording.bulletin_index import cut_name
from analytics.wording.numbers import Measurement

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.bulletin.archive import Bulletin
    from analytics.documents.blocks import Block, Document
    from analytics.documents.rules_in_words import RuleLine
    from analytics.options.baseline import Baseline
    from analytics.options.option import OptionSet
    from analytics.options.report import HowFar

#: Quantities of the figure: opportunity, catch, cost in fish.
DRAWN = ("angler_trips", "kept_fish", "released_sublegal_fish", "total_deaths_fish")
#: Options or limits that stand side by side; of more, the table of each limit says the same.
MOST_ACROSS = 6
#: Characters of a label of the figure; the table below it has the whole name.
_LABEL = 32


@dataclass(frozen=True, slots=True, eq=False)
class ComparedOptions:
    """What a comparison gave: what it is about, its tables, what each option changes.

    `made_utc` is the instant at which its bulletin was made.
    """

    about: ReportContext
    tables: Mapping[str, pa.Table]
    rules: Sequence[RuleLine] = ()
    made_utc: str = "1970-01-01T00:00:00+00:00"


def compared_options(
    requested: OptionSet,
    bulletin: Bulletin,
    baseline: Baseline,
    tables: Mapping[str, pa.Table],
    *,
    refused: Sequence[str] = (),
    fallback: str = "",
) -> ComparedOptions:
    """Return a comparison that was made on the draws of a bulletin, ready to be written.

    Parameters
    ----------
    requested : OptionSet
        As it was asked; `fallback` is its title where it has none.
    bulletin : Bulletin
    baseline : Baseline
        The bulletin's draws.
    tables : mapping of str to pyarrow.Table
        The answer, in the shapes of `analytics.options.schemas.ANSWER_SCHEMAS`.
    refused : sequence of str
        Options that could not be compared, in words.
    """
    standing, card = bulletin.table("limit_status"), bulletin.card
    names = area_names(bulletin.areas)
    limits, left_out = limits_of(standing, lambda area: names.get(area, area))
    about = ReportContext(
        title=requested.title or fallback,
        notes=requested.notes,
        season=card.season,
        through=baseline.through,
        version=card.version,
        bulletin=card.bulletin,
        is_preliminary=card.preliminary,
        n_draws=len(baseline.effort),
        level=baseline.level,
        limits=limits,
        left_out=left_out,
        refused=tuple(refused),
        areas={area: names.get(area, area) for area in baseline.areas},
        passed=passed_already(standing),
    )
    given = {name: tables[name] for name in ANSWER_SCHEMAS}
    given |= {name: tables[name] for name in INVERSE_SCHEMAS if name in tables}
    given["assumptions"] = _with_shared(bulletin, given["assumptions"])
    compared = set(given["figures"]["option"].to_pylist())
    sound = [one for one in requested.options if one.name in compared]
    rules = rule_lines(baseline, sound, about.area_name)
    return ComparedOptions(about, given, tuple(rules), card.made_utc)


def _with_shared(bulletin: Bulletin, own: pa.Table) -> pa.Table:
    """Return what the draws rest on, of no option alone, and then what the options do."""
    kept = [row["assumption"] for row in bulletin.table("assumptions").to_pylist()]
    shared = [{"option": None, "assumption": one} for one in kept]
    return pa.concat_tables([pa.Table.from_pylist(shared, own.schema), own])


def answer_document(compared: ComparedOptions) -> Document:
    """Return the answer to a set of options as a document."""
    about, pictures = compared.about, dict[str, bytes]()
    answer = Answer(about, compared.tables)
    found = [*_head(about), *_in_short(answer), *_solved(compared, pictures), *_rules(compared)]
    found += _totals(answer) + _differences(answer, pictures) + _chances(answer) + _limits(answer)
    found += _dominated(answer) + _assumptions(answer)
    return blocks.Document(
        title=about.title or "Options compared",
        about=f"Rule changes for the rest of season {about.season}",
        status="Preliminary" if about.is_preliminary else "Final data",
        foot=f"From bulletin {about.bulletin}, data version {about.version}",
        blocks=found,
        pictures=pictures,
        made=datetime.fromisoformat(compared.made_utc),
    )


def _head(about: ReportContext) -> list[Block]:
    """Return the question as it was put, and what the answer stands on."""
    notes = [line for line in about.notes.splitlines() if line.strip()]
    found = [blocks.quote(notes)] if notes else []
    state = "Preliminary: open days are still to come." if about.is_preliminary else "Final data."
    data = f"as of version {about.version} of the store (bulletin {about.bulletin})"
    found.append(
        blocks.text(f"Season {about.season}, through {day(about.through)}, {data}. {state}")
    )
    words = (
        "Figures are totals of the whole season over all areas: so far and to come. In brackets "
        f"{100 * about.level:g} % intervals from {about.n_draws:,} draws, the same for every "
        "option."
    )
    return [*found, blocks.text(words), blocks.labelled(CAUTION)]


def _in_short(answer: Answer) -> list[Block]:
    found = [blocks.heading("In short")]
    found += [blocks.labelled(name, f": {words}") for name, words in answer.sentences()]
    refused = answer.about.refused
    return found + [blocks.labelled("Not compared", f": {words}") for words in refused]


def _solved(compared: ComparedOptions, pictures: dict[str, bytes]) -> list[Block]:
    """Return how far rules may go, of options that ask: the answer first, other risks below it."""
    every = how_far(compared.about, compared.tables)
    if not every:
        return []
    found = [blocks.heading("How far the rule may go")]
    for one in every:
        found.append(blocks.labelled(one.option, f": {one.sentence}", stays_with_next=True))
        lines: list[list[Block | str]] = [list(line) for line in one.lines]
        widths = [0.6, 1.8, 2.0, 0.9, 0.9, 0.9, 0.9]
        found.append(blocks.table(list(HOW_FAR_HEADS), lines, widths=widths, are_words=[1, 2]))
        found += [blocks.text(one.beside)] * bool(one.beside)
    found.append(blocks.text(HOW_FAR))
    for number, one in enumerate(every, start=1):
        if one.points.rows:
            found += _frontier(one, f"frontier{number}", pictures)
    return [*found, blocks.text(Points.ABOUT)] if any(one.points.rows for one in every) else found


def _frontier(one: HowFar, name: str, pictures: dict[str, bytes]) -> list[Block]:
    """Return opportunity against risk of one question: the figure, and the best at each risk."""
    points, risk = one.points, one.asked["risk"]
    best = [points.best(gain, risk) for gain in GAINS]
    named = [None if row is None else points.words(row) for row in best]
    panels = {
        capitalised(words): [
            figures.Spot(row["prob"], row[gain], row["is_dominated"], points.is_planned(row))
            for row in points.rows
        ]
        for gain, words in GAINS.items()
    }
    marked = [
        None if row is None else (row["prob"], row[gain])
        for gain, row in zip(GAINS, best, strict=True)
    ]
    pictures[name] = figures.frontier(panels, marked, risk)
    wanted = f"{100 * risk:g}{PERCENT}"
    title = f"{one.option}: opportunity against the chance of exceeding"
    said = [
        f"most {words} at a risk of {wanted}: {how or 'no point keeps it'}"
        for words, how in zip(GAINS.values(), named, strict=True)
    ]
    alt = f"{title}. {'; '.join(said)}. The best points at other risks stand in the table below."
    line = f"{'star: most at' if any(marked) else 'none keeps'} {wanted}, the dotted line"
    caption = f"Filled: not dominated; open: dominated; diamond: as planned; {line}."
    picture = blocks.figure(name, title=title, alt=alt, caption=caption)
    risks = sorted({float(line["risk"]) for line in one.rows})
    heads = ["Risk", *(f"Most {words}" for words in GAINS.values())]
    lines: list[list[Block | str]] = [
        [f"{100 * at:g}{PERCENT}", *(_point(one, row) for row in rows)]
        for at, rows in zip(risks, points.table(risks), strict=True)
    ]
    return [picture, blocks.table(heads, lines, widths=[0.5, 3.0, 3.0], are_words=[1, 2])]


def _point(one: HowFar, row: Mapping[str, object] | None) -> Block:
    if row is None:
        return blocks.cell("none keeps it")
    trips, kept = (count_words(row[name]) for name in GAINS)  # type: ignore[arg-type]
    numbers = f"{trips} trips, {kept} kept, chance {chance(row['prob'])}"  # type: ignore[arg-type]
    return blocks.cell(one.points.words(row), numbers)


def _rules(compared: ComparedOptions) -> list[Block]:
    if not compared.rules:
        return []
    lines = [[one.option, one.where, one.rule, one.changed, one.today] for one in compared.rules]
    heads = ["Option", "Where and when", "Rule", "Under the option", "Today"]
    table = blocks.table(heads, lines, widths=[1.3, 1.3, 1.1, 1.3, 1.1], are_words=[1, 2, 3, 4])
    return [blocks.heading("The options beside today's rules"), table]


def _totals(answer: Answer) -> list[Block]:
    has_limits = bool(answer.exceedance)
    heads = ["Option", *_labels(), *(["Limits likely exceeded"] if has_limits else [])]
    lines: list[list[Block | str]] = []
    for option in answer.options:
        mark = "(dominated)" if option in answer.dominated else ""
        likely = [answer.likely(option)] if has_limits else []
        figures_ = [_amount(answer.figure(option, one), signed=False) for one in COUNTS]
        lines.append([blocks.cell(option, mark=mark), *figures_, *likely])
    table = blocks.table(heads, lines, widths=[1.6, *([1.0] * (len(heads) - 1))])
    return [blocks.heading("What each option gives"), table]


def _labels() -> list[str]:
    return [QUANTITIES[one].label for one in COUNTS]


def _amount(row: Mapping[str, object] | None, *, signed: bool) -> Block:
    """Return a figure of an option as a cell, its interval below it."""
    if row is None:
        return blocks.cell("–")
    return _bracketed(amount(row, *(DIFFERENCE if signed else TOTAL), signed=signed))


def _bracketed(words: str) -> Block:
    """Return a figure as a cell, what stands in brackets after it below it."""
    main, _, ends = words.partition(" (")
    return blocks.cell(main, ends.removesuffix(")"))


def _differences(answer: Answer, pictures: dict[str, bytes]) -> list[Block]:
    first = answer.options[0] if answer.options else "today"
    found = [blocks.heading(f"Difference from {first}")]
    changed = answer.options[1:]
    if not changed:
        return [*found, blocks.text("There is no other option.")]
    panels = {
        QUANTITIES[name].label: [_moved(answer, option, name) for option in changed]
        for name in DRAWN
        if any((option, name) in answer.figures for option in changed)
    }
    if panels:
        names = [cut_name(name, _LABEL) for name in changed]
        pictures["differences"] = figures.differences(names, panels)
        said = "; ".join(f"{name}: {words}" for name, words in answer.sentences()[1:])
        title = "By the end of the season, over all areas"
        caption = "Dots: the difference; bars: its interval; the dark line at zero: no difference."
        alt = f"Differences from {first} with a line at zero. {said}"
        found.append(blocks.figure("differences", title=title, alt=alt, caption=caption))
    lines = [
        [option, *(_amount(answer.figure(option, one), signed=True) for one in COUNTS)]
        for option in changed
    ]
    return [*found, blocks.table(["Option", *_labels()], lines, widths=[1.6, *([1.0] * 5)])]


def _moved(answer: Answer, option: str, name: str) -> Measurement:
    row = answer.figures.get((option, name))
    return Measurement(None) if row is None else Measurement(*(row[one] for one in DIFFERENCE))


def _chances(answer: Answer) -> list[Block]:
    """Return the risk of each limit under each option, the longer of the two downwards."""
    about, options = answer.about, answer.options
    found = [
        blocks.heading("Probability of exceeding each limit"),
        blocks.text(
            f"With the day by which it is exceeded with 50{PERCENT}.", stays_with_next=True
        ),
    ]
    if not about.limits or min(len(about.limits), len(options)) > MOST_ACROSS:
        return []
    named = [capitalised(name) for name in map(about.named, about.limits)]
    lines: list[list[Block | str]] = [
        [name, *map(_dated, cells)] for name, *cells in answer.chances()
    ]
    heads = ["Option", *named]
    if len(named) > len(options):
        heads = ["Limit", *options]
        lines = [[name, *(line[at] for line in lines)] for at, name in enumerate(named, start=1)]
    return [*found, blocks.table(heads, lines, widths=[1.8, *([1.0] * (len(heads) - 1))])]


def _dated(words: str) -> Block:
    """Return a chance as a cell, its day below it."""
    main, _, when = words.partition(", ")
    return blocks.cell(main, when)


def _limits(answer: Answer) -> list[Block]:
    about = answer.about
    found = [blocks.heading("Limits")]
    if not about.limits and not about.left_out:
        found.append(blocks.text("The season has no limit in the store."))
    found += [blocks.text(f"{capitalised(one)}.") for one in about.left_out]
    if about.limits:
        found.append(blocks.text(RISK))
    heads = ["Option", "Total", "Probability of exceeding it", "Difference", "Exceeded on"]
    for limit in about.limits:
        what = about.limit(limit)
        words = f", at most {limit.fish:,.10g} fish ({limit.limit_id})."
        found.append(blocks.labelled(capitalised(what), words, stays_with_next=True))
        lines: list[list[Block | str]] = [
            [option, _bracketed(total), *rest]
            for option, total, *rest in answer.limit(limit.limit_id)
        ]
        found.append(blocks.table(heads, lines, widths=[1.6, 1.0, 1.0, 0.9, 2.2]))
    return found


def _dominated(answer: Answer) -> list[Block]:
    found = [blocks.heading("Dominated options"), blocks.text(sentences(coded("dominance_rule")))]
    if not answer.dominated:
        return [*found, blocks.text("None is.")]
    lines = [f"{option}, by {by}" for option, by in answer.dominated.items()]
    return [*found, blocks.bullets(lines, is_markdown=False)]


def _assumptions(answer: Answer) -> list[Block]:
    found = [blocks.heading("Assumptions")]
    for name, words in answer.assumed().items():
        head = blocks.text(f"Of {name}:", stays_with_next=True)
        found += [head, blocks.bullets(words, is_markdown=False)]
    return found
