"""What PDF/UA-1 (ISO 14289-1) asks of a document's structure, as far as a program can see it.

It says whether all is tagged and named; whether the words are good is for readers.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import pypdf
from pypdf.generic import ArrayObject, ContentStream, DictionaryObject

if TYPE_CHECKING:
    from collections.abc import Iterator

#: Operators that show something: text, lines and areas, pictures.
_SHOWN = frozenset(
    (b"Tj", b"TJ", b"'", b'"', b"f", b"F", b"f*", b"B", b"B*", b"b", b"b*", b"S", b"s", b"Do")
) | {b"sh", b"INLINE IMAGE"}


def faults(pdf: bytes) -> list[str]:
    """Return a code for each thing that lacks, with its page or its kind; none for a sound one."""
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    root = reader.trailer["/Root"]
    found = [*_of_document(reader, root)]
    if "/StructTreeRoot" not in root:
        return [*found, "no_tags"]
    elements = [*_elements(root["/StructTreeRoot"])]
    found += _of_elements(elements)
    tagged = {(_page_of(one), mcid) for one in elements for mcid in _contents(one)}
    for number, page in enumerate(reader.pages, 1):
        found += [f"{code} {number}" for code in _of_page(reader, page, tagged)]
    return found


def _of_document(reader: pypdf.PdfReader, root: Any) -> Iterator[str]:
    if not root.get("/MarkInfo", {}).get("/Marked"):
        yield "not_marked"
    if not str(root.get("/Lang", "")):
        yield "no_language"
    if not (reader.metadata or {}).get("/Title"):
        yield "no_title"
    if not root.get("/ViewerPreferences", {}).get("/DisplayDocTitle"):
        yield "title_not_shown"
    if b"pdfuaid" not in (root["/Metadata"].get_data() if "/Metadata" in root else b""):
        yield "not_declared"


def _elements(place: Any) -> Iterator[Any]:
    """Yield every element of the tree, parents first."""
    for one in _kids(place):
        if isinstance(one, DictionaryObject) and "/S" in one:
            yield one
            yield from _elements(one)


def _kids(element: Any) -> list[Any]:
    kids = element.get("/K", ArrayObject())
    return [one.get_object() for one in (kids if isinstance(kids, ArrayObject) else [kids])]


def _contents(element: Any) -> list[int]:
    """Return the numbers of the marked contents that an element holds itself."""
    found = _kids(element)
    marked = [one["/MCID"] for one in found if isinstance(one, DictionaryObject) and "/MCID" in one]
    return [int(one) for one in found if isinstance(one, int)] + marked


def _page_of(element: Any) -> int:
    """Return the object number of the page that an element's contents lie on; 0 for none."""
    page = element.raw_get("/Pg") if "/Pg" in element else None
    if page is None:
        for held in _kids(element):
            if isinstance(held, DictionaryObject) and "/Pg" in held:
                page = held.raw_get("/Pg")
    return page.idnum if page is not None else 0


def _of_elements(elements: list[Any]) -> Iterator[str]:
    level = 0
    for one in elements:
        kind = str(one["/S"])
        if kind in ("/Figure", "/Formula") and not str(one.get("/Alt", "")).strip():
            yield f"no_alternative_text {kind}"
        if kind == "/Link" and not _has_object(one):
            yield "link_without_place"
        if kind[:2] == "/H" and kind[2:].isdigit():
            if int(kind[2:]) > level + 1:
                yield f"skipped_heading {kind}"
            level = int(kind[2:])
        if kind == "/Table":
            yield from _of_table(one)


def _has_object(element: Any) -> bool:
    held = [one for one in _kids(element) if isinstance(one, DictionaryObject)]
    return any(one.get("/Type") == "/OBJR" for one in held)


def _of_table(table: Any) -> Iterator[str]:
    inside = [*_elements(table)]
    heads = [one for one in inside if one["/S"] == "/TH"]
    if not heads:
        yield "table_without_heads"
    if any("/Scope" not in str(_attributes(one)) for one in heads):
        yield "head_without_scope"
    widths = set()
    for row in (one for one in inside if one["/S"] == "/TR"):
        cells = [one for one in _elements(row) if one["/S"] in ("/TH", "/TD")]
        widths.add(sum(_span(one) for one in cells))
    if len(widths) > 1 and not any(_span(one, "/RowSpan") > 1 for one in inside):
        yield "uneven_rows"


def _attributes(element: Any) -> list[Any]:
    found = element.get("/A", ArrayObject())
    return [one.get_object() for one in (found if isinstance(found, ArrayObject) else [found])]


def _span(element: Any, name: str = "/ColSpan") -> int:
    spans = [one.get(name) for one in _attributes(element) if isinstance(one, DictionaryObject)]
    return int(next((one for one in spans if one is not None), 1))


def _of_page(reader: pypdf.PdfReader, page: Any, tagged: set[tuple[int, int]]) -> set[str]:
    found, marks = set(), []
    for operands, operator in ContentStream(page.get_contents(), reader).operations:
        if operator in (b"BDC", b"BMC"):
            named = operands[1] if len(operands) > 1 else {}
            marks.append((str(operands[0]), named))
            if isinstance(named, DictionaryObject) and "/MCID" in named:
                place = (page.indirect_reference.idnum, int(named["/MCID"]))
                found |= set() if place in tagged else {"content_outside_the_tree"}
        elif operator == b"EMC":
            marks.pop()
        elif operator in _SHOWN and not any(_is_known(*one) for one in marks):
            found.add("untagged_content")
    for font in page["/Resources"].get("/Font", {}).values():
        if not _is_embedded(font.get_object()):
            found.add("font_outside_the_file")
    if page.get("/Annots") and page.get("/Tabs") != "/S":
        found.add("no_order_of_tabs")
    return found


def _is_known(kind: str, named: Any) -> bool:
    """Whether a mark says what its content is: part of the tree, or of no meaning."""
    return kind == "/Artifact" or (isinstance(named, DictionaryObject) and "/MCID" in named)


def _is_embedded(font: Any) -> bool:
    inner = font.get("/DescendantFonts", [font])[0].get_object()
    held = inner.get("/FontDescriptor", {})
    return inner["/Subtype"] == "/Type3" or any("/FontFile" in str(name) for name in held)
