"""The documents say what the program does: a missing heading or a stale section fails here."""

from __future__ import annotations

import dataclasses
import re
from typing import TYPE_CHECKING

import pytest

from analytics.bulletin import archive
from analytics.cli.group import blackmouth
from analytics.data.schema import TABLES
from analytics.quantities import QUANTITIES, CiMethod, Status
from analytics.settings import EstimationSettings
from dashboard.pages import DATA, RESULTS
from tests import documents
from tests.documents import DOCUMENTS, ROOT, SECTIONS

if TYPE_CHECKING:
    from pathlib import Path

TEXTS = {path.name: path.read_text() for path in DOCUMENTS}
IN_TEXTS = [(name, section) for name, text in TEXTS.items() for section in documents.sections(text)]


@pytest.fixture
def newest(demo_store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Take the demo's newest bulletin from the shared store: its tables are the same."""
    folder = archive.archive_of(demo_store)
    bulletin = archive.load(folder, archive.list_bulletins(folder)[-1].bulletin)
    monkeypatch.setattr(documents, "demo_bulletin", lambda: bulletin)


@pytest.mark.parametrize(("name", "section"), IN_TEXTS)
@pytest.mark.usefixtures("newest")
def test_every_generated_section_is_fresh(name: str, section: str) -> None:
    found = documents.sections(TEXTS[name])[section]
    assert found == SECTIONS[section](), f"run python -m tests.documents {section!r}"


def test_every_section_stands_in_one_document() -> None:
    assert sorted(section for _, section in IN_TEXTS) == sorted(SECTIONS)


def test_a_stale_section_is_renewed_and_the_text_around_it_stays() -> None:
    stale = "a\n<!-- generated: result columns -->\nold\n<!-- end: result columns -->\nb\n"
    fresh = documents.renewed(stale)
    assert fresh.startswith("a\n")
    assert fresh.endswith("\nb\n")
    assert "old" not in fresh
    assert documents.renewed(stale, ["files"]) == stale


@pytest.mark.parametrize("name", list(blackmouth.commands))
def test_every_command_has_a_heading(name: str) -> None:
    assert f"\n## {name}\n" in TEXTS["commands.md"]


@pytest.mark.parametrize("name", list(QUANTITIES))
def test_every_quantity_has_a_heading(name: str) -> None:
    assert f"\n### `{name}`\n" in TEXTS["codes.md"]


@pytest.mark.parametrize("word", [*Status, *CiMethod])
def test_every_code_is_explained(word: str) -> None:
    assert f"| `{word}` |" in TEXTS["codes.md"]


@pytest.mark.parametrize("setting", [one.name for one in dataclasses.fields(EstimationSettings)])
def test_every_setting_has_a_heading(setting: str) -> None:
    assert f"\n### `{setting}`\n" in TEXTS["interface.md"]


@pytest.mark.parametrize("name", list(TABLES))
def test_every_table_has_a_heading(name: str) -> None:
    assert f"\n### {name}\n" in TEXTS["data_dictionary.md"]


def test_every_page_has_a_heading() -> None:
    titles = (RESULTS | DATA).values()
    assert all(f"\n### {title}\n" in TEXTS["interface.md"] for title in titles)


def test_every_room_is_on_the_map() -> None:
    folders = {path.parent.name for top in documents.PRODUCT for path in inits(top)}
    assert all(f"{name}/" in TEXTS["DEVELOPERS.md"] for name in folders)


def inits(top: str) -> list[Path]:
    return list((ROOT / top).rglob("__init__.py"))


def test_files_that_developers_are_sent_to_are_there() -> None:
    text, _, _ = TEXTS["DEVELOPERS.md"].partition("<!-- generated: files -->")
    named = set(re.findall(r"`([\w/]+\.py)`", text))
    folders = [ROOT, ROOT / "analytics"]
    assert named
    assert not {name for name in named if not any((one / name).exists() for one in folders)}


def test_the_map_names_every_module_beside_the_rooms() -> None:
    beside, _, _ = TEXTS["DEVELOPERS.md"].partition("\nmodels →")
    named = beside.rpartition("```\n")[2].split()
    folder = ROOT / "analytics"
    assert sorted(named) == sorted({path.stem for path in folder.glob("*.py")} - {"__init__"})


def test_the_interface_names_every_input_table() -> None:
    _, _, below = TEXTS["interface.md"].partition("\n## Input tables\n\n")
    listed, _, _ = below.partition(".\n")
    assert re.findall(r"`(\w+)`", listed) == list(TABLES)


@pytest.mark.parametrize("name", list(TEXTS))
def test_no_document_has_a_sign_that_cannot_be_read(name: str) -> None:
    assert not re.findall(r"[^\n -~\u00a0-\uffff]", TEXTS[name])


def test_the_readme_is_short() -> None:
    assert len(TEXTS["README.md"].encode()) <= 8_000


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.name)
def test_links_inside_the_repository_lead_somewhere(path: Path) -> None:
    for target, anchor in re.findall(r"\]\(([^)#:]*)#?([^):]*)\)", path.read_text()):
        page = path.parent / target if target else path
        assert page.exists(), target
        assert not anchor or anchor in anchors_of(page), (target, anchor)


def anchors_of(page: Path) -> set[str]:
    """Return what links to the headings of a document end in."""
    headings = re.findall(r"^#+ (.+)$", page.read_text(), re.MULTILINE)
    return {re.sub(r"[^\w -]", "", one.lower()).replace(" ", "-") for one in headings}
