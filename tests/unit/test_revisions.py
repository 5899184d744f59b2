"""What moved between versions of a store, which batch did it, and what a bulletin keeps of it."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from itertools import pairwise

import pyarrow as pa
import pytest

from analytics.bulletin import archive
from analytics.bulletin.build import make_bulletin
from analytics.bulletin.differences import Causes, moves, netted, summary
from analytics.bulletin.revisions import (
    AffectedDomains,
    BatchScope,
    _Causes,
    compared_versions,
    default_since,
    effect_of,
    steps_between,
)
from analytics.data.store import Store
from analytics.errors import StoreError, UsageError
from analytics.estimates.estimate import estimate
from analytics.result_table import to_arrow
from analytics.revision_order import (
    GONE,
    NEW,
    OWN_DATA,
    POOLING,
    PROGRAM,
    RESTATED,
    REVISED,
    WHOLE_SEASON,
    importance,
)
from tests.store_faults import write_card
from tests.tables import MONDAY, SiteDay, interview, survey

SEASON, LATER = "2030-31", "2031-32"
WEEKS = ("2031-W02", "2031-W03", "2031-W04")
NEXT_YEAR = MONDAY + dt.timedelta(days=364)


def openings():
    return [
        {
            "season": season,
            "area": "A",
            "open_date": first,
            "close_date": first + dt.timedelta(days=69),
        }
        for season, first in ((SEASON, MONDAY), (LATER, NEXT_YEAR))
    ]


def field_tables():
    """Three sampled weeks of one season, and a site-day of the season after it."""
    offsets = [0, 1, 5, 6, 7, 8, 12, 13, 14, 15, 19, 20, 364]
    days = [
        SiteDay(
            4,
            [
                interview(kept=number % 3, released_sublegal=3 + number),
                interview(kept=1, released_sublegal=number % 4),
            ],
            date=MONDAY + dt.timedelta(days=offset),
        )
        for number, offset in enumerate(offsets)
    ]
    return survey(days, seasons=openings()).tables


def part(tables, samples):
    """Return the rows of some site-days alone."""
    wanted = {f"s{number:05d}" for number in samples}
    return {
        name: pa.Table.from_pylist(
            [row for row in tables[name].to_pylist() if row["sample_id"] in wanted],
            schema=tables[name].schema,
        )
        for name in ("site_days", "interviews")
    }


def interviews_with(tables, sample, **cells):
    rows = tables["interviews"].to_pylist()
    row = next(one for one in rows if one["sample_id"] == f"s{sample:05d}")
    return {"interviews": pa.Table.from_pylist([row | cells], schema=tables["interviews"].schema)}


@pytest.fixture(scope="module")
def tables():
    return field_tables()


@pytest.fixture
def store(tmp_path, history):
    """Return a store of the history, to be changed at will."""
    return Store(shutil.copytree(history, tmp_path / "store"))


@pytest.fixture(scope="module")
def history(tmp_path_factory, tables):
    """Two weeks; a third; one of the other season; a correction; its withdrawal."""
    store = Store(tmp_path_factory.mktemp("history") / "store")
    frame = {name: tables[name] for name in ("areas", "sites", "seasons")}
    store.add(frame | part(tables, range(8)), sources=["weeks.csv"])
    store.add(part(tables, range(8, 12)), sources=["third.csv"])
    store.add(part(tables, [12]), sources=["other.csv"])
    receipt = store.add(interviews_with(tables, 0, kept=9), sources=["slip.csv"])
    store.withdraw(receipt.batch)
    return store.path


@pytest.fixture(autouse=True)
def only_rows(rows_alone):
    """Revisions are those of rows."""


@pytest.fixture(scope="module")
def first(tmp_path_factory, history):
    """The history with the first bulletin of the season."""
    path = tmp_path_factory.mktemp("first") / "store"
    make_bulletin(Store(shutil.copytree(history, path)), season=SEASON)
    return path


@pytest.fixture
def published(tmp_path, first):
    """Return a store of the history with its first bulletin, to be changed at will."""
    return Store(shutil.copytree(first, tmp_path / "published"))


def revisions(store, *, by=("area", "week"), level=0.95, progress=lambda words: None, **ends):
    """Return the steps between versions, those not given by default, as the command does."""
    between = compared_versions(store, **ends)
    return steps_between(store, between, by=by, level=level, progress=progress)


def rows_of(table, **wanted):
    return [row for row in table.to_pylist() if all(row[name] == it for name, it in wanted.items())]


def test_every_move_of_every_version_is_told_and_no_other(store):
    found = revisions(store, season=SEASON, since=1)
    told = {
        (row["version"], row["area"], row["week"], row["quantity"]): row
        for row in found.to_pylist()
    }
    expected = 0
    for before, after in pairwise(range(1, 6)):
        old, new = (
            estimate(store, season=SEASON, as_of=version).set_index(["area", "week", "quantity"])
            for version in (before, after)
        )
        for key in old.index.union(new.index):
            row = told.get((after, *key))
            if key not in old.index:
                assert row["kind"] == NEW
                expected += 1
                continue
            a, b = old.loc[key, "estimate"], new.loc[key, "estimate"]
            if abs(a - b) > 1e-9 * abs(a):
                assert (row["kind"], row["previous"]) == (REVISED, pytest.approx(a))
                assert row["estimate"] == pytest.approx(b)
                assert row["change"] == pytest.approx(b - a)
                assert row["change_in_se"] == pytest.approx((b - a) / old.loc[key, "se"])
                expected += 1
            elif row is not None:
                assert row["kind"] == RESTATED
                expected += 1
    assert expected == len(told)
    assert {row["kind"] for row in told.values()} >= {NEW, REVISED}


def test_each_step_names_its_batch(store):
    found = revisions(store, season=SEASON, since=1)
    slip = store.batches()[3]
    steps = rows_of(found, quantity="kept_fish", week="2031-W02")
    assert [(one["version"], one["batch"], one["event"], one["sources"]) for one in steps] == [
        (4, slip.batch, "imported", "slip.csv"),
        (5, slip.batch, "withdrawn", "slip.csv"),
    ]
    assert steps[0]["at_utc"] == slip.at_utc
    assert steps[0]["change"] == -steps[1]["change"] > 0
    assert not rows_of(found, week="2031-W03")
    assert {one["batch"] for one in rows_of(found, week="2031-W04")} == {store.batches()[1].batch}


def test_versions_that_do_not_reach_the_season_are_not_estimated(store):
    said = []
    revisions(store, season=SEASON, since=1, progress=said.append)
    done = [words.split()[-1] for words in said if words.startswith("estimating")]
    assert done == ["1", "2", "4", "5"]


def test_a_site_day_that_left_for_another_season_moves_the_one_it_left(store, tables):
    day = part(tables, [0])["site_days"].to_pylist()[0] | {"date": NEXT_YEAR + dt.timedelta(days=1)}
    store.add({"site_days": pa.Table.from_pylist([day], schema=tables["site_days"].schema)})
    reach = BatchScope(store, SEASON)
    assert reach.of(store.events()[-1]).weeks == {"2031-W02"}
    found = revisions(store, season=SEASON, since=5)
    assert {row["version"] for row in found.to_pylist()} == {6}
    assert rows_of(found, quantity="boat_trips", week="2031-W02")


def test_netting_drops_what_came_back_and_joins_the_batches(store, tables):
    store.add(interviews_with(tables, 0, kept=3), sources=["a.csv"])
    store.add(interviews_with(tables, 1, kept=5), sources=["b.csv"])
    found = revisions(store, season=SEASON, since=1, as_of=5)
    assert rows_of(netted(found), week="2031-W02") == []
    assert {row["kind"] for row in rows_of(netted(found), week="2031-W04")} == {NEW}
    (row,) = rows_of(
        netted(revisions(store, season=SEASON, since=5)), week="2031-W02", quantity="kept_fish"
    )
    assert row["sources"] == "a.csv; b.csv"
    assert row["batch"] == "; ".join(one.batch for one in store.batches()[-2:])
    assert (row["since_version"], row["version"], row["event"]) == (5, 7, "imported; imported")
    ends = [
        estimate(store, season=SEASON, by=("area", "week"), as_of=version)
        .query("quantity == 'kept_fish' and week == '2031-W02'")["estimate"]
        .iloc[0]
        for version in (5, 7)
    ]
    assert [row["previous"], row["estimate"]] == pytest.approx(ends)


def test_a_season_compares_over_the_same_weeks(store):
    found = revisions(store, season=SEASON, since=1, by=("season",))
    assert {row["version"] for row in found.to_pylist()} == {4, 5}
    (step, back) = rows_of(found, quantity="kept_fish")
    through = estimate(store, season=SEASON, by=("season",), through="2031-W03", as_of=1)
    assert step["previous"] == through.query("quantity == 'kept_fish'")["estimate"].iloc[0]
    assert back["estimate"] == pytest.approx(step["previous"])


def test_before_its_first_batch_a_season_is_all_new(store):
    found = revisions(store, season=SEASON, since=0, as_of=1)
    assert {row["kind"] for row in found.to_pylist()} == {NEW}
    backwards = netted(revisions(store, season=SEASON, since=5))
    assert backwards.num_rows == 0


@pytest.mark.parametrize("since", [-1, 6])
def test_a_version_that_cannot_be_the_first_is_refused(store, since):
    with pytest.raises(UsageError, match="name an earlier version"):
        revisions(store, season=SEASON, since=since)


def test_wrong_words_are_refused(store):
    for wrong in ({"by": ("ramp",)}, {"level": 2.0}, {"season": "1999"}, {"as_of": 77}):
        with pytest.raises(UsageError):
            revisions(store, **({"season": SEASON, "since": 0} | wrong))


def test_the_default_is_the_last_bulletin_before_the_newest_data(store, tables):
    assert default_since(store, season=SEASON, version=5) == 4
    make_bulletin(store, season=SEASON)
    store.add(interviews_with(tables, 0, kept=3))
    store.add(interviews_with(tables, 1, kept=5))
    assert default_since(store, season=SEASON, version=7) == 5
    assert default_since(store, season=LATER, version=7) == 6
    assert {row["version"] for row in revisions(store, season=SEASON).to_pylist()} == {6, 7}


def row(week, estimate, se=None, **more):
    known = {"season": SEASON, "area": "A", "week": week, "quantity": "kept_fish", "unit": "fish"}
    return known | {"estimate": estimate, "se": se, "status": "ok", "ci_level": 0.95} | more


def moved(old, new):
    tables = (to_arrow([one] if one else []) for one in (old, new))
    return moves(*tables, since=1, version=2, causes=lambda row: Causes((), POOLING)).to_pylist()


@pytest.mark.parametrize(
    ("old", "new", "kind"),
    [
        (row("W", 100.0, 5.0), row("W", 100.0 + 5e-8, 5.0 + 5e-8), None),
        (row("W", 100.0, 5.0), row("W", 100.0 + 5e-7, 5.0), REVISED),
        (row("W", 100.0, 5.0), row("W", 100.0, 6.0), RESTATED),
        (row("W", 100.0, 5.0), row("W", 100.0, None), RESTATED),
        (row("W", 100.0, 5.0), row("W", 100.0, 5.0, status="collapsed"), RESTATED),
        (row("W", 100.0, 5.0), row("W", None, status="no_sample"), REVISED),
        (row("W", None, status="no_sample"), row("W", None, status="no_sample"), None),
        (row("W", 0.0), row("W", 0.0), None),
        (row("W", 0.0), row("W", 4.0, 1.0), REVISED),
        (None, row("W", 4.0), NEW),
        (row("W", 4.0), None, GONE),
    ],
)
def test_what_counts_as_a_move(old, new, kind):
    assert [one["kind"] for one in moved(old, new)] == ([kind] if kind else [])


def test_a_move_is_measured_against_the_error_before():
    (one,) = moved(row("W", 100.0, 10.0), row("W", 85.0, 30.0))
    assert (one["change"], one["change_in_se"]) == (-15.0, -1.5)
    (one,) = moved(row("W", 100.0), row("W", 85.0, 30.0))
    assert (one["change"], one["change_in_se"]) == (-15.0, None)


def test_the_summary_says_how_many_and_which_most():
    both = [
        to_arrow([row("2031-W02", a, 10.0), row("2031-W03", b, 10.0)])
        for a, b in ((90, 50), (85, 80))
    ]
    found = moves(*both, since=3, version=4, causes=lambda row: Causes((), POOLING))
    words = summary(found, found, since=3, version=4)
    assert words.startswith(
        "from version 3 to 4: 2 estimates moved; the most important revision: Chinook kept"
    )
    assert "2031-W03 from 50 to 80, 3.0 of its standard error before" in words
    batches = [row | {"batch": "b2; b1; b2"} for row in found.to_pylist()]
    again = pa.Table.from_pylist(batches, schema=found.schema)
    assert "(batch b2; b1)" in summary(again, again, since=3, version=4)
    season, area, week, both = (
        {"area": a, "week": w, "quantity": "kept_fish", "previous": 9.0, "estimate": 5.0}
        | {"change_in_se": size}
        for a, w, size in (
            (None, None, -0.1),
            ("A", None, 1.0),
            (None, "W1", 2.0),
            ("A", "W1", 9.0),
        )
    )
    rare = season | {"quantity": "sublegal_per_kept", "change_in_se": 8.0}
    gone = season | {"estimate": None, "change_in_se": None}
    larger = season | {"change_in_se": -0.5}
    ranked = [gone, larger, season, rare, area, week, both]
    assert sorted([both, week, rare, gone, area, larger, season], key=importance) == ranked
    none = found.slice(0, 0)
    assert summary(none, none, since=3, version=4).endswith("no estimate moved")
    assert summary(none, found, since=3, version=4).endswith("2 rows of steps cancel out")
    small = found.set_column(
        found.schema.get_field_index("change_in_se"), "change_in_se", pa.array([0.04, -0.02])
    )
    assert "most important" not in summary(small, small, since=3, version=4)


def test_steps_come_in_order_and_the_most_important_first_within(store, tables):
    store.add(interviews_with(tables, 0, kept=3))
    found = revisions(store, season=SEASON, since=1)
    keys = [(one["version"], *importance(one)) for one in found.to_pylist()]
    assert keys == sorted(keys)
    assert {key[0] for key in keys} == {2, 4, 5, 6}
    # Net moves are no steps: those of versions 2 and 6 stand among each other.
    net = netted(found).to_pylist()
    assert [importance(one) for one in net] == sorted(map(importance, net))
    versions = [one["version"] for one in net]
    assert set(versions) == {2, 6}
    assert versions != sorted(versions)


def test_a_bulletin_keeps_what_moved_since_the_one_before(published, tables):
    first = make_bulletin(published, season=SEASON)
    assert (first.since, first.version) == ("", 5)
    published.add(interviews_with(tables, 0, kept=3), sources=["slip.csv"])
    second = make_bulletin(published, season=SEASON)
    assert second.since == first.bulletin
    kept = archive.load(archive.archive_of(published.path), second.bulletin).revisions
    assert kept.schema.equals(archive.REVISION_SCHEMA)
    for by in (("area", "week"), ("week",), ("area",), ("season",)):
        steps = revisions(published, season=SEASON, since=5, by=by).to_pylist()
        mine = [
            one
            for one in kept.to_pylist()
            if [one["area"] is not None, one["week"] is not None] == ["area" in by, "week" in by]
        ]
        assert mine
        assert mine == steps
    assert make_bulletin(published, season=SEASON).made_utc == second.made_utc


def test_of_several_batches_those_that_reach_the_week_are_named(published, tables):
    make_bulletin(published, season=SEASON)
    published.add(interviews_with(tables, 0, kept=3), sources=["second_week.csv"])
    published.add(interviews_with(tables, 4, kept=5), sources=["third_week.csv"])
    published.add(interviews_with(tables, 12, kept=5), sources=["other_season.csv"])
    card = make_bulletin(published, season=SEASON)
    kept = archive.load(archive.archive_of(published.path), card.bulletin).revisions
    for week, sources in (
        ("2031-W02", "second_week.csv"),
        ("2031-W03", "third_week.csv"),
        (None, "second_week.csv; third_week.csv"),
    ):
        found = {one["sources"] for one in rows_of(kept, week=week, quantity="kept_fish")}
        assert found == {sources}


def test_figures_moved_by_pooling_alone_are_told_apart_and_come_last(tmp_path, tables):
    store = Store(tmp_path / "s")
    thin = [number for number in range(12) if number not in (5, 6, 7)]  # a day left in week 3
    store.add({name: tables[name] for name in ("areas", "sites", "seasons")} | part(tables, thin))
    make_bulletin(store)
    store.add(interviews_with(tables, 10, kept=9), sources=["weekend_after.csv"])
    card = make_bulletin(store)
    kept = archive.load(archive.archive_of(store.path), card.bulletin).revisions.to_pylist()
    effects = {week: {one["effect"] for one in kept if one["week"] == week} for week in WEEKS}
    assert effects == {"2031-W02": set(), "2031-W03": {POOLING}, "2031-W04": {OWN_DATA}}
    assert {one["effect"] for one in kept if one["week"] is None} == {OWN_DATA}
    places = [one["effect"] for one in kept]
    assert places == sorted(places, key=[OWN_DATA, POOLING].index)
    steps = revisions(store, since=1)
    assert {(one["week"], one["effect"]) for one in steps.to_pylist()} == {
        ("2031-W04", OWN_DATA),
        ("2031-W03", POOLING),
    }
    assert {one["effect"] for one in netted(steps).to_pylist()} == {OWN_DATA, POOLING}


@pytest.mark.parametrize(
    ("reached", "effect"),
    [
        ([AffectedDomains(frozenset({("A", "w1")}))], OWN_DATA),
        ([AffectedDomains(frozenset({(None, "w1")}))], OWN_DATA),
        ([AffectedDomains(frozenset({("A", "w2"), ("B", "w1")}))], POOLING),
        ([AffectedDomains(frozenset({("B", "w1")}), is_whole=True)], WHOLE_SEASON),
        ([AffectedDomains(frozenset({("B", "w1")})), AffectedDomains(frozenset())], POOLING),
        ([], PROGRAM),
    ],
)
def test_the_effect_of_batches_on_a_week_of_an_area(reached, effect):
    assert effect_of({"area": "A", "week": "w1"}, reached) == effect


def test_boats_that_land_elsewhere_bring_data_to_the_area_they_fished(tmp_path):
    days = [SiteDay(4, [interview(area="B"), interview()], date=MONDAY)]
    store = Store(tmp_path / "s")
    store.add(survey(days, sites={"r1": "A", "r2": "B"}).tables)
    places = BatchScope(store, SEASON).of(store.events()[-1]).places
    assert {("A", "2031-W02"), ("B", "2031-W02")} <= places


def test_later_weeks_are_new_and_totals_over_other_weeks_do_not_compare(tmp_path, tables):
    store = Store(tmp_path / "s")
    store.add(
        {name: tables[name] for name in ("areas", "sites", "seasons")} | part(tables, range(8))
    )
    make_bulletin(store)
    store.add(part(tables, range(8, 12)))
    card = make_bulletin(store)
    kept = archive.load(archive.archive_of(store.path), card.bulletin).revisions
    assert {(one["kind"], one["week"]) for one in kept.to_pylist()} == {(NEW, "2031-W04")}
    earlier = make_bulletin(store, through="2031-W03")
    assert archive.load(archive.archive_of(store.path), earlier.bulletin).revisions.num_rows == 0


def test_another_program_is_named_beside_the_batch(published, tables, monkeypatch):
    make_bulletin(published, season=SEASON)
    published.add(interviews_with(tables, 0, kept=3))
    monkeypatch.setattr("analytics.bulletin.build.version", lambda name: "99.0")
    card = make_bulletin(published, season=SEASON)
    kept = archive.load(archive.archive_of(published.path), card.bulletin).revisions.to_pylist()
    assert all(one["event"] == "imported; program" for one in kept)
    assert all(one["batch"].endswith("to 99.0") for one in kept)


def test_a_batch_of_limits_alone_moves_nothing_that_another_program_moved(
    published, tables, monkeypatch
):
    first = make_bulletin(published, season=SEASON)
    limit = {"limit_id": "L1", "season": SEASON, "areas": "A", "quantity": "kept_fish"}
    published.add({"limits": pa.Table.from_pylist([limit | {"limit_fish": 900.0}])})
    monkeypatch.setattr("analytics.bulletin.build.version", lambda name: "99.0")
    card = make_bulletin(published, season=SEASON)
    assert card.version == first.version + 1
    causes = _Causes(published, first, card)({"area": "A", "week": WEEKS[0]})
    assert causes.effect == PROGRAM
    assert [event.event for event in causes.events] == [PROGRAM]


def test_a_bulletin_older_than_the_table_loads_with_none(published):
    card = make_bulletin(published, season=SEASON)
    folder = archive.archive_of(published.path)
    path = folder / card.bulletin / archive.CARD_FILE
    (folder / card.bulletin / "revisions.parquet").unlink()
    with pytest.raises(StoreError, match="revisions"):
        archive.load(folder, card.bulletin)
    old = json.loads(path.read_text())
    del old["since"], old["tables"]
    write_card(path, json.dumps(old))
    bulletin = archive.load(folder, card.bulletin)
    assert bulletin.card.tables == archive.FIRST_TABLES
    assert bulletin.revisions.num_rows == 0
    assert bulletin.revisions.schema.equals(archive.REVISION_SCHEMA)
    assert make_bulletin(published, season=SEASON).bulletin == card.bulletin + "-2"


def test_a_damaged_bulletin_before_does_not_stop_the_next(published, tables):
    first = make_bulletin(published, season=SEASON)
    published.add(interviews_with(tables, 0, kept=3))
    second = make_bulletin(published, season=SEASON)
    (archive.archive_of(published.path) / second.bulletin / "rows.parquet").write_bytes(b"PAR1")
    published.add(interviews_with(tables, 1, kept=4))
    assert make_bulletin(published, season=SEASON).since == first.bulletin


def test_bycatch_reaches_the_week_of_its_interview(store):
    rows = [{"interview_id": "s00004-0", "species": "coho", "kept": 1, "released": 0}]
    store.add({"bycatch": pa.Table.from_pylist(rows)})
    found = BatchScope(store, SEASON).of(store.events()[-1])
    assert (found.weeks, found.is_whole) == ({"2031-W03"}, False)


@pytest.mark.parametrize(
    ("table", "rows", "is_whole"),
    [
        ("sites", [{"site": "r9", "area": "A"}], True),
        ("limits", [{"limit_id": "l", "season": SEASON}], False),
        ("holidays", [{"date": NEXT_YEAR, "holiday": "Frost Day"}], False),
        ("seasons", [openings()[0] | {"close_date": NEXT_YEAR - dt.timedelta(days=9)}], True),
        ("seasons", [openings()[1] | {"close_date": NEXT_YEAR + dt.timedelta(days=9)}], False),
    ],
)
def test_what_any_week_may_rest_on_reaches_the_whole_season(store, table, rows, is_whole):
    store.add({table: pa.Table.from_pylist(rows)})
    found = BatchScope(store, SEASON).of(store.events()[-1])
    assert (found.is_whole, found.has_season) == (is_whole, is_whole)
