"""The figure of opportunity against risk: every name stands free, at each width of a screen."""

from __future__ import annotations

import itertools

import pytest

from analytics.palette import LIGHT
from dashboard.charts import rule_changes as drawn
from dashboard.charts.rule_changes import Spot

#: Letters of 11 pixels are no wider, with the thinnest of margins left out.
LETTER, LINE = 5.6, 13


def line(name, top, n=9):
    """Return points whose last ones stand close together on the end of the axis."""
    chances = [min(at / (n - 4), 1.0) for at in range(n)]
    gains = [top * (0.5 + 0.5 * at / (n - 1)) for at in range(n)]
    return [
        Spot(name, f"{name} at {at}", chance, gain, is_dominated=False)
        for at, (chance, gain) in enumerate(zip(chances, gains, strict=True))
    ]


def boxes(figure, width):
    """Return the names on a figure as left, right, bottom, top in pixels of its plot."""
    layout = figure.layout
    height = layout.height - layout.margin.t - layout.margin.b
    found = []
    for note in layout.annotations:
        x, y = (
            (value - axis.range[0]) / (axis.range[1] - axis.range[0])
            if ref in ("x", "y")
            else value
            for value, axis, ref in (
                (note.x, layout.xaxis, note.xref),
                (note.y, layout.yaxis, note.yref),
            )
        )
        rows = note.text.split("<br>")
        wide, high = LETTER * max(map(len, rows)), LINE * len(rows)
        left = x * width + (note.xshift or 0)
        left -= {"left": 0, "center": wide / 2, "right": wide}[note.xanchor]
        low = y * height + (note.yshift or 0)
        low -= {"bottom": 0, "middle": high / 2, "top": high}[note.yanchor]
        found.append((left, left + wide, low, low + high))
    return found


def points(spots, figure, width):
    x, y = figure.layout.xaxis.range, figure.layout.yaxis.range
    height = figure.layout.height - figure.layout.margin.t - figure.layout.margin.b
    return [
        (
            (one.chance - x[0]) / (x[1] - x[0]) * width,
            (one.gain - y[0]) / (y[1] - y[0]) * height,
        )
        for one in spots
    ]


@pytest.mark.parametrize("risk", [0.05, 0.5, 0.95])
@pytest.mark.parametrize("width", [255, 600, 1100])
def test_names_lie_over_no_point_and_no_other_name(risk, width):
    lines = [line(f"{n} a day", 1000 + 20 * n) for n in range(1, 5)]
    now = Spot("today", "today", 1.0, 1100, is_dominated=False, is_now=True)
    spots = [*itertools.chain(*lines), now]
    best = max((one for one in spots if one.chance <= risk), key=lambda one: one.gain)
    figure = drawn.frontier(spots, risk, best, of="trips", now="today's rules", palette=LIGHT)
    found = boxes(figure, width)
    assert len(found) > 1  # the risk that is asked, and what there is room for
    for one, other in itertools.combinations(found, 2):
        assert not (
            one[0] < other[1] and other[0] < one[1] and one[2] < other[3] and other[2] < one[3]
        )
    for left, right, low, high in found:
        assert not [
            1 for x, y in points(spots, figure, width) if left < x < right and low < y < high
        ]


def test_a_name_is_left_out_where_nothing_is_free():
    crowd = [
        Spot("", "", x / 40, float(y), is_dominated=True)
        for x in range(41)
        for y in range(0, 100, 3)
    ]
    now = Spot("now", "now", 0.5, 50.0, is_dominated=False, is_now=True)
    figure = drawn.frontier(
        [*crowd, now], 0.1, None, of="trips", now="today's rules", palette=LIGHT
    )
    assert "today's rules" not in [one.text for one in figure.layout.annotations]
