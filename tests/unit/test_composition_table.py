"""Encounters by class on two bases, and one over the other with what they share."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analytics.codes import coded
from analytics.estimates.estimate import estimate_snapshot
from analytics.estimates.season_survey import prepare_survey
from analytics.fish.mark_composition import CLASSES
from analytics.intervals import t_quantile
from analytics.released.composition import composition_tables
from analytics.released.schemas import COMPOSITION_RATIO_SCHEMA, COMPOSITION_SCHEMA
from analytics.settings import EstimationSettings, FishBasis
from tests.class_cases import boat, drawn, fish_of, sampled_survey, seasons
from tests.sizes import n_sized, slack
from tests.tables import SiteDay, figures, interview, survey

LM, LU, SM, SU = CLASSES
KEPT = (28, 12, 24, 16, 20)
SAMPLE = (30, 18, 42, 30)


def tables(snapshot, n_draws=10_000):
    both = composition_tables(prepare_survey(snapshot), n_draws=n_draws)
    assert both[0].schema == COMPOSITION_SCHEMA
    assert both[1].schema == COMPOSITION_RATIO_SCHEMA
    for table in both:
        for column in table.columns:
            if column.type == "double":
                assert not any(math.isnan(one) for one in column.drop_null().to_pylist())
    return tuple(table.to_pandas() for table in both)


def season_row(table, quantity, basis=None):
    rows = table[table["area"].isna() & table["week"].isna()]
    return figures(rows if basis is None else rows[rows["basis"] == basis], quantity)


@pytest.fixture(scope="module")
def both():
    boats = [boat(kept, released_sublegal=2 * kept) for kept in KEPT]
    return tables(sampled_survey(drawn(*boats), fish_of(SAMPLE)))


def test_every_domain_has_both_bases_of_every_quantity(both):
    composition, compared = both
    assert len(composition) == 4 * 2 * 5 * (len(compared) // 20)
    assert set(composition["basis"]) == {"reported", "sampled"}
    assert not composition.duplicated(["basis", "area", "week", "quantity"]).any()
    assert not compared.duplicated(["area", "week", "quantity"]).any()


def test_reported_encounters_are_the_contracts_own_row():
    boats = [boat(kept, released_sublegal=kept, released_unknown=1) for kept in KEPT]
    snapshot = sampled_survey(drawn(*boats), fish_of(SAMPLE))
    row = season_row(tables(snapshot)[0], "encounter_fish", "reported")
    own = figures(estimate_snapshot(snapshot, by=("season",)), "encounter_fish")
    for column in ("estimate", "se", "ci_low", "ci_high", "df", "status", "method"):
        assert row[column] == own[column]


def test_sampled_classes_are_those_of_the_result_rows_and_add_up(both):
    composition, _ = both
    boats = [boat(kept, released_sublegal=2 * kept) for kept in KEPT]
    rows = estimate_snapshot(
        sampled_survey(drawn(*boats), fish_of(SAMPLE)), by=("season",), basis="sampled"
    )
    found = [season_row(composition, name, "sampled") for name in CLASSES]
    for name, row in zip(CLASSES, found, strict=True):
        own = figures(rows, name)
        assert (row["estimate"], row["se"], row["method"]) == tuple(
            own[["estimate", "se", "method"]]
        )
    whole = season_row(composition, "encounter_fish", "sampled")
    assert whole["estimate"] == pytest.approx(sum(row["estimate"] for row in found))
    assert [row["n_class"] for row in found] == list(SAMPLE)
    assert {row["n_measured"] for row in found} == {sum(SAMPLE)}


def test_draws_stand_about_the_estimate_of_sampled_rows_only(both):
    composition, _ = both
    reported = composition["basis"] == "reported"
    assert composition[reported][["draws_low", "n_measured", "rule"]].isna().all(axis=None)
    sampled = composition[~reported].dropna(subset=["draws_low"])
    assert len(sampled) == 5 * 4
    assert (sampled["draws_low"] < sampled["estimate"]).all()
    assert (sampled["estimate"] < sampled["draws_high"]).all()


def test_the_ratio_counts_what_both_share(both):
    composition, compared = both
    row = season_row(compared, SU)
    one, other = (season_row(composition, SU, basis) for basis in ("reported", "sampled"))
    assert row["ratio"] == pytest.approx(200 / 400)
    # Reports are twice the fish kept in every boat: the interviews' error cancels, and only that
    # of the sample is left.
    t = t_quantile(0.95, sum(SAMPLE) - 1)
    half = t * math.sqrt(1 / 30 + 1 / 30)
    assert row["ci_low"] == pytest.approx(row["ratio"] * math.exp(-half))
    assert row["ci_high"] == pytest.approx(row["ratio"] * math.exp(half))
    apart = t * math.hypot(one["se"] / one["estimate"], other["se"] / other["estimate"])
    assert half < 0.9 * apart
    assert row["reason"] == ""


def test_the_covariance_of_both_bases_is_that_of_repeated_surveys():
    rng = np.random.default_rng(2)
    pairs, said = [], []
    fish = fish_of((1500, 750, 3000, 1250))
    n = n_sized(30, 60)
    for _ in range(n):
        boats = [
            boat(int(kept), released_sublegal=int(rng.poisson(6 + kept)))
            for kept in rng.poisson(9, 12)
        ]
        snapshot = sampled_survey(drawn(*boats, frame=400), fish)
        _, compared = tables(snapshot, n_draws=20)
        row = season_row(compared, SU)
        # The sample is large: the spread of the log ratio is that of the interviews.
        pairs.append(math.log(row["sampled"] / row["reported"]))
        said.append(math.log(row["ci_high"] / row["ci_low"]) / 2 / 2.201)
    spread = np.std(pairs, ddof=1)
    assert np.sqrt(np.mean(np.square(said))) == pytest.approx(spread, rel=slack(n, errors=3))


def test_the_base_itself_is_not_compared(both):
    row = season_row(both[1], LM)
    assert row["ratio"] == pytest.approx(1)
    assert math.isnan(row["ci_low"])
    assert row["reason"].startswith(coded("same_interviews"))


@pytest.mark.parametrize(
    ("boats", "fish", "given", "reason"),
    [
        ([boat(3), boat(5)], SAMPLE, {}, coded("none_reported")),
        (
            [boat(3, released_sublegal=2), boat(5, released_sublegal=1)],
            (30, 18, 42, 0),
            {},
            coded("none_of_class"),
        ),
        (
            [boat(3, released_sublegal=2), boat(5, released_sublegal=1)],
            (0, 18, 42, 9),
            {},
            f"{coded('nothing_sampled')}; {coded('none_legal_marked_sampled', n=69)}",
        ),
        (
            [boat(3, released_sublegal=2), boat(5, released_sublegal=1)],
            SAMPLE,
            {"seasons": seasons("A", min_length_mm=None)},
            f"{coded('nothing_sampled')}; no_minimum_length(",
        ),
        (
            [interview(kept=3, released_sublegal=2), interview(kept=5, released_sublegal=1)],
            SAMPLE,
            {},
            "nothing_reported; no_mark_read",
        ),
        (
            [boat(released_sublegal=2), boat(released_sublegal=1)],
            SAMPLE,
            {},
            f"{coded('nothing_sampled')}; {coded('no_legal_fish')}",
        ),
        (
            [boat(3, released_sublegal=2), boat(3, released_sublegal=1)],
            SAMPLE,
            {},
            "no_interval; units_alike(unit=site-day)",
        ),
    ],
)
def test_where_there_is_no_ratio_words_say_why(boats, fish, given, reason):
    snapshot = sampled_survey(drawn(*boats), fish_of(fish), **given)
    _, compared = tables(snapshot)
    row = season_row(compared, SU)
    assert math.isnan(row["ci_low"])
    assert row["reason"].startswith(reason)


def test_a_season_without_test_fishing_or_interviews_still_has_its_tables():
    bare = survey([SiteDay(4, [])], seasons=seasons("A"))
    composition, compared = tables(bare)
    assert set(composition["status"]) <= {"no_sample"}
    assert (compared["reason"] != "").all()


def test_a_season_prepared_for_reports_alone_has_the_same_tables():
    snapshot = sampled_survey(drawn(*map(boat, KEPT)), fish_of(SAMPLE))
    season = prepare_survey(snapshot, settings=EstimationSettings(basis=FishBasis.SAMPLED))
    first, _ = composition_tables(season)
    again, _ = composition_tables(prepare_survey(snapshot))
    assert first.equals(again)


def test_sizes_never_recorded_are_named_as_in_the_contracts_rows():
    boats = [
        boat(kept, released_legal=None, released_sublegal=None, released_unknown=3) for kept in KEPT
    ]
    snapshot = sampled_survey(drawn(*boats), fish_of(SAMPLE))
    composition, _ = tables(snapshot)
    own = estimate_snapshot(snapshot, by=("season",), basis="reported")
    for name in (*CLASSES, "encounter_fish"):
        row = season_row(composition, name, "reported")
        assert row["method"] == figures(own, name)["method"]
        assert row["method"] == ("not_recorded(columns=kept|released_legal|released_sublegal)")
