"""The figures of released fish hold what the tables hold: every number, interval, gap and cut."""

from __future__ import annotations

import itertools

import pytest

from analytics.palette import DARK, LIGHT
from analytics.wording import bulletin_index, numbers, reasons
from analytics.wording.numbers import Measurement, NumberKind
from dashboard.charts import bars, curves, drawing, forest, shares
from dashboard.charts.forest import ForestRow
from dashboard.released import classes as released_classes
from dashboard.released import deaths, records
from dashboard.released import deaths as released_deaths
from dashboard.released import lengths as released_lengths
from dashboard.released import trials as released_trials
from tests.app import sample_held, sample_released
from tests.app.reading import table_of
from tests.app.sample_bulletin import NOW, make

MET = "encounter_fish"


@pytest.fixture(scope="module")
def index():
    return bulletin_index.index_bulletin(make(NOW))


@pytest.fixture(scope="module")
def released(index):
    return records.read(index)


def ends_of(trace):
    return [x for x in trace.x if x is not None]


def test_both_methods_stand_apart_on_one_line_with_their_intervals(released):
    found = released_classes.forest_rows(released, None)
    figure = forest.figure(found, palette=LIGHT)
    bars, sampled, _, bars_reported, reported, _, gaps = figure.data  # and no second interval
    for points, lines, basis in ((sampled, bars, "sampled"), (reported, bars_reported, "reported")):
        rows = [released.classes[basis, None, None, name].row for name in released_classes.ALL]
        assert list(points.x) == [row.estimate for row in rows]
        assert ends_of(lines) == [end for row in rows for end in (row.ci_low, row.ci_high)]
    # One line for the two of a class, sampled above reported, and no two marks alike.
    assert [round(y) for y in sampled.y] == [round(y) for y in reported.y] == [0, 1, 2, 3, 4]
    assert all(a < b for a, b in zip(sampled.y, reported.y, strict=True))
    assert sampled.marker.symbol != reported.marker.symbol
    assert list(gaps.x) == []


def test_a_number_that_lacks_is_marked_with_its_reason(released):
    found = released_classes.forest_rows(released, sample_released.NO_SAMPLE)
    gaps = forest.figure(found, palette=DARK).data[-1]
    assert len(gaps.x) == 5
    assert sample_released.NO_FISH in gaps.text[0].replace("<br>", " ")
    assert forest.GAP in forest.signs(found, released_classes.NAMES)
    assert "no figure" in forest.description(found, of="Encounters", names=released_classes.NAMES)


def test_deaths_show_the_interval_and_the_span_of_the_rate(released):
    found = deaths.by_group(released, None)
    bars, thin, points, *_ = forest.figure(found, palette=LIGHT).data
    lines = released_deaths.groups(released, None)
    assert list(points.x) == [one["deaths"] for one in lines]
    assert ends_of(bars) == [one[end] for one in lines for end in ("ci_low", "ci_high")]
    spans = [one for one in lines if one["deaths_low"] != one["deaths_high"]]
    assert len(spans) == len(lines) - 2  # fish kept, and a rate without an error, have no ends
    assert ends_of(thin) == [one[end] for one in spans for end in ("deaths_low", "deaths_high")]
    assert "at a rate of 16" in points.text[2]


def test_an_interval_that_runs_on_is_cut_and_marked():
    found = [
        ForestRow("a", Measurement(10.0, 8.0, 12.0)),
        ForestRow("b", Measurement(9.0, 1.0, 400.0)),
    ]
    bars, _, cut, _ = forest.figure(found, palette=LIGHT).data
    top = forest.axis_end(found)
    assert top == pytest.approx(1.08 * 2.5 * 10.0)
    assert max(ends_of(bars)) == top
    assert list(cut.y) == [1]
    assert forest.CUT in forest.signs(found, (("sea", "fish"),))
    assert not forest.is_cut(found[:1])


def test_a_share_ends_at_one_and_a_guide_is_in_sight():
    share = [ForestRow("a", Measurement(0.97, 0.9, 1.0, NumberKind.SHARE))]
    assert forest.axis_end(share) == 1.0
    ratio = [ForestRow("a", Measurement(0.4, 0.3, 0.5, NumberKind.RATIO))]
    figure = forest.figure(ratio, palette=LIGHT, guide=1.0)
    assert figure.layout.xaxis.range[1] > 1.0
    assert figure.layout.shapes[0].x0 == 1.0


def test_a_dot_on_zero_does_not_touch_its_label():
    figure = forest.figure(
        [ForestRow("a", Measurement(0.0)), ForestRow("b", Measurement(5.0))], palette=LIGHT
    )
    assert figure.layout.xaxis.range[0] < 0


def test_numbers_are_downloaded_with_their_intervals(released):
    both = [
        ForestRow("A", Measurement(2.0, 1.0, 3.0), thin=(0.5, 4.0), words="first\nsecond"),
        ForestRow("B", Measurement(None)),
    ]
    columns, lines = table_of(forest.figure(both, palette=LIGHT))
    assert len(columns) == len(set(columns)) == len(lines[0]) == len(lines[1])
    assert lines == [["A", 2.0, 1.0, 3.0, 0.5, 4.0, "first; second"], ["B", *[None] * 5, ""]]
    columns, lines = table_of(forest.figure([both[1], both[1]], palette=LIGHT))
    assert len(columns) == len(lines[0]) == 5


def test_a_long_name_is_cut_and_one_from_right_to_left_turns_no_number():
    assert drawing.strip_name("Long reach " * 18) == "<b>Long reach Long reach Long reach Long…</b>"
    assert drawing.strip_name("x" * 200) == f"<b>{'x' * 39}…</b>"
    assert drawing.strip_name("مرحبا") == "<b>مرحبا\u200e</b>"


def test_names_keep_their_quotes():
    assert drawing.strip_name('"North" O\'Reach & <b>') == '<b>"North" O\'Reach &amp; &lt;b&gt;</b>'


def test_names_are_escaped():
    found = [ForestRow("<b>x</b>", Measurement(1.0), words="<i>y</i>")]
    figure = forest.figure(found, palette=LIGHT)
    assert figure.layout.yaxis.ticktext[0] == "&lt;b&gt;x&lt;/b&gt;"
    assert "<i>" not in figure.data[1].text[0]


@pytest.mark.parametrize("colours", [LIGHT, DARK])
def test_signs_have_the_colour_of_what_they_name(released, colours):
    found = released_classes.forest_rows(released, None)
    figure = forest.figure(found, palette=colours)
    for points, hue in ((figure.data[1], "sea"), (figure.data[4], "copper")):
        assert points.marker.color == getattr(colours, hue)
        assert forest.HUES.get(forest.GLYPHS[hue], "sea") == hue


def share_rows(index, released, area):
    return [
        [released.share(basis, area, week) for week in index.axis]
        for basis in (records.SURVEY, records.POOLED)
    ]


def share_figure(survey, pooled, index):
    return shares.panels(
        {"A1": (survey, pooled)},
        weeks=index.axis,
        span=(0.0, 1.0),
        names={"A1": "Quillon Bank"},
        palette=LIGHT,
    )


def test_the_title_of_the_shares_names_the_highest_area(index, released):
    lines = {area: tuple(share_rows(index, released, area)) for area in index.areas}
    last = {
        area: next((row for row in reversed(pooled) if row and row.estimate is not None), None)
        for area, (_, pooled) in lines.items()
    }
    top = max(row.estimate for row in last.values() if row)
    best = next(area for area, row in last.items() if row and row.estimate == top)
    title = shares.title(lines, names=index.names)
    assert f"highest in {index.names[best]}, {numbers.short(last[best])}" in title
    nothing = {"A5": lines[sample_released.NOTHING]}
    assert shares.title(nothing, names=index.names).endswith("no estimate of the model")


def test_the_share_has_points_of_the_survey_and_a_line_in_its_band(index, released):
    survey, pooled = share_rows(index, released, "A1")
    figure = share_figure(survey, pooled, index)
    band, line, bars, points, gaps, cuts, name = figure.data
    assert name.text[0].startswith("<b>Quillon Bank</b>  ")
    assert list(line.y) == [row.estimate for row in pooled]
    for row in pooled:
        assert row.ci_low in band.y
        assert row.ci_high in band.y
    known = [row for row in survey if row.estimate is not None]
    assert list(points.y) == [row.estimate for row in known]
    drawn = [row for row in known if row.has_interval and reasons.is_useful(row)]
    limits = [end for row in drawn for end in (row.ci_low, row.ci_high)]
    assert [y for y in bars.y if y is not None] == limits
    assert len(cuts.x) == sum(row.has_interval for row in known) - len(drawn)
    assert len(gaps.x) == len(survey) - len(known) > 0
    assert line.line.color != points.marker.color


def test_closed_weeks_part_the_band(index, released):
    survey, pooled = share_rows(index, released, sample_released.CONVENIENT)
    open_weeks = [at for at, row in enumerate(pooled) if row is not None]
    assert open_weeks != list(range(len(index.axis)))
    band = share_figure(survey, pooled, index).data[0]
    runs = 1 + sum(b - a > 1 for a, b in itertools.pairwise(open_weeks))
    assert list(band.x).count(None) + 1 == runs > 1


def test_no_pooled_line_is_no_band(index, released):
    survey, pooled = share_rows(index, released, sample_released.NOTHING)
    figure = share_figure(survey, pooled, index)
    assert list(figure.data[0].x) == []
    words = shares.description(survey, pooled, weeks=index.axis, area="Wicket Pass")
    assert words.endswith("no model estimate.")


def test_the_axis_of_shares_holds_every_end(index, released):
    rows = [
        row for area in index.areas for line in share_rows(index, released, area) for row in line
    ]
    low, high = shares.axis(rows)
    for row in rows:
        if row is not None and row.estimate is not None and reasons.is_useful(row):
            assert low <= (row.ci_low or row.estimate) <= (row.ci_high or row.estimate) <= high
    alone = [row for row in share_rows(index, released, "A1")[1] if row]
    low, high = shares.axis(alone)
    assert high - low >= 0.4
    assert shares.axis([]) == (0.0, 1.0)


def test_bars_stack_to_the_fish_and_the_line_stands_at_the_minimum(released):
    bins = released_lengths.bins(released, None, source="test_fishing", week=None)
    figure = bars.lengths(
        bins,
        rules=released_lengths.rules(released, None),
        span=released_lengths.span(released),
        palette=LIGHT,
    )
    marked, others = figure.data
    assert [a + b for a, b in zip(marked.y, others.y, strict=True)] == [one["fish"] for one in bins]
    assert list(marked.y) == [one["marked"] for one in bins]
    assert list(marked.x) == [one["bin_low_mm"] + 10 for one in bins]
    assert marked.marker.pattern.shape != others.marker.pattern.shape
    assert [shape.x0 for shape in figure.layout.shapes] == [sample_held.RULE_MM]
    columns, lines = table_of(figure)
    assert columns == ["from_mm", "to_mm", "fish", "marked", "converted"]
    assert [line[0] for line in lines] == [one["bin_low_mm"] for one in bins]
    assert [line[2:4] for line in lines] == [[one["fish"], one["marked"]] for one in bins]


def test_the_curve_has_its_band_and_the_minimum_in_force(released):
    lines = released_lengths.shares(released, None)
    figure = curves.legal(lines, palette=LIGHT)
    band, curve, rule = figure.data
    assert list(curve.y) == [one["share"] for one in lines]
    assert list(curve.x) == sorted(curve.x)
    assert sorted(band.y) == sorted(one[end] for one in lines for end in ("ci_low", "ci_high"))
    assert list(rule.x) == [sample_held.RULE_MM]
    columns, given = table_of(figure)
    assert columns == ["min_length_mm", "share", "ci_low", "ci_high", "is_rule"]
    assert [dict(zip(columns, one, strict=True)) for one in given] == [
        {name: line[name] for name in columns} for line in lines
    ]


def test_stairs_begin_with_all_alive_and_show_the_last_fall(released):
    groups = released_trials.survivors(released)
    steps = groups["jaw"]
    figure = curves.alive(steps, until=100.0, palette=LIGHT)
    high, low, alive = figure.data
    assert list(alive.x) == [0.0, 24.0, 96.0, 100.0]
    assert list(alive.y) == [1.0, 0.967, 0.933, 0.933]
    assert alive.line.shape == "hv"
    assert list(low.y)[1:3] == [one["ci_low"] for one in steps]
    assert list(high.y)[1:3] == [one["ci_high"] for one in steps]
    # A group without limits has no band, and still its stairs.
    (alone,) = curves.alive(groups["oesophagus stomach"], until=100.0, palette=DARK).data
    assert list(alone.y) == [1.0, 0.0, 0.0]
    columns, given = table_of(figure)
    assert columns == ["hours", "alive_prop", "ci_low", "ci_high", "died", "at_risk"]
    assert given == [[line[name] for name in columns] for line in steps]


def test_the_curve_of_precision_is_given_with_the_plan_on_it():
    lines = [{"site_days": n, "pse": 0.6 / n**0.5, "pse_error": 0.1} for n in (4, 9)]
    figure = curves.precision(lines, {"site_days": 5, "pse": 0.27}, palette=LIGHT)
    columns, given = table_of(figure)
    assert columns == ["site_days", "pse", "pse_error", "is_plan"]
    assert given[:-1] == [[*line.values(), False] for line in lines]
    assert given[-1] == [5, 0.27, None, True]
    assert len(table_of(curves.precision(lines, None, palette=LIGHT))[1]) == len(lines)


def test_trials_show_corrected_and_seen_rates(released):
    found = released_trials.forest_rows(released)
    labels = list(dict.fromkeys(row.label for row in found))
    assert labels == [*sample_held.GROUPS, sample_held.NEVER]
    hues = [row.hue for row in found if row.label == "control"]
    assert hues == [released_trials.OBSERVED]
    worse = [row for row in found if row.label == sample_held.WORSE]
    assert worse[0].amount.value == 0.0  # drawn from zero on; the table has the negative rate
    assert "−4.2" in released_trials.table(released_trials.together(released))
