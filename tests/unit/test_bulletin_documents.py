"""Documents of bulletins say what the tables say, of thin weeks and with bad names, too."""

from __future__ import annotations

import errno
import io
import math
import re
import zipfile
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import pyarrow as pa
import pyarrow.compute as pc
import pypdf
import pytest

from analytics.bulletin.archive import Bulletin, load
from analytics.bulletin.notes import add_note
from analytics.documents import annex, figures
from analytics.documents.blocks import Imprint, read_imprint
from analytics.documents.bulletin_document import bulletin_document
from analytics.documents.files import BULLETIN_FILES, TABLES, bulletin_files
from analytics.errors import UsageError
from analytics.wording import limits, numbers, week
from analytics.wording.bulletin_index import index_bulletin
from tests import pdf_structure
from tests.app.sample_bulletin import NOW, make

ARCHIVE = Path(__file__).parent / "old_bulletin_3"
HARD = [
    "<script>alert(1)</script>",
    "مرحبا بالعالم",
    "#let *x* _y_ $z$ @ref",
    "=1+1",
    "n" * 300,
]


@pytest.fixture(scope="module")
def full() -> Bulletin:
    """Return a bulletin of the demo season, with every table."""
    return load(ARCHIVE, next(ARCHIVE.glob("[!.]*")).name)


@pytest.fixture(scope="module")
def made(full: Bulletin) -> dict[str, bytes]:
    return dict(bulletin_files(full))


class Text(HTMLParser):
    """The words of a page, without its style."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self._skips = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._skips = tag == "style"
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        if not self._skips:
            self.words.append(data)


def read(page: bytes) -> Text:
    found = Text()
    found.feed(page.decode())
    return found


def plain(words: str) -> str:
    """Return words without what only lines and long words need."""
    return re.sub(r"\s+", "", words.replace("\u200b", "").replace("\\", "").replace("**", ""))


def pages(pdf: bytes) -> list[str]:
    return [plain(page.extract_text()) for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]


def test_two_pages_for_the_manager_and_an_annex(full, made):
    assert tuple(made) == BULLETIN_FILES
    first, second, third, *_ = pages(made["bulletin.pdf"])
    assert "Keypoints" in first
    assert plain(numbers.week_dates(full.card.through)) in first
    assert "Limits" in first
    assert "Whatisuncertain" in second
    assert "Annex" in third


def test_page_and_pdf_say_the_same_words(made):
    page, pdf = read(made["bulletin.html"]), "".join(pages(made["bulletin.pdf"]))
    said = [one for one in page.words if len(one.split()) > 4]
    assert len(said) > 40
    lacking = [one for one in said if plain(one)[:60] not in pdf]
    assert lacking == []


def test_figures_are_those_of_the_tables_to_the_printed_digit(full, made):
    index = index_bulletin(full)
    first, second, third, *_ = pages(made["bulletin.pdf"])
    shown = 0
    for name in week.HEADLINE:
        for area in (None, *index.areas):
            for page, when in ((second, full.card.through), (third, None)):
                row = index.row(area, when, name)
                if row is not None and row.estimate is not None:
                    assert plain(numbers.value(row)) in page
                    assert plain(numbers.interval(row)) in page
                    shown += 1
    assert shown >= 15
    words = limits.limits_answer(index, limits.read(index), ())
    assert plain(words) in first


def test_it_is_tagged_with_words_for_its_figures(made):
    reader = pypdf.PdfReader(io.BytesIO(made["bulletin.pdf"]))
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    objects = [reader.get_object(at) for at in range(1, len(reader.xref[0]))]
    kinds = [one.get("/S") for one in objects if isinstance(one, dict)]
    assert {"/H1", "/H2", "/H3", "/Table", "/TH", "/TD", "/L", "/Figure"} <= set(kinds)
    alts = [one["/Alt"] for one in objects if isinstance(one, dict) and one.get("/S") == "/Figure"]
    assert len(alts) == 2
    assert all("per angler-hour" in one for one in alts)
    fonts = {
        str(font.get_object()["/BaseFont"])
        for page in reader.pages
        for font in page["/Resources"]["/Font"].values()
    }
    assert all("+" in one for one in fonts)  # a subset of a font inside the document


def test_its_structure_is_sound(made):
    assert pdf_structure.faults(made["bulletin.pdf"]) == []


def test_figures_are_vectors(made):
    reader = pypdf.PdfReader(io.BytesIO(made["bulletin.pdf"]))
    assert [image for page in reader.pages for image in page.images] == []


def test_the_page_needs_nothing_else(made):
    page = read(made["bulletin.html"])
    assert {"link", "script", "img", "iframe"} & {tag for tag, _ in page.tags} == set()
    assert re.findall(rb'(?:src|href)="(?!#)', made["bulletin.html"]) == []
    assert re.findall(rb"@import|url\((?!#)", made["bulletin.html"]) == []
    ids = [values["id"] for _, values in page.tags if "id" in values]
    assert len(ids) == len(set(ids))


def test_the_same_bulletin_gives_the_same_bytes(full, made):
    assert dict(bulletin_files(full)) == made


# The workbook.


def sheets(book: bytes) -> dict[str, list[tuple[object, ...]]]:
    read_book = openpyxl.load_workbook(io.BytesIO(book), read_only=True)
    return {one.title: list(one.iter_rows(values_only=True)) for one in read_book.worksheets}


def test_the_workbook_holds_the_tables(full, made):
    found = sheets(made["bulletin.xlsx"])
    for name in TABLES:
        heads, *lines = found[name]
        table = full.table(name)
        assert len(lines) == table.num_rows
        for column in table.column_names:
            at = heads.index(column)
            kept = [_as_cell(one) for one in table[column].to_pylist()]
            assert [_as_cell(line[at]) for line in lines] == kept, (name, column)


def _as_cell(value: object) -> object:
    """Return a value as a workbook has it: days as text, an empty text as none, 16 digits."""
    if isinstance(value, float) and math.isfinite(value):
        return float(f"{value:.16G}")
    if value == "" or (isinstance(value, float) and math.isnan(value)):
        return None
    return value.isoformat() if hasattr(value, "isoformat") else value


def test_the_workbook_explains_itself(full, made):
    found = sheets(made["bulletin.xlsx"])
    assert ("Bulletin", full.card.bulletin) in found["about"]
    columns = {(line[0], line[1]) for line in found["dictionary"]}
    for name in TABLES:
        assert {(name, column) for column in found[name][0]} <= columns
    for sheet, column, kind, meaning in found["dictionary"][1:]:
        of = meaning.removesuffix(" in words")
        assert of, (sheet, column)
        assert of == meaning or (sheet, of) in columns, (sheet, column)
        kinds = {type(line[found[sheet][0].index(column)]) for line in found[sheet][1:]}
        assert kind != "text" or kinds <= {str, type(None)}, (sheet, column)
        assert kind not in ("number", "integer") or str not in kinds, (sheet, column)
    heads = found["limit_status"][0]
    line = next(one for one in found["limit_status"][1:] if one[heads.index("areas")] == "DRU;KET")
    assert line[heads.index("areas_name")] == "Druskell Bank; Ketterwyn Channel"
    named = {
        one[heads.index("limit_id")]: one[heads.index("limit_name")]
        for one in found["limit_status"][1:]
    }
    assert (
        named[line[heads.index("limit_id")]] == "Chinook kept, Druskell Bank and Ketterwyn Channel"
    )
    heads = found["limit_paths"][0]
    of_paths = {
        (one[heads.index("limit_id")], one[heads.index("limit_name")])
        for one in found["limit_paths"][1:]
    }
    assert of_paths <= set(named.items())
    assert of_paths
    heads = found["rows"][0]
    names = {line[heads.index("area_name")] for line in found["rows"][1:]}
    assert {"all areas", "Druskell Bank"} <= names
    codes = {line[1] for line in found["codes"]}
    assert "two_stage_total" in codes


# Names and texts that are hard to print.


def named(bulletin: Bulletin, names: list[str]) -> Bulletin:
    areas = bulletin.areas.to_pylist()
    for line, name in zip(areas, names, strict=False):
        line["area_name"] = name
    return replace(bulletin, areas=pa.Table.from_pylist(areas, bulletin.areas.schema))


def test_hard_names_are_shown_as_they_are(full):
    bulletin = named(full, HARD)
    made = bulletin_files(bulletin)
    page = read(made["bulletin.html"])
    assert "script" not in {tag for tag, _ in page.tags}
    pdf = "".join(pages(made["bulletin.pdf"]))
    for name in HARD:
        assert name in "\n".join(page.words)
    for name in (HARD[0], HARD[2], HARD[3], HARD[4]):
        assert plain(name) in pdf.replace("#let*x*", "#let*x*")
    assert "مرحبا" in pdf


def test_no_cell_is_a_formula(full):
    bulletin = named(full, ["=1+1", "@cmd", "+1", "-1", "http://example.org"])
    book = bulletin_files(bulletin)["bulletin.xlsx"]
    with zipfile.ZipFile(io.BytesIO(book)) as parts:
        xml = b"".join(
            parts.read(name) for name in parts.namelist() if name.startswith("xl/worksheets/")
        )
        assert b"<f>" not in xml
        assert b"<hyperlink" not in xml
    cells = {cell for lines in sheets(book).values() for line in lines for cell in line}
    assert {"=1+1", "@cmd", "+1", "-1"} <= cells


def test_a_note_is_shown_as_the_text_it_is(full, tmp_path):
    folder = tmp_path / "bulletins"
    place = folder / full.card.bulletin
    place.mkdir(parents=True)
    (place / "bulletin.json").write_text("{}")
    text = "Wind: *no* boats <b>out</b> on #Saturday.\n\nA second thought."
    add_note(folder, full.card.bulletin, text, author="Ann")
    made = bulletin_files(full, archive=folder)
    first = pages(made["bulletin.pdf"])[0]
    assert plain("Wind: *no* boats <b>out</b> on #Saturday.A second thought.") in first
    assert "Wind: *no* boats <b>out</b> on #Saturday." in read(made["bulletin.html"]).words
    assert "Wind: *no*" in str(sheets(made["bulletin.xlsx"])["about"])


@pytest.mark.parametrize(
    "line", ["Wind kept boats ashore. ", "Wind kept boats ashore.\n\n", "w" * 20]
)
def test_a_long_note_leaves_the_first_page_whole(full, tmp_path, line):
    folder = tmp_path / "bulletins"
    (folder / full.card.bulletin).mkdir(parents=True)
    (folder / full.card.bulletin / "bulletin.json").write_text("{}")
    add_note(folder, full.card.bulletin, line * 75 + "The end.")
    first, second, *annex = pages(bulletin_files(full, archive=folder)["bulletin.pdf"])
    assert "thewholenotestandsintheannex" in first
    assert "Whatisuncertain" in second
    assert "Theend." in "".join(annex)


# What is asked of a disk that is full.


def test_a_full_disk_leaves_no_half_file(full, tmp_path, monkeypatch):
    from analytics.cli import terminal

    (tmp_path / "bulletin.pdf").write_bytes(b"before")

    def full_disk(path: Path, data: bytes) -> int:
        with path.open("wb") as file:
            file.write(data[:10])
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full_disk)
    with pytest.raises(OSError, match="No space left"):
        terminal.write_files({"bulletin.pdf": b"x" * 100}, tmp_path)
    assert [one.name for one in tmp_path.iterdir()] == ["bulletin.pdf"]
    assert (tmp_path / "bulletin.pdf").read_bytes() == b"before"


# Thin and empty bulletins.


def only(bulletin: Bulletin, **tables: pa.Table) -> Bulletin:
    return replace(bulletin, **tables)


def without(bulletin: Bulletin, *names: str) -> Bulletin:
    groups = {
        group: {
            name: (table.slice(0, 0) if name in names else table)
            for name, table in getattr(bulletin, group).items()
        }
        for group in ("released", "rates", "outlook")
    }
    return replace(bulletin, **groups)


THIN = {
    "no limits": lambda one: without(one, "limit_status", "limit_paths", "backtest"),
    "no past seasons": lambda one: without(one, "seasonal_pattern", "run_strength", "backtest"),
    "no released fish": lambda one: without(one, "deaths", "shares", "composition"),
    "no trend": lambda one: without(one, "trend", "index"),
    "one area": lambda one: replace(
        one,
        rows=one.rows.filter(
            pc.or_kleene(pc.is_null(one.rows["area"]), pc.equal(one.rows["area"], "OMB"))
        ),
    ),
    "no rows": lambda one: replace(
        one,
        rows=one.rows.slice(0, 0),
        changes=one.changes.slice(0, 0),
        strata=one.strata.slice(0, 0),
    ),
    "no findings": lambda one: replace(one, findings=one.findings.slice(0, 0)),
    "over": lambda one: replace(one, card=replace(one.card, preliminary=False)),
}


@pytest.mark.parametrize("case", THIN)
def test_a_thin_bulletin_has_documents(full, case):
    made = bulletin_files(THIN[case](full))
    first, *_ = pages(made["bulletin.pdf"])
    assert "Keypoints" in first
    for words in ("".join(pages(made["bulletin.pdf"])), "".join(read(made["bulletin.html"]).words)):
        assert not re.search(r"\b(nan|NaN|null|None(?! was))\b|\*\*", words)


@pytest.mark.parametrize(
    ("case", "name"), [("no past seasons", "trend"), ("no rows", "seasons"), (None, "trend")]
)
def test_a_figure_that_stands_alone_is_as_wide_as_the_page(full, case, name):
    bulletin = full if case is None else THIN[case](full)
    found = bulletin_document(bulletin, note=None, imprint=Imprint())
    width = re.search(rb'<svg[^>]* width="([0-9.]+)pt"', found.pictures[name])
    assert width is not None
    inches = figures.NARROW if case is None else figures.WIDE
    assert float(width[1]) == pytest.approx(72 * inches, abs=0.5)
    assert len(found.pictures) == (2 if case is None else 1)
    kinds = [block["kind"] for block in found.blocks]
    assert ("columns" in kinds) == (case is None)


@pytest.mark.parametrize("folder", ["old_bulletin", "old_bulletin_2"])
def test_bulletins_of_earlier_versions_have_documents(folder):
    archive = ARCHIVE.parent / folder
    made = bulletin_files(load(archive, next(archive.glob("[!.]*")).name))
    assert "Keypoints" in pages(made["bulletin.pdf"])[0]


def test_names_from_right_to_left_do_not_turn_what_follows(full):
    page = bulletin_files(named(full, ["A", "مرحبا"]), names=["bulletin.html"])["bulletin.html"]
    assert "مرحبا\u200e 2036-W07 Sat–Sun" in "".join(read(page).words)


def test_an_area_without_a_name_goes_by_its_code(full):
    code = full.areas["area"][1].as_py()
    page = bulletin_files(named(full, ["A", None]), names=["bulletin.html"])["bulletin.html"]
    assert f"{code} 2036-W07 Sat–Sun" in "".join(read(page).words)


def test_a_small_sample_has_documents():
    made = bulletin_files(make(NOW))
    assert "Keypoints" in pages(made["bulletin.pdf"])[0]


def test_a_season_without_limits_says_what_to_do(full):
    made = bulletin_files(without(full, "limit_status", "limit_paths", "backtest"))
    assert "Nolimitisset" in pages(made["bulletin.pdf"])[0]


# The imprint.


def test_an_imprint_is_read_and_checked(tmp_path):
    assert read_imprint(tmp_path) == Imprint()
    (tmp_path / "desk").mkdir()
    file = tmp_path / "desk" / "imprint.toml"
    file.write_text('contact = "ask@example.org"\n')
    assert read_imprint(tmp_path).contact == "ask@example.org"
    file.write_text('contract = "x"\n')
    with pytest.raises(UsageError, match=r"imprint.toml: contract; allowed: publisher, contact"):
        read_imprint(tmp_path)
    file.write_text("contact = \n")
    with pytest.raises(UsageError, match="cannot be read"):
        read_imprint(tmp_path)


@pytest.mark.parametrize(
    ("publisher", "start"),
    [
        ("", "Winter Chinook fishery, season 2035-36, through week 2036-W07 ("),
        ("The Sound Office", "The Sound Office ("),
    ],
)
def test_a_citation_names_a_publisher_that_is_stated_alone(full, publisher, start):
    facts = dict(annex.about(index_bulletin(full), Imprint(publisher)))
    cite = facts["Cite as"]
    assert cite.startswith(start)
    assert cite.count("Winter Chinook fishery") == 1
    assert f"({full.card.made_utc[:4]})." in cite
    assert full.card.bulletin in cite


@pytest.mark.parametrize("status", ["collapsed", "imputed", "ok"])
def test_the_annex_says_once_what_was_done_in_a_thin_stratum(full, status):
    index = index_bulletin(full)
    known = next(one for one in index.strata if one.status == "collapsed" and one.rule)
    basis = annex._stratum(index, replace(known, status=status))[-1]
    assert basis.count("variance pooled") == 1
    assert basis.startswith("sampled: ") == (status == "ok")
