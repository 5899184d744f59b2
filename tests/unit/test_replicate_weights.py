"""Replicate weights: the variance of linearisation from weights alone, and as others read them."""

from __future__ import annotations

import numpy as np
import pytest
from click.testing import CliRunner

from analytics.cli.group import blackmouth
from analytics.errors import UsageError
from analytics.estimates.estimate import result_rows
from analytics.estimates.replicate_weights import ReplicateMethod, replicate_tables
from analytics.estimates.season_survey import prepare_survey
from analytics.estimates.variance_components import variance_budget
from tests.tables import SiteDay, interview, survey
from tests.unit.test_site_day_design import day, one_week


def by_replicates(snapshot, method=ReplicateMethod.JACKKNIFE, quantity="kept", area=None):
    """Return total and variance from the exported tables and the interviews alone."""
    weights, replicates, lacking = replicate_tables(prepare_survey(snapshot), method=method)
    frame, table = weights.to_pandas(), replicates.to_pandas()
    said = snapshot["interviews"].to_pandas()
    fish = said[quantity] if area is None else said[quantity].where(said["area"] == area, 0)
    caught = fish.groupby(said["sample_id"]).sum()
    caught = frame["sample_id"].map(caught).fillna(0)
    caught *= frame["boats_returned"] / frame["boats_interviewed"].clip(lower=1)
    total = float(frame["weight"] @ caught)
    moved = caught.to_numpy() @ frame[table["replicate"].tolist()].to_numpy()
    return total, float(table["scale"] @ (moved - total) ** 2), lacking


def by_linearisation(snapshot, quantity="kept_fish"):
    rows = result_rows(prepare_survey(snapshot), by=("season",), level=0.95)
    return next(
        (one["estimate"], (one.get("se") or 0.0) ** 2)
        for one in rows
        if one["quantity"] == quantity
    )


def births():
    # Levy & Lemeshow, Sampling of Populations: hospital births, three strata of N 42, 99, 17.
    strata = {
        ("1", 42): [480, 426, 342, 174],
        ("2", 99): [2022, 576, 1999, 482, 836],
        ("3", 17): [3108, 4674, 2539, 1610, 4618, 1781],
    }
    days = [
        SiteDay(1, [interview(kept=y)], stratum=h, frame=n)
        for (h, n), values in strata.items()
        for y in values
    ]
    return one_week(days)


THIN = {
    "collapsed": [day(0, [1, 3]), day(1, [9]), day(5, [4])],
    "imputed": [day(0, [2]), day(1, [7]), day(5, [3]), day(6, [5]), day(14, [8]), day(15, [1])],
    "one stage": [day(0, [1, 3]), day(1, []), day(2, [8]), day(5, [2]), day(6, [5])],
}


@pytest.mark.parametrize("days", THIN.values(), ids=THIN)
def test_jackknife_is_linearisation_where_every_boat_was_interviewed(days):
    snapshot = survey(days)
    total, variance, lacking = by_replicates(snapshot)
    estimate, expected = by_linearisation(snapshot)
    assert expected > 0
    assert not lacking
    assert total == pytest.approx(estimate, rel=1e-12)
    assert variance == pytest.approx(expected, rel=1e-12)


def test_hospital_births_by_jackknife_and_bootstrap():
    total, variance, _ = by_replicates(births())
    assert round(total) == 183983
    assert round(variance**0.5) == 34014
    _, rough, _ = by_replicates(births(), ReplicateMethod.BOOTSTRAP)
    # A variance of 500 draws has a relative error of some sqrt(2/500) = 6 %.
    assert rough == pytest.approx(variance, rel=0.25)
    assert rough != variance


def test_bootstrap_of_strata_that_borrow_is_near():
    snapshot = survey(THIN["imputed"] + [day(19, [6])])
    _, variance, _ = by_replicates(snapshot, ReplicateMethod.BOOTSTRAP)
    assert variance == pytest.approx(by_linearisation(snapshot)[1], rel=0.25)


def test_what_replicates_leave_out_is_the_variance_inside_site_days():
    snapshot = one_week(
        [day(0, [1, 3], boats=4), day(1, [0, 2], boats=4), day(5, [5]), day(6, [7])]
    )
    _, variance, _ = by_replicates(snapshot)
    inside = 5 / 2 * 2 * 16 * (1 - 2 / 4) * 2 / 2
    assert variance + inside == pytest.approx(by_linearisation(snapshot)[1], rel=1e-12)


def test_jackknife_weights_are_never_below_zero():
    weights, replicates, _ = replicate_tables(prepare_survey(survey(THIN["collapsed"])))
    assert (weights.to_pandas()[replicates["replicate"].to_pylist()].to_numpy() >= 0).all()


# A general survey library, svy 0.35.0 of PyPI (extra `bench`), read the exported weights of both
# cases on 2026-11-29, `kept` being the fish of each site-day in the frame of the weights:
#
#     given = svy.JackknifeWgts(prefix="replicate_", n_reps=R, padding=4, scale=scales)
#     design = svy.Design(wgt="weight", rep_wgts=given)
#     svy.Sample(data=frame, design=design).estimation.total(
#         y="kept", method="replication", variance_center="estimate"
#     )
#
# and linearised the births itself, by the design
#
#     svy.Design(stratum="stratum", psu="sample_id", wgt="weight", pop_size="n_psu_frame")
@pytest.mark.parametrize(
    ("snapshot", "total", "se"),
    [
        pytest.param(births(), 183983.0, 34014.349876681954, id="births"),
        pytest.param(survey(THIN["imputed"]), 91.5, 30.801109287383362, id="thin"),
    ],
)
def test_a_general_survey_library_gave_the_same(snapshot, total, se):
    found, variance, _ = by_replicates(snapshot)
    assert found == pytest.approx(total, rel=1e-12)
    assert variance == pytest.approx(se**2, rel=1e-10)
    assert by_linearisation(snapshot) == pytest.approx((total, se**2), rel=1e-10)


def test_a_stratum_alone_is_named():
    *_, lacking = by_replicates(one_week([day(0, [4])]))
    assert lacking


def test_the_command_writes_both_tables(demo_store, tmp_path):
    out = tmp_path / "rows.parquet"
    given = ["estimate", "--store", str(demo_store), "--by", "season", "--out"]
    ran = CliRunner().invoke(blackmouth, [*given, str(out), "--replicates", "jackknife"])
    assert ran.exit_code == 0, ran.output
    assert (tmp_path / "rows_replicate_weights.parquet").exists()
    assert (tmp_path / "rows_replicates.parquet").exists()
    refused = CliRunner().invoke(blackmouth, [*given, "-", "--replicates", "jackknife"])
    assert isinstance(refused.exception, UsageError)


def test_missed_days_are_with_those_that_stand_for_them():
    days = [day(0, [1, 3]), day(1, [], boats=5), day(2, [8]), day(5, [2]), day(6, [5])]
    snapshot = one_week(days)
    total, variance, _ = by_replicates(snapshot)
    parts = variance_budget(prepare_survey(snapshot)).to_pandas()
    parts = parts[(parts["quantity"] == "kept_fish") & (parts["split"] == "part")]
    parts = parts[parts["area"].isna()].set_index("part")["variance"]
    assert total == pytest.approx(by_linearisation(snapshot)[0], rel=1e-12)
    assert variance == pytest.approx(parts["between_units"], rel=1e-12)
    assert parts["missed_days"] > 0
    assert parts.sum() == pytest.approx(by_linearisation(snapshot)[1], rel=1e-12)


def test_weights_of_the_demo_are_those_of_its_strata(demo_store):
    from analytics.data.store import Store

    weights, _, _ = replicate_tables(prepare_survey(Store(demo_store).snapshot()))
    frame = weights.to_pandas()
    place = ["landing_area", "week", "stratum"]
    whole = frame.groupby(place)["sample_id"].transform("size") == frame["n_psu"]
    assert whole.any()
    frame = frame[whole]
    direct = frame.groupby(place)[["direct_weight"]].sum()
    frames = frame.groupby(place)["n_psu_frame"].first()
    assert np.allclose(direct["direct_weight"], frames)
