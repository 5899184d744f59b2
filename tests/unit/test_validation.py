"""The table of full-size simulations: renewed by name, and without a row that nothing renews."""

from __future__ import annotations

import re

import pytest

from tests.simulation import __main__ as full

ROWS = "| a: x | day | 1 | `c` | old |\n| b: y | day | 1 | `c` | old |\n"
OLD = f"before\n\n{full.HEAD}{ROWS}\nafter\n"


def test_rows_of_a_simulation_run_again_are_replaced_and_others_stay():
    new = full.renewed(OLD, ["| a: z | day | 2 | `c` | new |", "| a: x | day | 2 | `c` | new |"])
    assert new == OLD.replace(
        "| a: x | day | 1 | `c` | old |\n",
        "| a: z | day | 2 | `c` | new |\n| a: x | day | 2 | `c` | new |\n",
    )


def test_a_document_without_the_table_is_refused():
    with pytest.raises(ValueError, match="no table"):
        full.renewed("no table here\n", [])


def test_every_row_of_the_document_can_be_renewed_and_has_its_date_and_command():
    table = full.TABLE.search(full.DOCUMENT.read_text())
    rows = [row.strip("| ").split(" | ") for row in table[1].splitlines()]
    assert rows
    for what, day, seed, command, _ in rows:
        name = what.partition(":")[0]
        assert name in full.FILES
        assert re.fullmatch(r"\d{4}-\d\d-\d\d", day)
        assert seed.isdigit()
        assert command == f"`python -m tests.simulation --full {name}`"
