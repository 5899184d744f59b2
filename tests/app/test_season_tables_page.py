"""The page of season tables: edited, checked, previewed, stored with a reason; two tabs at once."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from analytics.data.store import Store
from dashboard import data, store_access
from dashboard.forms import drafts, table_edit
from dashboard.forms.grid import LINES
from tests.app.grids import as_typed, given_to, place_of_grids, typed_into


class Tab:
    """A browser tab on the page, with one of the tables."""

    def __init__(self, table: str = "seasons", draft: str = "") -> None:
        script = Path(find_spec("dashboard").origin).parent / "app_pages" / "small_tables.py"
        self.page = AppTest.from_file(script, default_timeout=60)
        self.page.query_params["table"] = table
        if draft:
            self.page.query_params["draft"] = draft
        self.table = table
        self.run()

    def run(self) -> Tab:
        self.page.run()
        assert not self.page.exception
        return self

    @property
    def generation(self) -> int:
        return self.page.session_state["season-tables"][self.table].generation

    def type(self, lines: dict[int, dict[str, str]]) -> Tab:
        typed_into(self.page, f"table-{self.table}-{self.generation}", self.table, lines)
        return self.run()

    @property
    def rows(self) -> list[dict[str, str]]:
        """The rows that the browser is given."""
        return given_to(self.page)["lines"][self.table]

    def reason(self, words: str) -> Tab:
        self.page.text_input(key=f"reason-{self.table}-{self.generation}").set_value(words)
        return self.run()

    def press(self, key: str) -> Tab:
        self.page.button(key=key).click()
        return self.run()

    @property
    def can_store(self) -> bool:
        return not self.page.button(key="store-table").disabled

    @property
    def words(self) -> str:
        kinds = ("markdown", "caption", "warning", "error", "success")
        found = [one.value for kind in kinds for one in getattr(self.page, kind)]
        return "\n".join([*found, *(one.proto.body for one in self.page.get("html"))]).replace(
            "\\", ""
        )


@pytest.fixture
def store(field: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    monkeypatch.setenv(store_access.STORE_VARIABLE, str(field / "store"))
    monkeypatch.delenv(data.ARCHIVE_VARIABLE, raising=False)
    return Store(field / "store")


def test_a_change_needs_a_reason_and_is_previewed(store: Store):
    (folder := store.path / "desk" / "tables").mkdir(parents=True)
    (folder / "0123456789ab.json").write_text("{")
    tab = Tab()
    assert "0123456789ab.json is damaged" in tab.words
    assert "2 rows as stored" in tab.words
    assert not tab.can_store
    tab.type({0: {"daily_limit_fish": "2"}})
    assert "<td data-label='Before'>1</td><td data-label='After'>2</td>" in tab.words
    assert "Write the reason first" in tab.words
    assert not tab.can_store
    tab.reason("notice of 3 February").press("store-table")
    assert store.batches()[-1].about == {"reason": "notice of 3 February"}
    assert store.read("seasons")["daily_limit_fish"].to_pylist() == [2, 1]
    assert store.batches()[-1].batch in tab.words
    assert "2 rows as stored" in tab.words


def test_faults_forbid_storing(store: Store):
    tab = Tab("limits").type({0: {"limit_fish": "many"}}).reason("x")
    assert not tab.can_store
    assert "many" in tab.words
    beside = given_to(tab.page)["beside"]["limits"]
    assert beside["checks"]["1"] == "✗ limit fish"
    assert set(beside["faults"]["1"]) == {"limit_fish"}
    assert "<td data-label='After'>cannot be read</td>" in tab.words
    tab.type({0: {"limit_fish": "950"}})
    assert tab.can_store


def test_a_reason_that_is_no_label_is_refused(store: Store):
    tab = Tab("holidays").type({5: {"date": "2031-02-18", "holiday": "Thaw"}}).reason("=1+1")
    tab.press("store-table")
    assert "does not begin with" in tab.words
    assert store.version == 1


def test_an_emptied_row_is_told_what_to_do(store: Store):
    tab = Tab("holidays").type({0: {"date": "", "holiday": ""}})
    assert "stays in the store" in tab.words
    assert store.batches()[0].batch in tab.words
    assert not tab.can_store


def test_of_two_tabs_the_second_is_told_and_loses_nothing(store: Store):
    first, second = Tab(), Tab()
    second.type({0: {"min_length_mm": "560"}, 1: {"daily_limit_fish": "3"}})
    first.type({0: {"min_length_mm": "555", "daily_limit_fish": "2"}})
    first.reason("first").press("store-table")
    second.reason("second")
    assert "changed in the store since you began" in second.words
    assert not second.can_store
    second.press("take-in")
    assert "Changed here and elsewhere" in second.words
    assert [row["min_length_mm"] for row in second.rows] == ["560", "559"]
    assert [row["daily_limit_fish"] for row in second.rows] == ["2", "3"]
    second.reason("second").press("store-table")
    assert store.read("seasons")["min_length_mm"].to_pylist() == [560, 559]
    assert store.read("seasons")["daily_limit_fish"].to_pylist() == [2, 3]


def test_names_are_shown_as_text(store: Store):
    name = "<script>alert(1)</script> \u202eabc " + "n" * 300
    tab = Tab("areas").type({0: {"area_name": name}, 2: {"area": name}})
    assert "<script>" not in "".join(one.proto.body for one in tab.page.get("html"))
    tab.reason("a name").press("store-table")
    areas = store.read("areas")
    assert areas["area"].to_pylist() == [name, "A", "B"]
    assert areas["area_name"].to_pylist() == [None, name, "South"]


def test_an_empty_store_begins_with_empty_tables(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv(store_access.STORE_VARIABLE, str(tmp_path / "new"))
    tab = Tab("areas").type({0: {"area": "A", "area_name": "North"}}).reason("the first area")
    tab.press("store-table")
    assert Store(tmp_path / "new").read("areas")["area"].to_pylist() == ["A"]
    monkeypatch.delenv(store_access.STORE_VARIABLE)
    assert "No store is open" in Tab().words


def kept_edits(table: str) -> list[drafts.Draft]:
    return table_edit.listed(store_access.desk("tables"), table, but="")[0]


def test_an_edit_not_stored_outlives_its_tab(store: Store):
    first = Tab().type({0: {"daily_limit_fish": "4"}})
    (kept,) = kept_edits("seasons")
    again = Tab(draft=kept.name)
    assert again.rows[0]["daily_limit_fish"] == "4"
    assert "**1** changed" in again.words
    listed = Tab()
    assert "2 rows as stored" in listed.words
    listed.press(f"draft-{kept.name}")
    assert "**1** changed" in listed.words
    assert not kept_edits("limits")
    first.type({0: {"daily_limit_fish": "1"}})
    assert not kept_edits("seasons")


def test_a_stored_edit_leaves_no_draft(store: Store):
    tab = Tab().type({0: {"daily_limit_fish": "2"}}).reason("notice").press("store-table")
    assert "2 rows as stored" in tab.words
    assert not kept_edits("seasons")


def test_two_tabs_on_one_draft_are_kept_apart(store: Store):
    first = Tab().type({0: {"daily_limit_fish": "4"}})
    second = Tab(draft=kept_edits("seasons")[0].name).type({1: {"daily_limit_fish": "5"}})
    first.type({0: {"daily_limit_fish": "3"}})
    held = [
        [row["daily_limit_fish"] for row in one.content["lines"]] for one in kept_edits("seasons")
    ]
    assert sorted(held) == [["3", "1"], ["4", "5"]]
    assert "**1** changed" in first.words
    assert "**2** changed" in second.words


def test_a_draft_of_another_table_is_no_edit_of_this_one(store: Store):
    Tab("holidays").type({5: {"date": "2031-02-18", "holiday": "Thaw"}})
    (kept,) = kept_edits("holidays")
    assert "holds no edit of seasons" in Tab("seasons", draft=kept.name).words
    assert "no draft" in Tab("seasons", draft="../../etc/passwd").words


def test_the_grid_stays_in_its_place(store: Store):
    """A form that moves in the page is drawn anew by the browser, and the keyer loses the place."""
    tab = Tab("limits")
    before = place_of_grids(tab.page)
    assert before
    tab.type({0: {"limit_fish": "many"}})
    assert place_of_grids(tab.page) == before
    tab.type({0: {"limit_fish": "950"}})
    assert place_of_grids(tab.page) == before


def test_a_forged_message_changes_nothing_else(store: Store):
    tab = Tab("holidays")
    key = f"table-holidays-{tab.generation}"
    for lines in (7, {"holidays": 3}, {"holidays": [5, {"nothing": "x", "date": {"a": 1}}]}):
        tab.page.session_state[key] = {"typed": {"seq": "x", "lines": lines}}
        tab.run()
        assert not kept_edits("seasons")
    many = [{"date": "2031-01-01"}] * (LINES + 1)
    tab.page.session_state[key] = as_typed({"holidays": many})
    assert len(tab.run().rows) == LINES
