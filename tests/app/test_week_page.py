"""This week, run headless: choices, words, and what goes wrong."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from types import SimpleNamespace

import pyarrow as pa
import pytest

from analytics.bulletin import archive
from analytics.codes import sentences as code_words
from analytics.precision import Precision
from analytics.wording import bulletin_index, reasons
from analytics.wording.week import COVERAGE
from dashboard import html_tables, notices
from tests.app.reading import answer_of, unfold, words_of
from tests.app.sample_bulletin import CHOSEN, NOW, for_the_public, make
from tests.app.sample_cases import ENDLESS, NO_DESIGN, NO_DROP_OFF, NO_ERROR, OTHER_DAYS, PARTIAL


def test_the_other_basis_is_named_where_there_is_one(opener, tmp_path):
    made = make(NOW)
    made = replace(made, card=replace(made.card, basis="reported"))
    for name, other in (("with", made.rows), ("without", made.rows.slice(0, 0))):
        archive.save(tmp_path / name, replace(made, other_basis=other))
        page = opener("app_pages/week.py")(folder=tmp_path / name)
        assert not page.exception
        said = words_of(page)
        assert "Released fish as reported in interviews" in said
        assert ("the other basis stands on" in said) == (name == "with")


def test_opens_on_the_newest_week_of_the_newest_season(open_page):
    page = open_page()
    assert not page.exception
    assert page.selectbox("season").value == NOW
    assert page.selectbox("week").value == "2036-W06"
    assert page.multiselect("area").value == []
    assert answer_of(page).startswith("In week 2036-W06, over all areas, anglers made **")


def test_one_area_shows_its_own_row(open_page, archive_folder):
    page = open_page(week=CHOSEN, area="A1")
    assert f"In week {CHOSEN}, in Quillon Bank, anglers made **" in answer_of(page)
    rows = archive.load(archive_folder, make(NOW).card.bulletin).rows.to_pylist()
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
    assert "no sum over these areas" in answer_of(page)
    assert [one.value for one in page.subheader] == ["Quillon Bank", "Pale Hook"]
    assert len(page.get("plotly_chart")) == 2


def test_every_area_has_a_panel_and_a_line(open_page):
    page = open_page(week=CHOSEN)
    assert len(page.get("plotly_chart")) == 3
    table = next(one.proto.body for one in page.get("html") if one.proto.body.startswith("<table"))
    assert table.count("<tr") == 1 + 7
    assert "<tr class='bm-all'><th scope='row'>All areas</th>" in table


@pytest.mark.parametrize("area", ["A2", "A3", "A4", "A5", "A6"])
def test_rows_without_numbers_show_words(open_page, area):
    page = open_page(week=CHOSEN, area=area)
    assert not page.exception
    words = words_of(page)
    assert not re.search(r"\b(nan|null|inf|None(?! was))\b", words)


def test_words_of_each_reservation(open_page):
    assert "no site\\-day sampled" in words_of(open_page(week=CHOSEN, area="A2"))
    assert "rest on one site\\-day of 20" in words_of(open_page(week=CHOSEN, area="A3"))
    assert "not for publication: PSE over 50 %" in words_of(open_page(week=CHOSEN, area="A4"))
    assert "none seen, no interval" in words_of(open_page(week=CHOSEN, area="A5"))
    assert "rates and shares, never totals" in words_of(open_page(week=CHOSEN, area="A6"))


def test_a_closed_week_says_so(open_page):
    page = open_page(week="2035-W45", area="A6")
    assert "there was no open day and no sample" in answer_of(page)


def test_preliminary_and_final_bulletins_say_what_they_are(open_page):
    now = words_of(open_page(season=NOW))
    assert "**Preliminary.** Through week 2036-W06, as of version 3 of the data" in now
    past = words_of(open_page(season="2034-35"))
    assert "Preliminary" not in past
    assert "Through week 2035-W06, as of version 3" in past


def test_the_demo_says_that_it_is_invented(open_page, monkeypatch):
    assert "Invented demonstration data" not in words_of(open_page())
    monkeypatch.setenv(notices.DEMO_VARIABLE, "1")
    captions = [one.value for one in open_page().caption]
    assert captions[0] == ("Invented demonstration data: Ondrell Sound and its fish do not exist.")


def test_a_phone_sees_the_choice_in_a_line(open_page):
    page = open_page(week=CHOSEN, area=["A1", "A3"])
    assert "2035-36 · 2036-W05 · Quillon Bank, Pale Hook" in words_of(page)
    assert f"2035-36 · {CHOSEN} · all areas" in words_of(open_page(week=CHOSEN))


def test_a_total_without_an_area_says_so_with_its_figure(open_page):
    page = open_page(week=PARTIAL[1])
    assert "without Sorrel Narrows, Tarnow Deep (open and never sampled)" in answer_of(
        page
    ).replace("\\", "")
    words = words_of(page)
    left_out = "× without Sorrel Narrows, Tarnow Deep (open and never sampled)"
    assert f"<div class='bm-care'>{left_out}</div>" in words
    assert f"<small>{left_out}</small>" in words


def test_a_figure_without_an_interval_is_no_quieter_than_its_neighbours(open_page):
    area, week = NO_ERROR
    words = words_of(open_page(week=week, area=area))
    assert "<div class='bm-care'>!! very uncertain: no error can be had</div>" in words
    assert "<div class='bm-interval'>no interval: one site-day only</div>" in words
    assert "1 of 28 site-days" in words
    assert "2 interviews" in words


def test_interviews_of_convenience_have_site_days_of_no_frame(open_page):
    words = words_of(open_page(week=CHOSEN, area="A6"))
    assert "<small>3 site-days</small>" in words
    assert not re.search(r"3 of [0-9]+ site-day", words)
    told = "× interviews of convenience: rates and shares, no totals"
    assert f"<small>{told}</small>" in words
    assert (
        f"<span title='{code_words(NO_DESIGN)}'>–<small>no totals from convenience</small></span>"
        in words
    )
    assert "not estimated here" not in words


def test_an_endless_interval_stands_in_words(open_page):
    area, week = ENDLESS
    page = open_page(week=week, area=area)
    assert not page.exception
    words = words_of(page)
    assert "too few site-days for a useful interval" in words
    assert "not for publication: PSE over 50 %" in words
    assert "∞" not in words


def test_other_open_days_are_not_compared(open_page):
    page = open_page(week=OTHER_DAYS)
    assert answer_of(page).endswith(
        "the week before had other open days, so its totals are not compared."
    )
    assert "<b>not comparable</b>" in words_of(page)


def test_no_claim_of_a_sample_where_none_was_drawn(index):
    rows = {at: replace(row, status="no_design") for at, row in index.rows.items()}
    choice = SimpleNamespace(
        index=replace(index, rows=rows), week="2035-W47", domains=(None, "A1"), shown=("A1",)
    )
    assert "sampled everywhere" not in notices._nothing_thin(choice)
    choice.index = index
    assert "sampled everywhere" in notices._nothing_thin(choice)


def test_no_claim_of_plenty_beside_marks(open_page):
    quiet = words_of(open_page(week="2035-W47", area="A1"))
    assert "nothing was filled in or missing." in quiet
    thin = words_of(open_page(week=NO_ERROR[1])).replace("\\", "")
    assert "nothing was filled in" not in thin
    assert "the figures of Quillon Bank rest on 2 interviews" in thin


def test_every_quantity_stands_whole(open_page):
    page = unfold(open_page(week=CHOSEN), "every-quantity")
    table = next(one.proto.body for one in page.get("html") if "bm-every" in one.proto.body)
    assert table.count("<tr class='bm-group'>") == 7
    assert "use with caution: PSE over 30 %" in table.replace("\u00a0", " ")
    assert code_words(NO_DROP_OFF) in table


def test_site_days_are_explained_below_the_table(open_page):
    assert any("do not add up to all areas" in one.value for one in open_page().caption)
    assert any(COVERAGE in one.value for one in open_page().caption)


def test_the_download_is_the_bulletins_own_rows(open_page, archive_folder):
    index = bulletin_index.index_bulletin(archive.load(archive_folder, make(NOW).card.bulletin))
    written = html_tables.csv(
        bulletin_index.rows_of_week(index, week=CHOSEN, areas=("A2",)), index.names
    ).decode()
    assert written.splitlines()[0] == (
        "season,area,area_name,week,quantity,unit,estimate,se,ci_low,ci_high,ci_level,ci_method,df,"
        "n_psu,n_psu_frame,n_interviews,method,status,basis"
    )
    lines = list(csv.DictReader(io.StringIO(written)))
    assert len(lines) == 10
    assert {(line["season"], line["area"], line["week"]) for line in lines} == {(NOW, "A2", CHOSEN)}
    assert [line["estimate"] for line in lines] == [""] * 10
    whole = html_tables.csv(
        bulletin_index.rows_of_week(index, week=CHOSEN, areas=()), index.names
    ).decode()
    lines = list(csv.DictReader(io.StringIO(whole)))
    assert len(lines) == 7 * 10
    named = {line["area"]: line["area_name"] for line in lines}
    assert named == {"": "all areas", **{area: index.name(area) for area in index.areas}}
    for line in lines:
        row = index.row(line["area"] or None, line["week"], line["quantity"])
        assert (float(line["estimate"]) if line["estimate"] else None) == row.estimate


def test_the_page_and_its_download_carry_the_precision(open_page, archive_folder):
    words = words_of(unfold(open_page(week=CHOSEN), "every-quantity"))
    index = bulletin_index.index_bulletin(archive.load(archive_folder, make(NOW).card.bulletin))
    table = html_tables.with_precision(bulletin_index.rows_of_week(index, week=CHOSEN, areas=()))
    assert table.column_names[-2:] == ["pse_percent", "precision"]
    marks = set()
    for line in table.to_pylist():
        row = index.row(line["area"], line["week"], line["quantity"])
        assert line["pse_percent"] == row.pse
        assert line["precision"] == row.precision
        assert reasons.precision(row).replace("\u00a0", " ") in words
        marks.add(line["precision"])
    assert marks == set(Precision)


@pytest.mark.parametrize("named", [False, True])
def test_an_empty_archive_says_what_to_do(open_page, tmp_path, named):
    page = open_page(folder=tmp_path / "none yet" if named else None)
    assert not page.exception
    assert "There is no bulletin to show yet" in words_of(page)
    assert "blackmouth" in page.code[0].value
    assert not page.selectbox


def test_a_damaged_card_is_named_and_hides_no_other_bulletin(open_page, tmp_path):
    archive.save(tmp_path, make("2034-35"))
    name = archive.save(tmp_path, make(NOW)).bulletin
    path = tmp_path / name / "bulletin.json"
    path.write_bytes(path.read_bytes()[:40])
    page = open_page(folder=tmp_path)
    assert not page.exception
    assert name in page.warning[0].value.replace("\\", "")
    assert page.selectbox("season").options == ["2034-35"]


def test_a_damaged_bulletin_ends_in_a_message(open_page, tmp_path):
    card = make(NOW).card
    archive.save(tmp_path, make(NOW))
    path = tmp_path / card.bulletin / "rows.parquet"
    path.write_bytes(path.read_bytes()[:40])
    page = open_page(folder=tmp_path)
    assert not page.exception
    assert "The bulletins cannot be read" in page.error[0].value
    assert "blackmouth bulletin" in words_of(page)


def test_a_bulletin_that_lost_a_file_ends_in_a_message(open_page, tmp_path):
    archive.save(tmp_path, make(NOW))
    (tmp_path / make(NOW).card.bulletin / "strata.parquet").unlink()
    page = open_page(folder=tmp_path)
    assert not page.exception
    assert page.error


def test_a_new_bulletin_shows_without_a_restart(open_page, tmp_path):
    archive.save(tmp_path, make("2034-35"))
    assert open_page(folder=tmp_path).selectbox("season").options == ["2034-35"]
    archive.save(tmp_path, make(NOW))
    assert open_page(folder=tmp_path).selectbox("season").options == [NOW, "2034-35"]


def test_names_from_the_data_are_harmless(open_page, tmp_path):
    bulletin = make(NOW)
    nasty = [
        {"area": one["area"], "area_name": "<script>x</script> *$a$* | {b}"}
        for one in bulletin.areas.to_pylist()
    ]
    areas = pa.Table.from_pylist(nasty, schema=archive.AREA_SCHEMA)
    archive.save(tmp_path, replace(bulletin, areas=areas))
    page = open_page(folder=tmp_path, area="A1")
    assert not page.exception
    assert "<script>" not in words_of(page).replace("\\<script\\>", "")


def test_who_decides_and_the_cold_water_are_said(open_page):
    words = words_of(open_page())
    assert "decides nothing" in words
    assert "1-10-1" in words


def test_a_withheld_figure_of_an_older_bulletin_says_so(open_page, tmp_path):
    archive.save(tmp_path, for_the_public(make(NOW)))
    page = open_page(folder=tmp_path, week=CHOSEN, area="A1", show="kept_fish")
    assert not page.exception
    assert "<b>⊠</b> withheld: too uncertain to publish" in words_of(page)  # the legend
    assert "<small>⊠ withheld: too uncertain to publish</small>" in words_of(page)  # the table
