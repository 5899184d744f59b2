"""No page shows a code as it stands in a table: every one is read in words."""

from __future__ import annotations

import re
from importlib.util import find_spec
from pathlib import Path

import pytest

from tests.app import sample_held
from tests.app.reading import words_of

ROOT = Path(find_spec("dashboard").origin).parent
PAGES = sorted(one.name for one in (ROOT / "app_pages").glob("[a-z]*.py"))
PARTS = {"released.py": ("share", "classes", "deaths", "lengths", "species", "handling")}
#: A code with arguments, such as ``fish_needed(n=20)``.
CODE = re.compile(r"\b[a-z]+(?:_[a-z]+)*\([a-z_]+=[^)]*\)")


@pytest.mark.parametrize(
    ("page", "part"), [(page, part) for page in PAGES for part in PARTS.get(page, ("",))]
)
def test_no_page_shows_a_code(opener, page, part):
    opened = opener(f"app_pages/{page}")(**({"part": part} if part else {}))
    assert not opened.exception
    assert CODE.findall(words_of(opened).replace("\\", "")) == []


def test_a_code_on_a_page_would_be_found():
    assert CODE.findall(f"fork length ({sample_held.FITTED_CODE}).") == [sample_held.FITTED_CODE]
