"""The one place that calls Typst: names stay text, tags are there, the same bytes each time."""

from __future__ import annotations

import io
import re
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pypdf
import pytest
from pypdf.generic import DecodedStreamObject, NameObject

from analytics.documents.typesetting import pdf_of
from tests import pdf_structure

if TYPE_CHECKING:
    from collections.abc import Callable

LIST = """= #data.title
#for name in data.names [ + #name
]
#picture("box", alt: data.alt)
"""
BOX = b"""<svg xmlns="http://www.w3.org/2000/svg" width="100" height="50">
<rect width="50" height="20" fill="red"/><text x="5" y="30" font-size="10">Box 7</text></svg>"""
MADE = datetime(2036, 2, 4, 6, 0, tzinfo=UTC)


def listed(*names: str, made: datetime | None = MADE) -> bytes:
    data = {"title": "A list", "names": names, "alt": "A red box"}
    return pdf_of(LIST, data, {"box": BOX}, made=made)


def text(pdf: bytes) -> str:
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages)


@pytest.mark.parametrize(
    "name",
    [
        "<script>alert(1)</script>",
        '#import "x": y; #panic() *bold* _slant_ $x$ `raw` @ref <label> \\ // /* \\u{41}',
        "=1+1",
        '"; #read("/etc/passwd")',
    ],
)
def test_a_name_is_text_and_never_markup(name):
    assert name in " ".join(text(listed(name)).split())


def test_names_of_other_scripts_are_printed():
    found = text(listed("مرحبا بالعالم", "Зимний лов", "λ 7", "日本語", "🐟"))
    for part in ("مرحبا", "Зимний лов", "λ 7", "🐟"):
        assert part in found


def test_signs_that_no_font_has_are_left_out():
    assert text(listed("a\x00b\x07c\ud800d\u202ee")).strip().endswith("abcde\nBox 7")


def test_a_long_name_stays_on_the_page():
    pdf = listed("m" * 300)
    page = pypdf.PdfReader(io.BytesIO(pdf)).pages[0]
    places: list[float] = []
    page.extract_text(visitor_text=lambda _t, _cm, tm, _f, _s: places.append(tm[4]))
    shown = text(pdf).replace("\u200b", "")
    lines = [line for line in shown.splitlines() if "mmm" in line]
    assert len(lines) > 1
    assert sum(line.count("m") for line in lines) == 300
    assert max(map(len, lines)) < 90
    assert max(places) < float(page.mediabox.width)


def test_it_is_tagged_titled_and_told_apart_from_its_pictures():
    reader = pypdf.PdfReader(io.BytesIO(listed("A")))
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en"
    assert reader.metadata["/Title"] == "A list"
    assert b"pdfuaid" in root["/Metadata"].get_data()
    alts = [
        one.get_object().get("/Alt")
        for one in map(reader.get_object, range(1, len(reader.xref[0])))
        if isinstance(one, dict) and one.get("/S") == "/Figure"
    ]
    assert alts == ["A red box"]


def spoiled(spoil: Callable[[Any], None]) -> bytes:
    """Return a small document after a change of its catalogue."""
    writer = pypdf.PdfWriter(
        clone_from=io.BytesIO(pdf_of(TABLE, {"title": "A", "alt": "B"}, {"box": BOX}))
    )
    spoil(writer)
    writer.write(out := io.BytesIO())
    return out.getvalue()


TABLE = """= #data.title
#table(columns: 2, table.header[a][b], [1], [2])
#picture("box", alt: data.alt)
"""


def element(writer: Any, kind: str) -> Any:
    root = writer._root_object["/StructTreeRoot"]
    return next(one for one in pdf_structure._elements(root) if one["/S"] == kind)


def untag(writer: Any) -> None:
    page = writer.pages[0]
    data = re.sub(
        rb"/\w+\s*<<[^>]*/MCID[^>]*>>\s*BDC", b"/Span BMC", page.get_contents().get_data()
    )
    page[NameObject("/Contents")] = stream = DecodedStreamObject()
    stream.set_data(data)


SPOILED = {
    "not_marked": lambda one: one._root_object.pop("/MarkInfo"),
    "no_language": lambda one: one._root_object.pop("/Lang"),
    "no_tags": lambda one: one._root_object.pop("/StructTreeRoot"),
    "title_not_shown": lambda one: one._root_object.pop("/ViewerPreferences"),
    "not_declared": lambda one: one._root_object.pop("/Metadata"),
    "no_title": lambda one: setattr(one, "metadata", None),
    "no_alternative_text /Figure": lambda one: element(one, "/Figure").pop("/Alt"),
    "skipped_heading /H3": lambda one: element(one, "/H1").update(
        {NameObject("/S"): NameObject("/H3")}
    ),
    "table_without_heads": lambda one: [
        element(one, "/TH").update({NameObject("/S"): NameObject("/TD")}) for _ in range(2)
    ],
    "head_without_scope": lambda one: element(one, "/TH").pop("/A"),
    "uneven_rows": lambda one: element(one, "/TD").update({NameObject("/S"): NameObject("/P")}),
    "content_outside_the_tree 1": lambda one: element(one, "/H1").pop("/K"),
    "untagged_content 1": untag,
}


def test_a_sound_document_has_no_fault_of_structure():
    assert pdf_structure.faults(spoiled(lambda writer: None)) == []


@pytest.mark.parametrize("code", SPOILED)
def test_a_fault_of_structure_is_found(code):
    assert code in pdf_structure.faults(spoiled(SPOILED[code]))


def test_the_same_input_gives_the_same_bytes_and_the_time_is_the_one_given():
    assert listed("A") == listed("A")
    reader = pypdf.PdfReader(io.BytesIO(listed("A")))
    assert reader.metadata["/CreationDate"] == "D:20360204060000Z"
    assert "/CreationDate" not in pypdf.PdfReader(io.BytesIO(listed("A", made=None))).metadata


def test_fonts_are_inside_the_document():
    reader = pypdf.PdfReader(io.BytesIO(listed("Aβ")))
    fonts = [one.get_object() for one in reader.pages[0]["/Resources"]["/Font"].values()]
    assert fonts
    for font in fonts:
        inner = font["/DescendantFonts"][0]["/FontDescriptor"]
        assert {"/FontFile2", "/FontFile3"} & set(inner)
    assert any("Libertinus" in str(font["/BaseFont"]) for font in fonts)
