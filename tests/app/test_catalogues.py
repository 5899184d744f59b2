"""Text of pages by catalogues: templates are current, and a translation is a file beside them."""

from __future__ import annotations

import calendar
import html
import io
import json
import re
from contextvars import copy_context
from datetime import date
from functools import cache
from pathlib import Path
from urllib.parse import parse_qsl

import pyarrow as pa
import pytest
from babel.messages.pofile import read_po

import analytics
from analytics import Store
from analytics.bulletin.archive import TABLE_SCHEMAS
from analytics.data.importing import cell_rule
from analytics.data.schema import TABLES
from analytics.documents import paper_form
from analytics.options.option import Change, Option, OptionSet
from analytics.options.option_file import to_link
from analytics.planning import samplers
from dashboard import catalogue, store_access
from dashboard.options import fields
from tests import catalogues
from tests.app.grids import given_to, typed_into
from tests.app.sample_bulletin import NOW, make

INVENTED = "xx"
OPEN, SHUT = catalogues.MARKS.split("{}")
#: Where words stand in what a page draws: fields of elements, and of figures.
FIELDS = {"body", "label", "help", "options", "placeholder", "alt", "text", "spec"}
IN_FIGURES = {"text", "hovertext", "ticktext", "title"}
IN_FORMS = {"title", "noun", "caption", "label", "fold", "words", "head", "placeholder", "trouble"}
#: Of a form: what it says by itself, and words and faults beside its lines, by name or number.
BY_NAME = {"said", "checks", "faults"}
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
                yield from worded(json.loads(one), IN_FIGURES)
            elif isinstance(one, str) and field.name == "json":
                yield from worded(json.loads(one), IN_FORMS)
            elif isinstance(one, str) and field.name in FIELDS:
                yield one


def worded(part, names, key=""):
    """Yield the words of a figure, or of a form to key."""
    if isinstance(part, dict):
        for name, one in part.items():
            if name not in ("template", "meta"):
                yield from worded(one, names, key if key in BY_NAME else name)
    elif isinstance(part, list):
        for one in part:
            yield from worded(one, names, key)
    elif isinstance(part, str) and key in names | BY_NAME:
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


def in_language(run, script):
    """Run a page again: what its widgets hold is put into words outside of any run."""
    context = copy_context()
    context.run(catalogue.read_in, script, INVENTED)
    return context.run(run)


@pytest.mark.parametrize("script", ["new_bulletin", "data_desk"])
def test_a_page_of_a_store_says_its_texts_in_that_language(
    opener, translated, published, monkeypatch, script
):
    monkeypatch.setenv(store_access.STORE_VARIABLE, str(published))
    page = opener("app.py")(folder=published / "bulletins", lang=INVENTED)
    page = in_language(page.switch_page(f"app_pages/{script}.py").run, "today")
    assert not page.exception
    assert left(page, ALIKE) == []


#: A change of every kind, and an answer in which each option has few words.
CHANGE = Change(
    close_from=date(2036, 3, 3),
    reopen_from=date(2036, 3, 17),
    open_weekdays="567",
    daily_limit_fish=1,
    min_length_mm=580.5,
    mark_selective=True,
    method_mix={"mooching": 0.25, "trolling": 0.75},
    release_rates=(fields.ROW | {"rate_prop": 0.1, "rate_se": 0.02},),
    effort_factor=0.5,
    first_day=date(2036, 2, 4),
)
FEW = OptionSet("", (Option("Uno", (CHANGE, Change(("A1",))), elasticity=0.4),))
MANY = OptionSet("", tuple(Option(f"Uno{n}", (Change(daily_limit_fish=n),)) for n in range(4)))
#: What documents and the command say of options, too.
OF_OPTIONS = ("options/report.py", "options/solved_words.py", "documents/rules_in_words.py")
COMPARED = [
    {},
    {"set": to_link(FEW), "find": "daily_limit", "keep": "S-1", "risk": "0.5"},
    {"set": to_link(MANY), "find": "weekdays", "area": "A1"},
]


@pytest.mark.parametrize("choices", COMPARED)
def test_options_are_compared_in_that_language(opener, translated, choices):
    open_page = opener("app_pages/compare_rules.py")
    page = open_page(lang=INVENTED, **choices)
    assert not page.exception
    folder = Path(analytics.__file__).parent
    known = [(folder / name).read_text("utf-8") for name in OF_OPTIONS]
    assert left(page, " ".join([ALIKE, "Uno TOML", *known])) == []


#: Pages on the demo store, with links that show their parts.
ON_DEMO = ["sampling_plan?through=2036-W09&all_shifts=60"]


@pytest.mark.parametrize("link", ON_DEMO)
def test_a_page_on_the_demo_says_its_texts_in_that_language(
    opener, translated, demo_store, monkeypatch, link
):
    monkeypatch.setenv(store_access.STORE_VARIABLE, str(demo_store))
    script, _, query = link.partition("?")
    open_page = opener(f"app_pages/{script}.py")
    page = open_page(folder=demo_store / "bulletins", lang=INVENTED, **dict(parse_qsl(query)))
    assert not page.exception
    assert left(page, " ".join([ALIKE, *samplers.FIELDS]) + names_of(Store(demo_store))) == []


def names_of(store):
    """Return the names of places and days of a store, and the names of its samplers."""
    tables = [store.read(name) for name in ("areas", "sites", "holidays", "planned_site_days")]
    columns = [one for table in tables for one in table.columns if one.type == pa.string()]
    return str([column.unique().to_pylist() for column in columns])


def words_of_columns():
    """Return what tables and columns are called and mean, as the dictionary and forms say it."""
    parts = [*paper_form.PARTS.values()]
    columns = [one for some in [*TABLES.values(), *parts] for one in some.columns]
    said = [f"{one.meaning} {paper_form.head(one)} {cell_rule(one).words}" for one in columns]
    said += [one.title for one in parts] + [one.meaning for one in TABLES.values()]
    return " ".join(said)


#: Pages to key rows in: what is typed into which part.
TYPED = [
    ("small_tables?table=holidays", "holidays", {0: {"date": ""}, 5: {"date": "2031-02-18"}}),
    ("small_tables?table=limits", "limits", {0: {"limit_fish": "many"}}),
    ("paper_forms", "site_day", {0: {"site": "r1", "date": "2031-01-14"}}),
    ("paper_forms", "boats", {0: {"anglers": "two"}}),
]


@pytest.mark.parametrize("typed", TYPED)
def test_a_page_to_key_rows_in_says_its_texts_in_that_language(
    opener, translated, published, monkeypatch, typed
):
    monkeypatch.setenv(store_access.STORE_VARIABLE, str(published))
    link, part, lines = typed
    script, _, query = link.partition("?")
    page = opener(f"app_pages/{script}.py")(lang=INVENTED, **dict(parse_qsl(query)))
    known = ALIKE + words_of_columns()
    assert left(page, known) == []
    typed_into(page, given_to(page)["key"], part, lines)
    in_language(page.run, script)
    assert not page.exception
    assert left(page, known) == []


#: Pages that tests of their own open in another language.
APART = {"new_bulletin", "data_desk", "compare_rules", "local_waters"}


def test_every_page_is_opened_in_another_language():
    links = [*WHOLE, *ON_DEMO, *(link for link, *_ in TYPED)]
    assert APART | {link.partition("?")[0] for link in links} == set(catalogues.PAGES)


@pytest.mark.parametrize("path", sorted(catalogue.FOLDER.glob("*.po")), ids=lambda one: one.stem)
def test_a_translation_names_its_language_and_says_texts_of_its_page(path):
    name, language = path.stem.split(".")
    with path.open("rb") as file:
        found = read_po(file)
    assert str(found.locale) == language
    ids = {one.id for one in found if one.id}
    with io.BytesIO(catalogues.template(name).encode()) as file:
        assert ids <= {one.id for one in read_po(file)}
    assert all(catalogue._fits(one) for one in found if one.id)


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
