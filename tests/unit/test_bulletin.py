"""Bulletins: the whole result set, kept by version, whole or not at all, never changed."""

from __future__ import annotations

import datetime as dt
import errno
import json
import math
import os
import re
import shutil
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from scipy.stats import chi2, norm
from scipy.stats import f as f_law
from scipy.stats import t as t_law

import analytics
from analytics.bulletin import archive
from analytics.bulletin.build import bulletin_of, make_bulletin
from analytics.codes import has_code, parse
from analytics.data.snapshot import Snapshot
from analytics.data.store import Store
from analytics.errors import NotAStoreError, StoreError, UsageError
from analytics.estimates.estimate import (
    LEVELS,
    estimate_snapshot,
    week_changes,
    wrong_sign_chances,
)
from analytics.result_table import RESULT_SCHEMA, to_arrow
from tests.tables import MONDAY, SiteDay, interview, survey


def two_weeks():
    offsets = [(0, 2), (1, 4), (5, 3), (6, 5), (7, 8), (8, 9), (12, 7), (13, 9)]
    days = [
        SiteDay(
            3,
            [interview(kept=kept, released_sublegal=2 * kept), interview(released_sublegal=1)],
            date=MONDAY + dt.timedelta(days=offset),
        )
        for offset, kept in offsets
    ]
    lost = SiteDay(4, [], date=MONDAY + dt.timedelta(days=2))
    return survey([*days, lost])


def filled(store):
    store.add({name: table for name, table in two_weeks().tables.items() if table.num_rows})
    return store


@pytest.fixture(scope="module")
def published(tmp_path_factory):
    """Return the path of a store with its first bulletin."""
    store = filled(Store(tmp_path_factory.mktemp("published") / "store"))
    make_bulletin(store)
    return store.path


@pytest.fixture
def store(tmp_path, published):
    """Return a store with its first bulletin, to be changed at will."""
    return Store(shutil.copytree(published, tmp_path / "store"))


def test_a_bulletin_holds_every_level_and_equals_the_estimates(store):
    card = make_bulletin(store)
    bulletin = archive.load(archive.archive_of(store.path), card.bulletin)
    assert bulletin.rows.schema.equals(RESULT_SCHEMA)
    rows = bulletin.rows.to_pandas()
    for by in LEVELS:
        wanted = estimate_snapshot(store.snapshot(), by=by)
        by_area, by_week = "area" in by, "week" in by
        found = rows[rows["area"].notna().eq(by_area) & rows["week"].notna().eq(by_week)]
        assert len(found) == len(wanted)
        assert list(found["estimate"].fillna(-1)) == list(wanted["estimate"].fillna(-1))


@pytest.mark.usefixtures("rows_alone")
def test_a_bulletin_is_kept_by_version_and_left_alone(store):
    card = make_bulletin(store)
    assert card.version == 1
    assert card.preliminary
    assert make_bulletin(store).bulletin == card.bulletin
    folder = archive.archive_of(store.path)
    assert len(archive.list_bulletins(folder)) == 1
    assert archive.list_bulletins(folder)[0].made_utc == card.made_utc
    changed = store.snapshot()["interviews"].slice(0, 1)
    place = changed.column_names.index("kept")
    store.add({"interviews": changed.set_column(place, "kept", [[9]])})
    assert make_bulletin(store).version == 2
    assert [one.version for one in archive.list_bulletins(folder)] == [1, 2]


def test_a_bulletin_that_is_there_is_not_estimated_again(store, monkeypatch):
    def fail(*_, **__):
        raise AssertionError

    monkeypatch.setattr("analytics.bulletin.build.result_rows", fail)
    kept = archive.list_bulletins(archive.archive_of(store.path))
    assert [make_bulletin(store)] == kept
    with pytest.raises(AssertionError):
        make_bulletin(store, level=0.9)


def test_a_store_that_cannot_be_written_is_refused_before_anything_is_estimated(store, monkeypatch):
    def fail(*_, **__):
        raise AssertionError

    monkeypatch.setattr("analytics.bulletin.build.result_rows", fail)
    allowed = os.statvfs(store.path)
    read_only = SimpleNamespace(f_flag=allowed.f_flag | os.ST_RDONLY)
    monkeypatch.setattr(os, "statvfs", lambda path: read_only)
    assert make_bulletin(store)  # which is there
    with pytest.raises(NotAStoreError, match=os.strerror(errno.EROFS)):
        make_bulletin(store, level=0.9)


@pytest.mark.usefixtures("rows_alone")
def test_another_program_version_makes_another_bulletin(store, monkeypatch):
    first = make_bulletin(store)
    monkeypatch.setattr("analytics.bulletin.build.version", lambda name: "99.0")
    second = make_bulletin(store)
    assert second.bulletin == first.bulletin + "-2"
    assert make_bulletin(store).made_utc == second.made_utc
    assert len(archive.list_bulletins(archive.archive_of(store.path))) == 2


def test_findings_and_strata_say_what_the_sample_lacks():
    bulletin = bulletin_of(two_weeks())
    seen = bulletin.findings["seen"].to_pylist()
    (silent,) = [cell for cell in seen if has_code(cell, "none_interviewed")]
    assert "n=4" in silent
    (missed,) = [cell for cell in seen if has_code(cell, "days_missed")]
    assert parse(missed)[0]["n"] == "1"
    strata = bulletin.strata.to_pandas()
    assert strata["n_missing_psu"].sum() == 1
    assert strata["n_psu"].sum() == 9  # the missed day counts by its boats
    assert strata["n_psu_frame"].sum() == 14
    assert strata["n_interviews"].sum() == 16


def test_compliance_of_the_season_is_counted_in_its_bulletin():
    tables = dict(two_weeks().tables)
    seasons = tables["seasons"]
    place = seasons.column_names.index("min_length_mm")
    tables["seasons"] = seasons.set_column(place, "min_length_mm", [[559.0]])
    kept = {"source": "dockside", "kept": True, "area": "A", "date": MONDAY}
    fish = [
        {"fish_id": f"f{n}", "interview_id": "s00000-0", "total_length_mm": mm, **kept}
        for n, mm in enumerate([540.0, 555.0, 600.0])
    ]
    tables["fish"] = pa.Table.from_pylist(fish)
    found = bulletin_of(Snapshot.of(tables)).findings.to_pylist()
    (short,) = [one for one in found if one["column"] == "total_length_mm"]
    assert short["seen"].startswith("2 rows, the first: ")
    assert "540" in short["seen"]


def test_an_unknown_bulletin_names_those_there_are_and_an_unknown_table_itself(store):
    card, folder = make_bulletin(store), archive.archive_of(store.path)
    with pytest.raises(UsageError, match=card.bulletin):
        archive.load(folder, "1999")
    bulletin = archive.load(folder, card.bulletin)
    assert bulletin.table("models").schema == archive.TABLE_SCHEMAS["models"]
    with pytest.raises(KeyError, match="estimates"):
        bulletin.table("estimates")


def test_a_broken_bulletin_is_told_in_words(store):
    folder = archive.archive_of(store.path)
    card = make_bulletin(store)
    (folder / card.bulletin / "rows.parquet").write_bytes(b"PAR1")
    with pytest.raises(StoreError, match="is damaged"):
        archive.load(folder, card.bulletin)


@pytest.mark.usefixtures("rows_alone")
def test_one_damaged_card_hides_no_other_bulletin(store):
    folder = archive.archive_of(store.path)
    sound, broken = make_bulletin(store), make_bulletin(store, through="2031-W02")
    (folder / broken.bulletin / archive.CARD_FILE).write_text("{")
    assert [card.bulletin for card in archive.list_bulletins(folder)] == [sound.bulletin]
    assert archive.sorted_bulletins(folder)[1] == [broken.bulletin]


@pytest.mark.usefixtures("rows_alone")
def test_a_card_is_checked_at_each_reading_also_where_its_file_looks_as_it_did(store):
    folder = archive.archive_of(store.path)
    file = folder / make_bulletin(store).bulletin / archive.CARD_FILE
    sound, at = file.read_bytes(), file.stat().st_mtime_ns
    for other in (sound.replace(b"2030-31", b"2030-32"), b"[]\n"):
        file.write_bytes(other)
        os.utime(file, ns=(at, at))
        assert archive.sorted_bulletins(folder) == ([], [file.parent.name])
        with pytest.raises(StoreError, match=archive.CARD_FILE):
            archive.load(folder, file.parent.name)


@pytest.mark.usefixtures("rows_alone")
def test_a_bulletin_that_fails_half_way_leaves_nothing(tmp_path, monkeypatch):
    store = filled(Store(tmp_path / "store"))

    def fail(*args, **more):
        raise OSError("disk full")

    monkeypatch.setattr(pq, "write_table", fail)
    with pytest.raises(OSError, match="disk full"):
        make_bulletin(store)
    assert list(archive.archive_of(store.path).iterdir()) == []


def test_cards_are_plain_json(store):
    card = make_bulletin(store)
    path = archive.archive_of(store.path) / card.bulletin / archive.CARD_FILE
    assert json.loads(path.read_text())["season"] == "2030-31"


@pytest.mark.parametrize("file", [archive.CARD_FILE, "rows.parquet"])
@pytest.mark.usefixtures("rows_alone")
def test_a_damaged_bulletin_is_made_again_beside_it(store, file):
    folder = archive.archive_of(store.path)
    first = make_bulletin(store)
    (folder / first.bulletin / file).write_text("{")
    second = make_bulletin(store)
    assert second.bulletin == first.bulletin + "-2"
    assert archive.load(folder, second.bulletin).rows.num_rows
    assert make_bulletin(store).bulletin == second.bulletin


@pytest.mark.usefixtures("rows_alone")
def test_no_label_leads_out_of_the_shelf():
    tables = dict(two_weeks().tables)
    seasons = tables["seasons"]
    place = seasons.column_names.index("season")
    tables["seasons"] = seasons.set_column(place, "season", [["../../esc/x"]])
    card = bulletin_of(Snapshot.of(tables)).card
    assert card.season == "../../esc/x"
    assert "/" not in card.bulletin
    assert not card.bulletin.startswith(".")


#: Degrees of freedom of errors that are as good as known.
KNOWN = 1e6


def result(week, quantity, estimate, se, sides=(0.2, 0.3), *, df=KNOWN):
    """Return a row whose interval reaches down and up by `sides`, of a total on the log scale."""
    down, up = sides
    is_share = quantity.endswith("_prop")
    ends = (
        (estimate - down, estimate + up)
        if is_share
        else (estimate * math.exp(-down), estimate * math.exp(up))
    )
    return {
        "season": "2030-31",
        "area": None,
        "week": week,
        "quantity": quantity,
        "estimate": estimate,
        "se": se,
        "sample_se": se,
        "ci_low": ends[0],
        "ci_high": ends[1],
        "df": df,
        "n_psu": 6,
    }


def change(before, after, days=(7, 7)):
    weeks = [before["week"], after["week"]]
    open_days = {(None, week): n for week, n in zip(weeks, days, strict=True)}
    table = week_changes([before, after], weeks=weeks, open_days=open_days, level=0.95)
    return table.to_pylist()


def test_a_change_of_a_total_is_a_ratio_with_its_interval():
    (found,) = change(
        result("2031-W02", "kept_fish", 100.0, 10.0), result("2031-W03", "kept_fish", 250.0, 20.0)
    )
    assert found["change"] == 2.5
    # Down: the later week's lower side with the earlier week's upper side.
    assert found["ci_low"] == pytest.approx(2.5 * math.exp(-math.hypot(0.2, 0.3)))
    assert found["ci_high"] == pytest.approx(2.5 * math.exp(math.hypot(0.3, 0.2)))
    assert (found["form"], found["direction"]) == ("ratio", "up")


def test_the_sides_of_both_weeks_make_those_of_a_change():
    (found,) = change(
        result("2031-W02", "kept_fish", 100.0, 10.0, (0.1, 0.4)),
        result("2031-W03", "kept_fish", 90.0, 20.0, (0.3, 0.6)),
    )
    assert found["ci_low"] == pytest.approx(0.9 * math.exp(-math.hypot(0.3, 0.4)))
    assert found["ci_high"] == pytest.approx(0.9 * math.exp(math.hypot(0.6, 0.1)))
    assert found["direction"] == "no_clear_change"


@pytest.mark.parametrize(
    ("quantity", "z", "word"),
    [
        ("kept_fish", 2.6, "no_clear_change"),
        ("kept_fish", 2.8, "up"),
        ("release_deaths_fish", -2.8, "down"),
        ("encounters_per_angler_hour", 3.3, "no_clear_change"),
        ("encounters_per_angler_hour", 3.5, "up"),
        ("sublegal_prop", 4.3, "no_clear_change"),
        ("sublegal_prop", -4.5, "down"),
    ],
)
def test_a_word_needs_more_than_an_interval_that_excludes_no_change(quantity, z, word):
    step = z * 0.05 * math.sqrt(2) / 1.959964
    is_share = quantity == "sublegal_prop"
    later = 0.5 + step if is_share else 0.5 * math.exp(step)
    pair = (("2031-W02", 0.5), ("2031-W03", later))
    (found,) = change(*[result(week, quantity, one, 0.02, (0.05, 0.05)) for week, one in pair])
    nothing = 0 if is_share else 1
    assert found["ci_low"] > nothing or found["ci_high"] < nothing
    assert found["direction"] == word


def test_the_side_that_faces_no_change_tells_the_error():
    # The sides that look away from no change are as wide as they like.
    (found,) = change(
        result("2031-W02", "kept_fish", 100.0, 10.0, (3.0, 0.3)),
        result("2031-W03", "kept_fish", 250.0, 20.0, (0.3, 3.0)),
    )
    assert found["direction"] == "up"


def test_a_word_of_few_degrees_of_freedom_needs_more_errors_or_is_never_said():
    # The error is what t of `df` makes of the interval's side; at 3 errors it excludes no change.
    for df, errors, word in ((40, 2.8, None), (40, 3.0, "up"), (8, 3.0, None), (4, 9.0, None)):
        side = t_law.isf(0.025, df) * 0.05
        weeks = [
            result(week, "kept_fish", one, 1.0, (side, side), df=many)
            for week, one, many in (
                ("2031-W02", 100.0, df),
                ("2031-W03", 100 * math.exp(errors * 0.05 * math.sqrt(2)), KNOWN),
            )
        ]
        (found,) = change(*weeks)
        assert found["ci_low"] > 1
        assert found["direction"] == (word or "no_clear_change")


@pytest.mark.parametrize("df", [3.0, 8.0, 30.0])
def test_the_chance_of_a_wrong_sign_is_that_of_an_error_not_known(df):
    # Summed up over what the error may be, by its own estimate and by the change: s² of `df`
    # degrees of freedom, a true change of r errors, and no earlier knowledge of ln σ.
    d, s, r = 0.7, 0.2, 0.77
    sigma = np.exp(np.linspace(math.log(s) - 5, math.log(s) + 8, 40001))
    likelihood = sigma**-df * np.exp(-df * s**2 / (2 * sigma**2))
    likelihood *= norm.pdf(d, 0, sigma * math.sqrt(1 + r**2))
    wrong = norm.sf(d / sigma * r / math.sqrt(1 + r**2))
    summed = (wrong * likelihood).sum() / likelihood.sum()
    found = wrong_sign_chances(np.array([d]), np.array([s]), df=np.array([df]), usual=r, luck=1e-12)
    assert found == pytest.approx(summed, rel=1e-6)


def test_what_a_season_shows_of_its_changes_lets_words_be_said():
    def chances(change, error, *, usual, luck=1e-6, df=KNOWN):
        known = np.full(len(change), df)
        return wrong_sign_chances(change, error, df=known, usual=usual, luck=luck)

    # At 3/4 of an error ``Φ(-z 3/5)`` is 1/20 at z = 2.741, at 0.77 at z = 2.696.
    for usual, z in ((0.75, 2.7415), (0.77, 2.6961), (0.4, 4.4289)):
        found = chances(np.array([-0.2 * z]), np.full(1, 0.2), usual=usual)
        assert found == pytest.approx(0.05, abs=2e-4)
    # Of 15 changes luck passes 53.346 in 1 of 10,000 seasons: 1.5 chi-square of 10 degrees of
    # freedom. 14 changes of 3.2 errors show τ² = (14 3.2² + 2.2² - 53.346)/15 = 6.3237.
    change = np.array([*[0.64] * 14, 0.44])
    error = np.full(15, 0.2)
    for luck in (1e-4, 1e-6):
        found = chances(change, error, usual=0.45, luck=luck)
        shown = (14 * 3.2**2 + 2.2**2 - 1.5 * chi2.isf(luck, 10)) / 15
        assert found[-1] == pytest.approx(norm.sf(2.2 * math.sqrt(shown / (1 + shown))), rel=1e-3)
        alone = chances(change[-1:], error[-1:], usual=0.45, luck=luck)
        assert found[-1] < 0.05 < alone[0]
        known = chances(change, error, usual=0.45, luck=luck, df=math.inf)
        assert known == pytest.approx(found, rel=1e-3)
    # Where errors have 12 degrees of freedom luck shows 15 times F of 10 and 12: 142.
    shown = (14 * 3.2**2 + 2.2**2 - 15 * f_law.isf(1e-4, 10, 12)) / 15
    assert shown < 0.45**2
    found = chances(change, error, usual=0.45, luck=1e-4, df=12)
    alone = chances(change[-1:], error[-1:], usual=0.45, luck=1e-4, df=12)
    assert found[-1] == pytest.approx(alone[0])


def test_what_a_season_shows_counts_for_totals_alone():
    # Eight weeks that go up and down by 2.5 errors: totals show a season that moves.
    values = [0.5, 0.5 + 2.5 * math.sqrt(2) * 0.05 / 1.959964] * 4
    weeks = [f"2031-W{one:02d}" for one in range(1, 9)]
    said = {}
    for quantity in ("kept_fish", "sublegal_prop"):
        is_share = quantity == "sublegal_prop"
        rows = [
            result(week, quantity, one if is_share else math.exp(one), 0.02, (0.05, 0.05))
            for week, one in zip(weeks, values, strict=True)
        ]
        open_days = {(None, week): 7 for week in weeks}
        made = week_changes(rows, weeks=weeks, open_days=open_days, level=0.95).to_pylist()
        said[quantity] = {one["direction"] for one in made}
    assert said == {"kept_fish": {"up", "down"}, "sublegal_prop": {"no_clear_change"}}


def words(spread, luck=1e-3, *, df=8, believed=None):
    """Return the words of 400 seasons of 28 changes and how many are wrong, by chance and interval.

    All errors of a season rest on one estimate of `df` degrees of freedom, taken for `believed`.
    """
    rng, found = np.random.default_rng(19), []
    t = t_law.isf(0.025, believed or df)
    for _ in range(400):
        true_error = np.exp(rng.normal(0, 0.3, 28))
        true = rng.normal(0, spread * true_error)
        seen = true + true_error * rng.standard_normal(28)
        error = true_error * math.sqrt(rng.chisquare(df) / df)
        known = np.full(28, float(believed or df))
        chances = wrong_sign_chances(seen, error, df=known, usual=0.45, luck=luck)
        is_clear = np.abs(seen) > t * error
        said, wrong = is_clear & (chances <= 0.05), np.sign(seen) != np.sign(true)
        found.append([one.sum() for one in (said, said & wrong, is_clear, is_clear & wrong)])
    return np.sum(found, axis=0)


def test_words_of_the_wrong_sign_are_few_whether_much_changes_or_little():
    said, wrong, clear, _ = words(4.0)
    assert said > 0.5 * clear
    assert wrong < 0.03 * said
    _, wrong, clear, by_interval = words(0.5)
    assert by_interval > 0.1 * clear
    assert wrong < 0.05 * by_interval
    # Planted: the season's spread by a proof that one in four seasons passes by luck, and errors
    # of 8 degrees of freedom taken as known.
    assert words(0.5, luck=0.25)[1] > 6 * max(wrong, 1)
    assert words(0.5, believed=KNOWN)[1] > 6 * max(wrong, 1)


def test_a_change_of_a_share_is_a_difference():
    (found,) = change(
        result("2031-W02", "sublegal_prop", 0.8, 0.03, (0.06, 0.05)),
        result("2031-W03", "sublegal_prop", 0.78, 0.04, (0.08, 0.07)),
    )
    assert found["change"] == pytest.approx(-0.02)
    assert found["ci_low"] == pytest.approx(-0.02 - math.hypot(0.08, 0.05))
    assert found["ci_high"] == pytest.approx(-0.02 + math.hypot(0.07, 0.06))
    assert found["direction"] == "no_clear_change"


def test_the_error_of_a_rate_cancels_in_a_change_of_deaths():
    weeks = [result(week, "release_deaths_fish", 100.0, 30.0) for week in ("2031-W02", "2031-W03")]
    (found,) = change(*[week | {"sample_se": 10.0} for week in weeks])
    assert found["ci_high"] == pytest.approx(math.exp(math.hypot(0.3, 0.2) / 3))


def test_totals_of_weeks_with_other_open_days_are_not_compared():
    weeks = ("2031-W02", "2031-W03")
    totals = [result(week, "kept_fish", 100.0, 9.0) for week in weeks]
    (found,) = change(*totals, days=(7, 1))
    assert found["direction"] == "not_comparable"
    assert found["change"] is None
    rates = [result(week, "encounters_per_angler_hour", 0.3, 0.01) for week in weeks]
    (found,) = change(*rates, days=(7, 1))
    assert found["change"] == 1


@pytest.mark.parametrize(
    ("usual", "df", "errors"),
    [
        *((0.77, 60, 2.8), (0.77, 20, 3.2), (0.77, 10, 3.9), (0.77, 5, None)),
        *((0.55, 60, 3.7), (0.4, 60, 5.3)),
    ],
)
def test_the_document_says_from_how_many_errors_a_change_has_a_word(usual, df, errors):
    change = np.arange(0.001, 40, 0.002)
    one, many = np.ones_like(change), np.full_like(change, df)
    sure = change[wrong_sign_chances(change, one, df=many, usual=usual, luck=0.0) <= 0.05]
    assert (round(float(sure[0]), 1) if len(sure) else None) == errors
    said = (Path(analytics.__file__).parent / "docs" / "catch_rates.md").read_text()
    assert errors is None or re.search(rf"(from|needs|share) {errors}( |\.)", said)


def test_a_week_all_borrowed_says_nothing_of_a_change():
    before = result("2031-W02", "kept_fish", 100.0, 9.0)
    (found,) = change(before, result("2031-W03", "kept_fish", 100.0, 20.0) | {"n_psu": 0})
    assert found["direction"] == "not_known"
    assert found["ci_low"] is None


def test_a_change_from_a_zero_is_not_known():
    (found,) = change(
        result("2031-W02", "kept_fish", 0.0, None), result("2031-W03", "kept_fish", 20.0, 5.0)
    )
    assert found["change"] is None
    assert found["direction"] == "not_known"


def test_a_week_after_a_closure_has_no_week_before():
    assert not change(
        result("2031-W02", "kept_fish", 10.0, 1.0), result("2031-W05", "kept_fish", 20.0, 5.0)
    )


def test_two_rows_of_one_domain_are_refused():
    row = {"season": "s", "area": None, "week": None, "quantity": "kept_fish"}
    with pytest.raises(ValueError, match="two result rows"):
        to_arrow([row, dict(row)])
