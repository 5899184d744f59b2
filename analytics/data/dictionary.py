"""The data dictionary as Markdown, written into the README from the schema itself.

A test fails where the README's is out of date.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.data.columns import TEXT_CEILING
from analytics.data.schema import TABLES
from analytics.units import QUANTITIES

if TYPE_CHECKING:
    from analytics.data.schema import Column, Table

_TEXT = (
    f"Text is on one line, at most {TEXT_CEILING} characters long, and does not begin with "
    "`=`, `+`, `-` or `@`, which a spreadsheet would run as a formula."
)
START, END = "<!-- dictionary: start -->", "<!-- dictionary: end -->"


def dictionary() -> str:
    """Return every input table and result quantity as Markdown."""
    parts = [_table(table) for table in TABLES.values()]
    quantities = "\n".join(
        f"| `{one.name}` | {one.unit} | {one.meaning} |" for one in QUANTITIES.values()
    )
    head = "### Quantities of the result rows\n\n| quantity | unit | meaning |\n|---|---|---|\n"
    return "\n\n".join([_TEXT, *parts, head + quantities])


def renewed(text: str) -> str:
    """Return a document with the dictionary between its two marks renewed.

    Raises
    ------
    ValueError
        If the marks are not there.
    """
    before, start, rest = text.partition(START)
    _, end, after = rest.partition(END)
    if not (start and end):
        raise ValueError(f"the document lacks {START} or {END}")
    return f"{before}{START}\n\n{dictionary()}\n\n{END}{after}"


def _table(table: Table) -> str:
    rows = "\n".join(_row(column, column.name in table.key) for column in table.columns)
    return (
        f"### {table.name}\n\n{table.meaning}\n\n"
        f"| column | holds | unit | allowed | meaning |\n|---|---|---|---|---|\n{rows}"
    )


def _row(column: Column, is_key: bool) -> str:
    name = f"`{column.name}`" + ("*" if is_key else "")
    return f"| {name} | {_holds(column)} | {column.unit} | {_allowed(column)} | {column.meaning} |"


def _holds(column: Column) -> str:
    need = "" if column.filled else ", may be empty" if column.required else ", optional"
    return f"{column.kind}{need}"


def _allowed(column: Column) -> str:
    words = []
    if column.allowed:
        words.append(", ".join(f"`{word}`" for word in column.allowed))
    if column.low is not None or column.high is not None:
        words.append(f"{_number(column.low)} to {_number(column.high)}")
    if column.plausible_high is not None:
        words.append(f"warning over {_number(column.plausible_high)}")
    if column.pattern:
        words.append(column.pattern.words)
    if column.part_of:
        words.append(f"at most `{column.part_of}`")
    if column.refers_to:
        words.append(f"in `{column.refers_to}`")
    if column.default is not None:
        words.append(f"empty means `{column.default}`".replace("|", "\\|"))
    return "; ".join(words)


def _number(value: float | None) -> str:
    return "any" if value is None else f"{value:,.10g}"
