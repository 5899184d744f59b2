"""The table of full-size simulations: renewed by name, and without a row that nothing renews."""

from __future__ import annotations

import re

import pytest

from analytics.wording.week import COVERAGE
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
        # Random stores of hypothesis follow from the test's own text, which stands in its file.
        assert seed.isdigit() or seed == "in the file"
        assert command == f"`python -m tests.simulation --full {name}`"


def rows_of(*figures):
    body = "".join(f"| {what} | day | 1 | `c` | {figure} |\n" for what, figure in figures)
    return f"{full.HEAD}{body}\n{full.SHORT_HEAD}| stale |\n\nafter\n"


def test_what_falls_short_follows_from_the_table_the_farthest_first():
    held = "hold the truth, 2.3% below and 1.5% above it, width 2; without the pool 80.0% hold"
    sides = "hold the truth, 4.7% below and 0.8% above it, width 2; without the pool 80.0% hold"
    words = "have a word, 0.0% of the words the wrong sign; without the pool 9%, 9%, 50.0%"
    document = rows_of(
        ("intervals: a", f"96.4% {held}"),
        ("intervals: b", f"92.5% {held}"),
        ("intervals: c", f"97.1% of 99 hold the truth, 0.8% {words.replace('0.0', '8.0')}"),
        ("intervals: g", f"94.5% {sides}"),
        ("intervals: d", f"95.0% of 99 hold the truth, 0.8% {words}"),
        ("outlook: e", "total held in 76.0% at 80%, 91.0% at 95% of 600 seasons; 7.0% below"),
        ("pooled_shares: f", "20.0% of 9 intervals hold the truth"),
    )
    made = full.with_shortfalls(document)
    assert made.partition(full.SHORT_HEAD)[2] == (
        "| intervals: c: words of the wrong sign | 8 % | at most 5 % |\n"
        "| outlook: e: 95 % | 91 % | 92–98 % |\n"
        "| intervals: g: lie above the truth | 0.8 % | 1.5–4 % |\n"
        "| intervals: g: lie below the truth | 4.7 % | 1.5–4 % |\n"
        "| intervals: b: hold the truth | 92.5 % | 93–97 % |\n"
        "| intervals: c: hold the truth | 97.1 % | 93–97 % |\n"
        "\nafter\n"
    )
    assert full.with_shortfalls(made) == made


def test_the_document_says_all_that_falls_short():
    document = full.DOCUMENT.read_text()
    assert full.with_shortfalls(document) == document
    assert full.with_words(document) == document


def test_words_of_all_quantities_are_added_up():
    def row(where, n, said, wrong):
        return (
            f"| intervals: {where} | day | 1 | `c` | 95.0% of {n} hold the truth, {said}% have a "
            f"word, {wrong}% of the words the wrong sign; without the pool 9%, 9%, 50.0% |\n"
        )

    rows = (
        row("thin, week, change of kept_fish", 1000, 10.0, 4.0)
        + row("thin, week, change of sublegal_prop", 500, 2.0, 30.0)
        + row("demo, week, change of kept_fish", 1000, 0.0, 0.0)
    )
    document = f"{full.HEAD}{rows}\n{full.WORDS_HEAD}| stale |\n\nafter\n"
    assert full.with_words(document).partition(full.WORDS_HEAD)[2] == (
        "| all, week | 2,500 | 110 | 7, 6.4 % |\n"
        "| demo, week | 1,000 | 0 | 0, 0.0 % |\n"
        "| thin, week | 1,500 | 110 | 7, 6.4 % |\n"
        "\nafter\n"
    )


def test_the_page_of_a_week_says_what_the_document_has():
    cell = re.compile(r"\| intervals: (\w+), area-week, (?!change)\w+ \|.*\| ([\d.]+)% hold")
    rows = [
        found
        for row in full.TABLE.search(full.DOCUMENT.read_text())[1].splitlines()
        if (found := cell.match(row))
    ]
    held = [round(float(one[2])) for one in rows]
    assert len({one[1] for one in rows}) == 5
    assert (
        f"five simulated fisheries they contained the truth in {min(held)} to {max(held)} of"
        in (COVERAGE)
    )
