"""The figures hold what the rows hold: every interval, every gap, every mark."""

from __future__ import annotations

import itertools
import json
import math
import subprocess
import sys
from dataclasses import replace

import plotly.graph_objects as go
import pytest

from analytics.codes import coded, sentences
from analytics.palette import DARK, LIGHT, palette
from analytics.quantities import Status
from analytics.units import short_day
from analytics.wording import bulletin_index, numbers, reasons
from analytics.wording.bulletin_index import monday
from dashboard.charts import heat, series
from tests.app.sample_bulletin import CHOSEN, NOW, make
from tests.app.sample_cases import ENDLESS, NO_ERROR, NO_LANDING, NO_SITE_DAY, PARTIAL, SPECIAL

MET, RATE, SHARE = "encounter_fish", "encounters_per_angler_hour", "sublegal_prop"


@pytest.fixture(scope="module")
def index():
    return bulletin_index.index_bulletin(make(NOW))


def line_of(index, area, quantity=MET):
    return [index.row(area, week, quantity) for week in index.axis]


def panel_of(index, area, *, quantity=MET, top=None):
    rows = line_of(index, area, quantity)
    top = numbers.axis_end(rows) if top is None else top
    return panels_of({area: rows}, weeks=index.axis, quantity=quantity, top=top)


def panels_of(lines, *, weeks, top, quantity=MET):
    return series.panels(
        lines,
        weeks=weeks,
        quantity=quantity,
        tops=dict.fromkeys(lines, top),
        names={area: f"Area {area}" for area in lines},
        palette=LIGHT,
    )


def trace_of(figure, name):
    """Return a trace of a figure by its name; one without points is not drawn."""
    found = {one.name: one for one in figure.data}
    return found.get(name, go.Scatter(x=[], y=[]))


def heat_of(index, quantity, *, dark=False):
    cells = {(a, w): index.row(a, w, quantity) for a in index.areas for w in index.axis}
    return heat.heat(
        cells,
        areas=index.areas,
        names=index.names,
        weeks=index.axis,
        quantity=quantity,
        palette=palette(dark=dark),
    )


@pytest.mark.parametrize("area", ["A1", "A2", "A3", "A4", "A5", "A6"])
def test_every_useful_interval_and_every_estimate_is_drawn(index, area):
    rows = line_of(index, area)
    highs = [row.ci_high for row in rows if row and row.ci_high]
    top = max(one for one in highs if math.isfinite(one)) + 1
    figure = panel_of(index, area, top=top)
    intervals, line, points = (trace_of(figure, one) for one in ("intervals", "line", "estimates"))
    known = [at for at, row in enumerate(rows) if row and reasons.is_useful(row)]
    assert list(intervals.x) == [x for at in known for x in (at, at, None)]
    assert list(intervals.y) == [
        y for at in known for y in (rows[at].ci_low, rows[at].ci_high, None)
    ]
    estimates = [row.estimate if row else None for row in rows]
    assert list(line.y) == estimates
    assert list(points.y) == [one for one in estimates if one is not None]


def test_the_line_breaks_where_there_is_no_sample(index):
    figure = panel_of(index, "A2")
    assert trace_of(figure, "line").connectgaps is False
    gap = index.axis.index("2035-W50")
    assert trace_of(figure, "line").y[gap] is None
    assert gap in trace_of(figure, "gaps").x
    at = list(trace_of(figure, "gaps").x).index(gap)
    assert (
        trace_of(figure, "gaps").text[at]
        == "<b>10 – 16 Dec 2035 (2035-W50)</b><br>no site-day sampled where boats of this area land"
    )


def test_weeks_stand_on_the_axis_as_dates(index):
    axis = panel_of(index, "A1").layout.xaxis
    at = list(axis.tickvals).index(0)
    assert index.axis[0] == "2035-W45"
    assert axis.ticktext[at] == "5 Nov"
    assert not any("W" in one for one in axis.ticktext)


def test_areas_stand_on_strips_of_one_figure_over_the_same_weeks(index):
    lines = {area: line_of(index, area) for area in index.areas}
    figure = panels_of(lines, weeks=index.axis, top=9000.0)
    axes = [figure.layout[f"yaxis{at or ''}"] for at in (0, 2, 3, 4, 5, 6)]
    ends = [axis.domain for axis in axes]
    assert all(low < high for low, high in ends)
    assert all(low > high for (low, _), (_, high) in itertools.pairwise(ends))
    assert figure.layout.xaxis.anchor == "y6"
    for at, area in enumerate(index.areas, 1):
        (points,) = [
            one
            for one in figure.data
            if one.name == "estimates" and one.yaxis == (f"y{at}" if at > 1 else "y")
        ]
        assert list(points.y) == [
            one.estimate for one in lines[area] if one and one.estimate is not None
        ]
        said = [one.text[0] for one in figure.data if one.name == "name"]
        assert said[at - 1] == f"<b>Area {area}</b>"


def test_a_figure_has_its_data_with_it(index):
    kept = json.loads(panel_of(index, "A4").layout.meta)
    rows = [(week, row) for week, row in zip(index.axis, line_of(index, "A4"), strict=True) if row]
    assert [line[1] for line in kept["lines"]] == [week for week, _ in rows]
    at = {name: place for place, name in enumerate(kept["columns"])}
    for line, (_, row) in zip(kept["lines"], rows, strict=True):
        assert line[at["estimate"]] == row.estimate
        assert (line[at["ci_low"]], line[at["ci_high"]]) == (row.ci_low, row.ci_high)
    cells = json.loads(heat_of(index, RATE).layout.meta)["lines"]
    assert {(line[0], line[1]) for line in cells} == {
        (index.name(area), week)
        for area in index.areas
        for week in index.axis
        if index.row(area, week, RATE)
    }


@pytest.mark.parametrize("quantity", [RATE, SHARE])
def test_the_title_of_the_map_names_the_highest_area_of_those_sure_enough(index, quantity):
    n_unsure = 0
    for week in index.axis:
        rows = {area: index.row(area, week, quantity) for area in index.areas}
        known = [area for area, row in rows.items() if row and row.estimate is not None]
        sure = [
            area
            for area in known
            if rows[area].ci_low is not None and reasons.caution(rows[area])[0] != reasons.STRONG
        ]
        n_unsure += len(known) - len(sure)
        if len(known) > 1 and sure:
            best = max(sure, key=lambda area: rows[area].estimate)
            title = heat.title(rows, week=week, names=index.names, label="Rate")
            assert f"highest in {index.names[best]}, {numbers.short(rows[best])}" in title
            assert title.endswith("with a sure figure") is (len(sure) < len(known))
    assert n_unsure


def test_the_title_of_a_map_calls_one_sure_figure_no_highest(index):
    sure = index.row("A1", CHOSEN, RATE)
    rows = {"A1": sure, "A2": replace(sure, ci_low=None, ci_high=None, estimate=99.0)}
    title = heat.title(rows, week=CHOSEN, names=index.names, label="Rate")
    assert "highest" not in title
    assert f"{index.names['A1']}, {numbers.short(sure)}, the only area" in title


def test_the_title_of_a_map_without_a_sure_figure_names_no_highest(index):
    unsure = replace(index.row("A1", CHOSEN, RATE), ci_low=None, ci_high=None)
    title = heat.title({"A1": unsure, "A2": unsure}, week=CHOSEN, names=index.names, label="Rate")
    assert title.endswith("no area has a figure sure enough to compare")
    alone = heat.title({"A1": unsure}, week=CHOSEN, names=index.names, label="Rate")
    assert alone.endswith(numbers.short(unsure))
    nothing = heat.title({"A1": None}, week=CHOSEN, names=index.names, label="Rate")
    assert nothing.endswith("no area has a figure")


def test_a_closed_week_has_no_mark(index):
    figure = panel_of(index, "A6")
    assert index.axis.index("2035-W45") not in trace_of(figure, "gaps").x
    assert index.axis.index(CHOSEN) in trace_of(figure, "gaps").x


def test_every_reservation_has_a_symbol_of_its_own(index):
    drawn = {}
    for (area, week), status in SPECIAL.items():
        points = trace_of(panel_of(index, area), "estimates")
        if index.row(area, week, MET).estimate is not None:
            at = list(points.x).index(index.axis.index(week))
            drawn[status] = points.marker.symbol[at]
    assert set(drawn) == {
        Status.COLLAPSED,
        Status.IMPUTED,
        Status.ZERO_TOTAL,
        Status.CENSUS,
        Status.MODELLED,
    }
    assert len({*drawn.values(), numbers.PLAIN.symbol}) == 6


def test_the_figures_of_the_chosen_week_are_said_apart_from_the_drawing(index):
    rows = [index.row(area, CHOSEN, MET) for area in index.areas]
    head, *said = series.chosen_words([*rows, None], week=CHOSEN)
    assert short_day(monday(CHOSEN)) in head
    assert said == [numbers.short(row) for row in [*rows, None]]
    assert len({*said}) > 2


def test_an_interval_beyond_the_panel_is_marked(index):
    rows = line_of(index, "A4")
    top = numbers.axis_end(rows)
    wide = [row and row.has_interval and not reasons.is_useful(row) for row in rows]
    over = [at for at, row in enumerate(rows) if row and (wide[at] or (row.ci_high or 0) > top)]
    assert over
    figure = panel_of(index, "A4")
    assert list(trace_of(figure, "cut").x) == over
    assert max(y for y in trace_of(figure, "intervals").y if y is not None) <= top
    assert figure.layout.yaxis.range == (0, top)


def test_an_interval_too_wide_to_be_useful_is_neither_drawn_nor_sets_the_scale(index):
    rows = [row for row in line_of(index, "A1") if row and reasons.is_useful(row)]
    top = numbers.axis_end(rows)
    useless = replace(rows[0], ci_high=30 * rows[0].estimate)
    assert not reasons.is_useful(useless)
    others = [useless, *rows[1:]]
    assert numbers.axis_end(others) <= top
    withheld = replace(rows[0], se=0.6 * rows[0].estimate, ci_high=15 * rows[0].estimate)
    assert reasons.is_useful(withheld)
    assert numbers.axis_end([withheld, *rows[1:]]) <= top
    wide = replace(rows[0], ci_high=15 * rows[0].estimate)
    assert numbers.axis_end([wide, *rows[1:]]) > top
    assert series.is_cut([useless], top=1e9)
    assert not series.is_cut([rows[0]], top=1e9)
    weeks = [f"2036-W{at:02}" for at in range(1, len(others) + 1)]
    figure = panels_of({"A1": others}, weeks=weeks, top=top)
    assert 0 not in trace_of(figure, "intervals").x
    assert 1 in trace_of(figure, "intervals").x
    assert 0 in trace_of(figure, "cut").x


def test_ceiling_holds_every_estimate_and_survives_nothing(index):
    for area in index.areas:
        rows = line_of(index, area)
        assert numbers.axis_end(rows) > max(row.estimate or 0 for row in rows if row)
    assert numbers.axis_end([None, None]) > 0
    assert numbers.axis_end([]) > 0


def test_a_share_is_read_in_percent(index):
    assert panel_of(index, "A1", quantity=SHARE).layout.yaxis.tickformat == ".0%"
    assert "%" not in panel_of(index, "A1", quantity=RATE).layout.yaxis.tickformat


def test_description_names_lowest_and_highest(index):
    rows = line_of(index, "A2")
    words = numbers.trend_description(
        rows, weeks=index.axis, area="Sorrel Narrows", label="Encounters"
    )
    known = [
        (row.estimate, week) for week, row in zip(index.axis, rows, strict=True) if row.estimate
    ]
    assert f"{len(known)} of {len(rows)} weeks" in words
    assert f"in {min(known)[1]}, highest" in words
    assert words.endswith(f"in {max(known)[1]}.")
    empty = numbers.trend_description([None], weeks=["2036-W01"], area="X", label="Encounters")
    assert empty.endswith("no week has an estimate.")


@pytest.mark.parametrize("quantity", [RATE, SHARE])
def test_every_cell_has_a_value_or_a_reason(index, quantity):
    colours, figures, blanks = heat_of(index, quantity).data
    missing = set()
    for at, (x, y) in enumerate(zip(colours.x, colours.y, strict=True)):
        row = index.row(index.areas[x], index.axis[-1 - y], quantity)
        assert colours.z[at] == (row.estimate if row else None)
        if row is None or row.estimate is None:
            missing.add((x, y))
        else:
            shown = numbers.interval(row) or reasons.why_no_interval(row)
            assert shown in colours.customdata[at].replace("<br>", " ")
    every = {(x, y) for x in range(len(index.areas)) for y in range(len(index.axis))}
    assert set(zip(colours.x, colours.y, strict=True)) == every
    assert set(zip(blanks.x, blanks.y, strict=True)) == missing
    assert set(zip(figures.x, figures.y, strict=True)) == every - missing
    assert missing
    words = [one.partition("<br>")[2] for one in blanks.customdata]
    assert all(words)
    assert {"no open day", *map(sentences, (NO_SITE_DAY, NO_LANDING))} <= set(words)


def test_cells_carry_the_marks_of_their_reservations(index):
    collapsed = index.row("A3", CHOSEN, RATE)
    assert heat.cell_text(collapsed).endswith("◇" + reasons.caution(collapsed)[0])
    filled = index.row("A4", CHOSEN, RATE)
    assert "△!!" in heat.cell_text(filled)
    plain = index.row("A1", CHOSEN, RATE)
    assert heat.cell_text(plain) == f"{plain.estimate:.2f}"
    assert heat.cell_text(None) == numbers.CLOSED.glyph


def test_heat_colours_span_the_values_in_view(index):
    cells = heat_of(index, RATE).data[0]
    known = [z for z in cells.z if z is not None]
    assert (cells.zmin, cells.zmax) == (min(known), max(known))


def test_one_odd_week_does_not_take_the_colour_from_the_rest(index):
    rows = [index.row("A1", week, RATE) for week in index.axis]
    odd = replace(rows[0], estimate=50.0)
    middle = sorted(row.estimate for row in rows)[len(rows) // 2]
    low, high = heat.span([row.estimate for row in [*rows, odd]])
    assert high == pytest.approx(3 * middle, rel=0.1)
    assert (
        heat.span_words([*rows, odd, None]) == f"Colour runs from {low:.2f} to {high:.2f} or more."
    )
    assert heat.span_words(rows).endswith(f"to {max(row.estimate for row in rows):.2f}.")
    assert heat.span_words([None]) == ""


def test_an_endless_interval_ends_in_an_arrow(index):
    area, week = ENDLESS
    rows = line_of(index, area)
    top = numbers.axis_end(rows)
    assert math.isfinite(top)
    assert series.is_cut(rows, top=top)
    assert not series.is_cut([None, index.row("A1", CHOSEN, MET)], top=1e9)
    figure = panel_of(index, area)
    at = index.axis.index(week)
    assert at in trace_of(figure, "cut").x
    assert all(math.isfinite(y) for y in trace_of(figure, "intervals").y if y is not None)
    words = dict(
        zip(trace_of(figure, "estimates").x, trace_of(figure, "estimates").text, strict=True)
    )[at]
    assert reasons.TOO_FEW in words.replace("<br>", " ")


def test_a_figure_without_an_error_has_a_mark_of_its_own(index):
    area, week = NO_ERROR
    row = index.row(area, week, MET)
    assert numbers.mark(row) == numbers.UNSURE
    assert numbers.UNSURE in numbers.legend([row])
    points = trace_of(panel_of(index, area), "estimates")
    at = list(points.x).index(index.axis.index(week))
    assert points.marker.symbol[at] == numbers.UNSURE.symbol
    assert heat.cell_text(index.row(area, week, RATE)).endswith(" ⊙!!")


def test_a_total_without_an_area_has_the_mark_of_no_sample(index):
    row = index.row(*PARTIAL, MET)
    assert numbers.mark(row) == numbers.PARTIAL
    assert numbers.PARTIAL.glyph == numbers.GAP.glyph
    assert "without Sorrel Narrows" in series.hover(PARTIAL[1], row).replace("<br>", " ")


def test_hover_words_are_harmless(index):
    row = replace(index.row("A2", CHOSEN, MET), method="<b>no</b> sample")
    assert "&lt;b&gt;no" in series.hover(CHOSEN, row)


def test_a_map_of_nothing_is_still_a_map():
    figure = heat.heat(
        {},
        areas=("A1",),
        names={"A1": "x"},
        weeks=("2036-W01",),
        quantity=RATE,
        palette=DARK,
    )
    assert figure.data[2].customdata == (
        "<b>x</b> · <b>31 Dec 2035 – 6 Jan 2036 (2036-W01)</b><br>no open day",
    )


def test_legend_says_each_mark_once_and_only_those_seen(index):
    rows = line_of(index, "A3") + line_of(index, "A6")
    seen = numbers.legend(rows)
    assert len(seen) == len(set(seen))
    assert numbers.MARKS[Status.COLLAPSED] in seen
    assert numbers.CLOSED in seen
    assert numbers.MARKS[Status.IMPUTED] not in seen


def test_a_share_of_no_fish_is_no_missing_sample(index):
    nothing = index.row("A5", CHOSEN, SHARE)
    assert nothing.estimate is None
    assert numbers.mark(nothing) == numbers.EMPTY
    assert numbers.mark(index.row("A2", CHOSEN, SHARE)) == numbers.GAP
    assert numbers.mark(index.row("A6", CHOSEN, MET)) == numbers.MARKS[Status.NO_DESIGN]
    assert numbers.mark(index.row("A6", CHOSEN, SHARE)) == numbers.PLAIN
    assert numbers.EMPTY in numbers.legend([nothing])


@pytest.mark.parametrize("status", Status)
def test_a_withheld_figure_says_so_whatever_its_status(index, status):
    why = coded("withheld", pse="50")  # in bulletins that older versions kept for the public
    blank = {"estimate": None, "se": None, "ci_low": None, "ci_high": None, "method": why}
    withheld = replace(index.row("A1", CHOSEN, RATE), status=status, **blank)
    assert numbers.mark(withheld) == numbers.WITHHELD
    assert numbers.legend([withheld]) == [numbers.WITHHELD]
    assert heat.cell_text(withheld) == numbers.WITHHELD.glyph
    assert numbers.mark(replace(withheld, method="the denominator is 0")) != numbers.WITHHELD


def test_glyphs_tell_every_mark_apart():
    lone = {numbers.EMPTY, numbers.CLOSED, numbers.UNSURE, numbers.WITHHELD}
    glyphs = [one.glyph for one in {*numbers.MARKS.values(), *lone}]
    same_gap = [numbers.GAP.glyph, numbers.MARKS[Status.NO_DESIGN].glyph]
    assert len(set(glyphs)) == len(glyphs) - (same_gap[0] == same_gap[1])
    # Bulletins have no row that was withheld for the public's figures.
    assert set(numbers.MARKS) == set(Status) - {Status.SUPPRESSED, Status.NOT_PUBLISHED}


def test_figures_need_no_streamlit():
    program = (
        "import sys; import dashboard.charts.series, dashboard.charts.heat; "
        "sys.exit('streamlit' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0
