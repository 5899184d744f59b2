"""An answer to a set of options as a report to read, in Markdown."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analytics.season.answer_cells import (
    NONE,
    already,
    amount,
    chance,
    day,
    likely,
    plain,
    points,
    reached,
)
from analytics.season.answer_sentences import sentences
from analytics.season.beaten import RULE
from analytics.units import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    import pyarrow as pa

    from analytics.season.answer_about import About

CAUTION = (
    "These figures inform and decide nothing: the agency's own rules and licensed practice decide. "
    "They hold as far as the assumptions below do."
)
#: What a manager asks of an option, in this order: opportunity, catch, cost in fish.
COUNTS = (
    "angler_trips",
    "kept_fish",
    "encounter_fish",
    "released_sublegal_fish",
    "total_deaths_fish",
)


def report(about: About, tables: Mapping[str, pa.Table]) -> str:
    """Return the report: sentences, decision table, limits, options beaten, assumptions.

    Parameters
    ----------
    about : About
    tables : mapping of str to pyarrow.Table
        In the shapes of `analytics.season.tables.ANSWER_SCHEMAS`.

    Returns
    -------
    str
        Markdown, ending in a line break.
    """
    rows = {name: table.to_pylist() for name, table in tables.items()}
    figures = {
        (row["option"], row["quantity"]): row for row in rows["figures"] if row["area"] is None
    }
    options = list(dict.fromkeys(row["option"] for row in rows["figures"]))
    parts = [
        _head(about),
        _short(about, options, figures, rows["reach"]),
        _decision(options, figures, rows["reach"], rows["beaten"]),
        _differences(options, figures),
        *_chances(about, options, rows["reach"]),
        _limits(about, options, rows["reach"]),
        _beaten(rows["beaten"]),
        _assumptions(options, rows["assumptions"]),
    ]
    return "\n\n".join(parts) + "\n"


def _head(about: About) -> str:
    lines = [f"# {plain(about.title) or 'Options weighed'}", ""]
    lines += [f"> {line}" for line in map(plain, about.notes.splitlines()) if line]
    lines += [""] * (len(lines) > 2)
    state = "Preliminary: open days are still to come." if about.is_preliminary else "Final data."
    lines += [
        f"Season {plain(about.season)}, through {day(about.through)}, as of version "
        f"{about.version} of the store (bulletin {plain(about.bulletin)}). {state}",
        "",
        "Figures are totals of the whole season over all areas: so far and to come. In brackets "
        f"{100 * about.level:g} % intervals from {about.n_draws:,} draws, the same for every "
        "option.",
        "",
        f"**{CAUTION}**",
    ]
    return "\n".join(lines)


def _short(
    about: About,
    options: Sequence[str],
    figures: Mapping[tuple[str, str], Mapping[str, Any]],
    reach: Sequence[Mapping[str, Any]],
) -> str:
    told = [
        f"**{plain(name)}**: {plain(words)}"
        for name, words in sentences(about, options, figures, reach)
    ]
    told += [f"**Not weighed**: {plain(words)}" for words in about.refused]
    return "\n\n".join(["## In short", *told])


def _decision(
    options: Sequence[str],
    figures: Mapping[tuple[str, str], Mapping[str, Any]],
    reach: Sequence[Mapping[str, Any]],
    beaten: Sequence[Mapping[str, Any]],
) -> str:
    marked = {row["option"] for row in beaten if row["is_beaten"]}
    lines = []
    for option in options:
        name = plain(option) + " **(beaten)**" * (option in marked)
        cells = [_figure(figures.get((option, one))) for one in COUNTS]
        cells += [likely(reach, option)] * bool(reach)
        lines.append([name, *cells])
    head = ["Option", *(QUANTITIES[one].label for one in COUNTS)]
    head += ["Limits likely passed"] * bool(reach)
    return "## What each option gives\n\n" + _table(head, lines)


def _figure(row: Mapping[str, Any] | None) -> str:
    return amount(row, "estimate", "ci_low", "ci_high") if row else NONE


def _differences(
    options: Sequence[str], figures: Mapping[tuple[str, str], Mapping[str, Any]]
) -> str:
    ends = ("difference", "difference_low", "difference_high")
    lines = []
    for option in options[1:]:
        rows = [figures.get((option, one)) for one in COUNTS]
        cells = [amount(row, *ends, signed=True) if row else NONE for row in rows]
        lines.append([plain(option), *cells])
    title = f"## Difference from {plain(options[0]) if options else 'today'}\n\n"
    if not lines:
        return title + "There is no other option."
    return title + _table(["Option", *(QUANTITIES[one].label for one in COUNTS)], lines)


def _chances(
    about: About, options: Sequence[str], reach: Sequence[Mapping[str, Any]]
) -> Iterator[str]:
    """Yield the chance to pass each limit, a line an option, with the day it is a half."""
    if not about.limits:
        return
    found = {(row["option"], row["limit_id"]): row for row in reach}
    ids = [limit.limit_id for limit in about.limits]
    lines = [
        [plain(option), *(_chance(found.get((option, one)), about) for one in ids)]
        for option in options
    ]
    names = map(about.named, about.limits)
    yield (
        "## Chance to pass each limit\n\nWith the day by which it is passed with 50 %.\n\n"
        + _table(["Option", *map(plain, names)], lines)
    )


def _chance(row: Mapping[str, Any] | None, about: About) -> str:
    if row is None:
        return NONE
    middle = row["date_50"]
    if middle == about.through:
        return f"{chance(row['pass_prob'])}, {already(about.passed.get(row['limit_id']))}"
    return chance(row["pass_prob"]) + (f", {day(middle)}" if middle else "")


def _limits(about: About, options: Sequence[str], reach: Sequence[Mapping[str, Any]]) -> str:
    words = ["## Limits"]
    if not about.limits and not about.left_out:
        words.append("The season has no limit in the store.")
    words += [f"{one[:1].upper()}{one[1:]}." for one in map(plain, about.left_out)]
    for limit in about.limits:
        what = about.limit(limit)
        head = f"**{plain(what[:1].upper() + what[1:])}**, at most {limit.fish:,.10g} fish "
        mine = {row["option"]: row for row in reach if row["limit_id"] == limit.limit_id}
        lines = [_reach_line(option, mine[option], about) for option in options if option in mine]
        columns = ["Option", "Total", "Chance to pass it", "Difference", "Passed"]
        words.append(f"{head}({plain(limit.limit_id)}).\n\n" + _table(columns, lines))
    return "\n\n".join(words)


def _reach_line(option: str, row: Mapping[str, Any], about: About) -> list[str]:
    total = amount(row, "estimate", "ci_low", "ci_high")
    difference = points(row["pass_prob_difference"])
    days = reached(row, through=about.through, passed=about.passed.get(row["limit_id"]))
    return [plain(option), total, chance(row["pass_prob"]), difference, days]


def _beaten(beaten: Sequence[Mapping[str, Any]]) -> str:
    lines = [
        f"* {plain(row['option'])}, by {plain(row['beaten_by'] or 'another')}"
        for row in beaten
        if row["is_beaten"]
    ]
    return "\n\n".join(["## Beaten on every count", plain(RULE), "\n".join(lines) or "None is."])


def _assumptions(options: Sequence[str], rows: Sequence[Mapping[str, Any]]) -> str:
    """Return every assumption; those of all options once; the rule of beating stands above."""
    by_option = {
        option: list(
            dict.fromkeys(
                row["words"] for row in rows if row["option"] == option and row["words"] != RULE
            )
        )
        for option in options
    }
    every = list(dict.fromkeys(row["words"] for row in rows if row["option"] is None))
    first = by_option[options[0]] if options else []
    every += [one for one in first if all(one in words for words in by_option.values())]
    words = ["## Assumptions", "Of all options:\n\n" + _list(every)]
    for option, own in by_option.items():
        rest = [one for one in own if one not in every]
        if rest:
            words.append(f"Of {plain(option)}:\n\n{_list(rest)}")
    return "\n\n".join(words)


def _list(words: Sequence[str]) -> str:
    return "\n".join(f"* {plain(one)}" for one in words) or "* none told"


def _table(head: Sequence[str], lines: Sequence[Sequence[str]]) -> str:
    rule = [":--", *["--:"] * (len(head) - 1)]
    return "\n".join("| " + " | ".join(line) + " |" for line in (head, rule, *lines))
