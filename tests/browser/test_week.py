"""The page This week in a real browser: it draws, follows the filters, keeps its link, fits."""

from __future__ import annotations

import itertools
import re
from typing import TYPE_CHECKING
from urllib.parse import parse_qs, urlparse

import pytest

from tests.app.sample_bulletin import CHOSEN
from tests.browser.screens import settle
from tests.browser.visiting import downloaded, pick

if TYPE_CHECKING:
    from playwright.sync_api import Locator, Page

pytestmark = pytest.mark.browser


def answer(page: Page) -> str:
    return page.locator(".st-key-answer").inner_text()


def seen(page: Page, selector: str) -> list[Locator]:
    """Return the elements that a reader sees."""
    return [one for one in page.locator(selector).all() if one.is_visible()]


def link(page: Page) -> dict[str, list[str]]:
    return parse_qs(urlparse(page.url).query)


LOOKS = {
    "light": ("rgb(251, 250, 246)", "rgb(27, 99, 120)"),
    "dark": ("rgb(16, 24, 29)", "rgb(111, 191, 211)"),
}


def require_look(page: Page, width: int, scheme: str) -> None:
    """Require the colours of a scheme, and figures as wide as the window lets them be."""
    boxes = [one.bounding_box() for one in seen(page, ".js-plotly-plot")]
    assert all(0.8 * min(width, 1180) < box["width"] <= width for box in boxes)
    colour = "getComputedStyle(document.querySelector('[data-testid=stApp]')).backgroundColor"
    border = "getComputedStyle(document.querySelector('.bm-card')).borderTopColor"
    assert (page.evaluate(colour), page.evaluate(border)) == LOOKS[scheme]


def test_the_page_is_drawn_whole_on_a_desk_by_day(visit):
    page = visit().open(f"week={CHOSEN}")
    require_look(page, 1280, "light")
    assert answer(page).startswith(f"In week {CHOSEN}, over all areas, anglers made ")
    assert page.locator(".bm-card").count() == 5
    assert len(seen(page, ".js-plotly-plot")) == 3
    assert page.locator(".bm-table:not(.bm-every) tbody tr").count() == 7
    # A chart without a size or without points is an empty box.
    for chart in seen(page, ".js-plotly-plot"):
        box = chart.bounding_box()
        assert box["width"] > 200
        assert box["height"] > 120
    assert len(seen(page, ".heatmaplayer image")) == 1
    assert page.locator(".scatterlayer .points path").count() > 60
    # Each chart has a description.
    found = page.get_by_role(
        "figure", name=re.compile("Chinook encounters by week in Quillon Bank")
    )
    assert found.count() == 1


def test_sentence_link_and_download_follow_a_filter(visit, tmp_path):
    page = visit().open()
    pick(page, "week", CHOSEN)
    page.get_by_text(f"In week {CHOSEN}, over all areas").wait_for()
    page.wait_for_function(f"() => location.search.includes('week={CHOSEN}')")
    pick(page, "area", "Pale Hook")
    page.get_by_text(f"In week {CHOSEN}, in Pale Hook").wait_for()
    page.wait_for_function("() => location.search.includes('area=A3')")
    page.locator(".st-key-show").get_by_text("Sublegal share").click()
    page.wait_for_function("() => location.search.includes('show=sublegal_prop')")
    assert link(page)["week"] == [CHOSEN]
    assert link(page)["area"] == ["A3"]
    file, text = downloaded(page, "Download the week", tmp_path)
    assert file == f"2035-36.2036-W06.v3.{CHOSEN}.csv"
    lines = text.splitlines()
    assert lines[0].startswith("season,area,area_name,week,quantity,unit,estimate,se,ci_low,")
    assert len(lines) == 11
    assert all(re.match(rf"2035-36,A3,[^,]+,{CHOSEN},", line) for line in lines[1:])


def test_a_pasted_link_opens_the_same_view(visit):
    first = visit().open()
    pick(first, "season", "2034-35")
    first.get_by_text("In week 2035-W06").wait_for()
    pick(first, "week", "2034-W50")
    first.get_by_text("In week 2034-W50").wait_for()
    pick(first, "area", "Umbra Flats")
    first.wait_for_function("() => location.search.includes('area=A4')")
    settle(first)
    second = visit().open(urlparse(first.url).query)
    assert link(second) == link(first)
    assert answer(second) == answer(first)
    assert "in Umbra Flats" in answer(second)
    assert (
        second.locator(".bm-card").all_inner_texts() == first.locator(".bm-card").all_inner_texts()
    )


def test_a_switch_draws_its_own_part_and_stands_in_the_link(visit):
    page = visit().open(f"week={CHOSEN}")
    page.evaluate("document.querySelector('.st-key-answer').dataset.mine = 'kept'")
    title = page.get_by_text("Chinook encounters by week")
    title.wait_for()
    page.locator(".st-key-show").get_by_text("Sublegal share").click()
    page.get_by_text("Sublegal share by week").wait_for()
    page.wait_for_function("() => location.search.includes('show=sublegal_prop')")
    page.locator(".st-key-map").get_by_text("Sublegal share").click()
    page.wait_for_function("() => location.search.includes('map=sublegal_prop')")
    assert link(page)["show"] == ["sublegal_prop"]
    assert link(page)["week"] == [CHOSEN]
    settle(page)
    shown = page.url
    page.reload()
    settle(page)
    assert page.url == shown
    assert page.get_by_text("Sublegal share by week").count() == 1


def test_a_phone_folds_the_filters_and_keeps_them_open_while_choosing(visit):
    page = visit(width=390).open(f"week={CHOSEN}")
    choice, change = page.locator(".bm-choice"), page.locator(".bm-fold summary")
    assert choice.inner_text() == f"2035-36 · {CHOSEN} · all areas"
    assert seen(page, ".st-key-filters") == []
    change.click()
    pick(page, "week", "2036-W03")
    page.get_by_text("2035-36 · 2036-W03 · all areas").wait_for()
    pick(page, "area", "Pale Hook")
    page.get_by_text("2035-36 · 2036-W03 · Pale Hook").wait_for()
    assert len(seen(page, ".st-key-filters")) == 1
    page.keyboard.press("Escape")
    change.click()
    assert seen(page, ".st-key-filters") == []
    wide = visit().open(f"week={CHOSEN}")
    assert seen(wide, ".st-key-fold") == []
    assert len(seen(wide, ".st-key-filters")) == 1


def test_a_phone_reads_the_figures_of_the_map_by_night(visit):
    page = visit(width=390, scheme="dark").open(f"week={CHOSEN}")
    require_look(page, 390, "dark")
    assert len(seen(page, "[class*=st-key-heat-map] .js-plotly-plot")) == 1
    figures = page.locator(".st-key-heat-map .scatterlayer .trace").first.locator("text")
    boxes = [one.bounding_box() for one in figures.all()]
    assert len(boxes) > 60
    assert all(10 < box["width"] < 60 for box in boxes)
    for box, other in itertools.combinations(boxes, 2):
        is_apart = (
            box["x"] + box["width"] <= other["x"] + 0.5
            or other["x"] + other["width"] <= box["x"] + 0.5
            or box["y"] + box["height"] <= other["y"] + 0.5
            or other["y"] + other["height"] <= box["y"] + 0.5
        )
        assert is_apart


#: Where the frame of the map stands, and the label of the week that it frames.
FRAMED = """() => {
  const map = document.querySelector('.st-key-heat-map .js-plotly-plot');
  const frames = [...map?.querySelectorAll('.bm-frame') ?? []];
  const box = frames.length === 1 ? frames[0].getBoundingClientRect() : {};
  const middle = box.top + box.height / 2;
  const label = [...map?.querySelectorAll('.ytick text') ?? []].find(one => {
    const { top, bottom } = one.getBoundingClientRect();
    return top < middle && middle < bottom;
  });
  window.drawnMap ??= map;
  return label && [label.textContent, map === window.drawnMap];
}"""


def framed(page, day):
    page.wait_for_function(f"() => ({FRAMED})()?.[0] === '{day}'")
    return page.evaluate(FRAMED)


def test_the_map_frames_the_chosen_week_and_stays_when_another_is_chosen(visit):
    page = visit().open("week=2036-W05")
    assert framed(page, "28 Jan") == ["28 Jan", True]
    pick(page, "week", "2036-W03")
    assert framed(page, "14 Jan") == ["14 Jan", True]
    page.set_viewport_size({"width": 900, "height": 900})
    assert framed(page, "14 Jan") == ["14 Jan", True]


#: Days under the shaded column of the trend; what stands over it and over each strip.
SHADED = """() => {
  const trend = document.querySelector('.st-key-trend-areas .js-plotly-plot');
  const marks = [...trend?.querySelectorAll('.bm-frame') ?? []];
  if (marks.length !== 1) return null;
  const { left, right } = marks[0].querySelector('rect').getBoundingClientRect();
  const days = [...trend.querySelectorAll('.xtick text')].filter(one => {
    const box = one.getBoundingClientRect();
    const middle = (box.left + box.right) / 2;
    return left < middle && middle < right;
  });
  const inside = trend.getBoundingClientRect();
  const words = [...marks[0].querySelectorAll('text')];
  return {
    days: days.map(one => one.textContent), words: words.map(one => one.textContent),
    are_inside: words.every(one => {
      const box = one.getBoundingClientRect();
      return box.left > inside.left && box.right < inside.right + 1;
    }),
  };
}"""


COUNT_DRAWINGS = """() => {
  window.nDrawn = 0;
  const count = () => { window.nDrawn += 1; };
  document.querySelector('.st-key-trend-areas .js-plotly-plot').on('plotly_afterplot', count);
}"""


def shaded(page, words):
    page.wait_for_function(f"() => ({SHADED})()?.words[0] === '{words}'")
    return page.evaluate(SHADED)


def test_the_trend_shades_the_chosen_week_and_stays_when_another_is_chosen(visit):
    page = visit().open("week=2036-W05")
    first = shaded(page, "week of 28 Jan")
    assert first["days"] == ["28 Jan"]
    page.evaluate(COUNT_DRAWINGS)
    pick(page, "week", "2036-W03")
    other = shaded(page, "week of 14 Jan")
    assert other["days"] == ["14 Jan"]
    n_drawn = page.evaluate("window.nDrawn")
    assert len(other["words"]) == len(first["words"]) == 7
    assert other["words"][1:] != first["words"][1:]
    page.set_viewport_size({"width": 390, "height": 900})
    page.wait_for_function(
        "() => document.querySelector('.st-key-trend-areas .main-svg').clientWidth < 390"
    )
    narrow = shaded(page, "week of 14 Jan")
    assert narrow["days"] == ["14 Jan"]
    assert first["are_inside"] and other["are_inside"] and narrow["are_inside"]
    assert n_drawn == 0


CONTRASTS = """(selectors) => {
  const parts = (words) => words.match(/[\\d.]+/g).map(Number);
  const over = (front, back) => {
    const [r, g, b, a = 1] = front;
    return [r, g, b].map((one, at) => one * a + back[at] * (1 - a));
  };
  const light = (colour) => {
    const [r, g, b] = colour.map((one) => one / 255).map(
      (one) => one <= 0.04045 ? one / 12.92 : ((one + 0.055) / 1.055) ** 2.4);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  return selectors.map((selector) => {
    const found = [...document.querySelectorAll(selector)].filter((one) => one.offsetParent);
    const all = found.map((one) => {
      const chain = [];
      let faint = 1;
      for (let at = one; at; at = at.parentElement) {
        chain.unshift(parts(getComputedStyle(at).backgroundColor));
        faint *= Number(getComputedStyle(at).opacity);
      }
      const back = chain.reduce((below, above) => over(above, below), [255, 255, 255]);
      const [r, g, b, a = 1] = parts(getComputedStyle(one).color);
      const pair = [light(over([r, g, b, a * faint], back)), light(back)];
      return (Math.max(...pair) + 0.05) / (Math.min(...pair) + 0.05);
    });
    return [selector, all.length, Math.min(...all)];
  });
}"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_small_and_chosen_words_stand_out(visit, scheme):
    # Web Content Accessibility Guidelines 2.2 (W3C 2023): 4.5 for text.
    page = visit(scheme=scheme).open(f"week={CHOSEN}&area=A1&area=A3&colour=red")
    selectors = [
        "[data-testid=stCaptionContainer] p",
        "[data-variant=segmented_control][data-selected=true] p",
        "[data-variant=segmented_control] p",
        "[data-tag] span",
        "[data-testid=stAlert] p",
        ".bm-legend span",
        ".bm-table small",
        ".bm-care",
        ".bm-mark",
    ]
    for selector, count, least in page.evaluate(CONTRASTS, selectors):
        assert count, selector
        assert least >= 4.5, selector
