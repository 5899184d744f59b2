"""Tables of sums kept column by column."""

from __future__ import annotations

import threading
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from analytics import Store, arrays
from analytics.arrays import Columns, groups_of_linked, sums_at
from analytics.estimates.estimate import estimate_snapshot, result_rows
from analytics.estimates.season_survey import prepare_survey
from analytics.survey import domain_totals

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

N_ROWS, N_COLUMNS, SIZE = 1000, 7, 5


def _columns(seen: set[int]) -> tuple[Columns, NDArray[np.float64]]:
    table = np.random.default_rng(3).normal(size=(N_ROWS, N_COLUMNS))

    def make(column: int) -> NDArray[np.float64]:
        seen.add(threading.get_ident())
        return table[:, column]

    return Columns(make, N_COLUMNS), table


@pytest.mark.parametrize("long", [N_ROWS, N_ROWS + 1])
def test_columns_are_summed_alike_in_threads_and_one_by_one(
    monkeypatch: pytest.MonkeyPatch, long: int
) -> None:
    monkeypatch.setattr(arrays, "LONG", long)
    threads: set[int] = set()
    columns, table = _columns(threads)
    place = np.arange(N_ROWS) % SIZE
    factor = np.linspace(1, 2, N_ROWS)
    sums = columns.add_at(place, SIZE, factor=factor)
    expected = [(table * factor[:, None])[place == one].sum(axis=0) for one in range(SIZE)]
    np.testing.assert_allclose(sums, expected, rtol=1e-12)
    assert (len(threads) > 1) == (long <= N_ROWS)


@pytest.mark.parametrize("is_held", [True, False])
def test_columns_held_and_made_one_by_one_are_the_same(*, is_held: bool) -> None:
    made, table = _columns(set())
    columns = Columns.of(table) if is_held else made
    place = np.arange(N_ROWS) % SIZE
    expected = np.stack([table[place == one].sum(axis=0) for one in range(SIZE)])
    rows = np.flatnonzero(place > 1)
    sums = columns.add_at(place, SIZE, factor=np.full(N_ROWS, 2.0))
    np.testing.assert_allclose(sums, 2 * expected, rtol=1e-12)
    reduced = columns.reduced(lambda one: sums_at(place, one, SIZE), size=SIZE)
    np.testing.assert_allclose(reduced.T, expected, rtol=1e-12)
    some = columns.each(lambda one: one[..., rows]).pick([4, 1])
    np.testing.assert_array_equal(some.table, table[rows][:, [4, 1]])


def test_only_few_numbers_are_held() -> None:
    made, _ = _columns(set())
    assert Columns.sized(made.__getitem__, N_COLUMNS, n_rows=N_ROWS).held is not None
    assert Columns.sized(made.__getitem__, N_COLUMNS, n_rows=arrays.FEW).held is None
    assert Columns.sized(made.__getitem__, 0, n_rows=N_ROWS).held is None


@pytest.mark.parametrize("given", [{}, {"thin": "refuse"}, {"basis": "sampled"}])
def test_estimates_are_the_same_of_many_numbers_and_of_few(
    monkeypatch: pytest.MonkeyPatch, field: Path, given: dict[str, str]
) -> None:
    few = estimate_snapshot(Store(field / "store").snapshot(), **given)
    for module in (arrays, domain_totals):
        monkeypatch.setattr(module, "FEW", 0)
    many = estimate_snapshot(Store(field / "store").snapshot(), **given)
    pd.testing.assert_frame_equal(few, many, rtol=1e-12)


def test_no_columns_give_no_sums() -> None:
    nothing = Columns.of(np.zeros((3, 0)))
    assert nothing.reduced(np.cumsum, size=3).shape == (0, 3)


def test_an_error_in_a_thread_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(arrays, "LONG", 1)

    def fails_later(column: int) -> NDArray[np.float64]:
        if column:
            raise ValueError("no such column")
        return np.zeros(2)

    with pytest.raises(ValueError, match="no such column"):
        Columns(fails_later, 3).reduced(np.cumsum, size=2)


def test_rows_without_borrowed_intervals_have_the_same_estimates_and_errors(field: Path) -> None:
    season = prepare_survey(Store(field / "store").snapshot())
    ask = partial(result_rows, season, by=("area", "week"), level=0.95)
    both = list(zip(ask(), ask(has_intervals=False), strict=True))
    for name in ("area", "week", "quantity", "estimate", "se", "status", "method"):
        assert [one[name] for one, _ in both] == [other[name] for _, other in both]
    assert any(one["ci_low"] != other["ci_low"] for one, other in both)


@pytest.mark.parametrize(("size", "n_links"), [(1, 0), (6, 0), (50, 20), (50, 60), (400, 390)])
def test_groups_of_linked_things_are_the_components_of_their_graph(size: int, n_links: int) -> None:
    for seed in range(20):
        ends = np.random.default_rng(seed).integers(0, size, (2, n_links))
        graph = coo_array((np.ones(n_links), ends), shape=(size, size))
        expected = connected_components(graph, directed=False)[1]
        assert groups_of_linked(*ends, size=size).tolist() == expected.tolist()


def test_a_long_chain_of_links_is_one_group() -> None:
    order = np.random.default_rng(5).permutation(1000)
    assert not groups_of_linked(order[:-1], order[1:], size=1000).any()
