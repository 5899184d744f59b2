"""The page Revisions, run headless: every kind of move, and where there is none."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace

import pytest

from analytics.bulletin import archive
from analytics.bulletin.archive import REVISION_SCHEMA
from analytics.wording import bulletin_index
from dashboard import html_tables
from dashboard.revisions import moves, season_effect
from dashboard.revisions import moves as move_tables
from tests.app.reading import heads_of, words_of
from tests.app.sample_bulletin import NOW, fill_archive, make
from tests.app.sample_moves import APPEARED, GONE, MOVED, NEW_WEEK, VANISHED, WAS_ZERO
from tests.store_faults import write_card

MET, SHARE = "encounter_fish", "sublegal_prop"


@pytest.fixture
def open_moved(opener):
    """Return a function that opens the page with a link, in the archive of the tests or another."""
    return opener("app_pages/revisions.py")


@pytest.fixture(scope="module")
def index():
    return bulletin_index.index_bulletin(make(NOW))


@pytest.fixture(scope="module")
def every_move(index):
    return moves.read(index)


def answer_of(page):
    (found,) = [one.value for one in page.markdown if one.value.startswith("Of the ")]
    return found.replace("\\", "").replace("\u00a0", " ")


def one_of(every_move, at, quantity=MET):
    (found,) = [
        one
        for one in every_move
        if (one.row.area, one.row.week, one.row.quantity) == (*at, quantity)
    ]
    return found


def test_the_answer_counts_what_moved_and_gives_the_cause(open_moved, index, every_move):
    page = open_moved()
    assert not page.exception
    words = answer_of(page)
    revised = [one for one in every_move if one.kind == "revised" and one.row.quantity == MET]
    assert len(revised) == len(MOVED) + 3
    moved = {(one.row.area, one.row.week) for one in every_move if one.row.quantity == MET}
    old = {
        (one.area, one.week)
        for one in index.rows.values()
        if one.quantity == MET and one.week not in (None, NEW_WEEK)
        if one.estimate is not None or (one.area, one.week) in moved
    }
    assert words.startswith(
        f"Of the {len(old)} weekly figures of Chinook encounters (each area, and all together) "
        "that the bulletin through week 2036-W06 (version 2 of the data) already gave, "
        f"**{len(revised)}** were revised since. The most important of these: "
    )
    assert "batch b0003 (late.csv), imported 10 Feb 2036" in words
    assert "1 figure kept its value with another error or status." in words
    assert f"New since then: week {NEW_WEEK}." in words
    assert f"Gone since then: week {GONE[1]}." in words


def sums(index, every_move, area, quantity):
    """Return the sum of the weeks reported before, then and now, row by row."""
    by_week = {
        one.row.week: one
        for one in every_move
        if (one.row.area, one.row.quantity) == (area, quantity)
    }
    before = now = 0.0
    for (of, week, name), row in index.rows.items():
        if (of, name) == (area, quantity) and week and row.estimate is not None:
            move = by_week.get(week)
            if move is None:
                before, now = before + row.estimate, now + row.estimate
            elif move.before is not None and move.before.estimate is not None:
                before, now = before + move.before.estimate, now + row.estimate
    return before, now


def test_the_page_leads_with_what_revisions_did_to_the_season(open_moved, index, every_move):
    def lead_of(page):
        (lead, *_) = [one.value for one in page.markdown if one.value.startswith("Summed over")]
        order = [one.value for one in page.markdown]
        assert order.index(lead) < order.index(
            next(one for one in order if one.startswith("Of the "))
        )
        return lead.replace("\\", "").replace("\u00a0", " ")

    page = open_moved()
    # One week of all areas was 5 % short: of the season that is little, and stands in the table.
    assert lead_of(page).endswith("over all areas, no headline figure moved by 0.5 % or more.")
    before, now = sums(index, every_move, None, MET)
    assert f"<b>+{100 * (now - before) / before:.1f} %</b>" in words_of(page)
    before, now = sums(index, every_move, "A1", MET)
    words = lead_of(open_moved(area="A1"))
    part = 100 * (now - before) / before
    assert "in Quillon Bank, revisions moved" in words
    assert f"Chinook encounters by **+{part:.1f} %** (+{now - before:,.0f} fish)" in words
    assert "batch b0003 (late.csv), imported 10 Feb 2036" in words


@pytest.mark.parametrize("area", [None, "A1", "A3", "A4"])
def test_effects_are_sums_over_the_weeks_reported_before(index, every_move, area):
    found = season_effect.effects(index, every_move, [area])
    assert {one.area for one in found} == {area}
    for one in found:
        assert (one.before, one.now) == pytest.approx(sums(index, every_move, area, one.quantity))
    assert {one.quantity for one in found} <= set(season_effect.TOTALS)
    assert "sublegal_prop" not in season_effect.TOTALS  # shares do not add up


def test_a_season_without_totals_claims_no_standing_figure(index):
    assert not season_effect.effect_answer(index, [], None, before="b").endswith("revised since.")
    none = {at: replace(row, estimate=None) for at, row in index.rows.items()}
    given = {"areas": [], "quantity": MET, "before": "b"}
    words = moves.revisions_answer(replace(index, rows=none), [], **given)
    assert words.startswith("Of the 0 weekly figures")


def test_a_season_without_a_revision_says_so(index):
    found = season_effect.effects(index, (), [None])
    words = season_effect.effect_answer(index, found, None, before="the bulletin before")
    assert words.endswith("over all areas, no headline figure was revised since.")
    small = [replace(found[0], now=found[0].before * 1.001, n_revised=1)]
    words = season_effect.effect_answer(index, small, None, before="the bulletin before")
    assert "no headline figure moved by 0.5" in words
    tables = [season_effect.effect_table(index, one) for one in (found, small)]
    assert [one.count("no change") for one in tables] == [len(found), 0]


def test_an_area_is_asked_alone(open_moved, every_move):
    page = open_moved(area="A1")
    words = answer_of(page)
    move = one_of(every_move, ("A1", "2036-W03"))
    assert words.startswith("Of the 13 weekly figures of Chinook encounters in Quillon Bank that ")
    assert "**1** was revised since." in words
    place = moves.place_of(move)
    before, now = (moves.numbers.value(row, place=place) for row in (move.before, move.now))
    assert f"Quillon Bank, week 2036-W03, from **{before}**" in words
    assert f"to **{now}**" in words
    assert "Umbra Flats" not in words_of(page)


def test_a_quantity_without_a_move_says_so(open_moved):
    page = open_moved(area="A6")
    words = answer_of(page)
    assert "**none** was revised since." in words
    assert not page.get("plotly_chart")
    assert "Gone since then: week 2035-W45." in words


def test_every_kind_of_move_has_its_words(every_move):
    assert moves.shift(one_of(every_move, ("A1", "2036-W03"))).replace("\u00a0", " ") == "+25 %"
    assert moves.shift(one_of(every_move, ("A4", "2035-W49"))).startswith("−23")
    assert moves.shift(one_of(every_move, APPEARED)) == "has a figure now"
    assert moves.shift(one_of(every_move, VANISHED)) == "has no figure any more"
    assert moves.shift(one_of(every_move, GONE)) == "removed"
    assert moves.shift(one_of(every_move, ("A1", NEW_WEEK))) == "new"
    assert moves.shift(one_of(every_move, ("A1", "2035-W47"))) == "same figure"
    assert moves.shift(one_of(every_move, WAS_ZERO)).startswith("from 0 to ")
    assert moves.shift(one_of(every_move, ("A1", "2036-W03"), SHARE)).endswith(" points")


def test_a_move_is_told_in_errors_before(every_move):
    move = one_of(every_move, ("A1", "2036-W03"))
    size = (move.now.estimate - move.before.estimate) / move.before.se
    assert moves.in_errors(move) == f"{size:.1f} times its standard error before"
    assert moves.in_errors(one_of(every_move, WAS_ZERO)) == ""
    near = replace(move, change_in_se=-0.34)
    assert moves.in_errors(near) == "0.3 of its standard error before"
    tiny = replace(move, change_in_se=0.04)
    assert moves.in_errors(tiny) == "less than 0.1 of its standard error before"


def amount(shown):
    return float(shown.replace(",", "").replace("\u00a0%", ""))


@pytest.mark.parametrize("quantity", [MET, SHARE, "encounters_per_angler_hour"])
@pytest.mark.parametrize("part", [-0.4, -0.06, -0.013, -0.004, 0.0006, 0.004, 0.0123, 0.07, 0.3])
def test_the_figures_shown_differ_by_what_is_told(index, every_move, quantity, part):
    move = one_of(every_move, ("A1", "2036-W03"), quantity)
    old = move.before.estimate
    now = replace(move.now, estimate=old * (1 + part))
    move = replace(move, kind="revised", now=now, moved=old * part)
    place = moves.place_of(move)
    before, after = (amount(moves.numbers.value(row, place=place)) for row in (move.before, now))
    size = after - before if quantity == SHARE else 100 * (after - before) / before
    shown = moves.shift(move).replace("\u00a0%", "").replace(" points", "")
    if shown.startswith("less than"):
        assert abs(size) < 0.05
    else:
        wanted = float(shown.replace("−", "-"))
        assert size == pytest.approx(wanted, abs=0.0501 if abs(wanted) < 1 else 0.501)
    for row in (move.before, now):
        assert moves.numbers.value(row, place=place) in move_tables.moves_table([move], index=index)


def test_a_figure_that_stands_is_shown_alike_on_both_sides(every_move):
    move = one_of(every_move, ("A1", "2035-W47"))
    old, now = (
        replace(row, estimate=1237.0, se=se, ci_low=1237 - 2 * se, ci_high=1237 + 2 * se)
        for row, se in ((move.before, 250.0), (move.now, 20.0))
    )
    assert moves.numbers.value(old) != moves.numbers.value(now)
    place = moves.place_of(replace(move, before=old, now=now))
    assert [moves.numbers.value(row, place=place) for row in (old, now)] == ["1,237", "1,237"]


def test_a_move_from_zero_or_from_nothing_keeps_its_own_digits(every_move):
    for at in (WAS_ZERO, APPEARED, VANISHED):
        assert moves.place_of(one_of(every_move, at)) is None


def test_several_causes_are_all_named(every_move):
    words = moves.cause_words(one_of(every_move, ("A4", "2035-W49")).causes)
    assert words == (
        "batch b0003 (late.csv), imported 10 Feb 2036 and "
        "batch b0002 (a.csv, <b>.csv and 1 more), withdrawn 11 Feb 2036"
    )
    program = moves.Cause("program 0.1.0 to 0.2.0", "program", "2036-02-11T08:00:00+00:00", "")
    assert moves.cause_words([program]) == "another version of this program (0.1.0 to 0.2.0)"
    assert moves.cause_words([]) == "the bulletin names no batch"


def test_the_table_has_every_move_and_is_harmless(open_moved, every_move):
    words = words_of(open_moved(show=MET))
    told_of = [one for one in every_move if one.row.quantity == MET and one.kind != "new"]
    assert words.count("<tr><th scope='row'>") >= len(told_of)
    assert "<b>.csv" not in words.replace("&lt;b&gt;.csv", "")
    assert "no site-day sampled" in words
    assert not {"nan", "None", "inf"} & set(words.split())


def test_the_download_holds_every_move_of_the_areas(index):
    kept = html_tables.of_areas(index.bulletin.revisions, areas=("A1",))
    written = html_tables.csv(kept, index.names).decode()
    lines = list(csv.DictReader(io.StringIO(written)))
    assert list(lines[0]) == heads_of(REVISION_SCHEMA.names)
    assert {line["area"] for line in lines} == {"A1"}
    kept = [row for row in index.bulletin.revisions.to_pylist() if row["area"] == "A1"]
    assert [line["quantity"] for line in lines] == [row["quantity"] for row in kept]
    assert html_tables.of_areas(index.bulletin.revisions, areas=()).equals(index.bulletin.revisions)


def test_the_first_bulletin_of_a_season_says_why_the_page_is_empty(open_moved):
    for link in ({"season": "2034-35"}, {"bulletin": "older"}):
        page = open_moved(**link)
        assert not page.exception
        assert "This is the first bulletin of season" in words_of(page)
        assert not page.get("plotly_chart")


def test_an_older_bulletin_says_that_it_tells_no_moves(open_moved, tmp_path):
    archive.save(tmp_path, make(NOW))
    path = tmp_path / make(NOW).card.bulletin / archive.CARD_FILE
    old = json.loads(path.read_text())
    del old["since"], old["tables"]
    write_card(path, json.dumps(old))
    page = open_moved(folder=tmp_path)
    assert not page.exception
    assert "kept before bulletins showed revisions" in words_of(page)


def test_nothing_moved_is_an_answer(open_moved, tmp_path, index):
    fill_archive(tmp_path)
    still = replace(make(NOW), revisions=REVISION_SCHEMA.empty_table())
    card = replace(still.card, version=9, bulletin="still", since="a bulletin taken away")
    archive.save(tmp_path, replace(still, card=card))
    page = open_moved(folder=tmp_path)
    assert not page.exception
    words = answer_of(page)
    every = (row for row in index.rows.values() if row.quantity == MET and row.week is not None)
    weekly = sum(row.estimate is not None for row in every)
    assert words.startswith(f"Of the {weekly} weekly figures of")
    assert words.endswith(
        "that the bulletin a bulletin taken away already gave, **none** was revised since."
    )


def test_the_link_holds_the_choices(open_moved):
    page = open_moved(area="A1", show=SHARE)
    assert "weekly figures of sublegal share" in answer_of(page)
    assert page.query_params["show"] == SHARE
    assert page.query_params["area"] == "A1"
    assert not page.warning


def test_an_empty_archive_says_what_to_do(open_moved, tmp_path):
    page = open_moved(folder=tmp_path / "none yet")
    assert not page.exception
    assert "There is no bulletin to show yet" in words_of(page)
