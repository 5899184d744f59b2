"""The public's pages show a published folder, withheld figures in words, and know no store."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import dashboard
from analytics.publishing.figures import FIGURE_SCHEMA, PUBLISHED
from analytics.quantities import QUANTITIES
from dashboard import http_guard
from dashboard.public_pages import published as words

APP = Path(dashboard.__file__).parent / "public_app.py"
HEADS = ",".join(FIGURE_SCHEMA.names)


def line(area, week, quantity, *told):
    unit = QUANTITIES[quantity].unit
    return ",".join(("2030-31", area, week, quantity, unit, *told))


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """Return a published folder: area B is withheld, area C too uncertain."""
    lines = [HEADS]
    for area in ("", "A", "B", "C"):
        for week in ("", "2031-W05"):
            for quantity in PUBLISHED:
                numbers, precision, status = "1234.5,1000.0,1500.0,0.95", "over_30", "ok"
                if area == "B":
                    numbers, precision, status = ",,,", "", "suppressed"
                if area == "C":
                    numbers, precision, status = ",,,", "over_50", "not_published"
                lines.append(line(area, week, quantity, numbers, precision, status))
    (tmp_path / "figures.csv").write_text("\n".join(lines) + "\n")
    about = {
        "season": "2030-31",
        "through": "2031-W05",
        "preliminary": True,
        "ci_level": 0.95,
        "pse_marked_over": 30.0,
        "pse_not_published_over": 50.0,
        "areas": [{"area": one, "area_name": f"Water {one}"} for one in "ABC"],
        "quantities": [
            {"quantity": one, "label": QUANTITIES[one].label, "meaning": QUANTITIES[one].meaning}
            for one in PUBLISHED
        ],
        "rules": [],
    }
    (tmp_path / "about.json").write_text(json.dumps(about))
    for name in ("BLACKMOUTH_STORE", "BLACKMOUTH_ARCHIVE"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv(words.PUBLIC_VARIABLE, str(tmp_path))
    return tmp_path


def html_of(page):
    return " ".join(one.proto.body for one in page.get("html"))


def test_the_first_page_answers(folder):
    page = AppTest.from_file(str(APP), default_timeout=60).run()
    assert not page.exception
    assert "1,230" in " ".join(one.value for one in page.markdown)
    assert words.CARE in html_of(page)


@pytest.mark.parametrize("script", ["areas", "weeks", "methods"])
def test_every_page_draws(folder, script):
    page = AppTest.from_file(str(APP), default_timeout=60).run()
    page.switch_page(f"public_pages/{script}.py").run()
    assert not page.exception
    assert page.title[0].value


def test_what_is_withheld_stands_in_words(folder):
    page = AppTest.from_file(str(APP), default_timeout=60).run()
    page.switch_page("public_pages/weeks.py").run()
    told = html_of(page)
    assert words.WITHHELD in told
    assert "too uncertain" in told


def test_a_folder_that_cannot_be_read_is_said(folder):
    (folder / "about.json").write_text("{")
    page = AppTest.from_file(str(APP), default_timeout=60).run()
    assert not page.exception
    assert page.title[0].value == "No figures yet"


def test_pages_open_no_other_data(folder):
    opened = []

    def hear(event, given):
        if event == "open" and isinstance(given[0], str):
            opened.append(given[0])

    sys.addaudithook(hear)
    AppTest.from_file(str(APP), default_timeout=60).run()
    of_data = {Path(one) for one in opened if one.endswith((".csv", ".json", ".parquet"))}
    mine = {one for one in of_data if "site-packages" not in one.parts}
    assert mine == {folder / "figures.csv", folder / "about.json"}


def test_nothing_is_taken_in(folder):
    scope = {"type": "http", "method": "PUT", "headers": []}
    assert http_guard.refused(scope, "/_stcore/upload_file/a/b") == 404
    assert http_guard.refused({**scope, "method": "GET"}, "/_stcore/health") is None
