"""The page *Methods and cautions*: every document of the package, and nothing of its marks."""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

DOCUMENTS = sorted(
    path.name.removesuffix(".md") for path in (files("analytics") / "docs").iterdir()
)


@pytest.fixture
def open_methods(opener):
    """Return a function that opens the page with a link."""
    return opener("app_pages/methods.py")


def shown(page) -> str:
    return "\n".join(part.value for part in page.markdown)


def test_the_chooser_has_every_document(open_methods):
    page = open_methods()
    assert len(page.selectbox(key="document").options) == len(DOCUMENTS)
    assert page.selectbox(key="document").value == "sampling"


@pytest.mark.parametrize("name", DOCUMENTS)
def test_a_link_opens_each_document(open_methods, name):
    page = open_methods(document=name)
    title = (files("analytics") / "docs" / f"{name}.md").read_text("utf-8").partition("\n")[0]
    assert not page.exception
    assert title in shown(page)
    assert "<!--" not in shown(page)
    assert not re.search(r"\]\(\w+\.md\)", shown(page))


def test_it_opens_without_a_bulletin(open_methods, tmp_path):
    page = open_methods(folder=tmp_path, document="codes")
    assert not page.exception
    assert "`no_sample`" in shown(page)


def test_a_document_that_is_not_there_is_said(open_methods):
    page = open_methods(document="nowhere")
    assert len(page.warning) == 1
    assert page.selectbox(key="document").value == "sampling"
