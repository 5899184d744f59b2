"""Text of pages by catalogues: templates are current, and a translation is a file beside them."""

from __future__ import annotations

import calendar
import html
import json
import re
from contextvars import copy_context
from functools import cache
from pathlib import Path
from urllib.parse import parse_qsl

import pyarrow as pa
import pytest

import analytics
from analytics.bulletin.archive import TABLE_SCHEMAS
from dashboard import catalogue, store_access
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


def left(page, besides=""):
    """Return the pieces of a page that are neither marked nor words of other rooms and tables."""
    every = list(drawn(page._tree))
    assert every
    found = [one for said in every for one in pieces(said)]
    known = known_words() | {one.casefold() for one in WORD.findall(besides)}
    return [one for one in found if {word.casefold() for word in WORD.findall(one)} - known]


#: Pages whose own words are all in catalogues, with links that show their parts.
WHOLE = [
    *("today", "week", "season_limits", "revisions", "projection_accuracy", "catch_rates"),
    *("seasonal_pattern", "released", "alternative_estimates", "methods"),
    *(f"released?part={one}" for one in ("classes", "deaths", "lengths", "species", "handling")),
]
#: Names of statistics, and the text of the document that the page of methods shows.
ALIKE = "AIC BIC CRPS PDF"
DOCUMENT = Path(analytics.__file__).parent / "docs" / "sampling.md"


@pytest.mark.parametrize("link", WHOLE)
def test_a_page_says_its_texts_in_the_language_of_the_link(opener, translated, link):
    script, _, query = link.partition("?")
    choices = dict(parse_qsl(query))
    open_page = opener(f"app_pages/{script}.py")
    page = open_page(lang=INVENTED, **choices)
    assert not page.exception
    assert left(page, ALIKE + DOCUMENT.read_text("utf-8") * (script == "methods")) == []
    # What is shared between sessions and kept was made in that language, and says none of it.
    assert not [said for said in drawn(open_page(**choices)._tree) if OPEN in said]


@pytest.mark.parametrize("script", ["new_bulletin", "data_desk"])
def test_a_page_of_a_store_says_its_texts_in_that_language(
    opener, translated, published, monkeypatch, script
):
    monkeypatch.setenv(store_access.STORE_VARIABLE, str(published))
    page = opener("app.py")(folder=published / "bulletins", lang=INVENTED)
    # What a widget of the page before holds is put into words outside of any run.
    context = copy_context()
    context.run(catalogue.read_in, "today", INVENTED)
    page = context.run(page.switch_page(f"app_pages/{script}.py").run)
    assert not page.exception
    assert left(page, ALIKE) == []


def test_a_translation_with_other_names_or_braces_is_left_out(tmp_path, monkeypatch):
    lines = [
        'msgid "Newest: {n}"\nmsgstr "{m}"',
        'msgid "to {day}"\nmsgstr "al {day"',
        'msgid "by {day}"\nmsgstr "el {day}"',
    ]
    (tmp_path / f"today.{INVENTED}.po").write_text("\n\n".join(lines))
    monkeypatch.setattr(catalogue, "FOLDER", tmp_path)
    catalogue._texts.cache_clear()
    context = copy_context()
    context.run(catalogue.read_in, "today", INVENTED)
    said = [
        context.run(catalogue.say, text, n=1, day=2)
        for text in ("Newest: {n}", "to {day}", "by {day}", "{day}")
    ]
    said += [context.run(catalogue.say_n, n, "{n} day", "{n} days") for n in (1, 2000)]
    assert said == ["Newest: 1", "to 2", "el 2", "2", "1 day", "2,000 days"]
    catalogue._texts.cache_clear()
