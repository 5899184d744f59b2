"""Tables spoiled by chance: one seed gives one folder of files, as an import may meet them.

A case begins with sound tables of a week, in one of four kinds of files, and spoils one of them in
one to three ways: in its cells and columns before it is written, or in its bytes after.
"""

from __future__ import annotations

import csv
import datetime as dt
import gzip
import io
import json
import random
import zipfile
from decimal import Decimal
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape, quoteattr

import pyarrow as pa
import pyarrow.parquet as pq

from tests.field_week import field_week

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.field_week import Rows

    Lines = list[list[Any]]

#: What should not stand in a cell, and some that may.
CELLS = (
    *("", " ", "=1+1", "+1", "-1", "@x", "\t", "\r\n", "'=1", '"', "'", ",", ";", "%s", "{}", "\\"),
    *("1e308", "1e999", "-1e999", "NaN", "inf", "-0", "0x10", "1_000", "９", "1,5", ".", "1e"),
    *("9" * 400, "9" * 5000 + "x", "2031-02-30", "0001-01-01", "9999-12-31", "31.01.2031", "24:00"),
    *(
        "true",
        "null",
        "None",
        "🐟",
        "\u202e",
        "e\u0301",
        "a" * 501,
        "b" * 40_000,
        "\x00",
        "\x1b[2J",
    ),
    *("../../etc/passwd", "/etc/passwd", "\ufeff", "\u2028", "x" * 200_000, "d1", "d2", "A"),
)
#: Names of columns, sheets and files.
NAMES = (
    *("", " ", "area", "Area", "areas", "=1", "a\nb", "a\x00b", "../x", "/abs", "x" * 3000, "🐟"),
    *("_batch", "_extra", "_n", "_file", "_row", 'a"b', "a'b", "a]b", "select", "rowid", "batch"),
)
#: Texts at which a file is broken or doubled.
PIECES = (b"", b"\x00", b"\xff", b"\n", b"\r", b'"', b",", b"\xef\xbb\xbf", b"PK\x05\x06", b"PAR1")
OUTLINE = {
    "type": "FeatureCollection",
    "features": [
        {
            "type": "Feature",
            "properties": {"area": area},
            "geometry": {
                "type": "Polygon",
                "coordinates": [[[at, 48], [at + 0.1, 48], [at + 0.1, 48.1], [at, 48]]],
            },
        }
        for area, at in (("A", -123.0), ("B", -122.5))
    ],
}
_HUGE = 1 << 62


def write_case(seed: int, folder: Path) -> str:
    """Write the files of a case into a folder; return its kind, such as ``parquet``."""
    chance = random.Random(seed)
    kind = chance.choice(("csv", "csv", "parquet", "parquet", "xlsx", "xlsx", "geojson"))
    tables = field_week()
    spoiled = chance.choice(list(tables))
    names = [spoiled] if chance.random() < 0.7 else list(tables)
    if kind == "geojson":
        data, name = _geojson(chance), f"areas.{kind}"
    elif kind == "xlsx":
        data, name = _xlsx(chance, tables, names, spoiled), "week.xlsx"
    else:
        write = _csv if kind == "csv" else _parquet
        for one in names:
            if one != spoiled:
                (folder / f"{one}.{kind}").write_bytes(
                    write(chance, *_lines(tables, one), sound=True)
                )
        data, name = (
            write(chance, *_spoiled(chance, tables, spoiled), sound=False),
            f"{spoiled}.{kind}",
        )
    for _ in range(chance.choice((0, 0, 0, 1, 1, 3))):
        data = _bytes(chance, data)
    if chance.random() < 0.05:
        name = chance.choice((name.upper(), f"{name}.csv", f" {name}", name.replace(".", "..")))
    (folder / name).write_bytes(data)
    return kind


# Cells and columns.


def _lines(tables: Rows, name: str) -> tuple[list[str], Lines]:
    rows = tables[name]
    return list(rows[0]), [list(row.values()) for row in rows]


def _spoiled(chance: random.Random, tables: Rows, name: str) -> tuple[list[str], Lines]:
    """Return the header and lines of a table, changed in one to three ways."""
    header, lines = _lines(tables, name)
    for _ in range(chance.choice((0, 1, 1, 2, 3))):
        chance.choice(_WAYS)(chance, header, lines)
    return header, lines


def _cell(chance: random.Random, header: list[str], lines: Lines) -> None:
    if lines and header:
        line = chance.choice(lines)
        line[chance.randrange(len(line) or 1) : 1] = [chance.choice(CELLS)] * bool(line)
        chance.choice(lines)[:1] = [chance.choice(CELLS)]


def _one_cell(chance: random.Random, header: list[str], lines: Lines) -> None:
    line = chance.choice(lines) if lines else []
    if line:
        line[chance.randrange(len(line))] = chance.choice(CELLS)


def _column_of_cells(chance: random.Random, header: list[str], lines: Lines) -> None:
    at = chance.randrange(len(header) or 1)
    for line in lines:
        if at < len(line):
            line[at] = chance.choice(CELLS)


def _header(chance: random.Random, header: list[str], lines: Lines) -> None:
    if header:
        header[chance.randrange(len(header))] = chance.choice((*NAMES, *header))


def _drop_column(chance: random.Random, header: list[str], lines: Lines) -> None:
    at = chance.randrange(len(header) or 1)
    for line in (header, *lines):
        del line[at : at + 1]


def _more_columns(chance: random.Random, header: list[str], lines: Lines) -> None:
    n = chance.choice((1, 1, 2, 60, 1500))
    header += [chance.choice((f"more{at}", f"more{at}", chance.choice(NAMES))) for at in range(n)]
    for line in lines:
        line.extend([chance.choice(CELLS[:40]) if n < 10 else "1"] * n)


def _rows(chance: random.Random, header: list[str], lines: Lines) -> None:
    if lines:
        change = chance.choice(("drop", "double", "blank", "shuffle", "ragged", "none", "many"))
        at = chance.randrange(len(lines))
        lines[at : at + 1] = {
            "drop": [],
            "double": [lines[at], list(lines[at])],
            "blank": [[None] * len(header), lines[at]],
            "ragged": [lines[at][: chance.randrange(1 + len(header))]],
            "many": [list(lines[at]) for _ in range(300)],
        }.get(change, [lines[at]])
        if change == "none":
            lines.clear()
        chance.shuffle(lines)


_WAYS: tuple[Callable[[random.Random, list[str], Lines], None], ...] = (
    *(_one_cell, _one_cell, _cell, _column_of_cells, _header, _drop_column, _more_columns, _rows),
)


def _bytes(chance: random.Random, data: bytes) -> bytes:
    """Return bytes with a flipped bit, a part cut out, doubled, or replaced."""
    if not data:
        return data
    # Sizes and places stand at the end of Parquet and of ZIP archives.
    at = (
        chance.randrange(len(data))
        if chance.random() < 0.6
        else -chance.randint(1, min(len(data), 120))
    )
    at %= len(data)
    end = min(len(data), at + chance.choice((1, 1, 4, 30, 1000)))
    return chance.choice(
        (
            lambda: data[:at] + bytes([data[at] ^ (1 << chance.randrange(8))]) + data[at + 1 :],
            lambda: data[:at] + chance.randbytes(end - at) + data[end:],
            lambda: data[:at],
            lambda: data[at:],
            lambda: data[:at] + data[end:],
            lambda: data[:end] + data[at:],
            lambda: data[:at] + chance.choice(PIECES) + data[at:],
            lambda: data + chance.choice(PIECES) * 3,
        )
    )()


# The kinds of files.


def _csv(chance: random.Random, header: list[str], lines: Lines, *, sound: bool) -> bytes:
    sheet = io.StringIO(newline="")
    style: dict[str, Any] = {"lineterminator": "\n"}
    if not sound and chance.random() < 0.3:
        style["lineterminator"] = chance.choice(("\r\n", "\r", "\n\n"))
        style["delimiter"] = chance.choice((",", ";", "\t", "|"))
        style["quoting"] = chance.choice((csv.QUOTE_MINIMAL, csv.QUOTE_ALL))
    csv.writer(sheet, **style).writerows([header, *lines])
    text = sheet.getvalue()
    if sound or chance.random() < 0.8:
        return text.encode("utf-8", "replace")
    how = chance.choice(
        ("utf-8-sig", "utf-16", "utf-32", "latin-1", "cp1252", "utf-7", "gzip", "quote")
    )
    if how == "gzip":
        return gzip.compress(text.encode())
    if how == "quote":
        return (
            text.replace('"', chance.choice(('""', "'", "")), 1).encode("utf-8", "replace") + b'"'
        )
    return text.encode(how, "replace")


def _arrays(chance: random.Random, values: list[Any]) -> pa.Array:
    """Return values, or others, in a type that Parquet has."""
    n, day = len(values), dt.datetime(2031, 1, 6)
    number = chance.choice((0, 1, -1, 3, 255))
    made: tuple[Callable[[], Any], ...] = (
        lambda: pa.array(map(str, values)).dictionary_encode(),
        lambda: pa.array([str(one).encode() for one in values], pa.binary()),
        lambda: pa.array([b"1234"] * n, pa.binary(4)),
        lambda: pa.array(map(str, values), chance.choice((pa.large_string(), pa.string_view()))),
        lambda: pa.array([Decimal(number)] * n, pa.decimal128(5, 2)),
        lambda: pa.array([Decimal(10) ** 60] * n, pa.decimal256(76, 3)),
        lambda: pa.array([chance.choice((float("nan"), float("inf"), -0.0, 1e308, None))] * n),
        lambda: pa.array([chance.choice((0, (1 << 64) - 1))] * n, pa.uint64()),
        lambda: pa.array([chance.choice((_HUGE, -_HUGE, 0))] * n, pa.int64()),
        lambda: pa.array([number % 128] * n, chance.choice((pa.int8(), pa.uint16(), pa.int32()))),
        lambda: pa.array([1.5] * n, chance.choice((pa.float16(), pa.float32()))),
        lambda: pa.array(
            [day] * n,
            pa.timestamp(chance.choice(["s", "ms", "us", "ns"]), chance.choice((None, "UTC"))),
        ),
        lambda: pa.array([chance.choice((_HUGE, -_HUGE))] * n, pa.int64()).cast(
            pa.timestamp(chance.choice(("us", "ns")))
        ),
        lambda: pa.array([chance.choice((0, 1 << 30, -(1 << 30)))] * n, pa.int32()).cast(
            pa.date32()
        ),
        lambda: pa.array([day.date()] * n, chance.choice((pa.date32(), pa.date64()))),
        lambda: pa.array([dt.time(7, 30)] * n, chance.choice((pa.time32("s"), pa.time64("ns")))),
        lambda: pa.array([dt.timedelta(hours=2)] * n, pa.duration("us")),
        lambda: pa.array([[1, 2]] * n),
        lambda: pa.array([{"a": {"b": [1]}}] * n),
        lambda: pa.array([[("k", 1)]] * n, pa.map_(pa.string(), pa.int64())),
        lambda: pa.array([True, None][:n] + [False] * (n - 2)),
        lambda: pa.nulls(n),
        lambda: pa.ExtensionArray.from_storage(pa.uuid(), pa.array([b"0" * 16] * n, pa.binary(16))),
    )
    return chance.choice(made)()


def _parquet(chance: random.Random, header: list[str], lines: Lines, *, sound: bool) -> bytes:
    lines = [[*line[: len(header)], *[None] * (len(header) - len(line))] for line in lines]
    columns = []
    for at in range(len(header)):
        values = [line[at] for line in lines]
        try:
            columns.append(pa.array(values))
        except (pa.ArrowException, TypeError):
            columns.append(pa.array([None if one is None else str(one) for one in values]))
        if not sound and chance.random() < 0.15:
            columns[-1] = _arrays(chance, values)
    sink = io.BytesIO()
    fields = pa.Table.from_arrays(columns, header) if header else pa.table({})
    how = (
        {}
        if sound
        else {
            "compression": chance.choice(("snappy", "gzip", "zstd", "lz4", "none", "brotli")),
            "row_group_size": chance.choice((1, 2, 1000)),
            "version": chance.choice(("1.0", "2.6")),
            "use_dictionary": chance.random() < 0.5,
            "store_schema": chance.random() < 0.7,
            "data_page_version": chance.choice(("1.0", "2.0")),
        }
    )
    try:
        pq.write_table(fields, sink, **how)
    except (pa.ArrowException, ValueError):  # a type that this way of writing does not have
        texts = [pa.array([str(one) for one in column.to_pylist()]) for column in columns[:1]]
        pq.write_table(pa.Table.from_arrays(texts, header[:1]), sink := io.BytesIO())
    return sink.getvalue()


def _geojson(chance: random.Random) -> bytes:
    content: Any = json.loads(json.dumps(OUTLINE))
    for _ in range(chance.choice((0, 1, 1, 2))):
        places = list(_places(content))
        holder, key = chance.choice(places)
        holder[key] = chance.choice(
            (*CELLS[:40], None, True, 0, -181, 1e300, 10**400, [], {}, [[]], [None], holder[key])
        )
    text = json.dumps(content)
    if chance.random() < 0.15:
        depth = chance.choice((50, 5_000, 100_000))
        deep = "[" * depth + "]" * depth * (chance.random() < 0.8)
        text = text.replace("[[[", f"{deep},[[[", 1) if chance.random() < 0.5 else deep
    if chance.random() < 0.1:
        text = text.replace(
            "48", chance.choice(("NaN", "Infinity", "1" * 5000, "48.", "'48'", "-1e400"))
        )
    return text.encode(chance.choice(("utf-8", "utf-8", "utf-8", "utf-8-sig", "utf-16")))


def _places(content: Any) -> Any:
    """Give every holder and key of a JSON value."""
    pairs = content.items() if isinstance(content, dict) else enumerate(content)
    for key, value in pairs:
        yield content, key
        if isinstance(value, dict | list):
            yield from _places(value)


# Workbooks, written as XML: the libraries that write them would not write what is wrong.

_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_LINK = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_KIND = "application/vnd.openxmlformats-officedocument.spreadsheetml"
_HEAD = '<?xml version="1.0" encoding="UTF-8"?>'


def workbook_parts(sheets: list[tuple[str, str]], strings: list[str]) -> dict[str, bytes]:
    """Return the parts of a workbook whose sheets are given as XML inside `worksheet`."""
    numbers = range(1, len(sheets) + 1)
    link = '<Relationship Id="{}" Type="' + _LINK + '/{}" Target="{}"/>'
    links = "".join(link.format(f"r{n}", "worksheet", f"worksheets/s{n}.xml") for n in numbers)
    links += link.format("rs", "sharedStrings", "sharedStrings.xml")
    related = f'<Relationships xmlns="{_PACKAGE}/relationships">{{}}</Relationships>'
    listed = "".join(
        f'<sheet name={quoteattr(title)} sheetId="{n}" xmlns:r="{_LINK}" r:id="r{n}"/>'
        for n, (title, _) in zip(numbers, sheets, strict=True)
    )
    kinds = "".join(
        f'<Override PartName="/xl/{name}" ContentType="{_KIND}.{kind}+xml"/>'
        for name, kind in (
            ("workbook.xml", "sheet.main"),
            ("sharedStrings.xml", "sharedStrings"),
            *((f"worksheets/s{n}.xml", "worksheet") for n in numbers),
        )
    )
    texts = "".join(f"<si><t>{escape(one)}</t></si>" for one in strings)
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{_PACKAGE}/content-types">{kinds}</Types>',
        "_rels/.rels": related.format(link.format("r1", "officeDocument", "xl/workbook.xml")),
        "xl/workbook.xml": f'<workbook xmlns="{_MAIN}"><sheets>{listed}</sheets></workbook>',
        "xl/_rels/workbook.xml.rels": related.format(links),
        "xl/sharedStrings.xml": f'<sst xmlns="{_MAIN}">{texts}</sst>',
    } | {
        f"xl/worksheets/s{n}.xml": f'<worksheet xmlns="{_MAIN}">{inside}</worksheet>'
        for n, (_, inside) in zip(numbers, sheets, strict=True)
    }
    return {name: (_HEAD + text).encode("utf-8", "replace") for name, text in parts.items()}


def packed(parts: dict[str, bytes]) -> bytes:
    """Return parts as a ZIP archive."""
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return file.getvalue()


def _sheet_xml(
    chance: random.Random, header: list[str], lines: Lines, strings: list[str], *, sound: bool
) -> str:
    def cell(value: Any) -> str:
        text = escape("".join(one for one in str(value) if one.isprintable() or one in "\t\n"))
        if not sound and chance.random() < 0.03:
            return chance.choice(_CELLS_XML).format(escape(text))
        if value is None:
            return "<c/>"
        if isinstance(value, int | float) and not isinstance(value, bool):
            return f"<c><v>{value}</v></c>"
        if chance.random() < 0.5:
            return f'<c t="inlineStr"><is><t>{text}</t></is></c>'
        strings.append(text[:5000])
        return f'<c t="s"><v>{len(strings) - 1}</v></c>'

    rows = "".join(f"<row>{''.join(map(cell, line))}</row>" for line in (header, *lines))
    if not sound and chance.random() < 0.1:
        place = chance.choice(("0", "-1", "7", "1048576", "1048577", "2000000000", "x", "1e3"))
        rows = rows.replace("<row>", f'<row r="{place}">', chance.randint(1, 3))
    more = chance.choice(_SHEET_XML) if not sound and chance.random() < 0.15 else ""
    return f"<sheetData>{rows}</sheetData>{more}"


_CELLS_XML = (
    *('<c t="s"><v>99999</v></c>', '<c t="s"><v>-1</v></c>', '<c t="s"><v>x</v></c>', '<c t="s"/>'),
    *("<c><f>1+1</f><v>2</v></c>", "<c><f>{}</f></c>", '<c t="str"><f>"a"</f><v>=cmd</v></c>'),
    *('<c t="e"><v>#N/A</v></c>', '<c t="d"><v>2031-01-06</v></c>', '<c t="d"><v>{}</v></c>'),
    *(
        '<c t="b"><v>1</v></c>',
        '<c t="b"><v>{}</v></c>',
        '<c t="what"><v>1</v></c>',
        "<c><v>{}</v></c>",
    ),
    *(
        '<c r="A0"><v>1</v></c>',
        '<c r="XFD9"><v>1</v></c>',
        '<c r="ZZZZ1"><v>1</v></c>',
        '<c r="1"/>',
    ),
    *('<c s="9"><v>45000</v></c>', '<c s="-1"><v>1</v></c>', "<c><v>" + "9" * 5000 + "</v></c>"),
    *(
        "<c><v>1e999</v></c>",
        "<c><v>-1e20</v></c>",
        "<c><v/></c>",
        '<c t="inlineStr"><is><r><t>{}</t></r></is></c>',
    ),
    *(
        '<c><f t="shared" si="0"/><v>1</v></c>',
        '<c><f t="array" ref="A1:B2">1</f><v>1</v></c>',
        "<row/>",
    ),
)
_SHEET_XML = (
    *(
        '<mergeCells><mergeCell ref="A2:B3"/></mergeCells>',
        '<mergeCells><mergeCell ref="x"/></mergeCells>',
    ),
    *(
        '<hyperlinks><hyperlink ref="A1" location="file:///etc/passwd"/></hyperlinks>',
        "<a>" * 9_000 + "</a>" * 9_000,
    ),
    *(
        '<dimension ref="A1:XFD1048576"/>',
        "<sheetData><row><c><v>1</v></c></row></sheetData>",
        "</worksheet>",
    ),
)


def _xlsx(chance: random.Random, tables: Rows, names: list[str], spoiled: str) -> bytes:
    strings: list[str] = []
    sheets = [
        (
            one,
            _sheet_xml(chance, *_spoiled(chance, tables, one), strings, sound=False)
            if one == spoiled
            else _sheet_xml(chance, *_lines(tables, one), strings, sound=True),
        )
        for one in names
    ]
    if chance.random() < 0.1:
        sheets.append((chance.choice((*NAMES[1:6], spoiled, "../../x", "=cmd()")), sheets[0][1]))
    parts = workbook_parts(sheets, strings)
    for _ in range(chance.choice((0, 0, 0, 1, 2))):
        name = chance.choice(list(parts))
        if chance.random() < 0.3:
            del parts[name]
        elif chance.random() < 0.3:
            parts[chance.choice(("/etc/x", "../../x.xml", "xl/vbaProject.bin", name.upper()))] = (
                parts[name]
            )
        elif chance.random() < 0.2:
            parts[name] = parts[name].replace(
                b"?>",
                b'?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;">]>',
                1,
            )
        elif chance.random() < 0.2:
            parts[name] = (
                parts[name].replace(b"UTF-8", b"UTF-16").decode(errors="replace").encode("utf-16")
            )
        else:
            parts[name] = _bytes(chance, parts[name])
    return packed(parts)
