"""What pages do in the browser itself: print, pictures of figures, tables sorted and searched."""

from __future__ import annotations

import csv
import io
import json
import struct
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import plotly
import pypdf
import pytest
from PIL import ImageColor

from analytics.palette import DARK, LIGHT
from analytics.wording.bulletin_index import index_bulletin
from analytics.wording.week import RATE
from dashboard import page_frame
from dashboard.charts import heat
from tests.app.sample_bulletin import CHOSEN, NOW, make
from tests.browser import screens

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.browser
SCRIPT = Path(page_frame.__file__).with_name("page_tools.js")

#: Inside the margins of a sheet of A4, in CSS pixels.
PAPER = 695
PRINTED = """() => [...document.querySelectorAll('.js-plotly-plot')]
  .filter(plot => plot.checkVisibility())
  .map(plot => { const box = plot.querySelector('svg.main-svg').getBoundingClientRect();
    return {right: box.right, width: box.width, height: box.height,
      fits: plot.querySelector('svg.main-svg').hasAttribute('viewBox')}})"""
SVG = "{http://www.w3.org/2000/svg}"


def on_paper(page: Page) -> list[dict[str, float]]:
    """Return the boxes of the figures that would be printed, the page as wide as paper."""
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print")
    page.set_viewport_size({"width": PAPER, "height": 900})
    page.wait_for_timeout(400)
    return page.evaluate(PRINTED)


def off_paper(page: Page, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 900})
    page.emulate_media(media="null")  # what the browser would use
    page.evaluate("dispatchEvent(new Event('afterprint'))")


@pytest.mark.parametrize("name", [*screens.CHARTS])
def test_every_figure_fits_the_paper(visit, name):
    one = visit()
    page = one.open(page=name, charts=screens.CHARTS[name])
    shown = page.evaluate(PRINTED)
    boxes = on_paper(page)
    try:
        assert len(boxes) == len(shown)
        assert bool(boxes) == bool(screens.CHARTS[name])
        for box in boxes:
            assert box["fits"]
            assert box["right"] <= PAPER + 1
            assert box["width"] > 150
            assert box["height"] > 40
        wide = "document.querySelector('[data-testid=stMain]').scrollWidth"
        assert page.evaluate(wide) <= PAPER + 1
        assert not page.locator("[data-testid=stHeader]").is_visible()
    finally:
        off_paper(page, 1280)
    assert not any(box["fits"] for box in page.evaluate(PRINTED))


@pytest.mark.parametrize("width", [1280, 390])
def test_the_heat_map_is_printed(visit, width):
    page = visit(width=width).open(f"week={CHOSEN}")
    on_paper(page)
    try:
        images = [one for one in page.locator(".heatmaplayer image").all() if one.is_visible()]
        (box,) = [one.bounding_box() for one in images]
        assert box["width"] > 0.5 * PAPER
    finally:
        off_paper(page, width)


def test_what_is_printed_is_whole_and_without_what_is_pressed(visit):
    page = visit().open(f"week={CHOSEN}")
    names = page.locator(".bm-table:not(.bm-every) tbody th").all_inner_texts()
    reader = pypdf.PdfReader(io.BytesIO(page.pdf(format="A4")))
    words = "".join("".join(sheet.extract_text() for sheet in reader.pages).split())
    lacking = [name for name in names if "".join(name.split("\n")[0].split()) not in words]
    assert lacking == []
    assert "Download" not in words
    assert "Findinthetable" not in words
    assert CHOSEN in words


def lowest_text(sheet: pypdf.PageObject) -> float:
    """Return how far down a sheet its lowest text stands, 0 to 1."""
    heights: list[float] = []

    def visit_text(text: str, now: list[float], place: list[float], *_: object) -> None:
        if text.strip():
            heights.append(now[1] * place[4] + now[3] * place[5] + now[5])

    sheet.extract_text(visitor_text=visit_text)
    return 1 - min(heights, default=float(sheet.mediabox.height)) / float(sheet.mediabox.height)


@pytest.mark.parametrize("name", ["week", "catch_rates"])
def test_printed_sheets_are_filled(visit, name):
    page = visit().open(page=name, charts=screens.CHARTS[name])
    sheets = pypdf.PdfReader(io.BytesIO(page.pdf(format="A4"))).pages
    assert all(sheet.extract_text().strip() for sheet in sheets)
    assert lowest_text(sheets[0]) > 0.75


def saved(page: Page, kind: str, into: Path) -> tuple[str, bytes]:
    with page.expect_download() as download:
        page.get_by_role("button", name=f"Save this figure as {kind}").first.click()
    download.value.save_as(into / kind)
    return download.value.suggested_filename, (into / kind).read_bytes()


def test_the_data_of_a_figure_are_saved(visit, tmp_path):
    page = visit().open(f"week={CHOSEN}&show=angler_trips")
    with page.expect_download() as download:
        page.locator(".st-key-trend-areas").get_by_role("button", name="Save the data").click()
    download.value.save_as(tmp_path / "data.csv")
    assert download.value.suggested_filename == "trend-areas.csv"
    lines = list(csv.DictReader((tmp_path / "data.csv").read_text("utf-8").splitlines()))
    index = index_bulletin(make(NOW))
    row = index.row("A3", CHOSEN, "angler_trips")
    (found,) = [one for one in lines if one["week"] == CHOSEN and one["area"] == index.name("A3")]
    assert float(found["estimate"]) == row.estimate
    assert float(found["ci_high"]) == row.ci_high


def test_the_data_of_a_figure_without_a_table_are_its_points(visit, tmp_path):
    page = visit().open(page="alternative_estimates", charts=screens.WAY_CHARTS)
    with page.expect_download() as download:
        page.get_by_role("button", name="Save the data").first.click()
    download.value.save_as(tmp_path / "data.csv")
    lines = list(csv.reader((tmp_path / "data.csv").read_text("utf-8").splitlines()))
    assert lines[0] == ["series", "x", "y", "words"]
    assert any("as sampled" in line[2].lower() for line in lines[1:])


def test_a_picture_has_the_whole_title_of_its_figure(visit, tmp_path):
    page = visit().open(
        page="alternative_estimates", charts=screens.CHARTS["alternative_estimates"]
    )
    _, content = saved(page, "SVG", tmp_path)
    title = " ".join(one.text for one in ET.fromstring(content).findall(f"{SVG}text"))
    plain = title.replace("\u00a0", " ")
    assert plain == "All areas: 20 % higher over all boats, 5 % higher from boats counted"


def test_a_figure_is_saved_as_vectors_and_as_pixels(visit, tmp_path):
    page = visit().open(f"week={CHOSEN}")
    size = page.evaluate(
        "() => ['width', 'height'].map(name => parseFloat("
        "document.querySelector('svg.main-svg').getAttribute(name)))"
    )
    name, content = saved(page, "SVG", tmp_path)
    drawing = ET.fromstring(content)
    assert name.startswith("trend-")
    assert name.endswith(".svg")
    whole = [float(drawing.get(side)) for side in ("width", "height")]
    assert whole[0] == size[0]
    assert whole[1] > size[1]  # what it shows stands above it
    title = [one.text for one in drawing.findall(f"{SVG}text")]
    assert "Encounters per angler-hour are " in " ".join(title)
    assert "Encounters per angler-hour are " in drawing.findtext(f"{SVG}desc")
    assert len([one for one in drawing.iter(f"{SVG}text") if one.text]) > 3
    letters = "".join(one.text or "" for one in drawing.iter(f"{SVG}style"))
    assert "@font-face" in letters
    assert "base64," in letters
    assert len(list(drawing.iter(f"{SVG}path"))) > 5
    name, content = saved(page, "PNG", tmp_path)
    assert name.endswith(".png")
    width, height = struct.unpack(">II", content[16:24])
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    assert [width, height] == [int(2 * side) for side in whole]


def test_a_table_is_sorted_by_a_click_on_its_head(visit):
    page = visit().open(f"week={CHOSEN}")
    table = page.locator(".bm-table:not(.bm-every)").first
    head = table.get_by_role("columnheader", name="Chinook encounters")
    values = """table => [...table.tBodies[0].rows].slice(1).map(row =>
        parseFloat(row.cells[2].firstChild.textContent.replace(/,/g, '')))"""
    head.get_by_role("button").click()
    rising = [one for one in table.evaluate(values) if one is not None]
    assert head.get_attribute("aria-sort") == "ascending"
    assert len(rising) > 3
    assert rising == sorted(rising)
    head.get_by_role("button").press("Enter")
    assert head.get_attribute("aria-sort") == "descending"
    falling = [one for one in table.evaluate(values) if one is not None]
    assert falling == rising[::-1]
    assert "All areas" in table.locator("tbody tr").first.inner_text()


@pytest.mark.parametrize(
    "rising",
    [
        ["30 Nov", "18 Feb", "9 Mar", "13 Apr", "likely not"],
        ["28 Dec 2035", "3 Jan 2036", "11 Feb 2036"],
        ["Nov 30", "Feb 18", "Mar 9", "Apr 13", "likely not"],
        ["Dec 28, 2035", "Jan 3, 2036", "Feb 11, 2036"],
        ["Sat 9 Feb", "Sun 10 Feb", "Mon 3 Mar"],
        ["2035-12-28", "2036-01-03", "2036-02-11"],
        ["2035-W49", "2036-W02", "2036-W10"],
        ["under 1 %", "1 %", "42 %", "99 %", "over 99 %"],
        ["\u22123 points", "1,100", "20,000", "\u2013"],
    ],
)
def test_dates_weeks_and_chances_are_sorted_as_what_they_are(chromium, rising):
    page = chromium.new_page()
    rows = "".join(f"<tr><td>{one}</td></tr>" for one in sorted(rising))
    page.set_content(
        "<table class='bm-table'><thead><tr><th>Reached</th></tr></thead>"
        f"<tbody>{rows}</tbody></table>"
    )
    page.add_script_tag(path=SCRIPT)
    for order in (rising, rising[::-1]):
        page.get_by_role("button", name="Reached").click()
        assert page.locator("tbody td").all_inner_texts() == order
    page.close()


def test_a_long_table_is_searched(visit):
    page = visit().open(f"week={CHOSEN}")
    page.get_by_text("Every quantity of the week").first.click()
    page.locator(".bm-every").wait_for()
    field = page.get_by_role("searchbox").first
    rows = page.locator(".bm-every tbody tr")
    whole = rows.count()
    field.fill("sublegal")
    shown = [one.inner_text().lower() for one in rows.all() if one.is_visible()]
    assert 0 < len(shown) < whole
    assert any("sublegal" in one for one in shown)
    field.fill("")
    assert sum(one.is_visible() for one in rows.all()) == whole


TWICE = """async ([text, config]) => {
  const plot = document.createElement("div");
  document.body.append(plot);
  const given = () => [JSON.parse(text).data, JSON.parse(text).layout, config];
  await Plotly.newPlot(plot, ...given());
  let changes = 0;
  const seen = new MutationObserver((found) => { changes += found.length; });
  seen.observe(plot, {childList: true, subtree: true, attributes: true, characterData: true});
  await Plotly.react(plot, ...given());
  await new Promise((done) => setTimeout(done, 300));
  return [plot.querySelectorAll("text").length, changes];
}"""


def test_a_figure_that_is_given_twice_is_drawn_once(chromium):
    """Streamlit gives plotly.js each new figure twice."""
    index = index_bulletin(make(NOW))
    cells = {(a, w): index.row(a, w, RATE) for a in index.areas for w in index.axis}
    how = {"names": index.names, "weeks": index.axis, "quantity": RATE, "palette": LIGHT}
    spec = heat.heat(cells, areas=index.areas, **how).to_dict()
    page = chromium.new_page()
    page.add_script_tag(path=Path(plotly.__file__).parent / "package_data" / "plotly.min.js")
    n_texts, n_changes = page.evaluate(TWICE, [json.dumps(spec), {"displayModeBar": False}])
    assert n_texts > 60
    assert n_changes == 0
    del spec["layout"]["datarevision"]
    assert page.evaluate(TWICE, [json.dumps(spec), {"displayModeBar": False}])[1] > 100
    page.close()


INKS = """() => [...document.querySelectorAll('svg.main-svg text')]
  .map(one => getComputedStyle(one).fill)"""


def test_figures_follow_a_system_that_turns_dark_and_the_link_stays(visit):
    page = visit().open("area=A1", page="season_limits", charts=screens.SEASON_CHARTS)
    link = page.url
    day, night = (f"rgb{ImageColor.getrgb(one.ink)}" for one in (LIGHT, DARK))
    assert day in page.evaluate(INKS)
    page.emulate_media(color_scheme="dark")
    page.wait_for_function(f"ink => ({INKS})().includes(ink)", arg=night)
    page.wait_for_function(f"ink => !({INKS})().includes(ink)", arg=day)
    assert page.url == link
