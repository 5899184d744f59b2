"""How near a limit is: the rule on the probability of exceeding it, at and around its bounds."""

from __future__ import annotations

import pytest

from analytics.wording import limits
from analytics.wording.limits import STATE_RULE, STATE_WORDS, LimitState, state_of


@pytest.mark.parametrize(
    ("probability", "state"),
    [
        (0.0, LimitState.WELL_BELOW),
        (0.0999, LimitState.WELL_BELOW),
        (0.1, LimitState.WATCH),
        (0.4999, LimitState.WATCH),
        (0.5, LimitState.NEAR),
        (1.0, LimitState.NEAR),
        (None, LimitState.UNKNOWN),
    ],
)
def test_the_probability_gives_the_state(probability, state):
    assert state_of(probability, is_exceeded=False) is state
    assert state_of(probability, is_exceeded=True) is LimitState.EXCEEDED


def test_every_state_has_words_and_the_rule_names_its_bounds():
    assert set(STATE_WORDS) == set(LimitState)
    assert len(set(STATE_WORDS.values())) == len(LimitState)
    said = STATE_RULE.replace("\u00a0", " ")
    assert "50 %" in said
    assert "10 %" in said
    assert "our choice, no source" in said


def line(**given):
    usual = {
        "estimate": 90.0,
        "limit_fish": 100.0,
        "is_preliminary": True,
        "prob_exceeded_by_close": 0.3,
        "prob_exceeded_to_date": 0.02,
    }
    return usual | given


@pytest.mark.parametrize(
    ("given", "state"),
    [
        ({}, LimitState.WATCH),
        ({"estimate": 100.0}, LimitState.WATCH),  # at a limit is not over it
        ({"estimate": 100.1}, LimitState.EXCEEDED),
        ({"is_preliminary": False}, LimitState.STAYED_BELOW),
        ({"is_preliminary": False, "prob_exceeded_to_date": 0.4}, LimitState.UNSURE),
        ({"is_preliminary": False, "estimate": 100.1}, LimitState.EXCEEDED),
        ({"is_preliminary": False, "prob_exceeded_to_date": None}, LimitState.UNKNOWN),
        ({"estimate": None}, LimitState.UNKNOWN),
        ({"prob_exceeded_by_close": None}, LimitState.UNKNOWN),
        ({"limit_fish": 0.0, "estimate": 0.0}, LimitState.WATCH),
    ],
)
def test_a_line_of_the_table_has_a_state(given, state):
    assert limits.state(line(**given)) is state


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.996, "99.6 %"),
        (1.004, "100.4 %"),
        (0.9999, "just under 100 %"),
        (1.0001, "just over 100 %"),
        (1.0, "100 %"),
        (0.994, "99 %"),
        (None, "–"),
    ],
)
def test_nearly_all_of_a_limit_is_not_all_of_it(share, words):
    line = {"share_used": share, "share_used_low": 0.8, "share_used_high": 1.2}
    if share is None:
        line = dict.fromkeys(line)
    assert limits.used(line).words.replace("\u202f", " ").replace("\xa0", " ") == words
