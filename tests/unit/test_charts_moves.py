"""The figure of moves holds what the moves hold: both ends, every interval, zeros and cuts."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from analytics.palette import DARK, LIGHT
from analytics.revision_order import importance
from analytics.wording import bulletin_index
from dashboard.charts import revisions
from dashboard.revisions import moves
from tests.app.reading import table_of
from tests.app.sample_bulletin import NOW, make
from tests.app.sample_moves import WAS_ZERO

MET, SHARE = "encounter_fish", "sublegal_prop"


@pytest.fixture(scope="module")
def index():
    return bulletin_index.index_bulletin(make(NOW))


def drawn_of(index, quantity=MET):
    return revisions.plotted(moves.chosen(moves.read(index), areas=(), quantity=quantity))


@pytest.mark.parametrize("quantity", [MET, SHARE])
def test_every_figure_and_interval_is_drawn(index, quantity):
    drawn = drawn_of(index, quantity)
    figure = revisions.dumbbells(drawn, index=index, palette=LIGHT)
    bars_before, before, _, bars_now, now, *_ = figure.data
    for points, bars, side in ((before, bars_before, "before"), (now, bars_now, "now")):
        rows = [row for one in drawn if (row := getattr(one, side)) and row.estimate is not None]
        assert [x for x, row in zip(points.x, rows, strict=True) if row.estimate] == [
            row.estimate for row in rows if row.estimate
        ]
        known = [row for row in rows if row.has_interval]
        assert [x for x in bars.x if x is not None] == [
            end for row in known for end in (row.ci_low, row.ci_high)
        ]
    # Each move has a line of its own, before above now.
    assert {round(y) for y in (*before.y, *now.y)} == set(range(len(drawn)))
    assert all(y % 1 > 0.5 for y in before.y)
    assert all(y % 1 < 0.5 for y in now.y)
    columns, lines = table_of(figure)
    given = [dict(zip(columns, line, strict=True)) for line in lines]
    for one, move in zip(given, drawn, strict=True):
        assert (one["area"], one["week"], one["quantity"]) == (
            move.row.area,
            move.row.week,
            quantity,
        )
        assert one["previous"] == (move.before and move.before.estimate)
        assert one["ci_high"] == (move.now and move.now.ci_high)
        assert one["area_name"] == (move.row.area and index.name(move.row.area))


def test_a_zero_stands_inside_the_low_end_and_says_so(index):
    drawn = drawn_of(index)
    _, before, *_, zeros = revisions.dumbbells(drawn, index=index, palette=LIGHT).data
    with_before = [one for one in drawn if one.before.estimate is not None]
    (at,) = [n for n, one in enumerate(with_before) if (one.row.area, one.row.week) == WAS_ZERO]
    low = revisions.span(drawn).low
    assert low < before.x[at] < 1.1 * low
    assert list(zeros.y) == [before.y[at]]
    assert [words.strip() for words in zeros.text] == ["0"]


def test_an_interval_that_runs_on_is_marked_and_held(index):
    drawn = drawn_of(index)
    assert not revisions.is_cut(drawn)
    wide = replace(drawn[-1], now=replace(drawn[-1].now, ci_low=1e-9, ci_high=math.inf))
    wider = [*drawn[:-1], wide]
    assert revisions.is_cut(wider)
    ends = revisions.span(wider)
    *_, bars, _, cut, _, _ = revisions.dumbbells(wider, index=index, palette=LIGHT).data
    assert list(cut.y) == [len(drawn) - 1 + revisions.APART] * 2
    assert ends.low < cut.x[0] < 1.1 * ends.low
    assert ends.high > cut.x[1] > ends.high / 1.1
    assert list(cut.marker.symbol) == ["arrow-left", "arrow-right"]
    assert all(ends.low <= x <= ends.high for x in bars.x if x is not None)


def test_no_more_than_fit_are_drawn_and_the_most_important_first(index):
    many = [one for one in moves.read(index) if one.kind == moves.REVISED]
    assert len(revisions.plotted(many)) == revisions.SHOWN
    ranked = moves.chosen(reversed(many), areas=())
    table = index.bulletin.revisions.to_pylist()
    order = [importance(line) for line in table if line["kind"] == moves.REVISED]
    assert [one.importance for one in ranked] == order == sorted(order)
    # Weeks of all areas come before the weeks of one.
    firsts = [one for one in ranked if one.row.quantity == MET]
    weeks = [one.row.area is None for one in firsts if one.row.week]
    assert weeks == sorted(weeks, reverse=True)
    assert True in weeks
    assert False in weeks


def test_the_words_stand_for_the_figure(index):
    drawn = drawn_of(index)
    words = revisions.description(drawn, index=index, label="Chinook encounters")
    assert words.startswith(
        f"Chinook encounters before and now, with intervals, for the {len(drawn)}"
    )
    assert moves.where(drawn[0], index=index) in words


def test_names_from_the_data_are_harmless(index):
    nasty = replace(index, names=dict.fromkeys(index.names, "<b>x</b>"))
    figure = revisions.dumbbells(drawn_of(index), index=nasty, palette=DARK)
    assert not any("<b>x" in label for label in figure.layout.yaxis.ticktext)
