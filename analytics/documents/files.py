"""The files of documents by name, for commands and pages alike; the workbook is written here.

A bulletin's workbook has result tables with names, a dictionary, the codes, where it comes from.
Every text is written as text: no cell can become a formula, a link or a number by its looks.
"""

from __future__ import annotations

import io
import math
import re
from datetime import date, datetime
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analytics.bulletin.notes import last_note
from analytics.catch_limits import split_list
from analytics.codes import sections, sentences
from analytics.documents.annex import about
from analytics.documents.answer_document import ComparedOptions, answer_document
from analytics.documents.blocks import Imprint, as_html, as_markdown, as_pdf, read_imprint
from analytics.documents.bulletin_document import bulletin_document
from analytics.quantities import QUANTITIES
from analytics.wording.bulletin_index import index_bulletin
from analytics.wording.limits import limit_names

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from analytics.bulletin.archive import Bulletin
    from analytics.bulletin.notes import Note
    from analytics.wording.bulletin_index import BulletinIndex


#: Names of columns, and lines.
Sheet = tuple[tuple[str, ...], list[list[Any]]]

#: The tables of the workbook in order, and what each holds. Draws, residuals and the like are in
#: the files of the tables alone.
TABLES = {
    "rows": "Estimates by area, week, both and season",
    "changes": "Change of each figure from the week before",
    "limit_status": "The season against its limits, and where it goes",
    "limit_paths": "Totals against each limit by week, so far and projected",
    "deaths": "Fish kept, released and dead, by group",
    "shares": "Sublegal share by area and week: design-based and by a model",
    "composition": "Encounters by size and mark",
    "bycatch": "Other species",
    "index": "Standardised catch rates by week",
    "trend": "Smoothed trend of the rates",
    "seasonal_pattern": "Rates of this season and past ones by day",
    "run_strength": "This season against past ones",
    "backtest": "Past seasons projected, and what came",
    "projection_scores": "Projections of earlier bulletins, and what came",
    "assumptions": "What the projections assume",
    "other_basis": "Estimates on the other basis of released fish",
    "alternative_estimates": "Season figures calculated in other ways",
    "coverage": "Boats that land at listed sites, of those asked on the water",
    "strata": "What sampling reached",
    "revisions": "What was revised since the bulletin before, and by which batch",
    "findings": "Findings in the data",
    "areas": "Areas",
}
#: Columns of codes that have their words in a column beside them.
CODED = (
    *("method", "previous_method", "reason", "note", "rule", "purpose", "direction", "evidence"),
    *("survey_direction", "seen", "allowed", "advice", "assumption"),
)
#: Most characters that a cell holds.
_LONGEST = 32_767
_WIDEST = 60
_ENTRY = re.compile(r"^\* `(?P<column>\w+)` \((?P<kind>[^)]*)\)(?:: (?P<meaning>.*))?$")


def workbook(bulletin: Bulletin, *, note: Note | None, imprint: Imprint) -> bytes:
    """Return a bulletin as XLSX; parameters as `bulletin_document`."""
    import xlsxwriter  # noqa: PLC0415 - loads only where a document is made

    index, file = index_bulletin(bulletin), io.BytesIO()
    never = ("strings_to_formulas", "strings_to_urls", "strings_to_numbers")
    book = xlsxwriter.Workbook(file, {"in_memory": True} | dict.fromkeys(never, False))
    made = datetime.fromisoformat(index.card.made_utc).replace(tzinfo=None)
    book.set_properties({"title": f"Bulletin {index.card.bulletin}", "created": made})
    head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
    made_sheets = {name: _lines(index, name) for name in TABLES}
    sheets: dict[str, Sheet] = {
        "about": (("item", "value"), _provenance(index, note, imprint)),
        "sheets": (("sheet", "rows", "holds"), _contents(made_sheets)),
        **made_sheets,
        "dictionary": (("sheet", "column", "kind", "meaning"), _dictionary(made_sheets)),
        "quantities": (("quantity", "label", "unit", "meaning"), _quantities()),
        "codes": (("section", "code", "sentence"), _codes()),
    }
    for name, (heads, lines) in sheets.items():
        _write(book.add_worksheet(name), heads, lines, head)
    book.close()
    return file.getvalue()


def _write(sheet: Any, heads: Sequence[str], lines: Sequence[Sequence[Any]], head: Any) -> None:
    """Write a sheet, its first line the names of columns, which stays in sight and filters."""
    for column, words in enumerate(heads):
        sheet.write_string(0, column, words, head)
    for at, line in enumerate(lines, start=1):
        for column, value in enumerate(line):
            _put(sheet, at, column, value)
    for column, words in enumerate(heads):
        longest = max((len(str(line[column] or "")) for line in lines[:200]), default=0)
        sheet.set_column(column, column, min(max(len(words), longest) + 2, _WIDEST))
    sheet.freeze_panes(1, 0)
    if lines:
        sheet.autofilter(0, 0, len(lines), len(heads) - 1)


def _put(sheet: Any, row: int, column: int, value: Any) -> None:
    """Write a cell by its own type: a missing one is empty, a text never a formula."""
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return
    if isinstance(value, bool):
        sheet.write_boolean(row, column, value)
    elif isinstance(value, int | float):
        sheet.write_number(row, column, value)
    else:
        words = value.isoformat() if isinstance(value, date) else str(value)
        sheet.write_string(row, column, words[:_LONGEST])


def _lines(index: BulletinIndex, name: str) -> Sheet:
    """Return a table with names and words beside its codes: its columns, then its lines."""
    table = index.bulletin.table(name)
    heads: list[str] = []
    columns: list[list[Any]] = []
    for column in table.column_names:
        values = table[column].to_pylist()
        heads.append(column)
        columns.append(values)
        words = _words(index, name, column, values)
        if words:
            heads.append(words[0])
            columns.append(words[1])
    return tuple(heads), [list(line) for line in zip(*columns, strict=True)]


def _words(
    index: BulletinIndex, table: str, column: str, values: list[Any]
) -> tuple[str, list[Any]] | None:
    """Return the column that says another in words; None where it needs none."""
    if column in ("area", "landing_area") and table != "areas":
        return f"{column}_name", [index.name(one) for one in values]
    if column == "areas":
        named = (map(index.name, split_list(one)) for one in values)
        return "areas_name", ["; ".join(one) for one in named]
    if column == "limit_id":
        return "limit_name", list(map(limit_names(index).get, values))
    if column == "quantity":
        return "quantity_label", [_label(one) for one in values]
    if column in CODED:
        known = {one: sentences(one, index.name) for one in set(values) if one}
        return f"{column}_words", [known.get(one) for one in values]
    return None


def _label(cell: str | None) -> str | None:
    """Return the names of one or more quantities for people."""
    if cell is None:
        return None
    return " + ".join(
        QUANTITIES[one].label if one in QUANTITIES else one for one in cell.split(";")
    )


def _contents(sheets: Mapping[str, Sheet]) -> list[list[Any]]:
    found = [[name, len(lines), TABLES[name]] for name, (_, lines) in sheets.items()]
    return [
        *found,
        ["dictionary", None, "What each column of each sheet is"],
        ["quantities", None, "What each quantity is"],
        ["codes", None, "The sentence of every code"],
    ]


def _provenance(index: BulletinIndex, note: Note | None, imprint: Imprint) -> list[list[Any]]:
    card = index.card
    found: list[list[Any]] = [list(one) for one in about(index, imprint)]
    found += [["Confidence level", card.level], ["Basis of released fish", card.basis]]
    found += [["Preliminary", card.preliminary]]
    if note is not None and note.text:
        found += [["Analyst's note", note.text], ["Note by", note.author], ["Note of", note.at_utc]]
    return found


def _dictionary(sheets: Mapping[str, Sheet]) -> list[list[Any]]:
    meanings = _meanings()
    lines: list[list[Any]] = []
    for name, (heads, _) in sheets.items():
        for column in heads:
            # Tables of result rows explain their own columns alone.
            found = meanings.get((name, column)) or meanings.get(("rows", column))
            of = "limit_id" if column == "limit_name" else column.rpartition("_")[0]
            kind, meaning = found or ("text", f"{of} in words")
            lines.append([name, column, kind, meaning])
    return lines


@cache
def _meanings() -> dict[tuple[str, str], tuple[str, str]]:
    """Return kind and meaning of columns by table, as the document of the tables gives them."""
    words = files("analytics").joinpath("docs/data_dictionary.md").read_text(encoding="utf-8")
    found: dict[tuple[str, str], tuple[str, str]] = {}
    table = ""
    for line in words.splitlines():
        if line.startswith("### "):
            table = line.removeprefix("### ").strip()
        elif entry := _ENTRY.match(line):
            found[table, entry["column"]] = (entry["kind"], entry["meaning"] or "")
    return found


def _quantities() -> list[list[Any]]:
    return [[one.name, one.label, one.unit, one.meaning] for one in QUANTITIES.values()]


def _codes() -> list[list[Any]]:
    return [
        [section, name, words] for section, of in sections().items() for name, words in of.items()
    ]


#: The names of an answer's files.
ANSWER_FILES = ("answer.md", "answer.html", "answer.pdf")
#: The names of a bulletin's files.
BULLETIN_FILES = ("bulletin.html", "bulletin.pdf", "bulletin.xlsx")


def bulletin_files(
    bulletin: Bulletin,
    *,
    archive: Path | str | None = None,
    names: Sequence[str] = BULLETIN_FILES,
) -> Mapping[str, bytes]:
    """Return a bulletin as documents, by the names of their files.

    The same bulletin, note and imprint give the same bytes: the time in them is the one at which
    the bulletin was made.

    Parameters
    ----------
    bulletin : Bulletin
    archive : path, optional
        The folder it is kept in, where the analyst's note and the store's imprint are found.
    names : sequence of str
        Those of `BULLETIN_FILES` that are wanted.

    Raises
    ------
    UsageError
        If the imprint cannot be read.
    """
    note, imprint = None, Imprint()
    if archive is not None:
        note = last_note(archive, bulletin.card.bulletin)
        imprint = read_imprint(Path(archive).parent)
    document = cache(lambda: bulletin_document(bulletin, note=note, imprint=imprint))
    return _made(
        names,
        (
            lambda: as_html(document()),
            lambda: as_pdf(document()),
            lambda: workbook(bulletin, note=note, imprint=imprint),
        ),
        all_names=BULLETIN_FILES,
    )


def answer_files(
    compared: ComparedOptions, *, names: Sequence[str] = ANSWER_FILES
) -> Mapping[str, bytes]:
    """Return a comparison of options as documents, by the names of their files that are wanted."""
    document = answer_document(compared)
    makers = (
        lambda: as_markdown(document).encode(),
        lambda: as_html(document),
        lambda: as_pdf(document),
    )
    return _made(names, makers, all_names=ANSWER_FILES)


def _made(
    names: Sequence[str], makers: Sequence[Callable[[], bytes]], *, all_names: Sequence[str]
) -> dict[str, bytes]:
    """Make the files that are wanted, and no other."""
    of = dict(zip(all_names, makers, strict=True))
    return {name: of[name]() for name in names}
