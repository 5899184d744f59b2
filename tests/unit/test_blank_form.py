"""The blank paper form: every field of the schema in its order, its caution, three tagged pages."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import pypdf
import pytest
from click.testing import CliRunner

from analytics.cli.group import blackmouth
from analytics.data.schema import ColumnKind
from analytics.documents.paper_form import PARTS, blank_form, head
from tests import pdf_structure

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module")
def pages() -> list[str]:
    found = pypdf.PdfReader(io.BytesIO(blank_form())).pages
    return [" ".join(page.extract_text().split()) for page in found]


def test_fields_stand_in_the_order_of_the_schema(pages: list[str]):
    for name, part in PARTS.items():
        text = pages[2 if name in ("fish", "bycatch") else 0]
        at = text.index(part.title) if part.lines else 0
        for column in part.columns:
            words = head(column)[:1].upper() + head(column)[1:]
            words += " y/n" if column.kind is ColumnKind.FLAG else ""
            at = text.index(words, at)


def test_it_has_three_pages_with_a_line_a_boat_and_the_caution(pages: list[str]):
    assert len(pages) == 3
    assert "safety comes before the sample" in pages[0]
    assert "Local rules" in pages[0]
    assert " 1 2 3 4 5 6 7 8 9 10 11 12 " in pages[0]
    last = PARTS["boats"].lines
    assert f" 13 14 15 16 17 18 19 20 21 22 23 24 25 26 27 {last} " in pages[1]


def test_it_is_tagged_and_the_same_each_time():
    form = blank_form()
    reader = pypdf.PdfReader(io.BytesIO(form))
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert pdf_structure.faults(form) == []
    assert reader.metadata.title == "Site-day form"
    assert blank_form() == form


def test_the_command_writes_it(tmp_path: Path):
    out = tmp_path / "form.pdf"
    run = CliRunner().invoke(blackmouth, ["form", "--out", str(out)], standalone_mode=False)
    assert run.exception is None
    assert out.read_bytes() == blank_form()


@pytest.mark.parametrize("name", ["form.txt", "form", "no/such/form.pdf"])
def test_wrong_use_writes_nothing(tmp_path: Path, name: str):
    run = CliRunner().invoke(blackmouth, ["form", "--out", str(tmp_path / name)])
    assert run.exit_code == 1  # raised; the entry makes a message and status 2 of it
    assert type(run.exception).__name__ == "UsageError"
    assert list(tmp_path.iterdir()) == []
