"""Tables of sums kept column by column."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

import numpy as np
import pytest

from analytics import arrays
from analytics.arrays import Columns

if TYPE_CHECKING:
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
