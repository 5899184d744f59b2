"""Numbers for people: rounding, intervals, the words where there is no number."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as some

from analytics.quantities import QUANTITIES
from analytics.wording import numbers as text
from analytics.wording.bulletin_index import Change, Row

PERCENT = text.PERCENT


def make_row(quantity="encounter_fish", estimate=1237.0, low=981.0, high=1566.0, **more) -> Row:
    values = {
        "season": "2035-36",
        "area": None,
        "week": "2036-W05",
        "quantity": quantity,
        "unit": QUANTITIES[quantity].unit,
        "estimate": estimate,
        "se": 150.0,
        "ci_low": low,
        "ci_high": high,
        "ci_level": 0.95,
        "ci_method": "log_t",
        "df": 20.0,
        "n_psu": 12,
        "n_psu_frame": 40,
        "n_interviews": 90,
        "method": "",
        "status": "ok",
    }
    return Row(**(values | more))


def make_change(**more) -> Change:
    values = {
        "season": "2035-36",
        "area": None,
        "week": "2036-W05",
        "previous_week": "2036-W04",
        "quantity": "encounter_fish",
        "previous": 1000.0,
        "estimate": 1237.0,
        "change": 1.237,
        "ci_low": 1.05,
        "ci_high": 1.44,
        "ci_level": 0.95,
        "form": "ratio",
        "direction": "rising",
    }
    return Change(**(values | more))


UNKNOWN = "change not known: one of the two weeks has no figure or no error"


def test_figure_as_the_design_asks():
    assert text.figure(make_row()) == f"1,240 fish (95{PERCENT} CI 980–1,570)"


@pytest.mark.parametrize(
    ("quantity", "numbers", "words"),
    [
        ("angler_trips", (1.0, 0.5, 2.1), "1.0 angler trip (95 % CI 0.5–2.1)"),
        ("angler_trips", (86.0, 61.0, 121.0), "86 angler trips (95 % CI 61–121)"),
        ("sublegal_prop", (0.7834, 0.711, 0.842), "78 % (95 % CI 71–84 %)"),
        ("sublegal_prop", (0.0123, 0.004, 0.035), "1.2 % (95 % CI 0.4–3.5 %)"),
        (
            "encounters_per_angler_hour",
            (0.4231, 0.31, 0.5712),
            "0.42 fish per angler-hour (95 % CI 0.31–0.57)",
        ),
        ("sublegal_per_kept", (6.12, 4.02, 9.4), "6.1 (95 % CI 4.0–9.4)"),
        ("encounter_fish", (2.1e15, 2.0e15, 2.2e15), "2e+15 fish (95 % CI 2e+15–2e+15)"),
        ("encounter_fish", (123456.0, 98000.0, 156000.0), "123,000 fish (95 % CI 98,000–156,000)"),
    ],
)
def test_rounding_follows_the_interval(quantity, numbers, words):
    estimate, low, high = numbers
    row = make_row(quantity, estimate, low, high, se=estimate / 5)
    assert text.figure(row).replace(PERCENT, " %") == words


def test_other_confidence_level():
    assert f"(90{PERCENT} CI" in text.figure(make_row(ci_level=0.9))


def test_low_end_above_zero_never_reads_zero():
    row = make_row(estimate=420.0, low=4.0, high=2900.0)
    assert text.interval(row) == "4–2,900"


@pytest.mark.parametrize("quantity", ["encounter_fish", "sublegal_prop", "kept_per_angler_trip"])
@given(numbers=some.lists(some.none() | some.floats(), min_size=5, max_size=5))
def test_no_number_however_odd_breaks_the_words(quantity, numbers):
    estimate, low, high, se, df = numbers
    row = make_row(quantity, estimate, low, high, se=se, df=df, method="x; y z")
    change = make_change(change=estimate, ci_low=low, ci_high=high)
    for words in (text.figure(row), text.short(row), text.coarse(row), text.change(change)):
        assert words
        assert not {"nan", "inf", "None"} & set(words.split())


@given(
    some.floats(1.0, 1e6),
    some.floats(0.001, 1.0),
    some.floats(1.0, 1000.0),
)
def test_rounding_stays_within_a_twentieth_of_the_estimate(estimate, down, up):
    row = make_row(estimate=estimate, low=estimate * down, high=estimate * up)
    shown = float(text.value(row).replace(",", ""))
    assert shown == pytest.approx(estimate, rel=0.0501)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (make_change(), "rising: +24 % (95 % CI +5 to +44 %)"),
        (
            make_change(change=0.9, ci_low=0.61, ci_high=1.3, direction="no clear change"),
            "no clear change: −10 % (95 % CI −39 to +30 %)",
        ),
        (
            make_change(
                form="difference", change=-0.12, ci_low=-0.2, ci_high=-0.03, direction="falling"
            ),
            "falling: −12 points (95 % CI −20 to −3)",
        ),
        (make_change(ci_low=None, ci_high=None, direction="not known"), UNKNOWN),
        (make_change(direction="not known"), UNKNOWN),
        (
            make_change(change=None, ci_low=None, ci_high=None, direction="not comparable"),
            "not comparable: the week before had other open days",
        ),
        (
            make_change(change=3.0, ci_low=0.001, ci_high=math.inf, direction="no clear change"),
            "no clear change: too few site-days for a useful interval",
        ),
        (
            make_change(change=3.0, ci_low=1.2, ci_high=60.1),
            "rising: too few site-days for a useful interval",
        ),
        (
            make_change(change=3.62, ci_low=2.38, ci_high=5.49),
            "rising: 3.6 times (95 % CI 2.4–5.5)",
        ),
        (
            make_change(form="difference", change=0.05, ci_low=-0.004, ci_high=0.0),
            "rising: +5 points (95 % CI −0.4 to 0)",
        ),
        (make_change(change=None, direction="not known"), UNKNOWN),
        (None, "no week just before to compare with"),
    ],
)
def test_change_in_words(change, words):
    assert text.change(change).replace(PERCENT, " %") == words


@pytest.mark.parametrize(
    ("week", "words"),
    [
        ("2036-W05", "28 Jan – 3 Feb 2036"),
        ("2036-W04", "21 – 27 Jan 2036"),
        ("2036-W01", "31 Dec 2035 – 6 Jan 2036"),
    ],
)
def test_week_dates(week, words):
    assert text.week_dates(week) == words


def test_every_unit_has_words():
    for quantity in QUANTITIES.values():
        assert "_" not in text.unit_words(quantity.unit)


def test_marks_of_markdown_in_names_are_harmless():
    assert text.plain("a*b_[c](d) $e$ :red[x] <b>") == (r"a\*b\_\[c\]\(d\) \$e\$ \:red\[x\] \<b\>")
