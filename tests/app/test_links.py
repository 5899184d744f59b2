"""The link of the page: it holds every choice, opens the same view, and says what it lacks."""

from __future__ import annotations

import re

import pytest

from dashboard.pages import RESULTS
from tests.app.reading import LINK, answer_of, words_of
from tests.app.sample_bulletin import CHOSEN, NOW


def test_the_link_holds_every_choice_also_the_defaults(open_page):
    page = open_page()
    assert page.query_params["season"] == NOW
    assert page.query_params["week"] == "2036-W06"
    assert page.query_params["show"] == "encounter_fish"
    assert "bulletin" not in page.query_params
    assert "area" not in page.query_params


def test_a_pasted_link_opens_the_same_view(open_page):
    page = open_page()
    page.selectbox("season").set_value("2034-35").run()
    page.selectbox("week").set_value("2034-W50").run()
    page.multiselect("area").set_value(["A3", "A1"]).run()
    page.get("button_group")[0].set_value("kept_fish").run()
    link = dict(page.query_params.items())
    again = open_page(**link)
    assert again.selectbox("week").value == "2034-W50"
    assert again.multiselect("area").value == ["A3", "A1"]
    assert again.query_params == page.query_params
    assert words_of(again) == words_of(page)
    assert "2034-W50" in answer_of(again)


def test_an_older_bulletin_stands_in_the_link_and_says_so(open_page):
    page = open_page(bulletin="older")
    assert "as of version 2" in words_of(page)
    assert "There is a newer bulletin of this season" in words_of(page)
    assert page.query_params["bulletin"] == "older"


def test_a_link_to_what_is_not_there_says_so(open_page):
    page = open_page(week="2036-W40", area=["A1", "<b>B9"], season="1999")
    assert not page.exception
    asked = page.warning[0].value
    assert "there is no bulletin of season 1999; the bulletin has no week 2036\\-W40" in asked
    assert "the bulletin has no area \\<b\\>B9" in asked
    assert "shelf" not in asked
    assert page.selectbox("week").value == "2036-W06"
    assert page.multiselect("area").value == ["A1"]


def test_a_link_with_unknown_words_says_so(open_page):
    page = open_page(week=CHOSEN, show="kept", map="x", scale="log", colour="red")
    asked = page.warning[0].value.replace("\\", "")
    for words in ("show has no choice kept", "map has no choice x", "scale has no choice log"):
        assert words in asked
    assert "there is no choice called colour" in asked
    assert page.query_params["show"] == "encounter_fish"
    assert "colour" not in page.query_params
    page.selectbox("week").set_value("2036-W04").run()
    assert not page.warning


def test_a_link_to_a_missing_bulletin_says_so(open_page):
    asked = open_page(bulletin="gone").warning[0].value.replace("\\", "")
    assert "there is no such bulletin: gone" in asked


def test_the_week_falls_back_when_the_season_changes(open_page):
    page = open_page(week=CHOSEN)
    page.selectbox("season").set_value("2034-35").run()
    assert page.selectbox("week").value == "2035-W06"
    assert not page.warning


def test_the_root_is_today(open_app):
    page = open_app()
    assert not page.exception
    assert page.title[0].value == "Today"


@pytest.mark.parametrize(("key", "value"), [("week", CHOSEN), ("show", "kept_fish")])
def test_a_link_from_when_the_week_stood_at_the_root_is_sent_on(open_app, key, value):
    page = open_app(**{key: value, "area": ["A3", "A1"]})
    (given,) = [found for one in page.get("html") if (found := LINK.search(one.proto.body))]
    assert given["page"] == "week"
    assert page.query_params == {key: value, "area": ["A3", "A1"]}
    assert not page.title


def test_the_tab_says_page_and_choices(open_page, monkeypatch):
    said = []
    monkeypatch.setattr("streamlit.set_page_config", lambda **how: said.append(how["page_title"]))
    open_page(week=CHOSEN, area="A1")
    assert said[-1] == f"This week · {CHOSEN} · Quillon Bank · Blackmouth"


@pytest.mark.parametrize("script", [name for name in RESULTS if name not in ("week", "methods")])
def test_every_tab_says_page_and_areas(opener, monkeypatch, script):
    said = []
    monkeypatch.setattr("streamlit.set_page_config", lambda **how: said.append(how["page_title"]))
    opener(f"app_pages/{script}.py")(area="A3")
    assert said[-1] == f"{RESULTS[script]} · Pale Hook · Blackmouth"


MONTHS = "(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)[a-z]*"
#: How a day looks in each order; ``by 3 Mar`` and not the end of ``Feb 3 Mar``.
DAYS = {
    "dmy": re.compile(rf"\b\d{{1,2}} {MONTHS}\b(?! \d{{1,2}}\b)"),
    "mdy": re.compile(rf"\b{MONTHS} \d{{1,2}}\b"),
    "ymd": re.compile(r"\b\d{4}-\d\d-\d\d\b"),
}
PAGES = [(page, "") for page in RESULTS if page != "released"]
PAGES += [("released", part) for part in ("lengths", "deaths", "species")]
NAMES_NO_DAY = {("methods", ""), ("alternative_estimates", ""), ("released", "deaths")}


def days_of(page) -> str:
    """Return the words of a page, those of its figures and its filters."""
    figures = [one.proto.spec for one in page.get("plotly_chart")]
    choices = [one for box in page.selectbox for one in box.options]
    return "\n".join([words_of(page), *figures, *choices])


@pytest.mark.parametrize("order", ["mdy", "ymd"])
@pytest.mark.parametrize(("name", "part"), PAGES)
def test_every_page_says_days_in_the_order_of_the_link(opener, name, part, order):
    page = opener(f"app_pages/{name}.py")(
        units=f"in.lb.{order}", **({"part": part} if part else {})
    )
    assert not page.exception
    said = days_of(page)
    assert DAYS["dmy"].findall(said) == []
    if (name, part) in NAMES_NO_DAY:
        return
    assert DAYS[order].search(said)
    if order == "ymd":
        assert DAYS["mdy"].findall(said) == []


def test_a_page_without_a_choice_says_days_before_months(open_page):
    said = days_of(open_page())
    assert "4 – 10 Feb 2036" in said
    assert DAYS["mdy"].findall(said) == []
