"""The page Sampling plan on the demo store: its answer, its schedule, its refusals, its batch."""

from __future__ import annotations

import shutil
from importlib.util import find_spec
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from analytics import Store
from analytics.codes import has_code
from analytics.people import Action
from analytics.planning.planned_shifts import Busyness
from dashboard import data, people, store_access
from dashboard.pages import menu
from dashboard.sampling_plan import asking, words
from tests.app.rate_pages import plain
from tests.app.reading import words_of

SECONDS = 90
WEEK = "2036-W08"


@pytest.fixture
def store(demo_store, tmp_path) -> Path:
    path = tmp_path / "store"
    shutil.copytree(demo_store, path)
    return path


@pytest.fixture
def open_at(monkeypatch):
    """Return a function that opens the page on a store with a link."""

    def opened(path: Path, **link: str) -> AppTest:
        monkeypatch.setenv(store_access.STORE_VARIABLE, str(path))
        monkeypatch.setenv(data.ARCHIVE_VARIABLE, str(path / "bulletins"))
        script = Path(find_spec("dashboard").origin).parent / "app_pages" / "sampling_plan.py"
        page = AppTest.from_file(script, default_timeout=SECONDS)
        for key, value in link.items():
            page.query_params[key] = value
        page.run()
        assert not page.exception
        return page

    return opened


def errors(page: AppTest) -> str:
    return " ".join(one.value for one in page.error)


def test_the_page_answers_plans_draws_and_says_what_became_of_shifts(store, open_at):
    page = open_at(store)
    said = words_of(page)
    # As many shifts as the last sampled week had, until another number is chosen.
    assert f"**36 shifts** in week {WEEK}" in said
    assert "percent standard error" in said
    for head in ("Precision", "Where the shifts go", "Schedule", "Planned, done and missed"):
        assert head in said
    assert "36 shifts drawn at random by seed 1" in said
    assert "Of 24 planned shifts: 24 ahead" in said
    assert "local rules" in said
    offered = {one.key for one in page.get("download_button")}
    assert {f"plan-{name}" for name in ("sheets.pdf", "schedule.ics", "expected.csv")} <= offered
    for code in ("plan_", "encounter_fish", "call_"):
        assert code not in said
    call = "unmarked encounters in Ombrey Basin, at most 9,100 fish (2035-36-L8)"
    assert call in plain(said)


def test_boats_fish_curves_and_paper_can_be_chosen(store, open_at):
    page = open_at(store, width="20", paper="letter", curve="SOR")
    said = words_of(page)
    assert "± 20 points of the sublegal share" in said
    assert "in all, the PSE goes from" in said
    wide = page.selectbox(key="width").set_value("3").run()
    assert not wide.exception
    assert "± 3 points" in words_of(wide)
    assert "only more site-days do" in words_of(wide)
    assert page.selectbox(key="paper").value == "letter"
    assert "plan-sample_sizes.csv" in {one.key for one in page.get("download_button")}


def test_choices_stand_in_the_link_and_are_taken_from_it(store, open_at):
    page = open_at(store, week="2036-W09", shifts="40", seed="12", objective="all_areas")
    said = words_of(page)
    assert "**40 shifts** in week 2036-W09" in said
    assert "by seed 12" in said
    assert page.number_input(key="seed").value == 12
    page = open_at(store, by="target", target="40")
    assert "PSE" in words_of(page)
    assert page.selectbox(key="target").value == "40"


def test_what_cannot_be_planned_is_said_and_the_rest_of_the_page_stays(store, open_at):
    page = open_at(store, shifts="1900")
    assert "1900 shifts" in errors(page)
    assert "Planned, done and missed" in words_of(page)
    page = open_at(store, by="target", target="5")
    assert "out of reach" in errors(page)


def test_a_week_of_one_shift_is_followed_by_one_that_can_be_planned(store, open_at, monkeypatch):
    monkeypatch.setattr(asking, "shifts_of_week", lambda snapshot, week: 1)
    page = open_at(store)
    assert page.number_input(key="shifts").value == 2
    assert not page.error


def test_several_weeks_share_their_shifts_and_each_can_be_looked_at(store, open_at):
    page = open_at(store, through="2036-W10", all_shifts="80", look="2036-W09")
    said = words_of(page)
    assert "**80 shifts** in 3 weeks" in said
    assert "in week 2036-W09" in said
    assert "The files hold all 3 weeks" in said
    assert "Sheets of all weeks (PDF)" in [one.proto.label for one in page.get("download_button")]
    assert {one.label for one in page.button} >= {"Store the schedule of 25 Feb – 2 Mar 2036"}
    page.selectbox(key="through").set_value("end").run()
    assert page.number_input(key="all_shifts").value == 36 * 11
    page.number_input(key="all_shifts").set_value(80).run()
    assert "80 shifts for 11 weeks; allowed" in errors(page)
    page.selectbox(key="through").set_value("week").run()
    assert f"**36 shifts** in week {WEEK}" in words_of(page)


def test_samplers_are_read_and_refused_in_words(store, open_at):
    page = open_at(store, samplers="Ada | Q")
    assert "no area Q" in errors(page)
    page.text_area(key="samplers").set_value("Ada\nBo").run()
    assert "these samplers can do 14 in the week" in errors(page)
    many = "\n".join(f"S{k}" for k in range(14))
    page.text_area(key="samplers").set_value(many).run()
    assert not page.exception
    assert "The samplers can do" in words_of(page)


def test_a_site_that_cannot_be_covered_leaves_the_draw(store, open_at):
    page = open_at(store, not_covered="SOR1")
    assert "cannot be drawn, where" in words_of(page)
    assert page.multiselect(key="not_covered").value == ["SOR1"]


def test_a_missed_shift_is_recorded_by_rule(store, open_at, monkeypatch):
    page = open_at(store)
    missed = page.selectbox(key="missed-sample").value
    page.selectbox(key="missed-cause").set_value("nobody_free")
    next(one for one in page.button if one.label == "Record it").click().run()
    assert not page.exception
    assert not page.error
    assert "Recorded as" in " ".join(one.value for one in page.success)
    rows = {
        row["sample_id"]: row for row in Store(store).snapshot()["planned_site_days"].to_pylist()
    }
    # Every date of the demo's week is ahead, so the next of the reserve takes the place.
    assert rows[missed]["state"] == "replaced"
    assert has_code(rows[missed]["reason"], "replaced_by")
    came = [row for row in rows.values() if has_code(row["reason"] or "", "takes_the_place_of")]
    assert [row["is_reserve"] for row in came] == [False]
    assert "1 replaced from the reserve" in words_of(page)
    page.selectbox(key="missed-cause").set_value("storm_empty")
    next(one for one in page.button if one.label == "Record it").click().run()
    assert "Paper forms" in " ".join(one.value for one in page.success)
    # Who may not store data has no such form.
    monkeypatch.setattr(people, "may", lambda action: action is not Action.STORE)
    again = open_at(store)
    assert not [one for one in again.button if one.label == "Record it"]


def test_a_schedule_is_stored_as_a_batch_and_moves_no_estimate(store, open_at):
    page = open_at(store, shifts="30", seed="5")
    assert "another plan of" in words_of(page)  # the demo has one of seed 1
    before = Store(store).snapshot()["site_days"]
    page.button(key="store-plan").click().run()
    assert not page.exception
    assert not page.error
    rows = Store(store).snapshot()["planned_site_days"].to_pylist()
    mine = [row for row in rows if row["seed"] == 5]
    assert len(mine) == len(rows)  # every row of the week before was drawn anew
    assert sum(not row["is_reserve"] for row in mine) == 30
    assert Store(store).snapshot()["site_days"].equals(before)
    assert "Of 30 planned shifts: 30 ahead" in words_of(page)
    assert "another plan of" not in words_of(page)


def test_without_a_bulletin_the_page_says_what_is_missing(store, open_at):
    shutil.rmtree(store / "bulletins")
    assert "newest bulletin" in words_of(open_at(store))


def test_the_page_is_there_only_with_a_store(monkeypatch):
    monkeypatch.delenv(store_access.STORE_VARIABLE, raising=False)
    assert "sampling_plan" not in menu()["Biologist"]
    monkeypatch.setenv(store_access.STORE_VARIABLE, "/nowhere")
    assert menu()["Biologist"]["sampling_plan"] == "Sampling plan"


@pytest.mark.parametrize(
    ("busy", "said"),
    [
        (Busyness(None, 4.0, None), "cannot be said"),
        (Busyness(9.0, 4.0, None), "too few of either"),
        (Busyness(9.0, 4.0, 0.4), r"by chance (40"),
        (Busyness(9.0, 4.0, 0.001), "The busy ones were missed: totals are too low"),
        (Busyness(4.0, 9.0, 0.001), "The quiet ones were missed: totals are too high"),
    ],
)
def test_missed_shifts_by_busyness_say_that_nothing_corrects_them(busy, said):
    found = words.busyness_words(busy, 3)
    assert said in found
    assert words.NO_CORRECTION in found
    assert words.busyness_words(busy, 0) == ""
