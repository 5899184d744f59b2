"""A published table with one cell to hide, and the cells that have to go with it.

Fischetti & Salazar (2001), Solving the cell suppression problem on tabular data with linear
constraints, Management Science 47: investment by activity and region, with the cell of activity II
in region C confidential; hiding four cells leaves it between 5 and 30. From memory.
"""

from __future__ import annotations

import numpy as np
import pytest

from analytics.publishing import withholding
from analytics.publishing.publications import Publication, knowledge
from analytics.publishing.withholding import choose
from tests.publication_attack import range_of

TABLE = np.array([[20.0, 50.0, 10.0], [8.0, 19.0, 22.0], [17.0, 32.0, 12.0]])
ROWS, COLUMNS = ("I", "II", "III"), ("A", "B", "C")
HIDDEN = {("II", "A"), ("II", "C"), ("III", "A"), ("III", "C")}


def publication() -> Publication:
    cells = {(r, c): TABLE[i, j] for i, r in enumerate(ROWS) for j, c in enumerate(COLUMNS)}
    cells |= {(r, None): TABLE[i].sum() for i, r in enumerate(ROWS)}
    cells |= {(None, c): TABLE[:, j].sum() for j, c in enumerate(COLUMNS)}
    cells |= {(None, None): TABLE.sum()}
    domains = tuple(cells)
    boats = np.array([1 if one == ("II", "C") else 9 for one in domains])
    values = np.array([[cells[one]] for one in domains])
    return Publication("s", "w", domains, values, boats, np.ones(len(domains), dtype=bool))


def test_the_printed_cells_are_hidden():
    table = publication()
    found = choose(knowledge(table, []), table.values[:, 0])
    hidden = {one for one, out in zip(table.domains, found.withheld, strict=True) if out}
    assert hidden == HIDDEN
    assert found.weight == pytest.approx(59)
    assert found.bound == pytest.approx(59, rel=1e-4)


def test_nothing_goes_out_where_no_choice_keeps_to_every_row(monkeypatch):
    table = publication()
    monkeypatch.setattr(withholding._Game, "single_sums", lambda game: [{0: -1.0}])
    low = knowledge(table, [])
    low.is_sensitive[0] = True
    found = choose(low, table.values[:, 0])
    assert found.withheld.all()
    assert found.bound <= found.weight


def test_the_printed_range_is_what_is_left():
    table = publication()
    values = {one: value for one, (value,) in zip(table.domains, table.values, strict=True)}
    shown = {one: value for one, value in values.items() if one not in HIDDEN}
    assert range_of(("II", "C"), shown, set(HIDDEN)) == pytest.approx((5, 30))
