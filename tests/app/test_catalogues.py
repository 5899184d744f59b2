"""Text of pages by catalogues: templates are current, and a translation is a file beside them."""

from __future__ import annotations

import calendar
import html
import json
import re
from functools import cache
from pathlib import Path

import pyarrow as pa
import pytest

import analytics
from analytics.bulletin.archive import TABLE_SCHEMAS
from dashboard import catalogue
from tests import catalogues
from tests.app.sample_bulletin import NOW, make

INVENTED = "xx"
OPEN, SHUT = catalogues.MARKS.split("{}")
#: Where words stand in what a page draws: fields of elements, and of figures.
FIELDS = {"body", "label", "help", "options", "placeholder", "alt", "text", "spec"}
IN_FIGURES = {"text", "hovertext", "ticktext", "title"}
WORD = re.compile(r"[^\W\d_]{3,}")
#: English of other rooms, said the same on pages, in commands and in documents.
SHARED = [
    *Path(analytics.__file__).parent.glob("wording/*.py"),
    *(Path(analytics.__file__).parent / name for name in ("codes.toml", "quantities.toml")),
    *(Path(analytics.__file__).parent / name for name in ("units.py", "precision.py")),
]


@pytest.fixture(scope="session")
def folder(tmp_path_factory):
    """Return a folder with an invented language of every page: each text stands between marks."""
    made = tmp_path_factory.mktemp("catalogues")
    for name in catalogues.names():
        (made / f"{name}.{INVENTED}.po").write_text(catalogues.marked(name), "utf-8")
    return made


@pytest.fixture
def translated(folder, monkeypatch):
    """Put the invented language in the place of the languages there are."""
    monkeypatch.setattr(catalogue, "FOLDER", folder)
    catalogue._texts.cache_clear()
    yield folder
    catalogue._texts.cache_clear()


@pytest.mark.parametrize("name", catalogues.names())
def test_the_template_is_current(name):
    written = (catalogue.FOLDER / f"{name}.pot").read_text("utf-8")
    assert written == catalogues.template(name), "run python -m tests.catalogues"


def strings(message):
    """Yield the words of an element: what it says, and the words in its figure."""
    for field, value in message.ListFields():
        is_one = isinstance(value, str) or hasattr(value, "ListFields")
        for one in [value] if is_one else value if hasattr(value, "__len__") else ():
            if hasattr(one, "ListFields"):
                yield from strings(one)
            elif isinstance(one, str) and field.name == "spec":
                yield from in_figure(json.loads(one))
            elif isinstance(one, str) and field.name in FIELDS:
                yield one


def in_figure(part, key=""):
    """Yield the words of a figure."""
    if isinstance(part, dict):
        for name, one in part.items():
            if name not in ("template", "meta"):
                yield from in_figure(one, name)
    elif isinstance(part, list):
        for one in part:
            yield from in_figure(one, key)
    elif isinstance(part, str) and key in IN_FIGURES:
        yield part


def drawn(block):
    """Yield the words of a page in their order."""
    for one in block.children.values():
        yield from strings(one.proto) if hasattr(one.proto, "ListFields") else ()
        if hasattr(one, "children"):
            yield from drawn(one)


def pieces(said):
    """Return the pieces of a text that stand between no marks, without tags."""
    said = re.sub(r"<(style|script)>.*?</\1>|<div class='bm-link'.*?>", "", said, flags=re.DOTALL)
    spoken = re.findall(r"(?:title|aria-label|data-label)=(?:'(.*?)'|\"(.*?)\")", said)
    said = re.sub(r"</?\w[^>]*>", "\n", said)
    text, depth, found = "\n".join([said, *map("".join, spoken)]), 0, []
    for part in re.split(f"([{OPEN}{SHUT}])", text):
        depth += {OPEN: 1, SHUT: -1}.get(part, 0)
        if depth <= 0 and part not in (OPEN, SHUT):
            depth = 0
            found += [html.unescape(one).strip() for one in part.splitlines()]
    return [one for one in found if WORD.search(one)]


@cache
def known_words():
    """Return the words of other rooms and of the sample's tables."""
    bulletin = make(NOW)
    texts = [path.read_text("utf-8") for path in SHARED]
    tables = [bulletin.table(name) for name in TABLE_SCHEMAS]
    columns = [one for table in tables for one in table.columns if one.type == pa.string()]
    texts += [str(column.unique().to_pylist()) for column in columns]
    texts += [*calendar.month_name, *calendar.month_abbr, *calendar.day_name, *calendar.day_abbr]
    return {one.casefold() for text in texts for one in WORD.findall(text)}


def left(page):
    """Return the pieces of a page that are neither marked nor words of other rooms and tables."""
    found = [one for said in drawn(page._tree) for one in pieces(said)]
    assert found
    return {
        one: strange
        for one in found
        if (strange := {w for w in WORD.findall(one) if w.casefold() not in known_words()})
    }


@pytest.mark.parametrize("script", ["today", "week"])
def test_a_page_says_its_texts_in_the_language_of_the_link(opener, translated, script):
    page = opener(f"app_pages/{script}.py")(lang=INVENTED)
    assert not page.exception
    assert left(page) == {}
