"""The page New bulletin: what came in, the process that makes it, the outcome, the note."""

from __future__ import annotations

import os
import subprocess
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from analytics import Store, import_files
from analytics.bulletin.notes import notes
from analytics.wording import numbers
from dashboard import data, new_bulletin, store_access
from dashboard.new_bulletin import read_state, standing_words
from dashboard.pages import DATA, menu
from tests.app.reading import words_of
from tests.app.sample_bulletin import NOW, make
from tests.field_week import sampled_week, write_week
from tests.waiting import until

SECONDS = 60


@pytest.fixture
def open_at(monkeypatch):
    """Return a function that opens the page on a store."""

    def opened(path: Path) -> AppTest:
        monkeypatch.setenv(store_access.STORE_VARIABLE, str(path))
        monkeypatch.setenv(data.ARCHIVE_VARIABLE, str(path / "bulletins"))
        app = Path(find_spec("dashboard").origin).parent / "app.py"
        page = AppTest.from_file(app, default_timeout=SECONDS).run()
        return page.switch_page("app_pages/new_bulletin.py").run()

    return opened


@pytest.fixture
def store(tmp_path):
    path = tmp_path / "store"
    import_files(Store(path), write_week(sampled_week(), tmp_path / "week"))
    return path


def wait_for(folder: Path) -> None:
    until(lambda: not new_bulletin.progress(folder).is_busy)


def test_an_empty_store_is_sent_to_the_desk(tmp_path, open_at):
    page = open_at(tmp_path)
    assert not page.exception
    assert "Data desk" in words_of(page)
    assert not [one for one in page.button if one.key == "make"]


def test_a_bulletin_is_made_and_its_note_is_kept(store, open_at):
    page = open_at(store)
    assert "no bulletin yet" in words_of(page)
    page.button(key="make").click().run()
    assert not page.exception
    wait_for(store / "desk" / "bulletin")
    page.run()
    assert not page.exception
    made = new_bulletin.progress(store / "desk" / "bulletin").record.bulletin
    assert made
    assert "nothing new came in since" in words_of(page)
    assert "first bulletin of its season" in words_of(page)
    page.text_area(key=f"note-{made}").set_value("Storm <b>on</b> Saturday.")
    page.text_input(key=f"author-{made}").set_value("R. T.")
    next(one for one in page.button if one.label == "Keep the note").click().run()
    assert not page.exception
    (note,) = notes(store / "bulletins", made)
    assert (note.text, note.author) == ("Storm <b>on</b> Saturday.", "R. T.")
    page.run()
    assert [one.value for one in page.caption if "R. T" in one.value and ".." not in one.value]
    page.text_area(key=f"note-{made}").set_value("")
    next(one for one in page.button if one.label == "Keep the note").click().run()
    assert [one.text for one in notes(store / "bulletins", made)] == [note.text, ""]
    assert [one.value for one in page.caption if one.value.startswith("Taken back by R. T.,")]


def test_what_went_wrong_is_said_and_no_trace_is_shown(store, open_at):
    folder = store / "desk" / "bulletin"
    folder.mkdir(parents=True)
    season = "![2099](http://a.example/$x$)"
    new_bulletin.start(folder, store, ["--season", season])
    wait_for(folder)
    page = open_at(store)
    assert not page.exception
    assert len(page.error) == 1
    assert numbers.plain(season) in page.error[0].value  # as it is, and no picture
    assert "Traceback" not in words_of(page)
    assert not page.button(key="make").disabled


def test_while_one_is_made_no_other_can_be_asked_for(store, open_at):
    folder = store / "desk" / "bulletin"
    folder.mkdir(parents=True)
    code = (
        "import sys, time; from pathlib import Path; "
        "from analytics.bulletin.step_record import recording\n"
        "with recording(Path(sys.argv[1])) as add:\n"
        "    add('step', 'estimating'); time.sleep(60)"
    )
    with subprocess.Popen(
        [os.sys.executable, "-c", code, str(folder / new_bulletin.STEPS)]
    ) as other:
        until(lambda: new_bulletin.progress(folder).record.steps)
        page = open_at(store)
        other.kill()
    assert not page.exception
    assert page.button(key="make").disabled
    # How long it takes is not known before the first one: the step is named, without a bar.
    assert any(one.value.startswith("Estimating") for one in page.markdown)
    assert not page.get("progress")


def test_batches_since_are_named(store, tmp_path):
    late = {"areas": [{"area": "C", "area_name": "Third"}]}
    state = read_state(Store(store))
    (season,) = state.seasons
    import_files(Store(store), write_week(late, tmp_path / "late"))
    now = read_state(Store(store))
    assert now.version == 2
    words = standing_words(now, [], season)
    assert "no bulletin yet" in words
    assert state.weeks == now.weeks == {season: ("2031-W02",)}
    card = replace(make(NOW).card, season=season, version=1, through="2031-W02")
    words = standing_words(now, [card], season)
    assert "1 change of the data" in words
    assert "areas.csv" in words
    later = replace(card, version=2)
    assert "nothing new came in since" in standing_words(now, [card, later], season)


def test_pages_that_write_are_absent_without_a_store(open_app):
    assert not open_app().exception
    titles = {title for section in menu().values() for title in section.values()}
    assert titles.isdisjoint(DATA.values())
