"""Numbers with their intervals in words: digits by the error, shares in percent, gaps as dashes."""

from __future__ import annotations

import math

import pytest

from analytics.wording.numbers import Measurement, NumberKind, of_row


def plain(words):
    return words.replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("amount", "words", "limits"),
    [
        (Measurement(1239.6, 980.0, 1570.0), "1,240", "980–1,570"),
        (Measurement(8.23, 3.6, 18.7), "8.2", "3.6–18.7"),
        (Measurement(0.0, None, None), "0", ""),
        (Measurement(0.122, 0.09, 0.15, NumberKind.SHARE), "12 %", "9–15 %"),
        (Measurement(0.023, None, None, NumberKind.SHARE), "2.3 %", ""),
        (Measurement(0.832, 0.64, 1.08, NumberKind.RATIO), "0.83", "0.64–1.08"),
        (Measurement(0.0583, 0.0541, 0.0631, NumberKind.RATIO), "0.058", "0.054–0.063"),
        (Measurement(0.86, 0.0002, 3494.26, NumberKind.RATIO), "0.86", "0.0002–3,490"),
        (Measurement(1.2, 0.046, 27.7, NumberKind.RATIO), "1.2", "0.05–27.7"),
        (Measurement(None), "–", ""),
    ],
)
def test_digits_follow_the_error(amount, words, limits):
    assert plain(amount.words) == words
    assert plain(amount.limits) == limits


def test_a_figure_names_its_level_and_a_lacking_interval():
    known = Measurement(0.122, 0.09, 0.15, NumberKind.SHARE)
    assert plain(known.figure(0.9)) == "12 % (90 % CI 9–15 %)"
    assert plain(known.bracket()) == "(9–15 %)"
    assert Measurement(12.0).figure(0.95) == "12 (no interval)"
    assert Measurement(None).figure(0.95) == "–"


def test_other_ends_take_the_digits_of_the_number():
    amount = Measurement(21_234.0, 17_812.0, 25_391.0)
    assert amount.between(17_240.0, 26_480.0) == "17,200–26,500"
    assert amount.between(None, 3.0) == ""
    assert amount.shown(None) == "–"


def test_no_number_breaks_it():
    assert Measurement(5.0, 1.0, math.inf).limits == "1.0–∞"
    assert of_row(None, NumberKind.SHARE) == Measurement(None, sort=NumberKind.SHARE)
