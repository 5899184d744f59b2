"""Whether smoothed levels lie in their intervals, and rises come as often as is said.

Weekly figures are the level plus an error, whose variance is itself estimated from few site-days.
Levels of five kinds: flat, walking, coming back to a mean, flat with a change over the last four
weeks, and one hump. No kind is that of the smoother alone, which does not know which it has. The
trend rows of a bulletin are made of them; levels and words are judged by the truth.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

from analytics.catch_rates import index
from analytics.catch_rates.standardised_levels import Series
from analytics.weeks import weeks_between
from tests.sizes import n_sized

N_EACH, SEED = n_sized(100, 500), 97
WEEKS = weeks_between("2030-W44", "2031-W07")
#: Standard error of a week's log figure, and degrees of freedom of its estimated variance.
SE, DF = 0.12, 16
KINDS = ("flat", "walking", "returning", "changed", "hump")


def level_of(kind, rng):
    n = len(WEEKS)
    if kind == "walking":
        return np.cumsum(rng.normal(0, 0.08, n))
    if kind == "returning":
        off = [rng.normal(0, 0.15)]
        for _ in range(n - 1):
            off.append(0.6 * off[-1] + rng.normal(0, 0.12))
        return np.array(off)
    if kind == "changed":
        step = rng.choice([-1, 1]) * np.log(1.3) / 4
        return np.cumsum(np.append(np.zeros(n - 4), np.full(4, step)))
    if kind == "hump":
        return 0.5 * np.exp(-(((np.arange(n) - rng.uniform(0, n)) / 4) ** 2))
    return np.zeros(n)


def seasons():
    """Return a row a week: the level's interval and truth, and the chance of a rise."""
    found = []
    for at, kind in enumerate(KINDS):
        for number in range(N_EACH):
            rng = np.random.default_rng([SEED, at, number])
            level, se = level_of(kind, rng), SE * rng.uniform(0.7, 1.3, len(WEEKS))
            shown = se**2 * rng.chisquare(DF, len(WEEKS)) / DF
            series = Series(level + rng.normal(0, se), np.diag(shown))
            rows = index.trend_rows(series, WEEKS, is_share=False, level=0.95, names={})
            so_far = [row for row in rows if not row["is_projected"]]
            for week, row in enumerate(so_far):
                before = level[week - 4] if week >= 4 else np.nan
                found.append(
                    {"kind": kind, "season": number, "week": week, "truth": np.exp(level[week])}
                    | {"low": row["ci_low"], "high": row["ci_high"], "rose": level[week] > before}
                    | {"said": row["prob_increase_4_weeks"], "word": row["direction"]}
                )
    return pd.DataFrame(found)


@pytest.fixture(scope="module")
def rows():
    return seasons()


def held_of_seasons(rows, factor=1.0):
    """Return the share of weeks whose interval holds the level, one number a season."""
    middle = np.log(rows["low"] * rows["high"]) / 2
    half = factor * (np.log(rows["high"]) - np.log(rows["low"])) / 2
    inside = (np.log(rows["truth"]) - middle).abs() <= half
    return inside.groupby([rows["kind"], rows["season"]]).mean()


def check_levels(rows, factor=1.0):
    """Hold the intervals of levels to 93 to 98 %, beyond three errors; seasons are the units."""
    of_seasons = held_of_seasons(rows, factor)
    slack = 3 * of_seasons.std() / np.sqrt(len(of_seasons))
    assert 0.93 - slack < of_seasons.mean() < 0.98 + slack, of_seasons.mean()


def test_intervals_of_levels_hold_them(rows, record_property):
    for kind, mine in rows.groupby("kind"):
        share = held_of_seasons(mine).mean()
        record_property(f"{kind} level", f"95% intervals hold {share:.1%} of {len(mine):,} weeks")
    check_levels(rows)


@pytest.mark.parametrize("factor", [0.75, 1.6])
def test_intervals_too_narrow_or_too_wide_are_seen(rows, factor):
    with pytest.raises(AssertionError):
        check_levels(rows, factor)


def last_words(rows):
    """Return the last week of seasons whose level moves all the time, up or down by chance."""
    return rows[(rows["week"] == len(WEEKS) - 1) & rows["kind"].isin(["walking", "returning"])]


def check_calls(mine):
    """Hold how often a call is wrong to what was said, within bounds of chance."""
    for word in (index.RISING, index.FALLING):
        called = mine[mine["word"] == word]
        said = 1 - called["said"] if word == index.RISING else called["said"]
        wrong = int((called["rose"] != (word == index.RISING)).sum())
        assert len(called) > N_EACH / 4
        assert wrong <= binom.ppf(0.999, len(called), said.mean()), (word, wrong, said.mean())


def test_calls_are_wrong_no_more_often_than_is_said(rows, record_property):
    mine = last_words(rows)
    for word in (index.RISING, index.FALLING):
        called = mine[mine["word"] == word]
        record_property(
            f"called {word}",
            f"{len(called)} of {len(mine)}; a rise was said with {called['said'].mean():.1%} "
            f"and came in {called['rose'].mean():.1%}",
        )
    check_calls(mine)


def test_calls_that_are_too_sure_are_seen(rows):
    mine = last_words(rows)
    # As sure as 1 in 1,000, whatever the figures say.
    surer = mine.assign(said=np.where(mine["said"] > 0.5, 0.999, 0.001))
    with pytest.raises(AssertionError, match=r"rising|falling"):
        check_calls(surer)
