"""Where the pages call the engine: kept draws in, tables of answers out; nothing is estimated."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from analytics.catch_limits import split_list
from analytics.errors import UsageError
from analytics.options.baseline_io import from_table, limits_of
from analytics.options.option_file import read_options
from analytics.options.schemas import ANSWER_SCHEMAS
from dashboard.options import records
from dashboard.options.change_kinds import ChangeKind, kinds_of
from dashboard.options.option_sets import FirstLimit

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pyarrow as pa

    from analytics.documents.answer_document import ComparedOptions
    from analytics.options.baseline import Baseline, Limit
    from analytics.options.compare import Fans
    from analytics.options.option import Option
    from analytics.wording.bulletin_index import BulletinIndex
    from dashboard.options.records import Answered


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
    limits, left_out = limits_of(standing)
    row = next((row for row in standing.to_pylist() if row["is_binding"]), None)
    if row is None:
        return ComparisonInputs(from_table(draws), limits, left_out)
    first = FirstLimit(split_list(row["areas"]), row["exceedance_date_p50"])
    return ComparisonInputs(from_table(draws), limits, left_out, row["limit_id"], first)


def compare(on: ComparisonInputs, text: str) -> ComparisonResult:
    """Return the answer to options as TOML: refused ones left out, idle changes not counted."""
    from analytics.options.compare import TODAY, compare_options  # noqa: PLC0415 - other pages do without it
    from analytics.options.option_checks import split_valid  # noqa: PLC0415

    options = tuple(_bare(one) for one in read_options(text).options)
    sound, refused = split_valid(on.baseline, options, areas={}, today=TODAY, limits=on.limits)
    found = compare_options(on.baseline, sound, on.limits)
    tables = {name: getattr(found, name) for name in ANSWER_SCHEMAS}
    answer = records.read(tables, binding=on.binding, through=on.baseline.through)
    return ComparisonResult(tables, answer, found.fans, refused, found.solved, found.options[1:])


def how_far(on: ComparisonInputs, text: str, *, is_frontier: bool) -> Mapping[str, pa.Table]:
    """Return the answers of options as TOML that ask how far a rule may go, or their frontier.

    Raises
    ------
    UsageError
        If an option asks for what the season cannot support.
    """
    from analytics.options.compare import TODAY, how_far_tables  # noqa: PLC0415 - as above
    from analytics.options.option_checks import split_valid  # noqa: PLC0415

    options = tuple(_bare(one) for one in read_options(text).options)
    sound, refused = split_valid(on.baseline, options, areas={}, today=TODAY, limits=on.limits)
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
