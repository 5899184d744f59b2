"""The one place that calls Typst: names stay text, tags are there, the same bytes each time."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import pypdf
import pytest

from analytics.documents.typesetting import pdf_of

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
