"""The way through the pages in a real browser: the menu, links, the browser's history, the tab."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import parse_qs, urlparse

import pytest

from dashboard.pages import RESULTS
from tests.app.sample_bulletin import CHOSEN, NOW
from tests.browser.screens import settle
from tests.browser.visiting import pick, turn_to

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.browser
WIDTHS = pytest.mark.parametrize("width", [1280, 390])


def link(page: Page) -> dict[str, list[str]]:
    return parse_qs(urlparse(page.url).query)


def entries(page: Page) -> int:
    return page.evaluate("history.length")


def wait_for(page: Page, title: str) -> None:
    """Wait until a page of the menu is there, with its choices in the link."""
    page.get_by_role("heading", name=title, level=1, exact=True).wait_for()
    settle(page, charts="")
    page.wait_for_function("() => location.search.length > 1")


@WIDTHS
def test_a_link_is_one_entry_of_the_history_also_an_old_one_to_the_root(visit, width):
    page = visit(width=width, is_new=True).open(page="revisions", charts="")
    for query, at in ((f"season={NOW}", ""), (f"week={CHOSEN}", "week"), ("", "methods")):
        before = entries(page)
        page.goto(f"{urlparse(page.url)._replace(path=at, query=query).geturl()}")
        wait_for(page, RESULTS[at or "today"])
        assert entries(page) == before + 1
    # The week stood at the root once: an old link opens it in the place of the root.
    before = entries(page)
    page.goto(f"{urlparse(page.url)._replace(path='', query='week=2036-W03&area=A3').geturl()}")
    wait_for(page, "This week")
    assert urlparse(page.url).path == "/week"
    assert link(page)["week"] == ["2036-W03"]
    assert link(page)["area"] == ["A3"]
    assert entries(page) == before + 1
    page.go_back()
    wait_for(page, "Methods and cautions")


@WIDTHS
def test_one_back_is_one_page_and_choices_are_no_entries(visit, width):
    page = visit(width=width, is_new=True).open(page="", charts="")
    wait_for(page, "Today")
    way = ["Revisions", "This week", "Season limits", "Compare rule changes", "Catch rates"]
    before = entries(page)
    links = [page.url]
    for title in way:
        turn_to(page, title)
        wait_for(page, title)
        if title == "This week" and width == 1280:  # a phone folds the choices
            choose_weeks(page)
        links.append(page.url)
    assert entries(page) == before + len(way)
    for title, address in zip(["Today", *way][-2::-1], links[-2::-1], strict=True):
        page.go_back()
        wait_for(page, title)
        assert page.url == address
    page.go_forward()
    wait_for(page, way[0])
    assert page.url == links[1]


def choose_weeks(page: Page) -> None:
    """Choose one week after the other, each of which stands in the link."""
    before = entries(page)
    for week in ("2036-W03", CHOSEN, "2036-W02"):
        pick(page, "week", week)
        page.get_by_text(f"In week {week}, over all areas").wait_for()
        page.wait_for_function(f"() => location.search.includes('week={week}')")
    assert entries(page) == before


@WIDTHS
def test_choices_go_from_page_to_page(visit, width):
    page = visit(width=width).open(f"week={CHOSEN}&area=A3&show=kept_fish")
    page.wait_for_function(
        f"() => document.title === 'This week · {CHOSEN} · Pale Hook · Blackmouth'"
    )
    for title in ("Today", "Released fish", "Season limits"):
        turn_to(page, title)
        wait_for(page, title)
        page.wait_for_function(f"() => document.title === '{title} · Pale Hook · Blackmouth'")
        assert link(page)["area"] == ["A3"]
        assert link(page)["season"] == [NOW]
    turn_to(page, "This week")
    wait_for(page, "This week")
    assert (link(page)["week"], link(page)["show"]) == ([CHOSEN], ["kept_fish"])


def test_the_menu_of_a_phone_is_named_and_closes_on_a_choice(visit):
    page = visit(width=390).open(page="", charts="")
    button = page.get_by_role("button", name="Menu", exact=True)
    words = button.evaluate("one => getComputedStyle(one, '::after').content")
    assert words == '"Menu"'
    box = button.bounding_box()
    assert box["width"] > box["height"]
    drawer = page.get_by_test_id("stSidebar")
    for title in ("Revisions", "Today"):
        button.click()
        page.get_by_role("button", name="Close the menu").wait_for()
        drawer.get_by_role("link", name=title, exact=True).click()
        wait_for(page, title)
        page.wait_for_function(
            "() => document.querySelector('[data-testid=stSidebar]')"
            ".getBoundingClientRect().right <= 1"
        )
    page.reload()
    wait_for(page, "Today")
    assert drawer.bounding_box()["x"] < -200
