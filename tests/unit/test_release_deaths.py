"""Release and drop-off deaths by hand: which rate applies, and both errors in the answer."""

from __future__ import annotations

import math

import pytest

from analytics.bulletin.weekly import estimate_snapshot
from tests.tables import SiteDay, figures, interview, survey


def rate(size_class, prop, se=None, *, method="any", wound_class="any"):
    return {
        "size_class": size_class,
        "method": method,
        "wound_class": wound_class,
        "rate_prop": prop,
        "rate_se": se,
    }


def drop(prop, se, *, base="encounters", method="any"):
    return {"method": method, "rate_prop": prop, "rate_se": se, "base": base}


def row(days, quantity, **tables):
    return figures(estimate_snapshot(survey(days, **tables), by=("season",)), quantity)


def sample(*boats):
    """Return site-days of one boat each from a frame of 10."""
    return [SiteDay(1, [boat], stratum="all", frame=10) for boat in boats]


TWO = sample(
    interview(kept=1, released_legal=1, released_sublegal=8, method="trolling"),
    interview(kept=1, released_legal=3, released_sublegal=4, method="mooching"),
)


def test_deaths_carry_the_error_of_fish_and_of_rates():
    rates = [rate("legal", 0.1, 0.02), rate("sublegal", 0.2, 0.05)]
    found = row(TWO, "release_deaths_fish", release_rates=rates)
    # Deaths by boat 1.7 and 1.1; totals 20 legal and 60 sublegal of N = 10.
    assert found["estimate"] == pytest.approx(10 / 2 * (1.7 + 1.1))
    expand = 100 * (1 - 2 / 10) / 2
    survey_part = expand * (1.7 - 1.1) ** 2 / 2
    legal, sublegal = expand * (1 - 3) ** 2 / 2, expand * (8 - 4) ** 2 / 2
    rate_part = 0.02**2 * (20**2 - legal) + 0.05**2 * (60**2 - sublegal)
    assert found["se"] == pytest.approx(math.sqrt(survey_part + rate_part))


def test_a_rate_of_the_own_method_comes_first():
    rates = [
        rate("legal", 0.1, 0.0),
        rate("sublegal", 0.2, 0.0),
        rate("sublegal", 0.4, 0.0, method="mooching"),
    ]
    found = row(TWO, "release_deaths_fish", release_rates=rates)
    assert found["estimate"] == pytest.approx(5 * (0.1 + 1.6 + 0.3 + 1.6))


def test_unknown_size_takes_any_then_sublegal():
    boats = sample(interview(released_unknown=4), interview(released_unknown=6))
    with_any = [rate("sublegal", 0.2, 0.0), rate("any", 0.5, 0.0)]
    assert row(boats, "release_deaths_fish", release_rates=with_any)["estimate"] == 25
    without = row(boats, "release_deaths_fish", release_rates=[rate("sublegal", 0.2, 0.0)])
    assert without["estimate"] == pytest.approx(10)
    assert "unknown sizes at the sublegal rate" in without["method"]


def test_no_rates_say_so_and_invent_nothing():
    for quantity in ("release_deaths_fish", "drop_off_deaths_fish", "total_deaths_fish"):
        found = row(TWO, quantity)
        assert math.isnan(found["estimate"])
        assert math.isnan(found["se"])
        assert found["status"] == "no_sample"
        assert "rates given" in found["method"]


def test_rates_for_one_method_only():
    rates = [
        rate("legal", 0.1, 0.0, method="trolling"),
        rate("sublegal", 0.2, 0.0, method="trolling"),
    ]
    found = row(TWO, "release_deaths_fish", release_rates=rates)
    assert math.isnan(found["estimate"])
    assert found["method"] == "no release rate given for some of the fish"
    trolled = sample(
        interview(released_sublegal=5, method="trolling"),
        interview(kept=2, method="mooching"),
    )
    assert row(trolled, "release_deaths_fish", release_rates=rates)["estimate"] == pytest.approx(5)


def test_a_rate_of_one_wound_class_is_not_a_rate_of_all():
    found = row(
        TWO, "release_deaths_fish", release_rates=[rate("any", 0.6, 0.1, wound_class="deep")]
    )
    assert math.isnan(found["estimate"])


def test_drop_off_counts_on_its_stated_base():
    encounters = row(TWO, "drop_off_deaths_fish", drop_off=[drop(0.05, 0.0)])
    assert encounters["estimate"] == pytest.approx(0.05 * 90)
    kept = row(TWO, "drop_off_deaths_fish", drop_off=[drop(0.05, 0.0, base="kept")])
    assert kept["estimate"] == pytest.approx(0.05 * 10)


def test_total_is_kept_plus_both_with_one_joint_error():
    rates = [rate("legal", 0.1, 0.02), rate("sublegal", 0.2, 0.05)]
    tables = {"release_rates": rates, "drop_off": [drop(0.05, 0.01)]}
    parts = [
        row(TWO, quantity, **tables)
        for quantity in ("kept_fish", "release_deaths_fish", "drop_off_deaths_fish")
    ]
    total = row(TWO, "total_deaths_fish", **tables)
    assert total["estimate"] == pytest.approx(sum(part["estimate"] for part in parts))
    deaths = [1 + 1.7 + 0.5, 1 + 1.1 + 0.4]
    expand = 100 * (1 - 2 / 10) / 2
    squares = {"legal": (20, 2), "sublegal": (60, 4), "encounters": (90, 2)}
    errors = {"legal": 0.02, "sublegal": 0.05, "encounters": 0.01}
    rate_part = sum(
        errors[name] ** 2 * (whole**2 - expand * gap**2 / 2)
        for name, (whole, gap) in squares.items()
    )
    survey_part = expand * (deaths[0] - deaths[1]) ** 2 / 2
    assert total["se"] == pytest.approx(math.sqrt(survey_part + rate_part))


def test_a_rate_without_an_error_is_said():
    rates = [rate("legal", 0.1), rate("sublegal", 0.2)]
    found = row(TWO, "release_deaths_fish", release_rates=rates)
    assert "no standard error" in found["method"]
    assert found["se"] > 0


def test_quotes_in_a_method_name_are_only_text():
    boats = sample(interview(released_sublegal=5, method="plug 'n' bait"), interview())
    rates = [rate("sublegal", 0.2, 0.0, method="plug 'n' bait")]
    assert row(boats, "release_deaths_fish", release_rates=rates)["estimate"] == pytest.approx(5)
