"""The page in words: the answer of a week, and what is thin behind it."""

from __future__ import annotations

import re
from dataclasses import replace
from importlib.resources import files

import pytest

from analytics.wording import bulletin_index, reasons
from analytics.wording import week as sentences
from analytics.wording.numbers import PERCENT
from analytics.wording.week import COVERAGE
from dashboard import notices
from tests.app.sample_bulletin import CHOSEN, NOW, make
from tests.app.sample_cases import ENDLESS, NO_ERROR, PARTIAL


@pytest.fixture(scope="module")
def index():
    return bulletin_index.index_bulletin(make(NOW))


def words_of(index, area):
    return (
        sentences.week_answer(index, area=area, week=CHOSEN)
        .replace(PERCENT, " %")
        .replace("*", "")
        .replace("\\", "")
    )


def test_answer_is_one_sentence_with_every_interval(index):
    words = words_of(index, None)
    assert words.startswith(f"In week {CHOSEN}, over all areas, anglers made ")
    assert words.count(". ") == 0
    assert words.endswith(".")
    for name in sentences.HEADLINE[:4]:
        row = index.row(None, CHOSEN, name)
        assert f"{sentences.numbers.value(row)}".replace(PERCENT, " %") in words
        assert sentences.numbers.interval(row).replace(PERCENT, " %") in words
    assert "against the week before" in words


@pytest.mark.parametrize(
    ("part", "words"),
    [
        (0.2, None),
        (0.38, "; PSE 38 %, use with caution)"),
        (0.61, "; PSE 61 %, not for publication)"),
    ],
)
def test_answer_carries_the_caution_of_each_figure(index, part, words):
    key = (None, CHOSEN, sentences.MET)
    rows = {**index.rows, key: replace(index.rows[key], se=part * index.rows[key].estimate)}
    said = words_of(replace(index, rows=rows), None)
    assert said.count("PSE") == (1 if words else 0)
    assert words is None or f"{sentences.numbers.interval(rows[key])}{words}" in said


def test_answer_without_a_sample(index):
    assert words_of(index, "A2") == (
        f"In week {CHOSEN}, in Sorrel Narrows, there is no estimate: no site-day sampled."
    )


def test_answer_without_totals_gives_rate_and_share(index):
    words = words_of(index, "A6")
    assert "Chinook per angler-hour (95 % CI" in words
    assert "were sublegal" in words
    assert words.endswith(
        "totals cannot be given (interviews of convenience give rates and shares, never totals)."
    )


def test_answer_where_none_was_met(index):
    words = words_of(index, "A5")
    assert "met 0 Chinook (none seen, no interval)" in words
    assert "the sublegal share is not known (the denominator is 0)" in words


def test_answer_of_a_closed_week(index):
    words = sentences.week_answer(index, area="A6", week="2035-W45")
    assert words.endswith("there was no open day and no sample, so there is nothing to report.")


def test_first_week_has_nothing_to_compare_with(index):
    words = sentences.week_answer(index, area=None, week=index.weeks[0])
    assert "there is no open week just before to compare with" in words


@pytest.mark.parametrize(
    ("effort", "met", "words"),
    [
        ("rising", "rising", "effort and encounters are rising."),
        ("falling", "rising", "effort is falling and encounters are rising."),
        ("no clear change", "falling", "effort shows no clear change and encounters are falling."),
        ("not known", "no clear change", "the change in effort is not known and encounters show"),
        (
            "not comparable",
            "not comparable",
            "week before had other open days, so its totals are not compared.",
        ),
        ("rising", "not comparable", "effort is rising and encounters cannot be compared, because"),
        ("not known", "not known", "how that compares with the week before is not known."),
    ],
)
def test_change_words_are_the_bulletins(index, effort, met, words):
    one = index.change(None, CHOSEN, sentences.EFFORT)
    changes = {
        (None, CHOSEN, sentences.EFFORT): replace(one, direction=effort),
        (None, CHOSEN, sentences.MET): replace(one, direction=met),
    }
    other = replace(index, changes=changes)
    assert words in sentences.week_answer(other, area=None, week=CHOSEN)


def test_several_areas_are_not_added_up(index):
    words = sentences.week_answer_by_area(index, areas=("A1", "A2"), week=CHOSEN)
    assert "Quillon Bank **" in words
    assert "Sorrel Narrows no site\\-day sampled" in words
    assert "no sum over these areas" in words


def test_thin_strata_are_said_plainly(index):
    notes = sentences.strata_notes(index, areas=(), week=CHOSEN)
    assert (
        f"In week {CHOSEN}, weekday landings at Pale Hook rest on one site-day of 20 "
        f"(stratum of one site-day collapsed: variance pooled with Pale Hook {CHOSEN} "
        "Sat–Sun)." in notes
    )
    assert (
        f"In week {CHOSEN}, weekday landings at Umbra Flats were not sampled on any of 20 "
        f"site-days and are filled in (no site-day sampled: imputed with the mean site-day of "
        f"Umbra Flats {CHOSEN} Sat–Sun)." in notes
    )
    assert (
        f"In week {CHOSEN}, weekday landings at Pale Hook have 1 site-day missing: boats returned "
        "and nobody was interviewed." in notes
    )


def test_notes_of_the_chosen_areas_come_first_and_the_rest_stays(index):
    every = sentences.strata_notes(index, areas=(), week=CHOSEN)
    first = sentences.strata_notes(index, areas=("A4",), week=CHOSEN)
    assert "Umbra Flats" in first[0]
    assert "Umbra Flats" not in every[0]
    assert sorted(first) == sorted(every)


def test_a_stratum_named_by_the_user_keeps_its_name(index):
    named = replace(index.strata[0], stratum="storm days", week=CHOSEN, n_psu=1)
    assert sentences.span(named) == "“storm days”"


def test_equal_findings_are_counted_once(index):
    assert sentences.finding_notes(index) == [
        "Warning, interviews: empty. Fill in the fishing method where it is known (2 times)",
        "Note, site-days: NF-17 (Pale Hook): 5 boats returned, none interviewed. "
        "It left the sample",
        "Note, site-days: Umbra Flats 2036-W05 Mon–Fri: no site-day sampled: imputed with the mean "
        "site-day of Umbra Flats 2036-W05 Sat–Sun. The figures that rest on it carry a mark",
        "Note, site-days: Tarnow Deep has a sampling design that gives no total here. "
        "No figure is given for it (no_design)",
        "Warning, boat-counts: Pale Hook has uneven days: interviews cover 2.0 to 9.0 % of the "
        "boat-hours counted on a day in 2036-W02, over 3 times as much on one day as on another in "
        "2 of 6 weeks",
    ]


def test_figures_on_very_little_are_listed(index):
    area, week = NO_ERROR
    assert sentences.thin_notes(index, areas=("A2", area), week=week) == [
        f"In week {week}, the figures of Quillon Bank rest on 2 interviews: they and "
        "their intervals are unreliable."
    ]
    assert sentences.thin_notes(index, areas=("A1",), week=CHOSEN) == []
    area, week = ENDLESS
    assert (
        "rest on 1 degree of freedom: " in sentences.thin_notes(index, areas=(area,), week=week)[0]
    )


@pytest.mark.parametrize(("estimate", "said"), [(0.0, "figures are 0"), (4.0, "other weeks")])
def test_an_area_without_an_interview_rests_on_none(index, estimate, said):
    rows = {
        key: replace(row, n_interviews=0, estimate=None if row.estimate is None else estimate)
        for key, row in index.rows.items()
        if row.area == "A1" and row.week == CHOSEN
    }
    bare = replace(index, rows={**index.rows, **rows})
    (note,) = sentences.thin_notes(bare, areas=("A1",), week=CHOSEN)
    assert "no boat that was interviewed had fished in Quillon Bank" in note
    assert said in note


def test_marks_of_a_week_are_known(index):
    assert sentences.has_marks(index, areas=("A3",), week=CHOSEN)
    assert not sentences.has_marks(index, areas=("A2",), week=CHOSEN)


def test_answer_says_what_a_total_is_without(index):
    words = sentences.week_answer(index, area=None, week=PARTIAL[1]).replace("\\", "")
    assert words.startswith(
        f"In week {PARTIAL[1]}, over all areas, without Sorrel Narrows, Tarnow Deep (open and "
        "never sampled), anglers made **"
    )


def test_answer_with_an_endless_interval_prints_no_digits_for_it(index):
    words = sentences.week_answer(index, area=ENDLESS[0], week=ENDLESS[1])
    assert "** Chinook (too few site-days for a useful interval)" in words


def test_answer_gives_the_reason_of_a_lacking_interval_once(index):
    area, week = NO_ERROR
    words = sentences.week_answer(index, area=area, week=week)
    assert words.count("(no interval: one site-day only)") == 1
    assert words.count("(no interval)") == 3
    assert words.index("(no interval:") < words.index("(no interval)")
    endless = {
        key: replace(row, ci_high=float("inf"))
        for key, row in index.rows.items()
        if key[:2] == ("A1", CHOSEN)
    }
    words = sentences.week_answer(replace(index, rows=endless), area="A1", week=CHOSEN)
    assert words.count("(too few site-days for a useful interval)") == 1
    assert words.count("(no useful interval)") == 3


def test_answer_where_no_boat_gave_a_number(index):
    words = sentences.week_answer(index, area="A1", week="2036-W01")
    assert "the sublegal share is not known (not recorded in any interview" in words
    row = index.row("A1", CHOSEN, sentences.MET)
    missing = replace(row, estimate=None, method="not_recorded(columns=kept)")
    other = replace(index, rows={**index.rows, ("A1", CHOSEN, sentences.MET): missing})
    words = sentences.week_answer(other, area="A1", week=CHOSEN).replace("\\", "")
    assert "anglers made **" in words
    assert (
        "met an unknown number of Chinook (not recorded in any interview: kept), kept **" in words
    )


def test_a_basis_that_failed_is_noted_in_words():
    past = bulletin_index.index_bulletin(make("2034-35"))
    notes = sentences.finding_notes(past)
    said = "no figures over all boats beside the others: import the table coverage"
    assert f"Note, coverage: {said}" in notes
    assert not any("basis_failed" in note for note in notes)


def test_glossary_explains_every_status_word():
    words = notices.glossary(level=0.9)
    assert f"90{PERCENT} CI" in words
    for short, long in reasons.STATUS_WORDS.values():
        assert f"**{short}**: {long}" in words
    assert COVERAGE in words
    assert "stratum" not in words.lower()


def test_what_is_said_of_coverage_is_what_simulations_showed():
    text = (files("analytics") / "docs" / "validation.md").read_text()
    rows = re.findall(r"intervals: (\w+), area-week, (?!change).*?\| ([\d.]+)% hold", text)
    held = [float(share) for _, share in rows]
    said = [int(one) for one in re.findall(r"\d+", COVERAGE)[:2]]
    assert len({fishery for fishery, _ in rows}) == 5
    assert [round(min(held)), round(max(held))] == said
