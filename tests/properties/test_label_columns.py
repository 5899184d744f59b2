"""A column of labels is read at once, with the verdict that each of its cells has alone."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from hypothesis import given
from hypothesis import strategies as st

from analytics.data.columns import TEXT_CEILING
from analytics.data.importing.reading import Raw
from analytics.data.importing.typed import Fault, read_cell, read_extra, type_raw
from analytics.data.schema import TABLES

CELLS = st.lists(
    st.none()
    | st.text("aB1_ .:/-", max_size=8)
    | st.text(max_size=8)
    | st.just("long " * (TEXT_CEILING // 5 + 1)),
    max_size=6,
)


@given(CELLS)
def test_cells_of_a_column_are_read_as_each_alone(cells):
    names = TABLES["areas"].column("area_name")
    alone = {
        "note": [read_extra(one) for one in cells],
        "area_name": [read_cell(one, column=names) for one in cells],
    }
    columns = {name: pa.array(cells, pa.string()) for name in alone}
    table = pa.table({"area": pa.array(["a"] * len(cells), pa.string()), **columns})
    typed, findings = type_raw(Raw("areas", "areas.csv", table, np.arange(len(cells)) + 2, {}))
    for name, verdicts in alone.items():
        good = [None if isinstance(one, Fault) else one for one in verdicts]
        assert typed.data[name].to_pylist() == good
        bad = [row for row, one in enumerate(verdicts, start=2) if isinstance(one, Fault)]
        assert [one.row for one in findings if one.column == name and one.row != 1] == bad
