"""The documents say what the program does: a missing heading or a stale number fails here."""

from __future__ import annotations

import re

import pytest

from analytics.cli.group import blackmouth
from analytics.data.dictionary import renewed
from analytics.data.schema import TABLES
from analytics.units import QUANTITIES, Status
from tests.documents import ROOT, with_worked_week

README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()


def test_the_data_dictionary_is_that_of_the_schema():
    assert renewed(README) == README, "run python -m tests.documents README.md"


def test_the_worked_week_is_what_the_demo_gives():
    assert with_worked_week(README) == README, "run python -m tests.documents README.md"


@pytest.mark.parametrize("command", sorted(blackmouth.commands))
def test_every_command_is_in_the_readme(command):
    assert f"blackmouth {command}" in README


@pytest.mark.parametrize("word", [str(status) for status in Status])
def test_every_status_is_explained(word):
    assert f"| `{word}` |" in README


@pytest.mark.parametrize("name", list(QUANTITIES))
def test_every_quantity_has_a_row(name):
    assert f"| `{name}` |" in README


@pytest.mark.parametrize("name", list(TABLES))
def test_every_table_has_a_heading(name):
    assert f"\n### {name}\n" in README


def test_every_page_is_named_in_the_readme():
    titles = re.findall(r'title="([^"]+)"', (ROOT / "dashboard" / "pages.py").read_text())
    assert titles
    assert all(title in README for title in titles)


def test_every_room_is_on_the_map():
    folders = {
        path.parent.name
        for top in ("analytics", "dashboard")
        for path in (ROOT / top).rglob("__init__.py")
    }
    assert all(f"{name}/" in DEVELOPERS for name in folders)


def test_links_inside_the_repository_lead_somewhere():
    for document in (README, DEVELOPERS):
        for target in re.findall(r"\]\(([^)#:]+)\)", document):
            assert (ROOT / target).exists(), target
