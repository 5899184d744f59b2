"""The page that keys paper forms: typed, checked, kept as a draft, keyed twice, stored."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from analytics.data import importing
from analytics.data.store import Store
from dashboard import data, store_access
from dashboard.forms import drafts
from dashboard.pages import menu
from tests.app.grids import given_to, place_of_grids, typed_into

BOAT = {
    "area": "A",
    "anglers": "2",
    "hours_fished": "3.5",
    "method": "trolling",
    "kept": "1",
    "released_legal": "0",
    "released_sublegal": "3",
}
DAY = {"site": "r1", "date": "2031-01-14", "boats_returned": "2"}
SAMPLE = "r1-20310114"


class Tab:
    """A browser tab on the page."""

    def __init__(self, draft: str = "") -> None:
        script = Path(find_spec("dashboard").origin).parent / "app_pages" / "paper_forms.py"
        self.page = AppTest.from_file(script, default_timeout=60)
        if draft:
            self.page.query_params["draft"] = draft
        self.run()

    def run(self) -> Tab:
        self.page.run()
        assert not self.page.exception
        return self

    @property
    def work(self) -> Any:
        return self.page.session_state["paper-form"]

    def type(self, part: str, lines: dict[int, dict[str, str]]) -> Tab:
        """Type cells of lines, counted from 0, into a part of the form."""
        typed_into(self.page, f"form-{self.work.generation}-{self.work.stage}", part, lines)
        return self.run()

    def fill(self, fields: dict[str, str]) -> Tab:
        return self.type("site_day", {0: fields})

    def press(self, key: str) -> Tab:
        self.page.button(key=key).click()
        return self.run()

    def has(self, key: str) -> bool:
        return any(one.key == key for one in self.page.button)

    @property
    def words(self) -> str:
        kinds = ("markdown", "caption", "warning", "error", "success")
        found = [one.value for kind in kinds for one in getattr(self.page, kind)]
        html = [one.proto.body for one in self.page.get("html")]
        return "\n".join([*found, *html]).replace("\\", "")


@pytest.fixture
def store(field: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    monkeypatch.setenv(store_access.STORE_VARIABLE, str(field / "store"))
    monkeypatch.delenv(data.ARCHIVE_VARIABLE, raising=False)
    return Store(field / "store")


def keyed() -> Tab:
    tab = Tab().fill(DAY).type("boats", {0: BOAT, 2: BOAT | {"kept": "0"}})
    tab.type("fish", {0: {"line": "1", "kept": "yes", "total_length_mm": "600"}})
    return tab.type("bycatch", {0: {"line": "3", "species": "dogfish", "released": "2"}})


def test_a_warning_that_all_of_the_store_gives_rise_to_is_shown_before_storing(store: Store):
    """As a date with a wrong year has: while it is typed, only days around it are looked at."""
    ago = {"season": "2028-29", "area": "A", "open_date": "2028-11-01", "close_date": "2029-04-30"}
    season = importing.read_rows({"seasons": {2: ago}}, source="an old season")
    importing.store_checked(importing.check(season, store), store)
    old = DAY | {"date": "2029-01-14"}
    tab = Tab().fill(old).type("boats", {0: BOAT, 2: BOAT | {"kept": "0"}})
    before = len(store.batches())
    tab.press("store-form")
    assert len(store.batches()) == before
    assert "days before the newest site-day" in tab.words
    tab.fill(old | {"boats_returned": "3"}).press("store-form")  # another form: asked anew
    assert len(store.batches()) == before
    tab.press("store-form")
    assert len(store.batches()) == before + 1


def draft_of(form: dict[str, Any]) -> str:
    name = drafts.new_name()
    drafts.save(store_access.desk("drafts"), name, {"first": form}, revision=0)
    return name


def test_an_empty_store_says_what_is_missing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv(store_access.STORE_VARIABLE, str(tmp_path / "new"))
    tab = Tab()
    assert "Begin with the site and the date" in tab.words
    assert tab.page.button(key="store-form").disabled
    tab = Tab(draft_of({"site_day": [DAY]}))
    assert "no site r1 in sites" in tab.words
    assert tab.page.button(key="store-form").disabled


def titles() -> set[str]:
    return {title for section in menu().values() for title in section.values()}


def test_without_a_store_the_page_is_not_in_the_menu(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.delenv(store_access.STORE_VARIABLE, raising=False)
    assert Tab().words.count("No store is open") == 1
    assert "Paper forms" not in titles()
    monkeypatch.setenv(store_access.STORE_VARIABLE, "somewhere")
    assert "Paper forms" in titles()


def test_a_good_form_is_stored_with_a_receipt(store: Store):
    tab = keyed()
    assert SAMPLE in tab.words
    assert "nothing to correct" in tab.words
    tab.press("store-form")
    batch = store.batches()[-1]
    assert batch.sources == ("keyed 2031-01-14 r1",)
    assert {name: one.new for name, one in batch.counts.items()} == {
        "site_days": 1,
        "interviews": 2,
        "fish": 1,
        "bycatch": 1,
    }
    assert batch.batch in tab.words
    assert "New bulletin" in tab.words
    assert tab.work.form.is_empty
    assert drafts.listed(store_access.desk("drafts")) == ([], [])


def test_faults_stand_beside_their_line_and_forbid_storing(store: Store):
    tab = keyed().type("boats", {1: BOAT | {"anglers": "two", "area": "Z"}})
    assert tab.page.button(key="store-form").disabled
    boats = given_to(tab.page)["beside"]["boats"]
    assert boats["checks"] == {"2": "✗ anglers"}
    assert set(boats["faults"]["2"]) == {"anglers"}
    assert boats["becomes"]["1"] == f"{SAMPLE}-01"
    assert "two" in tab.words
    assert "line 2" in tab.words
    tab.type("boats", {1: dict.fromkeys(BOAT, "")})
    boats = given_to(tab.page)["beside"]["boats"]
    assert boats["checks"] == {"1": "in order", "3": "in order"}
    assert not tab.page.button(key="store-form").disabled
    assert store.version == 1


def test_the_form_stays_in_its_place(store: Store):
    """A form that moves in the page is drawn anew by the browser, and the keyer loses the place."""
    tab = Tab()
    before = place_of_grids(tab.page)
    assert len(before) == 1
    for one in (keyed(), Tab(draft_of({"site_day": [DAY | {"date": "soon"}], "boats": [BOAT]}))):
        assert list(place_of_grids(one.page).values()) == list(before.values())


def test_names_are_shown_as_text(store: Store):
    name = "<script>alert(1)</script> \u202eabc " + "n" * 300
    form = {"site_day": [DAY | {"site": name}], "boats": [BOAT | {"method": name}]}
    tab = Tab(draft_of(form))
    assert "<script>" not in "".join(one.proto.body for one in tab.page.get("html"))
    assert "no site" in tab.words
    assert tab.work.form.site_day["site"] == name


def test_a_draft_comes_back_in_another_tab(store: Store):
    first = keyed()
    (draft,), _ = drafts.listed(store_access.desk("drafts"))
    second = Tab(draft.name)
    assert second.work.form == first.work.form
    assert "nothing to correct" in second.words
    listed = Tab()
    assert "2031-01-14 r1 (2 boats)" in listed.page.button(key=f"draft-{draft.name}").label.replace(
        "\\", ""
    )
    listed.press(f"draft-{draft.name}")
    assert listed.work.form == first.work.form


def test_of_two_tabs_on_a_draft_the_later_is_told(store: Store):
    first = keyed()
    second = Tab(first.work.name)
    first.fill({"boats_returned": "7"})
    second.fill({"boats_returned": "9"})
    assert "changed in another tab" in second.words
    assert second.page.button(key="store-form").disabled
    folder = store_access.desk("drafts")
    kept = drafts.load(folder, first.work.name).content["first"]
    assert kept["site_day"][0]["boats_returned"] == "7"
    second.press("keep-mine")
    assert second.work.form.site_day["boats_returned"] == "9"
    assert len(drafts.listed(folder)[0]) == 2
    third = Tab(first.work.name)
    first.fill({"boats_returned": "8"})
    third.fill({"boats_returned": "6"}).press("take-newer")
    assert third.work.form.site_day["boats_returned"] == "8"


def test_a_link_to_no_draft_is_told(store: Store):
    assert "stored or dropped. A new form" in Tab("0123456789ab").words
    tab = Tab("../../etc/passwd")
    assert "names no draft" in tab.page.error[0].value
    tab.press("begin-after-fault")
    assert "Begin with the site" in tab.words


def test_a_stored_site_day_is_asked_for(store: Store):
    keyed().press("store-form")
    tab = Tab().fill(DAY)
    assert f"has site-day {SAMPLE} already, with 2 boats" in tab.words
    assert "2 rows of the store" in tab.words or "4 rows of the store" in tab.words
    assert tab.page.button(key="store-form").disabled
    tab.press("load-stored")
    assert tab.work.form.boats[2] == BOAT | {"kept": "0"}
    tab.type("boats", {0: {"kept": "2"}})
    tab.page.checkbox[0].check()
    tab.run().press("store-form")
    counts = store.batches()[-1].counts
    assert (counts["interviews"].changed, counts["interviews"].unchanged) == (1, 1)
    assert counts["site_days"].new == 0


def test_keyed_twice_each_difference_is_chosen(store: Store):
    tab = keyed().press("key-again")
    assert tab.work.form.is_empty
    tab.fill(DAY | {"boats_returned": "3"}).type("boats", {0: BOAT | {"kept": "2"}, 2: BOAT})
    tab.press("compare")
    assert tab.page.button(key="decide").disabled
    labels = [radio.label for radio in tab.page.radio]
    assert len(labels) == 9
    while undecided := [radio for radio in tab.page.radio if radio.value is None]:
        keying = "first" if "Fish" in undecided[0].label else "second"
        undecided[0].set_value(keying)
        tab.run()
    (draft,), _ = drafts.listed(store_access.desk("drafts"))
    assert len(Tab(draft.name).page.radio) == 9
    tab.press("decide")
    assert tab.work.form.site_day["boats_returned"] == "3"
    assert [boat.get("kept") for boat in tab.work.form.boats] == ["2", None, "1"]
    assert len(tab.work.form.fish) == 1
    tab.press("store-form")
    assert store.batches()[-1].about == {"reason": "keyed twice, 9 differences decided"}


def test_a_page_that_was_left_keeps_what_was_typed(store: Store):
    tab = keyed()
    before = tab.work.form
    work = tab.work
    # Streamlit forgets the widgets of a page that is left.
    del tab.page.session_state[f"form-{work.generation}-{work.stage}"]
    tab.run()
    assert tab.work.form == before
    assert given_to(tab.page)["lines"]["boats"] == list(before.boats)
    assert (
        drafts.load(store_access.desk("drafts"), before and tab.work.name).content["first"][
            "boats"
        ][0]
        == BOAT
    )
