"""Chosen areas together: equal to the estimate of their union."""

from __future__ import annotations

import itertools
from dataclasses import asdict, replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pytest

from analytics.data.store import Store
from analytics.estimates.estimate import estimate_snapshot, result_rows
from analytics.estimates.sampled_basis import PER_EFFORT, SUMS
from analytics.estimates.schemas import AREA_COVARIANCE_SCHEMA
from analytics.estimates.season_survey import prepare_survey
from analytics.estimates.variance_components import area_covariance
from analytics.fish.composition_sample import class_ratios
from analytics.fish.mark_composition import ALL_MET
from analytics.fish.mark_composition import KEPT as KEPT_COLUMN
from analytics.quantities import Status
from analytics.result_table import to_arrow
from analytics.settings import EstimationSettings, FishBasis
from analytics.wording.bulletin_index import area_sum, index_bulletin
from analytics.wording.week import HEADLINE, KEPT, SHARE
from tests.app.sample_bulletin import AREAS, CHOSEN, NOW, make

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
    widths = {name: [] for name in HEADLINE}
    for row in rows.to_dict("records"):
        parts = [index.row(area, row["week"], row["quantity"]) for area in areas]
        if any(one is None or one.status != Status.OK for one in parts) or row["status"] != "ok":
            continue
        found = area_sum(index, areas, row["week"], row["quantity"])
        assert found.estimate == pytest.approx(row["estimate"], rel=1e-9)
        assert found.se == pytest.approx(row["se"], rel=1e-9)
        width = (found.ci_high - found.ci_low) / (row["ci_high"] - row["ci_low"])
        widths[row["quantity"]].append(width)
    assert sum(map(len, widths.values())) >= 20
    # The union's interval borrows from the whole season, and so has that of the sum.
    assert all(0.9 < np.median(some) < 1.25 for some in widths.values())


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


def rows_and_lines(figures, quantity="kept_fish", correlation=0.0):
    """Return an index of one week's areas of some figures, each with error, df and interval."""
    names = tuple(AREAS)[: len(figures)]
    like = index_bulletin(make(NOW)).row(names[0], CHOSEN, quantity)
    rows = [
        replace(like, area=name, estimate=value, se=se, ci_low=low, ci_high=high, df=df)
        for name, (value, se, low, high, df) in zip(names, figures, strict=True)
    ]
    lines = [
        {
            "season": like.season,
            "week": CHOSEN,
            "quantity": quantity,
            "area": names[one],
            "other_area": names[other],
            "part": 0,
            "other_part": 0,
            "total": figures[one][0],
            "other_total": figures[other][0],
            "covariance": figures[one][1]
            * figures[other][1]
            * (1.0 if one == other else correlation),
        }
        for one in range(len(figures))
        for other in range(one, len(figures))
    ]
    table = pa.Table.from_pylist(lines, schema=AREA_COVARIANCE_SCHEMA)
    made = replace(make(NOW), rows=to_arrow([asdict(row) for row in rows]), area_covariance=table)
    return index_bulletin(replace(made, changes=made.changes.slice(0, 0))), names


def quasi(value, reach, moved=0.0):
    """Return a figure's interval from t standard errors, by the formula of the method sheet."""
    width = 4 * np.arcsinh(reach / value / 4)
    return value * np.exp(moved - width), value * np.exp(moved + width)


@pytest.mark.parametrize("correlation", [0.0, 0.6])
def test_a_sum_reaches_as_far_as_its_areas_intervals_together(correlation):
    # Their own errors are small by luck: the intervals borrow, and say three times as much.
    figures = [(100.0, 10.0, *quasi(100, 60), 12.0), (300.0, 20.0, *quasi(300, 150), 12.0)]
    index, names = rows_and_lines(figures, correlation=correlation)
    found = area_sum(index, names, CHOSEN, "kept_fish")
    reach = np.sqrt(60**2 + 150**2 + 2 * correlation * 60 * 150)
    assert (found.ci_low, found.ci_high) == pytest.approx(quasi(400, reach))
    assert found.se == pytest.approx(np.sqrt(10**2 + 20**2 + 2 * correlation * 10 * 20))


def test_an_area_of_which_nothing_was_seen_adds_its_bound():
    figures = [(100.0, 10.0, *quasi(100, 60), 12.0), (0.0, 0.0, 0.0, 80.0, 12.0)]
    index, names = rows_and_lines(figures)
    found = area_sum(index, names, CHOSEN, "kept_fish")
    assert (found.ci_low, found.ci_high) == pytest.approx(quasi(100, 100))


def test_a_move_of_an_interval_counts_by_its_part_of_the_third_cumulant():
    figures = [(100.0, 10.0, *quasi(100, 60, 0.2), 12.0), (100.0, 10.0, *quasi(100, 60), 12.0)]
    index, names = rows_and_lines(figures)
    found = area_sum(index, names, CHOSEN, "kept_fish")
    assert (found.ci_low, found.ci_high) == pytest.approx(quasi(200, 60 * np.sqrt(2), 0.2 / 4))


def test_where_an_area_has_no_figure_there_is_no_sum(demo):
    _, index = demo
    assert area_sum(index, index.areas[:1], None, KEPT) is None
    assert area_sum(index, ("nowhere", index.areas[0]), None, KEPT) is None


SAMPLED = [*SUMS, "sublegal_prop", "sublegal_per_kept", *PER_EFFORT]


@pytest.fixture(scope="module")
def by_sample(demo):
    """Return the demo's season on the sampled basis, and its table."""
    settings = EstimationSettings(basis=FishBasis.SAMPLED)
    season = prepare_survey(demo[0], season=SEASON, settings=settings)
    return season, area_covariance(season)


def pieces(table, quantity, week):
    """Return the parts of one quantity and week by area and part, and their covariance."""
    frame = table.to_pandas()
    frame = frame[frame["quantity"] == quantity]
    frame = frame[frame["week"].isna() if week is None else frame["week"] == week]
    keys = sorted(set(zip(frame["area"], frame["part"], strict=True)))
    place = {key: at for at, key in enumerate(keys)}
    total, cov = np.zeros(len(keys)), np.zeros((len(keys), len(keys)))
    for one in frame.itertuples():
        a, b = place[one.area, one.part], place[one.other_area, one.other_part]
        total[a], total[b] = one.total, one.other_total
        cov[a, b] = cov[b, a] = one.covariance
    return np.array([part for _, part in keys]), total, cov


@pytest.mark.parametrize("quantity", SAMPLED)
def test_sampled_areas_add_up_to_the_row_of_them_all(by_sample, quantity):
    season, table = by_sample
    # Rows of all areas know that boats of one site-day were sampled together: a little with kept
    # fish, whose error is that of their own totals.
    has_kept = quantity == "sublegal_per_kept" or SUMS.get(quantity, ALL_MET)[KEPT_COLUMN] != 0
    near, compared = 1e-2 if has_kept else 1e-9, 0
    for by in (("week",), ("season",)):
        for row in result_rows(season, by=by, level=0.95, quantities=[quantity]):
            if row["se"] is None:
                continue
            part, total, cov = pieces(table, quantity, row["week"])
            above, below = total[part == 0].sum(), total[part == 1].sum()
            value = above / below if below else above
            slope = np.where(part == 0, 1.0, -value) / (below or 1.0)
            assert value == pytest.approx(row["estimate"], rel=1e-9)
            assert np.sqrt(slope @ cov @ slope) == pytest.approx(row["se"], rel=near)
            compared += 1
    assert compared > 5 or quantity == "released_unknown_fish"


def test_areas_that_share_sampled_fish_share_their_error():
    kinds = np.eye(4, dtype=bool)
    base, of_class = np.stack([kinds[0]] * 2), np.stack([kinds] * 2)
    fish, one_pool = np.array([[12.0, 3.0, 20.0, 5.0]]), np.ones((2, 1), dtype=bool)
    ratios = class_ratios(fish, one_pool, base, of_class, effect=1.5)
    joint = ratios.joint_covariance(np.diag([100.0, 50.0]))
    together = ratios.covariance(np.array([[100.0, 50.0]]))[0]
    np.testing.assert_allclose(joint.sum(axis=(0, 2)), together)
    np.testing.assert_allclose(joint[0, :, 0], ratios.covariance(np.array([[100.0, 0.0]]))[0])
    assert (joint[0, 1:, 1, 1:].diagonal() > 0).all()


def test_the_sampled_basis_adds_up_areas(demo):
    index = index_of(demo[0], FishBasis.SAMPLED)
    areas = index.areas[:2]
    for quantity in (KEPT, SHARE):
        found = area_sum(index, areas, None, quantity)
        own = [index.row(area, None, quantity) for area in areas]
        assert found.ci_low < found.estimate < found.ci_high
        assert found.se < sum(row.se for row in own)


def test_without_test_fishing_the_sampled_basis_adds_up_what_interviews_say(demo):
    fish = demo[0]["fish"]
    none = demo[0].with_rows("fish", fish.filter(pc.not_equal(fish["source"], "test_fishing")))
    settings = EstimationSettings(basis=FishBasis.SAMPLED)
    table = area_covariance(prepare_survey(none, season=SEASON, settings=settings))
    known = set(table["quantity"].to_pylist())
    assert KEPT in known
    assert not known & set(SAMPLED)
