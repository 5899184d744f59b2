"""The week in review, run headless: choices, words, links, and what goes wrong."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path

import pyarrow as pa
import pytest
from streamlit.testing.v1 import AppTest

from analytics.bulletin import shelf as shelves
from dashboard import book as books
from dashboard import data, tables
from tests.app.sample_bulletin import CHOSEN, NOW, make

SECONDS = 30


@pytest.fixture
def open_page(monkeypatch: pytest.MonkeyPatch, shelf: Path):
    """Return a function that opens the page with a link, on the shelf of the tests or another."""

    def opened(*, folder: Path | None = shelf, **link: str | list[str]) -> AppTest:
        monkeypatch.setenv(data.SHELF_VARIABLE, str(folder or ""))
        spec = find_spec("dashboard")
        page = AppTest.from_file(Path(spec.origin).parent / "app.py", default_timeout=SECONDS)
        for key, value in link.items():
            page.query_params[key] = value
        return page.run()

    return opened


def words_of(page: AppTest) -> str:
    """Return every word on the page but the style sheet and the filters' options."""
    kinds = (page.title, page.header, page.subheader, page.markdown, page.caption, page.warning)
    parts = [one.value for kind in (*kinds, page.error) for one in kind]
    parts += [one.proto.body for one in page.get("html") if "<style>" not in one.proto.body]
    return "\n".join(parts).replace("\u00a0", " ")


def answer_of(page: AppTest) -> str:
    found = [one.value for one in page.markdown if one.value.startswith("In week")]
    assert len(found) == 1
    return found[0]


def test_opens_on_the_newest_week_of_the_newest_season(open_page):
    page = open_page()
    assert not page.exception
    assert page.selectbox("season").value == NOW
    assert page.selectbox("week").value == "2036-W06"
    assert page.multiselect("area").value == []
    assert answer_of(page).startswith("In week 2036-W06, over all areas, anglers made **")


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


def test_one_area_shows_its_own_row(open_page, shelf):
    page = open_page(week=CHOSEN, area="A1")
    assert f"In week {CHOSEN}, in Quillon Bank, anglers made **" in answer_of(page)
    rows = shelves.load(shelf, make(NOW).card.bulletin).rows.to_pylist()
    trips = next(
        row["estimate"]
        for row in rows
        if (row["area"], row["week"], row["quantity"]) == ("A1", CHOSEN, "angler_trips")
    )
    shown = re.search(r"anglers made \*\*([\d,]+)\*\*", answer_of(page)).group(1)
    assert float(shown.replace(",", "")) == pytest.approx(trips, rel=0.05)
    assert "All areas" not in words_of(page)


def test_several_areas_stand_apart(open_page):
    page = open_page(week=CHOSEN, area=["A1", "A3"])
    assert "no sum over a choice of areas" in answer_of(page)
    assert [one.value for one in page.subheader] == ["Quillon Bank", "Pale Hook"]
    assert len(page.get("plotly_chart")) == 3


def test_every_area_has_a_panel_and_a_line(open_page):
    page = open_page(week=CHOSEN)
    assert len(page.get("plotly_chart")) == 7
    table = next(one.proto.body for one in page.get("html") if one.proto.body.startswith("<table"))
    assert table.count("<tr") == 1 + 7
    assert "<tr class='bm-all'><th scope='row'>All areas</th>" in table


@pytest.mark.parametrize("area", ["A2", "A3", "A4", "A5", "A6"])
def test_rows_without_numbers_show_words(open_page, area):
    page = open_page(week=CHOSEN, area=area)
    assert not page.exception
    words = words_of(page)
    assert not re.search(r"\b(nan|null|inf|None(?! was))\b", words)
    for frame in page.dataframe:
        assert not frame.value.isna().any().any()
        assert not frame.value.isin(["nan", "None", "NaN"]).any().any()


def test_words_of_each_reservation(open_page):
    assert "no sample" in words_of(open_page(week=CHOSEN, area="A2"))
    assert "rest on one site\\-day of 20" in words_of(open_page(week=CHOSEN, area="A3"))
    assert "very uncertain: error" in words_of(open_page(week=CHOSEN, area="A4"))
    assert "none seen, no interval" in words_of(open_page(week=CHOSEN, area="A5"))
    assert "interviews of convenience" in words_of(open_page(week=CHOSEN, area="A6"))


def test_a_closed_week_says_so(open_page):
    page = open_page(week="2035-W45", area="A6")
    assert "there was no open day and no sample" in answer_of(page)


def test_preliminary_and_final_bulletins_say_what_they_are(open_page):
    now = words_of(open_page(season=NOW))
    assert "**Preliminary.** Through week 2036-W06, as of version 3 of the data." in now
    past = words_of(open_page(season="2034-35"))
    assert "Preliminary" not in past
    assert "Through week 2035-W06, as of version 3" in past


def test_an_older_bulletin_stands_in_the_link_and_says_so(open_page):
    page = open_page(bulletin="older")
    assert "as of version 2" in words_of(page)
    assert "A newer bulletin of this season is on the shelf" in words_of(page)
    assert page.query_params["bulletin"] == "older"


def test_a_link_to_what_is_not_there_says_so(open_page):
    page = open_page(week="2036-W40", area=["A1", "<b>B9"], season="1999")
    assert not page.exception
    asked = page.warning[0].value
    assert "season 1999, week 2036\\-W40, area \\<b\\>B9" in asked
    assert page.selectbox("week").value == "2036-W06"
    assert page.multiselect("area").value == ["A1"]


def test_the_week_falls_back_when_the_season_changes(open_page):
    page = open_page(week=CHOSEN)
    page.selectbox("season").set_value("2034-35").run()
    assert page.selectbox("week").value == "2035-W06"
    assert not page.warning


def test_the_download_is_the_bulletins_own_rows(open_page, shelf):
    book = books.index(shelves.load(shelf, make(NOW).card.bulletin))
    written = tables.csv(books.rows_of_week(book, week=CHOSEN, areas=("A2",))).decode()
    assert written.splitlines()[0] == (
        "season,area,week,quantity,unit,estimate,se,ci_low,ci_high,ci_level,ci_method,df,"
        "n_psu,n_psu_frame,n_interviews,method,status"
    )
    lines = list(csv.DictReader(io.StringIO(written)))
    assert len(lines) == 10
    assert {(line["season"], line["area"], line["week"]) for line in lines} == {(NOW, "A2", CHOSEN)}
    assert [line["estimate"] for line in lines] == [""] * 10
    whole = tables.csv(books.rows_of_week(book, week=CHOSEN, areas=())).decode()
    lines = list(csv.DictReader(io.StringIO(whole)))
    assert len(lines) == 7 * 10
    for line in lines:
        row = book.row(line["area"] or None, line["week"], line["quantity"])
        assert (float(line["estimate"]) if line["estimate"] else None) == row.estimate


@pytest.mark.parametrize("named", [False, True])
def test_an_empty_shelf_says_what_to_do(open_page, tmp_path, named):
    page = open_page(folder=tmp_path / "none yet" if named else None)
    assert not page.exception
    assert "There is no bulletin to show yet" in words_of(page)
    assert "blackmouth" in page.code[0].value
    assert not page.selectbox


def test_a_damaged_card_is_named_and_hides_no_other_bulletin(open_page, tmp_path):
    shelves.keep(tmp_path, make("2034-35"))
    name = shelves.keep(tmp_path, make(NOW)).bulletin
    path = tmp_path / name / "bulletin.json"
    path.write_bytes(path.read_bytes()[:40])
    page = open_page(folder=tmp_path)
    assert not page.exception
    assert name in page.warning[0].value.replace("\\", "")
    assert page.selectbox("season").options == ["2034-35"]


def test_a_damaged_bulletin_ends_in_a_message(open_page, tmp_path):
    card = make(NOW).card
    shelves.keep(tmp_path, make(NOW))
    path = tmp_path / card.bulletin / "rows.parquet"
    path.write_bytes(path.read_bytes()[:40])
    page = open_page(folder=tmp_path)
    assert not page.exception
    assert "The bulletins cannot be read" in page.error[0].value
    assert "blackmouth bulletin" in words_of(page)


def test_a_bulletin_that_lost_a_file_ends_in_a_message(open_page, tmp_path):
    shelves.keep(tmp_path, make(NOW))
    (tmp_path / make(NOW).card.bulletin / "strata.parquet").unlink()
    page = open_page(folder=tmp_path)
    assert not page.exception
    assert page.error


def test_a_new_bulletin_shows_without_a_restart(open_page, tmp_path):
    shelves.keep(tmp_path, make("2034-35"))
    assert open_page(folder=tmp_path).selectbox("season").options == ["2034-35"]
    shelves.keep(tmp_path, make(NOW))
    assert open_page(folder=tmp_path).selectbox("season").options == [NOW, "2034-35"]


def test_names_from_the_data_are_harmless(open_page, tmp_path):
    bulletin = make(NOW)
    nasty = [
        {"area": one["area"], "area_name": "<script>x</script> *$a$* | {b}"}
        for one in bulletin.areas.to_pylist()
    ]
    areas = pa.Table.from_pylist(nasty, schema=shelves.AREA_SCHEMA)
    shelves.keep(tmp_path, replace(bulletin, areas=areas))
    page = open_page(folder=tmp_path, area="A1")
    assert not page.exception
    assert "<script>" not in words_of(page).replace("\\<script\\>", "")


def test_who_decides_and_the_cold_water_are_said(open_page):
    words = words_of(open_page())
    assert "decides nothing" in words
    assert "1-10-1" in words
