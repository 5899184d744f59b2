"""CSV for people's spreadsheets: every export writes its texts by the one rule that stands here.

A spreadsheet runs a cell that begins with ``=``, ``+``, ``-`` or ``@`` as a formula. Such a text
gets an apostrophe before it, and so does one that has apostrophes before the sign, so that reading
takes exactly one away again. Numbers stay numbers. `dashboard/page_tools.js` has the same rule.
"""

from __future__ import annotations

import csv
import io
import re
from typing import TYPE_CHECKING, Literal

import pyarrow as pa
import pyarrow.compute as pc

from analytics.result_table import to_frame

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

#: A number as text: the same in a spreadsheet and here.
NUMBER = r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?"
#: What a spreadsheet may run: a sign, also a wide one or after blanks, or a tab or an end of line.
RUN = "'*([ \u00a0]*[=+@\uff1d\uff0b\uff0d\uff20-]|[\t\r\n])"
_NUMBER, _RUN, _ESCAPED = re.compile(NUMBER), re.compile(RUN), re.compile(f"'(?={RUN})")
# The writer leaves a return without a quote, and readers take it for the end of a line.
_QUOTING: dict[bool, Literal[0, 2]] = {False: csv.QUOTE_MINIMAL, True: csv.QUOTE_NONNUMERIC}


def harmless(text: str) -> str:
    """Return a text that a spreadsheet shows and does not run."""
    return f"'{text}" if _RUN.match(text) and not _NUMBER.fullmatch(text) else text


def as_meant(text: str) -> str:
    """Return the text that `harmless` was given."""
    return text[1:] if _ESCAPED.match(text) else text


def lines_csv(header: Sequence[str], lines: Iterable[Sequence[object]]) -> str:
    """Return lines under a header as CSV; None is an empty cell."""
    found = [
        [harmless(one) if isinstance(one, str) else one for one in line]
        for line in (header, *lines)
    ]
    has_return = any(isinstance(one, str) and "\r" in one for line in found for one in line)
    sheet = io.StringIO()
    csv.writer(sheet, lineterminator="\n", quoting=_QUOTING[has_return]).writerows(found)
    return sheet.getvalue()


def table_csv(table: pa.Table) -> str:
    """Return a table as CSV, its integers whole also where some are null; null is empty."""
    columns = [_harmless_column(column) for column in table.columns]
    has_return = any(
        pc.any(pc.match_substring(one, "\r")).as_py() for one in columns if _is_text(one.type)
    )
    names = [harmless(name) for name in table.column_names]
    frame = to_frame(pa.Table.from_arrays(columns, names))
    words: str = frame.to_csv(index=False, lineterminator="\n", quoting=_QUOTING[has_return])
    return words


def meant_columns(table: pa.Table) -> pa.Table:
    """Return a table of texts as they were meant, where some were written by `harmless`."""
    for at, column in enumerate(table.columns):
        if pa.types.is_string(column.type) and pc.any(pc.starts_with(column, "'")).as_py():
            texts = [None if one is None else as_meant(one) for one in column.to_pylist()]
            table = table.set_column(at, table.field(at).name, pa.array(texts, pa.string()))
    return table


def _is_text(kind: pa.DataType) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _harmless_column(column: pa.ChunkedArray) -> pa.ChunkedArray:
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    if not _is_text(column.type):
        return column
    if not pc.any(pc.match_substring_regex(column, f"^{RUN}")).as_py():
        return column
    texts = [None if one is None else harmless(one) for one in column.to_pylist()]
    return pa.chunked_array([pa.array(texts, column.type)])
