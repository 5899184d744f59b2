"""Rates of release deaths that an option sets: which fish they govern, and what is said of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analytics.codes import has_code
from analytics.options.compare import compare_options, outlook
from analytics.options.option import TODAY, Change, Option
from tests.season_cases import RELEASE_RATES, small_baseline

BASE = small_baseline(n_draws=40)
ROW = dict(RELEASE_RATES[1])
WOUNDS = (
    *RELEASE_RATES,
    {**ROW, "wound_class": "shallow", "rate_prop": 0.1, "rate_se": None},
    {**ROW, "wound_class": "deep", "rate_prop": 0.6, "rate_se": None},
)
RELEASED = ("release_deaths_fish", "released_legal_fish", "released_sublegal_fish")


def figures(answers, option, area=None, column="estimate"):
    """Return one column of an option by quantity."""
    return {
        row["quantity"]: row[column]
        for row in answers.figures.to_pylist()
        if row["option"] == option and row["area"] == area
    }


def with_wounds(rates=WOUNDS, **given):
    """Return the ground with hooks held shallow or deep, a fifth of them deep."""
    return replace(
        BASE, rates=rates, deep_hook_share=np.full_like(BASE.deep_hook_share, 0.2), **given
    )


def deaths_at(base, *rows):
    """Return release deaths in all under rates of an option, and the difference from today's."""
    rows = tuple({"rate_se": None, "source": "invented"} | row for row in rows)
    found = compare_options(base, [Option("one", (Change(release_rates=rows),))], ())
    told = [figures(found, "one", None, column) for column in ("estimate", "difference")]
    return *(one["release_deaths_fish"] for one in told), found


def test_a_rate_of_any_wound_governs_shallow_and_deep_hooks():
    base = with_wounds()
    row = {"size_class": "sublegal", "method": "any", "wound_class": "any"}
    now = figures(outlook(base, ()), TODAY)["released_sublegal_fish"]
    ahead = now - base.to_date["released_sublegal_fish"].sum(axis=1).mean()
    for prop in (1.0, 0.05):
        found = deaths_at(base, row | {"rate_prop": prop})[1]
        # 20 % of them die today: 0.8 x 0.1 + 0.2 x 0.6.
        assert found == pytest.approx((prop - 0.2) * ahead, rel=1e-4)


def test_a_rate_governs_all_that_it_names_whatever_else_the_store_has():
    every = {"size_class": "any", "method": "any", "wound_class": "any", "rate_prop": 1.0}
    rates = (
        *WOUNDS,
        {**ROW, "method": "mooching", "wound_class": "deep", "rate_prop": 0.7},
        {**ROW, "size_class": "legal", "method": "trolling", "rate_prop": 0.3},
    )
    base = with_wounds(rates)
    base = replace(  # Of every fish the method is given.
        base,
        methods=("mooching", "trolling"),
        by_method=base.by_method[:, :, :2],
        deep_hook_share=base.deep_hook_share[:, :, :2],
    )
    for names in (("any",), ("mooching", "trolling")):
        found = deaths_at(base, *(every | {"method": name} for name in names))[2]
        told = figures(found, "one")
        ahead = {name: told[name] - base.to_date[name].sum(axis=1).mean() for name in RELEASED}
        dead = ahead.pop("release_deaths_fish")
        assert dead == pytest.approx(sum(ahead.values()), rel=1e-4)


def test_among_an_options_own_rates_the_finer_comes_first():
    base = with_wounds()
    row = {"size_class": "sublegal", "method": "any"}
    whole = row | {"wound_class": "any", "rate_prop": 0.3}
    deep = row | {"wound_class": "deep", "rate_prop": 0.8}
    same = row | {"wound_class": "any", "rate_prop": 0.8 * 0.3 + 0.2 * 0.8}
    assert deaths_at(base, whole, deep)[0] == pytest.approx(deaths_at(base, same)[0], rel=1e-6)
    # Alone, deep hooks have theirs and the others keep the store's: 0.8 x 0.1 + 0.2 x 0.8.
    alone = row | {"wound_class": "any", "rate_prop": 0.24}
    assert deaths_at(base, deep)[0] == pytest.approx(deaths_at(base, alone)[0], rel=1e-6)


def test_a_rate_of_deep_hooks_counts_where_the_store_has_no_pair():
    base = with_wounds(tuple({**row, "rate_se": None} for row in RELEASE_RATES))
    deep = {"size_class": "sublegal", "method": "any", "wound_class": "deep", "rate_prop": 0.8}
    same = deep | {"wound_class": "any", "rate_prop": 0.8 * 0.2 + 0.2 * 0.8}
    assert deaths_at(base, deep)[0] == pytest.approx(deaths_at(base, same)[0], rel=1e-6)


def test_a_rate_that_is_taken_for_no_fish_is_told():
    wound_unknown = replace(BASE, deep_hook_share=np.full_like(BASE.deep_hook_share, np.nan))
    deep = {"size_class": "sublegal", "method": "any", "wound_class": "deep", "rate_prop": 0.8}
    for base, none in ((wound_unknown, True), (with_wounds(), False)):
        words = deaths_at(base, deep)[2].assumptions["assumption"].to_pylist()
        assert any(has_code(one, "rate_unused") for one in words) is none
