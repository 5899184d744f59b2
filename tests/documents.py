"""The parts of the documents that the program writes itself.

``python -m tests.documents`` renews every generated section of every document; with names of
sections, such as ``commands files``, only those. A section stands between
``<!-- generated: NAME -->`` and ``<!-- end: NAME -->``.
"""

from __future__ import annotations

import argparse
import ast
import dataclasses
import inspect
import re
import sys
import textwrap
import types
import typing
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING

import click

from analytics import codes
from analytics.bulletin.archive import TABLE_SCHEMAS
from analytics.bulletin.build import bulletin_of
from analytics.cli.demo_store import demo_tables
from analytics.cli.group import blackmouth
from analytics.data.columns import TEXT_CEILING
from analytics.data.schema import TABLES
from analytics.data.snapshot import Snapshot
from analytics.estimates.schemas import REPLICATE_SCHEMA, REPLICATE_WEIGHT_SCHEMA
from analytics.quantities import QUANTITIES
from analytics.result_table import COLUMN_MEANINGS, FIGURE_SCHEMA, RESULT_SCHEMA
from analytics.settings import EstimationSettings
from analytics.wording import bulletin_index, numbers
from analytics.wording import week as sentences
from tests import catalogues

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    import pyarrow as pa

    from analytics.bulletin.archive import Bulletin
    from analytics.data.schema import Column, Table

ROOT = Path(__file__).parents[1]
DOCUMENTS = (
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    *sorted((ROOT / "analytics" / "docs").glob("*.md")),
)
SECTION = re.compile(r"(<!-- generated: ([\w ]+) -->\n).*?(<!-- end: \2 -->)", re.DOTALL)
PRODUCT = ("analytics", "dashboard")
#: Quantities of the worked week in the README.
SHOWN = (
    "angler_trips",
    "kept_fish",
    "encounter_fish",
    "encounters_per_angler_hour",
    "sublegal_prop",
    "release_deaths_fish",
    "total_deaths_fish",
)


def demo_snapshot() -> Snapshot:
    """Return the demo season's tables as they stand in the repository."""
    folder = ROOT / "demo_parquet"
    return Snapshot.of(demo_tables(folder))


def demo_bulletin() -> Bulletin:
    """Return the bulletin of the newest demo season."""
    return bulletin_of(demo_snapshot())


def worked_week() -> str:
    """Return the last week of the demo season: the sentence, and a table of figures."""
    bulletin = demo_bulletin()
    index, week = bulletin_index.index_bulletin(bulletin), bulletin.card.through
    lines = [f"> {sentences.week_answer(index, area=None, week=week)}", ""]
    lines += [f"| {week}, all areas | estimate | PSE | change from the week before |"]
    lines += ["|---|---|---|---|"]
    for quantity in SHOWN:
        row = index.row(None, week, quantity)
        change = numbers.change(index.change(None, week, quantity))
        label = QUANTITIES[quantity].label
        lines += [f"| {label} | {numbers.figure(row)} | {row.pse:.0f} % | {change} |"]
    return "\n".join(lines)


def result_columns() -> str:
    """Return the columns of a result row."""
    return ", ".join(f"`{name}`" for name in RESULT_SCHEMA.names)


def quantities() -> str:
    """Return a heading for every quantity, with unit, kind and meaning."""
    return "\n\n".join(
        f"### `{one.name}`\n\n{one.label}; unit `{one.unit}`; {one.kind}. {one.meaning}"
        for one in QUANTITIES.values()
    )


def registry() -> str:
    """Return the sections of the registry of codes, each code with its sentence."""
    return "\n\n".join(_codes(title, found) for title, found in codes.sections().items())


def _codes(title: str, found: dict[str, str]) -> str:
    lines = [f"### {title}", "", "| code | arguments | sentence |", "|---|---|---|"]
    for name, words in found.items():
        arguments = ", ".join(f"`{one}`" for one in sorted(codes.arguments_of(name)))
        shown = re.sub(r"\{(\w+)(?::[^}]*)?\}", r"*\1*", words)
        lines.append(f"| `{name}` | {arguments} | {shown} |")
    return "\n".join(lines)


def settings() -> str:
    """Return a heading for every setting of the estimation, with its values."""
    meanings = dict(_parameters(EstimationSettings.__doc__ or ""))
    kinds = typing.get_type_hints(EstimationSettings)
    return "\n\n".join(
        f"### `{one.name}`\n\n{meanings[one.name]} Values: {_values(kinds[one.name])}."
        for one in dataclasses.fields(EstimationSettings)
    )


def _values(kind: type) -> str:
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        return ", ".join(f"`{word}`" for word in kind)
    if kind is bool:
        return "`False`, `True`"
    if isinstance(kind, types.UnionType):
        return "`None`, or a number"
    raise ValueError(f"no words for values of {kind}")


def _parameters(docstring: str) -> Iterator[tuple[str, str]]:
    """Yield name and meaning of the parameters of a numpydoc docstring."""
    _, _, body = inspect.cleandoc(docstring).partition("----------\n")
    for name, meaning in re.findall(r"^(\w+) : .*\n((?: {4}.*\n?)+)", body, re.MULTILINE):
        yield name, " ".join(meaning.split())


def input_tables() -> str:
    """Return every input table with its columns."""
    head = (
        f"Text is on one line, at most {TEXT_CEILING} characters long, and does not begin with "
        "`=`, `+`, `-` or `@`, which a spreadsheet would run as a formula."
    )
    return "\n\n".join([head, *map(_table, TABLES.values())])


def _table(table: Table) -> str:
    rows = "\n".join(_column(column, column.name in table.key) for column in table.columns)
    return (
        f"### {table.name}\n\n{table.meaning}\n\n"
        f"| column | holds | unit | allowed | meaning |\n|---|---|---|---|---|\n{rows}"
    )


def _column(column: Column, is_key: bool) -> str:
    name = f"`{column.name}`" + ("*" if is_key else "")
    need = "" if column.filled else ", may be empty" if column.required else ", optional"
    allowed = "; ".join(_allowed(column))
    return f"| {name} | {column.kind}{need} | {column.unit} | {allowed} | {column.meaning} |"


def _allowed(column: Column) -> Iterator[str]:
    if column.allowed:
        yield ", ".join(f"`{word}`" for word in column.allowed)
    if column.low is not None or column.high is not None:
        yield f"{_number(column.low)} to {_number(column.high)}"
    if column.plausible_high is not None:
        yield f"warning over {_number(column.plausible_high)}"
    if column.pattern:
        yield column.pattern.words
    if column.part_of:
        yield f"at most `{column.part_of}`"
    if column.refers_to:
        yield f"in `{column.refers_to}`"
    if column.default is not None:
        yield f"empty means `{column.default}`".replace("|", "\\|")


def _number(value: float | None) -> str:
    return "any" if value is None else f"{value:,.10g}"


def bulletin_tables() -> str:
    """Return the tables of a bulletin, explained by the comments of their schemas."""
    return "\n\n".join(_bulletin_table(name, schema) for name, schema in TABLE_SCHEMAS.items())


def exported_tables() -> str:
    """Return the tables of replicate weights, explained as those of a bulletin."""
    tables = {"replicate_weights": REPLICATE_WEIGHT_SCHEMA, "replicates": REPLICATE_SCHEMA}
    return "\n\n".join(_bulletin_table(name, schema) for name, schema in tables.items())


def _bulletin_table(name: str, schema: pa.Schema) -> str:
    meaning, notes = _comments(schema)
    shown = schema
    parts = [f"### {name}", meaning]
    if schema != RESULT_SCHEMA and set(FIGURE_SCHEMA.names) <= set(schema.names):
        shown = [field for field in schema if field.name not in FIGURE_SCHEMA.names]
        parts += ["The columns of a result row, and:"]
    return "\n\n".join([*parts, "\n".join(_field(field, notes) for field in shown)])


def _field(field: pa.Field, notes: dict[str, str]) -> str:
    words = {"double": "number", "string": "text", "int64": "integer", "bool": "true or false"}
    words |= {"date32[day]": "date", "list<item: float>": "numbers"}
    note = notes.get(field.name) or COLUMN_MEANINGS.get(field.name)
    return f"* `{field.name}` ({words[str(field.type)]})" + (f": {note}" if note else "")


def _comments(schema: pa.Schema) -> tuple[str, dict[str, str]]:
    """Return the comment above a schema and those of its fields, as they stand in its module."""
    above, below = _source_of(schema)
    meaning = re.search(r"(?:^#: .*\n?)+\Z", above, re.MULTILINE)
    if meaning is None:
        raise ValueError(f"a schema has no comment that begins with #: ({schema.names})")
    words = meaning[0].replace("#: ", "").replace("``", "`")
    notes = re.findall(r'^ *(?:pa\.field)?\("(\w+)".*?# (.*)$', below, re.MULTILINE)
    return " ".join(words.split()), dict(notes)


def _source_of(schema: pa.Schema) -> tuple[str, str]:
    """Return the source of a schema's module above the schema, and that of the schema."""
    for module in [one for name, one in sys.modules.items() if name.startswith("analytics.")]:
        for name in [name for name, value in vars(module).items() if value is schema]:
            above, found, below = inspect.getsource(module).partition(f"\n{name} = ")
            if found:
                return above, below.partition("\n\n")[0]
    raise ValueError(f"no module makes the schema of {schema.names}")


def commands() -> str:
    """Return a heading for every command, with its help."""
    top = click.Context(blackmouth, info_name="blackmouth")
    parts = []
    for name, command in sorted(blackmouth.commands.items()):
        context = click.Context(command, info_name=name, parent=top)
        usage = " ".join(command.collect_usage_pieces(context))
        options = (one.get_help_record(context) for one in command.params)
        parts += [f"## {name}", f"```text\nblackmouth {name} {usage}\n```"]
        parts += _paragraphs(inspect.cleandoc(command.help or ""))
        parts += ["\n".join(f"* `{one[0]}`: {one[1]}" for one in options if one)]
        parts += _paragraphs(command.epilog or "")
    return "\n\n".join(parts)


def _paragraphs(words: str) -> Iterator[str]:
    """Yield the paragraphs of a help text; what click leaves unwrapped stands as it is."""
    for paragraph in re.split(r"\n{2,}", words.strip("\n")):
        if not paragraph.startswith("\b\n"):
            yield " ".join(paragraph.split())
            continue
        title, _, body = paragraph.removeprefix("\b\n").partition("\n")
        yield f"{title}\n\n```text\n{textwrap.dedent(body).rstrip()}\n```"


def pages() -> str:
    """Return a heading for every page of the dashboard, with the first line of its script."""
    from dashboard.pages import DATA, RESULTS

    parts = []
    for script, title in (RESULTS | DATA).items():
        file = ROOT / "dashboard" / "app_pages" / f"{script}.py"
        words = _first_line(file).removeprefix("The page ").removeprefix(f"{title}: ")
        parts += [f"### {title}", words[:1].upper() + words[1:]]
    return "\n\n".join(parts)


def files() -> str:
    """Return every file of the product with the first line of its docstring, by folder."""
    parts = []
    for folder in _folders():
        names = sorted(path for path in folder.glob("*.py") if path.name != "__init__.py")
        room = folder.relative_to(ROOT).as_posix()
        lines = [f"* `{path.name}`: {_first_line(path)}" for path in names]
        parts += [f"### {room}/", _first_line(folder / "__init__.py"), "\n".join(lines)]
    return "\n\n".join(part for part in parts if part)


def _folders() -> Iterable[Path]:
    return sorted(path.parent for top in PRODUCT for path in (ROOT / top).rglob("__init__.py"))


def _first_line(path: Path) -> str:
    docstring = ast.get_docstring(ast.parse(path.read_text())) or ""
    return " ".join(docstring.partition("\n\n")[0].split())


SECTIONS: dict[str, Callable[[], str]] = {
    "worked week": worked_week,
    "result columns": result_columns,
    "quantities": quantities,
    "codes": registry,
    "settings": settings,
    "input tables": input_tables,
    "bulletin tables": bulletin_tables,
    "exported tables": exported_tables,
    "commands": commands,
    "pages": pages,
    "files": files,
}


def sections(document: str) -> dict[str, str]:
    """Return the text of every generated section of a document by its name."""
    return {
        found[2]: found[0].removeprefix(found[1]).removesuffix(found[3]).strip("\n")
        for found in SECTION.finditer(document)
    }


def renewed(document: str, names: Iterable[str] = SECTIONS) -> str:
    """Return a document with the named sections written anew.

    Raises
    ------
    KeyError
        If the document has a section that nothing writes.
    """

    def write(found: re.Match[str]) -> str:
        write_section = SECTIONS[found[2]]
        return f"{found[1]}\n{write_section()}\n\n{found[3]}" if found[2] in names else found[0]

    return SECTION.sub(write, document)


def main() -> None:
    """Renew the documents."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("section", nargs="*", choices=[[], *SECTIONS], metavar="SECTION")
    names = parser.parse_args().section or list(SECTIONS)
    for path in DOCUMENTS:
        path.write_text(renewed(path.read_text(), names))
    catalogues.renew()


if __name__ == "__main__":
    main()
