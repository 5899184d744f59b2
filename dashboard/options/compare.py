"""Where the pages call the engine: kept draws in, answers out, ready to be said and drawn."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from analytics.catch_limits import LIKELY, split_list
from analytics.errors import UsageError
from analytics.options.baseline_io import from_table, limits_of
from analytics.options.option_file import read_options
from analytics.options.schemas import ANSWER_SCHEMAS
from analytics.wording.bulletin_index import finite
from analytics.wording.numbers import MeasuredDifference, Measurement
from dashboard.options.option_sets import ChangeKind, FirstLimit, kinds_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    import pyarrow as pa

    from analytics.documents.answer_document import ComparedOptions
    from analytics.options.baseline import Baseline, Limit
    from analytics.options.compare import Fans
    from analytics.options.option import Option
    from analytics.wording.bulletin_index import BulletinIndex

Line = dict[str, Any]

#: A difference of fish or trips that is none.
NOTHING = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Answered:
    """The tables of a comparison.

    `options` and `limits` are names, today's rule and the limit likeliest to be exceeded under it
    first; `figures` are season totals by option, area (None: all areas together) and quantity;
    `reach` has each (limit, option); `dominated` the options that another dominates, and which;
    `binding` the limit that is reached first under today's rule; `through` the last day of the
    data.
    """

    options: tuple[str, ...]
    figures: Mapping[tuple[str, str | None, str], Line]
    reach: Mapping[tuple[str, str], Line]
    limits: tuple[str, ...]
    dominated: Mapping[str, str]
    assumptions: Mapping[str, tuple[str, ...]]
    binding: str | None = None
    through: date | None = None

    @property
    def changed(self) -> tuple[str, ...]:
        """Names of the options beside today's rule."""
        return self.options[1:]

    def figure(self, option: str, area: str | None, quantity: str) -> Measurement:
        """Return the season total of an option."""
        return _amount(self.figures.get((option, area, quantity)), "estimate", "ci_low", "ci_high")

    def difference(self, option: str, area: str | None, quantity: str) -> Measurement:
        """Return the difference of an option from today's rule."""
        names = ("difference", "difference_low", "difference_high")
        one = _amount(self.figures.get((option, area, quantity)), *names)
        return MeasuredDifference(one.value, one.low, one.high)

    def likely(self, option: str) -> tuple[int, int]:
        """Return how many limits an option likely exceeds, and of how many that is known."""
        lines = [self.reach.get((limit, option)) for limit in self.limits]
        known = [
            line["prob_exceeded_by_close"]
            for line in lines
            if line and line["prob_exceeded_by_close"] is not None
        ]
        return sum(one >= LIKELY for one in known), len(known)

    def worst(self, option: str) -> Line | None:
        """Return the limit that an option brings nearest to being exceeded; None for no limit."""
        lines = [self.reach.get((limit, option)) for limit in self.limits]
        known = [
            line for line in lines if line and line["prob_exceeded_by_close_difference"] is not None
        ]
        return max(
            known, key=lambda line: float(line["prob_exceeded_by_close_difference"]), default=None
        )

    def shared(self) -> tuple[str, ...]:
        """Return the assumptions that all options share."""
        first = self.assumptions.get(self.options[0], ())
        return tuple(
            one for one in first if all(one in self.assumptions[name] for name in self.options)
        )

    def own(self, option: str) -> tuple[str, ...]:
        """Return the assumptions of an option that not all share."""
        every = set(self.shared())
        return tuple(one for one in self.assumptions[option] if one not in every)


def read(
    answers: Mapping[str, pa.Table], *, binding: str | None = None, through: date | None = None
) -> Answered:
    """Index the tables of a comparison; a `binding` limit they lack gives way to the likeliest."""
    lines = {name: [finite(one) for one in table.to_pylist()] for name, table in answers.items()}
    options = tuple(dict.fromkeys(line["option"] for line in lines["figures"]))
    words: dict[str, list[str]] = defaultdict(list)
    for line in lines["assumptions"]:
        for name in [line["option"]] if line["option"] else options:
            words[name].append(line["assumption"])
    reach = {(line["limit_id"], line["option"]): line for line in lines["limit_exceedance"]}
    limits = _ordered(reach, options)
    return Answered(
        options=options,
        figures={
            (line["option"], line["area"], line["quantity"]): line for line in lines["figures"]
        },
        reach=reach,
        limits=limits,
        dominated={
            line["option"]: line["dominated_by"] or ""
            for line in lines["dominance"]
            if line["is_dominated"]
        },
        assumptions={name: tuple(dict.fromkeys(words[name])) for name in options},
        binding=binding if binding in limits else next(iter(limits), None),
        through=through,
    )


def total(line: Line) -> Measurement:
    """Return the total of a line of limits."""
    return _amount(line, "estimate", "ci_low", "ci_high")


def is_nothing(one: Measurement) -> bool:
    """Return whether a difference is none, and surely none."""
    return all(part is not None and abs(part) < NOTHING for part in (one.value, one.low, one.high))


def _ordered(reach: Mapping[tuple[str, str], Line], options: Sequence[str]) -> tuple[str, ...]:
    names = dict.fromkeys(limit for limit, _ in reach)
    chance = {
        name: (reach.get((name, options[0])) or {}).get("prob_exceeded_by_close") for name in names
    }
    return tuple(sorted(names, key=lambda name: -(chance[name] or 0.0)))


def _amount(line: Line | None, *names: str) -> Measurement:
    return Measurement(None) if line is None else Measurement(*(line[name] for name in names))


@dataclass(frozen=True, slots=True, eq=False)
class ComparisonInputs:
    """What options of a season are compared on; limits left out come with the reason.

    `binding` is the limit that is reached first today, `first` what of it a reader starts from.
    """

    baseline: Baseline
    limits: tuple[Limit, ...]
    left_out: tuple[str, ...]
    binding: str | None = None
    first: FirstLimit | None = None


@dataclass(frozen=True, slots=True, eq=False)
class ComparisonResult:
    """Options compared, as tables (`ANSWER_SCHEMAS`), records and limits by week; those refused.

    `options` are those compared beside today's rule, with the rules found of those that asked.
    """

    tables: Mapping[str, pa.Table]
    answer: Answered
    fans: Fans
    refused: tuple[str, ...] = ()
    solved: Mapping[str, pa.Table] = field(default_factory=dict)
    options: tuple[Option, ...] = ()


def inputs(index: BulletinIndex) -> ComparisonInputs | None:
    """Return what options are compared on; None where the bulletin holds no simulations."""
    draws = index.bulletin.table("draws")
    if not draws.num_rows:
        return None
    standing = index.bulletin.table("limit_status")
    limits, left_out = limits_of(standing, index.name)
    row = next((row for row in standing.to_pylist() if row["is_binding"]), None)
    if row is None:
        return ComparisonInputs(from_table(draws), limits, left_out)
    first = FirstLimit(split_list(row["areas"]), row["exceedance_date_p50"])
    return ComparisonInputs(from_table(draws), limits, left_out, row["limit_id"], first)


def compare(on: ComparisonInputs, text: str) -> ComparisonResult:
    """Return the answer to options as TOML: refused ones left out, idle changes not counted."""
    from analytics.options.compare import compare_options  # noqa: PLC0415 - other pages do without it

    sound, refused = _read(on, text)
    found = compare_options(on.baseline, sound, on.limits)
    tables = {name: getattr(found, name) for name in ANSWER_SCHEMAS}
    answer = read(tables, binding=on.binding, through=on.baseline.through)
    return ComparisonResult(tables, answer, found.fans, refused, found.solved, found.options[1:])


def _read(on: ComparisonInputs, text: str) -> tuple[tuple[Option, ...], tuple[str, ...]]:
    """Return the options of a text that can be compared, and why the others cannot."""
    from analytics.options.option_checks import split_valid  # noqa: PLC0415 - as above

    options = tuple(_bare(one) for one in read_options(text).options)
    return split_valid(on.baseline, options, areas={}, limits=on.limits)


def how_far(on: ComparisonInputs, text: str, *, is_frontier: bool) -> Mapping[str, pa.Table]:
    """Return the answers of options as TOML that ask how far a rule may go, or their frontier.

    Raises
    ------
    UsageError
        If an option asks for what the season cannot support.
    """
    from analytics.options.compare import how_far_tables  # noqa: PLC0415 - as above

    sound, refused = _read(on, text)
    if refused:
        raise UsageError("; ".join(refused))
    names = ("frontier",) if is_frontier else ("solved", "risk_curve")
    return how_far_tables(on.baseline, sound, on.limits, names=names)


def as_document(
    index: BulletinIndex, on: ComparisonInputs, result: ComparisonResult, text: str
) -> ComparedOptions:
    """Return a comparison ready to be written as a document; `text` are its options as TOML."""
    from analytics.documents.answer_document import compared_options  # noqa: PLC0415 - on a click

    asked = replace(read_options(text), options=result.options)
    return compared_options(
        asked,
        index.bulletin,
        on.baseline,
        {**result.tables, **result.solved},
        refused=result.refused,
        fallback=f"Rule changes of season {index.card.season}",
    )


def _bare(one: Option) -> Option:
    """Return an option without the changes that say nothing yet, as the form begins them."""
    changes = tuple(change for change in one.changes if set(kinds_of(change)) - {ChangeKind.SPAN})
    return replace(one, changes=changes)
