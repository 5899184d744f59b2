"""The page Released fish in a real browser: every part draws, follows the choices, fits."""

from __future__ import annotations

import pytest

from tests.browser.screens import CHARTS, settle
from tests.browser.visiting import assert_fits, assert_labels_whole, downloaded

pytestmark = pytest.mark.browser
HERE = {"page": "released", "charts": CHARTS["released"]}


def answer(page) -> str:
    return page.locator(".st-key-answer").inner_text()


def test_the_first_part_is_drawn_whole(visit):
    page = visit().open(**HERE)
    assert answer(page).startswith("In week 2036-W06, over all areas,")
    plot = page.locator(".st-key-released-share .js-plotly-plot")
    assert plot.count() == 1
    assert plot.locator(".cartesianlayer .subplot").count() == 6
    # The pooled line has a mark a week; the survey one for each week with a share.
    assert plot.locator(".scatterlayer .points path").count() > 5 * (14 + 13)
    assert page.get_by_role("figure", name="Sublegal share by week in Quillon Bank").count() == 1


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_the_buttons_lead_from_part_to_part_and_nothing_is_cut(visit, width, scheme):
    page = visit(width=width, scheme=scheme).open(**HERE)
    for part, words, said in (
        ("classes", "Size and mark", "sampled over reported is"),
        ("deaths", "Deaths", "Chinook died"),
        ("lengths", "Lengths", "were of legal length"),
        ("species", "Other species", "anglers met per hour of one angler"),
        ("handling", "Releasing fish", "Where the hook sits"),
    ):
        page.locator(".st-key-part").get_by_text(words, exact=True).click()
        page.wait_for_function(f"() => location.search.includes('part={part}')")
        page.locator(".st-key-answer").get_by_text(said).wait_for()
        settle(page, charts=CHARTS["released"])
        assert page.locator("[data-testid=stAlert]").count() == 0
        assert_fits(page)
        assert_labels_whole(page)


def test_a_link_opens_the_same_view(visit):
    page = visit().open("part=lengths&area=A4&span=2036-W05", **HERE)
    page.get_by_text("Fish by length, week 2036-W05").wait_for()
    assert "no fish of test fishing was measured here" in answer(page)
    assert page.locator(".st-key-released-lengths-dockside-A4 .barlayer .point").count() == 30


def test_the_downloads_are_the_tables(visit, tmp_path):
    page = visit().open("part=deaths&area=A1", **HERE)
    for folded in ("Figure and table by method", "Figures and tables of held fish"):
        page.get_by_text(folded).first.click()
    for words, name, start in (
        (
            "Download the deaths",
            "deaths",
            "basis,season,area,area_name,fate,size_class,method,wound_class",
        ),
        ("Download the method mix", "method_mix_deaths", "season,area,area_name,case,method,fish"),
        ("Download the trials", "holding_rates", "trial_id,group,is_control,held,died,hours"),
    ):
        file, text = downloaded(page, words, tmp_path)
        assert file == f"2035-36.2036-W06.v3.{name}.csv"
        assert text.startswith(start)
