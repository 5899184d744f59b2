"""Regressions of counts: what is refused, what collapsing leaves alone, and what a fit can say."""

from __future__ import annotations

import pickle

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose

from analytics import fit_counts
from analytics.errors import UsageError
from analytics.models.count_likelihood import Family


@pytest.fixture(scope="module")
def trips():
    """Return boat trips of three areas with known rates, many without a fish."""
    rng = np.random.default_rng(11)
    n = 4000
    area = rng.choice(["east", "north", "west"], n)
    hours = rng.integers(2, 9, n) / 2
    rate = np.exp(-0.5 + 0.4 * (area == "north") - 0.3 * (area == "west"))
    fish = rng.poisson(rate * hours * rng.gamma(1.5, 1 / 1.5, n))
    return pd.DataFrame(
        {
            "area": area,
            "hours": hours,
            "party": rng.integers(1, 5, n),
            "day": rng.integers(0, 60, n).astype(str),
            "fish": np.where(rng.random(n) < 0.2, 0, fish),
        }
    )


def fitted(frame, **changed):
    asked = {"response": "fish", "exposure": "hours", "terms": ["area", "party"]}
    return fit_counts(frame, **(asked | changed))


def matrix_of(trips):
    parts = [trips["area"] == "north", trips["area"] == "west", trips["party"]]
    return np.column_stack([np.ones(len(trips)), *parts]).astype(float)


def test_negative_binomial_is_that_of_statsmodels(trips):
    found = fitted(trips)
    other = sm.NegativeBinomial(
        trips["fish"].to_numpy(), matrix_of(trips), offset=np.log(trips["hours"].to_numpy())
    ).fit(method="newton", disp=0, maxiter=100)
    assert_allclose(found.coefficients["estimate"], other.params[:-1], atol=1e-8)
    assert_allclose(found.coefficients["se"], other.bse[:-1], rtol=1e-8)
    assert found.dispersion == pytest.approx(other.params[-1], rel=1e-8)
    assert found.log_likelihood >= other.llf - 1e-9
    assert found.log_likelihood == pytest.approx(other.llf, abs=1e-8)


def test_errors_by_cluster_are_those_of_statsmodels(trips):
    found = fitted(trips, family="poisson", cluster="day")
    other = sm.GLM(
        trips["fish"],
        matrix_of(trips),
        family=sm.families.Poisson(),
        offset=np.log(trips["hours"].to_numpy()),
    ).fit(
        cov_type="cluster",
        cov_kwds={"groups": trips["day"].astype(int).to_numpy(), "use_correction": False},
    )
    n = found.n_clusters
    assert n == 60
    assert_allclose(found.coefficients["se"], other.bse * np.sqrt(n / (n - 1)), rtol=1e-5)


@pytest.mark.parametrize("family", list(Family))
def test_order_and_repeated_rows_do_not_matter(trips, family):
    zero = ["party"] if family.has_zero_part else []
    found = fitted(trips, family=family, zero_terms=zero)
    mixed = fitted(
        trips.sample(frac=1, random_state=2), family=family, zero_terms=zero, cluster=None
    )
    assert_allclose(found.coefficients["estimate"], mixed.coefficients["estimate"], atol=1e-7)
    twice = fitted(pd.concat([trips, trips]), family=family, zero_terms=zero)
    assert_allclose(found.coefficients["estimate"], twice.coefficients["estimate"], atol=1e-6)
    assert_allclose(found.coefficients["se"], np.sqrt(2) * twice.coefficients["se"], rtol=1e-4)
    assert found.log_likelihood * 2 == pytest.approx(twice.log_likelihood, rel=1e-8)


def test_zero_inflated_finds_the_part_of_zeros(trips):
    found = fitted(trips, family="zero_inflated_negative_binomial", terms=["area"])
    zero = found.coefficients.set_index("term").loc["zero: intercept"]
    assert abs(1 / (1 + np.exp(-zero["estimate"])) - 0.2) < 3 * zero["se"]
    assert found.aic < fitted(trips, terms=["area"]).aic


# A hurdle has an exposure in its count part alone, so its expected counts need not add up.
@pytest.mark.parametrize("family", [one for one in Family if not one.startswith("hurdle")])
def test_expected_counts_add_up_to_those_seen(trips, family):
    found = fitted(trips, family=family, terms=["area"])
    assert found.predict(trips).sum() == pytest.approx(trips["fish"].sum(), rel=0.02)


def test_expected_counts_of_an_inflated_law_are_its_mean(trips):
    found = fitted(trips, family="hurdle_poisson", terms=["area"])
    one = trips.head(1)
    b = found.coefficients.set_index("term")["estimate"]
    mu = np.exp(b["intercept"] + b.get(f"area[{one['area'].iloc[0]}]", 0.0)) * one["hours"].iloc[0]
    part = 1 / (1 + np.exp(-b["zero: intercept"]))
    assert found.predict(one)[0] == pytest.approx(part * mu / (1 - np.exp(-mu)))


def test_a_fit_keeps_no_rows(trips):
    short, long = (len(pickle.dumps(fitted(one))) for one in (trips.head(400), trips))
    assert long < short + 200


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"family": "gamma"}, "family 'gamma'; allowed: poisson"),
        ({"response": "kept"}, "'kept' is not in the frame"),
        ({"exposure": "area", "terms": ["party"]}, "an exposure is a number above 0"),
        ({"terms": ["area", "area"]}, "each is allowed once"),
        ({"terms": ["boat"]}, "'boat' is not in the frame"),
        ({"zero_terms": ["party"]}, "'negative_binomial' has no zero part.*zero_inflated_poisson"),
        ({"terms": "area"}, r"terms is a list: \['area'\]"),
        ({"terms": None}, "terms is a list of column names"),
        ({"terms": ["fish"]}, "'fish' is both response and terms"),
        ({"exposure": "fish"}, "'fish' is both response and exposure"),
        ({"terms": ["aera"]}, "did you mean 'area'"),
        ({"cluster": "ramp"}, "'ramp' is not in the frame"),
    ],
)
def test_what_is_asked_wrongly_is_refused(trips, changed, words):
    with pytest.raises(UsageError, match=words):
        fitted(trips, **changed)


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("fish", -1, "-1 in row 3"),
        ("fish", 1.5, "1.5 in row 3"),
        ("hours", 0.0, "0 in row 3"),
        ("hours", np.nan, "an empty cell in row 3"),
        ("area", None, "empty in 1 of 4000 rows"),
        ("party", np.nan, "empty in 1 of 4000 rows"),
    ],
)
def test_a_cell_that_cannot_be_used_is_refused(trips, column, value, words):
    bad = trips.astype({"fish": float, "party": float})
    bad.loc[3, column] = value
    with pytest.raises(UsageError, match=words):
        fitted(bad)


def test_rows_that_cannot_tell_are_refused(trips):
    none = trips.assign(fish=0)
    with pytest.raises(UsageError, match="sums to 0"):
        fitted(none)
    with pytest.raises(UsageError, match="would follow from the others"):
        fitted(trips.assign(twice=2 * trips["party"]), terms=["party", "twice"])
    empty = trips.assign(fish=trips["fish"].where(trips["area"] != "west", 0))
    with pytest.raises(UsageError, match=r"area\[west\]"):
        fitted(empty, terms=["area"])


def test_what_a_fit_never_saw_is_not_predicted(trips):
    found = fitted(trips)
    one = trips.head(2)
    with pytest.raises(UsageError, match="level 'south', which the fit never saw"):
        found.predict(one.assign(area="south"))
    with pytest.raises(UsageError, match="'hours' is not in the frame"):
        found.predict(one.drop(columns="hours"))
    with pytest.raises(UsageError, match="is empty in 2 of 2 rows"):
        found.predict(one.assign(area=None))


def test_columns_that_cannot_be_a_term_are_refused(trips):
    with pytest.raises(UsageError, match="'z' is 5 in every row: leave it out"):
        fitted(trips.assign(z=5), terms=["z"])
    days = pd.date_range("2031-01-01", periods=len(trips), freq="h")
    for dates in (days, days.date):
        with pytest.raises(UsageError, match="'when' holds dates"):
            fitted(trips.assign(when=dates), terms=["when"])
    with pytest.raises(UsageError, match="'area' is empty in 1 of 4000 rows"):
        fitted(trips.assign(area=trips["area"].mask(trips.index == 3, "")))
    many = trips.assign(area="a" + trips["day"])
    with pytest.raises(UsageError, match="and 55 more"):
        fitted(many).predict(many.head(1).assign(area="south"))
    with pytest.raises(UsageError, match="predictions need a pandas frame"):
        fitted(trips).predict(None)


def test_what_is_easily_misread_is_said(trips):
    coded = trips.assign(area=trips["area"].map({"east": 5, "north": 6, "west": 7}))
    assert "area: whole numbers, taken as one slope" in "; ".join(fitted(coded).notes)
    blank = trips.assign(area=trips["area"].mask(trips.index < 900, "East "))
    assert "area: levels 'East ', 'east' are nearly alike" in fitted(blank, terms=["area"]).notes


@pytest.mark.parametrize("word", ["Poisson", "POISSON", "zip", "nb2", "zero-inflated Poisson"])
def test_families_are_known_in_any_case_and_by_short_names(trips, word):
    assert fitted(trips, family=word, terms=["area"]).family in list(Family)


def test_a_fit_prints_short(trips):
    said = repr(fitted(trips))
    assert said.startswith("negative_binomial: 4000 rows")
    assert "area[north]" in said
    assert len(said.splitlines()) < 10
