"""Chosen areas together: equal to the estimate of their union."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pytest

from analytics.data.store import Store
from analytics.estimates.area_covariance import area_covariance
from analytics.estimates.estimate import estimate_snapshot, result_rows
from analytics.estimates.season_survey import prepare_survey
from analytics.quantities import Status
from analytics.result_table import to_arrow
from analytics.settings import EstimationSettings, FishBasis
from analytics.wording.area_sums import area_sum
from analytics.wording.bulletin_index import index_bulletin
from analytics.wording.week import HEADLINE, KEPT, SHARE
from tests.app.sample_bulletin import NOW, make

SEASON = "2034-35"


def index_of(snapshot, basis=FishBasis.REPORTED):
    """Return an index of the tables that sums are made of."""
    settings = EstimationSettings(basis=FishBasis.SAMPLED)
    season = replace(prepare_survey(snapshot, season=SEASON, settings=settings), basis=basis)
    rows = [
        row
        for by in (("area", "week"), ("area",))
        for row in result_rows(season, by=by, level=0.95, quantities=HEADLINE)
    ]
    like = make(NOW)
    kept = replace(like, rows=to_arrow(rows), area_covariance=area_covariance(season))
    return index_bulletin(replace(kept, changes=like.changes.slice(0, 0)))


@pytest.fixture(scope="module")
def demo(demo_store):
    snapshot = Store(demo_store).snapshot()
    return snapshot, index_of(snapshot)


def united(snapshot, areas):
    """Return the snapshot with what was fished in some areas as fished in the first."""
    interviews = snapshot["interviews"]
    at = interviews.column_names.index("area")
    here = pc.is_in(interviews["area"], pa.array(areas))
    cells = pc.if_else(here, areas[0], interviews["area"])
    return snapshot.with_rows("interviews", interviews.set_column(at, "area", cells))


def test_the_sum_is_the_estimate_of_the_union(demo):
    snapshot, index = demo
    areas = index.areas[:3]
    rows = estimate_snapshot(united(snapshot, areas), season=SEASON, by=("area", "week"))
    rows = rows[(rows["area"] == areas[0]) & rows["quantity"].isin(HEADLINE)]
    compared = 0
    for row in rows.to_dict("records"):
        parts = [index.row(area, row["week"], row["quantity"]) for area in areas]
        if any(one is None or one.status != Status.OK for one in parts) or row["status"] != "ok":
            continue
        found = area_sum(index, areas, row["week"], row["quantity"])
        assert found.estimate == pytest.approx(row["estimate"], rel=1e-9)
        assert found.se == pytest.approx(row["se"], rel=1e-9)
        compared += 1
    assert compared >= 20


def test_errors_of_areas_are_not_taken_as_independent(demo):
    _, index = demo
    apart = []
    for pair in itertools.combinations(index.areas, 2):
        found = area_sum(index, pair, None, KEPT)
        rows = [index.row(area, None, KEPT) for area in pair]
        assert found.estimate == pytest.approx(sum(row.estimate for row in rows), rel=1e-9)
        apart.append(found.se / np.hypot(*(row.se for row in rows)))
    assert max(np.abs(np.array(apart) - 1)) > 0.01


def test_areas_of_the_same_site_days_do_not_add_their_degrees_of_freedom(demo):
    _, index = demo
    for week in (None, *index.weeks):
        found = area_sum(index, index.areas, week, KEPT)
        own = [index.row(area, week, KEPT).df for area in index.areas if found is not None]
        if found is not None and found.df and all(own):
            assert min(own) - 1e-9 <= found.df <= max(own) + 1e-9
    assert area_sum(index, index.areas, None, KEPT).df


def test_a_share_of_several_areas_lies_among_theirs(demo):
    _, index = demo
    for week in (None, *index.weeks):
        found = area_sum(index, index.areas[:2], week, SHARE)
        rows = [index.row(area, week, SHARE) for area in index.areas[:2]]
        if found is None:
            continue
        own = [row.estimate for row in rows]
        assert min(own) - 1e-12 <= found.estimate <= max(own) + 1e-12
        if found.has_interval:
            assert 0 <= found.ci_low <= found.estimate <= found.ci_high <= 1


def test_where_an_area_has_no_figure_there_is_no_sum(demo):
    _, index = demo
    assert area_sum(index, index.areas[:1], None, KEPT) is None
    assert area_sum(index, ("nowhere", index.areas[0]), None, KEPT) is None


def test_the_sampled_basis_says_no_sum(demo):
    snapshot, _ = demo
    index = index_of(snapshot, FishBasis.SAMPLED)
    assert index.bulletin.area_covariance.num_rows == 0
    assert area_sum(index, index.areas[:2], None, KEPT) is None
