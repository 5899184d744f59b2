"""Small tables edited as text: as stored and back, judged by the intake, two tabs merged."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pyarrow as pa
import pytest

from analytics.data import importing
from analytics.data.store import Store
from dashboard.forms import table_edit
from dashboard.forms.table_edit import EDITED, Clash

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def store(field: Path) -> Store:
    return Store(field / "store")


def lines_of(store: Store, name: str) -> list[dict[str, str]]:
    return table_edit.as_lines(table_edit.stored_table(store, name))


@pytest.mark.parametrize("name", EDITED)
def test_a_table_left_alone_changes_nothing(store: Store, name: str):
    found = table_edit.check_table(lines_of(store, name), name, store)
    assert found.changes.is_empty
    assert found.changes.gone == ()
    assert found.n_errors == 0
    assert importing.store_checked(found.checked, store).batch is None


def test_changes_and_new_rows_are_stored_with_their_reason(store: Store):
    lines = lines_of(store, "seasons")
    lines[0]["daily_limit_fish"] = "2"
    lines.append(lines[1] | {"open_date": "2031-04-02", "close_date": "2031-04-30"})
    found = table_edit.check_table(lines, "seasons", store)
    key = ("2030-31", "A", "2030-11-01")
    assert [(one.key, one.column, one.before, one.after) for one in found.changes.changed] == [
        (key, "daily_limit_fish", "1", "2")
    ]
    assert found.changes.added == (("2030-31", "B", "2031-04-02"),)
    about = importing.about_reason("a second opening")
    importing.store_checked(found.checked, store, about=about)
    batch = store.batches()[-1]
    assert batch.about == {"reason": "a second opening"}
    assert (batch.counts["seasons"].new, batch.counts["seasons"].changed) == (1, 1)


def test_an_emptied_row_is_gone_from_the_grid_alone(store: Store):
    lines = lines_of(store, "holidays")
    found = table_edit.check_table([{} for _ in lines], "holidays", store)
    assert found.changes.gone == (("2031-01-01",),)
    batches = table_edit.batches_of(store, "holidays", found.changes.gone)
    assert batches == {("2031-01-01",): store.batches()[0].batch}
    assert table_edit.batches_of(store, "holidays", ()) == {}


BAD = {
    "letters in a number": ("seasons", {"min_length_mm": "22 in"}, "min length mm"),
    "closing before it opens": ("seasons", {"close_date": "2030-10-01"}, "close date"),
    "no such area": ("seasons", {"area": "Z"}, "area"),
    "no such design": ("seasons", {"design": "any"}, "design"),
    "percent": ("release_rates", {"rate_prop": "15"}, "rate prop"),
    "no such quantity": ("limits", {"quantity": "fishes"}, "quantity"),
    "a name with a line break": ("areas", {"area_name": "a\nb"}, "area name"),
}


@pytest.mark.parametrize("name", BAD)
def test_faults_stand_at_their_row_and_field(store: Store, name: str):
    table, cells, field = BAD[name]
    lines = lines_of(store, table)
    lines[0] |= cells
    found = table_edit.check_table(lines, table, store)
    assert (1, field) in {(one.line, one.field) for one in found.found if one.is_error}
    assert found.n_errors


def test_a_key_given_twice_is_an_error(store: Store):
    lines = lines_of(store, "holidays")
    found = table_edit.check_table([*lines, lines[0] | {"holiday": "Other"}], "holidays", store)
    assert [one.line for one in found.found if one.is_error] == [1, 2]


def test_columns_of_your_own_stay(store: Store):
    rows = {"holiday": ["Frost Day"], "note": ["kept"]}
    table = pa.table({"date": pa.array(["2031-01-01"]).cast(pa.date32()), **rows})
    store.add({"holidays": table})
    lines = lines_of(store, "holidays")
    assert lines == [{"date": "2031-01-01", "holiday": "Frost Day", "note": "kept"}]
    lines.append({"date": "2031-02-18", "holiday": "Thaw Day"})
    found = table_edit.check_table(lines, "holidays", store)
    assert found.found == ()
    receipt = importing.store_checked(found.checked, store)
    assert (receipt.counts["holidays"].new, receipt.counts["holidays"].unchanged) == (1, 1)
    names = [one.name for one in table_edit.columns_of(store.read("holidays"), "holidays")]
    assert names == ["date", "holiday", "note"]


def test_an_empty_store_has_empty_tables(tmp_path: Path):
    empty = Store(tmp_path / "none")
    assert lines_of(empty, "areas") == []
    found = table_edit.check_table([{"area": "A"}], "areas", empty)
    assert found.changes.added == (("A",),)
    importing.store_checked(found.checked, empty)
    assert lines_of(empty, "areas") == [{"area": "A"}]


def test_two_tabs_lose_nothing():
    def row(day: str, name: str = "") -> dict[str, str]:
        return {"date": day, **({"holiday": name} if name else {})}

    base = [row("d1", "one"), row("d2", "two"), row("d3", "three"), row("d4", "four")]
    mine = [row("d1", "mine"), row("d2", "two"), {}, row("d4", "four!"), row("d5", "five")]
    theirs = [row("d1", "theirs"), row("d2", "zwei"), row("d3"), row("d6", "six")]
    lines, clashes = table_edit.merge(base, mine, theirs, name="holidays")
    assert [line for line in lines if line] == [
        row("d1", "mine"),
        row("d2", "zwei"),
        row("d4", "four!"),
        row("d5", "five"),
        row("d6", "six"),
    ]
    assert clashes == [Clash(("d1",), "holiday", "mine", "theirs")]
    assert table_edit.merge(base, base, theirs, name="holidays") == (theirs, [])
