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
from tests.browser.printing import PAPER, off_paper, on_paper, sizes_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from playwright.sync_api import Page

pytestmark = pytest.mark.browser
SCRIPT = Path(page_frame.__file__).with_name("page_tools.js")

SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.parametrize("width", [1280, 390])
def test_the_week_is_printed_whole_and_without_what_is_pressed(visit, width):
    page = visit(width=width).open(f"week={CHOSEN}")
    if width == 1280:
        require_printed(page)
    on_paper(page)
    try:
        images = [one for one in page.locator(".heatmaplayer image").all() if one.is_visible()]
        (box,) = [one.bounding_box() for one in images]
        assert box["width"] > 0.5 * PAPER
    finally:
        off_paper(page, width)


def require_printed(page: Page) -> None:
    """Require that sheets hold every line of the week's table and nothing that is pressed."""
    names = page.locator(".bm-table:not(.bm-every) tbody th").all_inner_texts()
    sheets = pypdf.PdfReader(io.BytesIO(page.pdf(format="A4"))).pages
    words = "".join("".join(sheet.extract_text() for sheet in sheets).split())
    lacking = [name for name in names if "".join(name.split("\n")[0].split()) not in words]
    assert lacking == []
    assert "Download" not in words
    assert "Findinthetable" not in words
    assert CHOSEN in words
    require_filled(sheets)


def lowest_text(sheet: pypdf.PageObject) -> float:
    """Return how far down a sheet its lowest text stands, 0 to 1."""
    heights: list[float] = []

    def visit_text(text: str, now: list[float], place: list[float], *_: object) -> None:
        if text.strip():
            heights.append(now[1] * place[4] + now[3] * place[5] + now[5])

    sheet.extract_text(visitor_text=visit_text)
    return 1 - min(heights, default=float(sheet.mediabox.height)) / float(sheet.mediabox.height)


def require_filled(sheets: Sequence[pypdf.PageObject]) -> None:
    """Require that no sheet is bare, and the first one full."""
    assert all(sheet.extract_text().strip() for sheet in sheets)
    assert lowest_text(sheets[0]) > 0.75


def test_printed_sheets_of_many_figures_are_filled(visit):
    page = visit().open(page="catch_rates", charts=screens.CHARTS["catch_rates"])
    require_filled(pypdf.PdfReader(io.BytesIO(page.pdf(format="A4"))).pages)


def test_heads_of_a_long_table_stand_on_every_sheet_of_it(visit):
    page = visit().open(f"week={CHOSEN}")
    heads = page.evaluate(
        """() => { const table = [...document.querySelectorAll('.bm-table')]
          .find(one => one.querySelector('.bm-sort'));
          const row = table.tBodies[0].rows[1];
          row.cells[0].textContent = 'Line of a long table';
          for (let n = 0; n < 60; n += 1) row.after(row.cloneNode(true));
          return [...table.tHead.querySelectorAll('th')].map(one => one.textContent) }"""
    )
    sheets = [
        "".join(sheet.extract_text().split())
        for sheet in pypdf.PdfReader(io.BytesIO(page.pdf(format="A4"))).pages
    ]
    long = [words for words in sheets if "Lineofalongtable" in words]
    assert len(long) > 2
    for words in long:
        assert [head for head in heads if "".join(head.split()) not in words] == []


LETTERS = """() => [...document.querySelectorAll('.js-plotly-plot text')].map(one =>
  [getComputedStyle(one).fontSize, one.style.translate, getComputedStyle(one).visibility])"""


@pytest.mark.parametrize("name", ["week", "compare_rules", "catch_rates", "seasonal_pattern"])
def test_letters_of_printed_figures_can_be_read_and_are_on_the_screen_as_before(visit, name):
    page = visit().open(page=name, charts=screens.CHARTS[name])
    before = page.evaluate(LETTERS)
    sheets = pypdf.PdfReader(io.BytesIO(page.pdf(format="A4"))).pages
    assert min(sizes_of(sheets)) >= 7  # points
    assert page.evaluate(LETTERS) == before
    assert before


def saved(page: Page, kind: str, into: Path) -> tuple[str, bytes]:
    with page.expect_download() as download:
        page.get_by_role("button", name=f"Save this figure as {kind}").first.click()
    download.value.save_as(into / kind)
    return download.value.suggested_filename, (into / kind).read_bytes()


def test_figures_of_a_page_are_saved_and_its_tables_sorted_and_searched(visit, tmp_path):
    page = visit().open(f"week={CHOSEN}&show=angler_trips")
    require_data_saved(page, tmp_path)
    require_vectors_and_pixels(page, tmp_path)
    require_sorted(page)
    require_searched(page)


def require_data_saved(page: Page, into: Path) -> None:
    """Require that the data of a figure are the figures of its table."""
    with page.expect_download() as download:
        page.locator(".st-key-trend-areas").get_by_role("button", name="Save the data").click()
    download.value.save_as(into / "data.csv")
    assert download.value.suggested_filename == "trend-areas.csv"
    lines = list(csv.DictReader((into / "data.csv").read_text("utf-8").splitlines()))
    index = index_bulletin(make(NOW))
    row = index.row("A3", CHOSEN, "angler_trips")
    (found,) = [one for one in lines if one["week"] == CHOSEN and one["area"] == index.name("A3")]
    assert float(found["estimate"]) == row.estimate
    assert float(found["ci_high"]) == row.ci_high


def require_vectors_and_pixels(page: Page, into: Path) -> None:
    """Require that a picture is its figure with the title, and its pixels twice as many."""
    size = page.evaluate(
        "() => ['width', 'height'].map(name => parseFloat("
        "document.querySelector('svg.main-svg').getAttribute(name)))"
    )
    name, content = saved(page, "SVG", into)
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
    name, content = saved(page, "PNG", into)
    assert name.endswith(".png")
    width, height = struct.unpack(">II", content[16:24])
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    assert [width, height] == [int(2 * side) for side in whole]


def require_sorted(page: Page) -> None:
    """Require that a table is sorted by a click on its head."""
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


def require_searched(page: Page) -> None:
    """Require that a long table shows the rows that hold a word."""
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


def test_a_figure_without_a_table_is_saved_as_its_points_and_with_its_whole_title(visit, tmp_path):
    page = visit().open(page="alternative_estimates", charts=screens.WAY_CHARTS)
    with page.expect_download() as download:
        page.get_by_role("button", name="Save the data").first.click()
    download.value.save_as(tmp_path / "data.csv")
    lines = list(csv.reader((tmp_path / "data.csv").read_text("utf-8").splitlines()))
    assert lines[0] == ["line", "estimate", "ci_low", "ci_high", "words"]
    assert any("as sampled" in line[0].lower() for line in lines[1:])
    _, content = saved(page, "SVG", tmp_path)
    title = " ".join(one.text for one in ET.fromstring(content).findall(f"{SVG}text"))
    plain = title.replace("\u00a0", " ")
    assert plain == "All areas: 20 % higher over all boats, 5 % higher from boats counted"


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
