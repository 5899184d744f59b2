"""The figures of catch rates and run timing hold what the tables hold, and say it in words."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from analytics.palette import LIGHT
from analytics.wording import bulletin_index
from analytics.wording.numbers import NumberKind
from analytics.wording.week import strength_side
from dashboard.catch_rates import models, records, seasonal_timing
from dashboard.charts import curves, drawing, rates, series, timing
from tests.app import sample_rates
from tests.app.reading import table_of
from tests.app.sample_bulletin import NOW, make

COLOURS = LIGHT


@pytest.fixture(scope="module")
def index():
    return bulletin_index.index_bulletin(make(NOW))


@pytest.fixture(scope="module")
def held(index):
    return records.read(index)


def traces(figure):
    found = {}
    for trace in figure.data:
        found.setdefault(trace.name, []).append(trace)
    return found


def figure_of(panel, **how):
    return rates.figure({"x": panel}, palette=COLOURS, **how)


def test_a_panel_draws_points_index_level_and_weeks_ahead(index, held):
    panel = rates.panel_of(index, held, "A1", response="encounters")
    drawn = traces(figure_of(panel))
    weeks = range(14)
    lines = held.index["encounters", "A1"]
    assert list(drawn["index"][0].x) == list(weeks)
    assert list(drawn["index"][0].y) == [line["index"] for line in lines]
    assert list(drawn["survey_estimate"][0].y) == [line["survey_estimate"] for line in lines]
    levels = [line["level"] for line in held.trend["encounters", "A1"]]
    assert list(drawn["level"][0].y) == levels[:14]
    # The part ahead starts at the last week behind it, so that the line is one.
    assert list(drawn["ahead"][0].x) == [13, 14, 15, 16]
    assert list(drawn["ahead"][0].y) == levels[13:]
    assert drawn["ahead"][0].line.dash == "dot"
    assert len(drawn["past"]) == 2


def test_intervals_are_drawn_to_their_ends(index, held):
    panel = rates.panel_of(index, held, "A4", response="encounters")
    drawn = traces(figure_of(panel))
    ends = [one for one in drawn["intervals"][0].y if one is not None]
    wanted = [
        end for line in held.index["encounters", "A4"] for end in (line["ci_low"], line["ci_high"])
    ]
    assert ends == wanted
    assert panel.cut["sea"] == []
    calm = replace(panel, trend=tuple(panel.behind))
    assert not calm.is_cut
    assert rates.CUT not in rates.signs([calm])


def test_an_interval_that_runs_on_is_marked(index, held):
    panel = rates.panel_of(index, held, sample_rates.WIDE, response="encounters")
    assert panel.cut == {"sea": [3], "copper": [], "quiet": []}
    drawn = traces(figure_of(panel))
    assert [list(one.x) for one in drawn["cut"]] == [[3]]
    assert drawn["cut"][0].marker.color == COLOURS.sea
    assert rates.CUT in rates.signs([panel])
    # Closed weeks have no point; they are shaded, and the level through them is dashed.
    assert panel.closed == (0, 1, 7, 8)
    shaded = [(one.x0, one.x1) for one in figure_of(panel).layout.shapes]
    assert shaded == [(at - 0.5, at + 0.5) for at in panel.closed]
    dashed = drawn["level closed"][0]
    assert dashed.line.dash == "dash"
    assert {0, 1, 2, 6, 7, 8, 9, None} == {*dashed.x}
    assert not {1, 7, 8} & {*drawn["level"][0].x}
    assert rates.CLOSED in rates.signs([panel])
    assert list(drawn["index"][0].x) == [2, 3, 4, 5, 6, 9, 10, 11, 12, 13]


def test_a_week_without_an_index_is_marked_with_its_reason(index, held):
    panel = rates.panel_of(index, held, "A4", response="kept")
    lines = [
        line | {"index": None, "ci_low": None, "ci_high": None, "reason": "no fish in <9> trips"}
        if line["week"] == "2035-W50"
        else line
        for line in panel.index
    ]
    with_gap = rates.Panel(panel.weeks, tuple(lines), panel.trend, (), (), NumberKind.RATIO)
    drawn = traces(figure_of(with_gap))
    assert list(drawn["gaps"][0].x) == [5]
    assert "no fish in &lt;9&gt; trips" in drawn["gaps"][0].text[0]
    assert rates.GAP in rates.signs([with_gap])
    assert rates.GAP not in rates.signs([panel])


def test_an_area_without_a_trend_has_points_alone(index, held):
    panel = rates.panel_of(index, held, sample_rates.NO_TREND, response="kept")
    drawn = traces(figure_of(panel))
    assert not {"level", "ahead", "band"} & set(drawn)
    assert rates.signs([panel]) == list(rates.SIGNS[:2])


def test_shares_end_at_one_and_read_in_percent(index, held):
    panel = rates.panel_of(index, held, None, response="sublegal")
    figure = figure_of(panel)
    assert panel.top <= 1
    lows = [line["ci_low"] for line in held.index["sublegal", None]]
    assert panel.bottom == 0.4 <= min(lows)
    assert list(figure.layout.yaxis.range) == [panel.bottom, panel.top]
    ticks = [one.replace("\u00a0", " ") for one in figure.layout.yaxis.ticktext]
    assert ticks == ["40 %", "60 %", "80 %"]
    words = rates.description(panel, of="Sublegal share").replace("\u00a0", " ")
    assert "14 of 14 weeks with a standardised catch rate" in words
    assert "%" in words


def test_a_panel_is_told_in_words(index, held):
    panel = rates.panel_of(index, held, "A1", response="encounters")
    words = rates.description(panel, of="Encounters, Quillon Bank")
    first, last = (sample_rates.level("A1", at, "encounters") for at in (0, 13))
    assert words.startswith(
        "Encounters, Quillon Bank by week, 14 of 14 weeks with a standardised catch rate"
    )
    assert f"the smoothed trend goes from {first:.2f} to {last:.2f}" in words
    none = rates.Panel(panel.weeks, (), panel.trend, (), (), NumberKind.RATIO)
    assert (
        rates.description(none, of="Encounters")
        == "Encounters: no week has a standardised catch rate."
    )


def test_shares_of_a_run_hold_every_season_their_envelope_and_both_curves(held):
    run = seasonal_timing.runs(held, [None], "share")[None]
    drawn = traces(timing.figure(run, palette=COLOURS, shows_past=True))
    lines = held.timing["2033-34", None]
    assert list(drawn["past"][0].y) == [line["share"] for line in lines]
    both = [[line["share"] for line in held.timing[season, None]] for season in run.past]
    highs = [max(pair) for pair in zip(*both, strict=True)]
    assert list(drawn["envelope"][0].y[: len(highs)]) == highs
    assert drawn["normal"][0].line.dash == "solid"
    assert drawn["logistic"][0].line.dash == "dash"
    assert "now" not in drawn
    assert timing.CURVES["normal"][1] in timing.signs([run], shows_past=True)
    come = seasonal_timing.runs(held, [None], "come")[None]
    first = traces(timing.figure(come, palette=COLOURS))
    assert not {"past", "normal", "logistic"} & set(first)  # three layers at first sight
    assert {"envelope", "interval", "now"} <= set(first)
    # Every season and curve is given with the figure, also what is not drawn at first sight.
    columns, given = table_of(timing.figure(come, palette=COLOURS))
    assert columns == ["series", "season", "day", "date", "cumulative_share", "ci_low", "ci_high"]
    found = [dict(zip(columns, one, strict=True)) for one in given]
    now = [one for one in found if one["series"] == "this_season"]
    assert [(one["day"], one["cumulative_share"]) for one in now] == list(come.now)
    assert [(one["day"], one["ci_low"], one["ci_high"]) for one in now] == list(come.ends)
    for season, line in come.past.items():
        mine = [one for one in found if one["season"] == season]
        assert [(one["day"], one["cumulative_share"]) for one in mine] == list(line)
    assert {one["date"] for one in now} <= {one["date"] for one in found}
    assert table_of(timing.figure(run, palette=COLOURS))[1][-1][0] == "logistic_curve"
    by_index = seasonal_timing.runs(held, ["A1"], "index")["A1"]
    assert "index" in table_of(timing.figure(by_index, palette=COLOURS))[0]


def test_all_seasons_stand_in_parts_of_an_average_past_one(held):
    run = seasonal_timing.runs(held, [None], "come")[None]
    totals, shares = {}, {}
    for season in held.seasons(None):
        lines = held.timing[season, None]
        shares[season] = {line["day"]: line["share"] for line in lines}
        totals[season] = sum(line["index"] for line in lines)  # every week has one, all had come
    average = np.exp(np.mean(np.log(list(totals.values()))))
    for season, line in run.past.items():
        wanted = [share * totals[season] / average for share in shares[season].values()]
        assert [value for _, value in line] == pytest.approx(wanted, rel=1e-3)
    strength = {line["week"]: line for line in held.strength[None]}
    days = {line["day"]: line["week"] for line in held.timing[held.season, None]}
    assert len(run.now) == len(run.ends) > 1
    for (day, value), (at, low, high) in zip(run.now, run.ends, strict=True):
        line = strength[days[day]]
        come = np.exp(np.mean([np.log(dict(one)[day]) for one in run.past.values()]))
        assert at == day
        assert (value, low, high) == pytest.approx(
            tuple(come * line[name] for name in ("ratio", "ci_low", "ci_high"))
        )
    drawn = traces(timing.figure(run, palette=COLOURS))
    assert list(drawn["now"][0].y) == [value for _, value in run.now]
    assert max(drawn["interval"][0].y) <= run.top
    said = seasonal_timing.finding(run).replace("\u00a0", " ")
    assert said.startswith("by 10 Feb ")
    assert " of an average past season, past seasons " in said
    names = {one.text for one in timing.figure(run, palette=COLOURS).layout.annotations}
    assert {"past seasons", "this season", "10 Feb", "of an average past season"} <= names


def test_a_week_without_an_index_is_no_part_of_a_total():
    def line(day, index, share):
        return {"day": day, "index": index, "share": share}

    whole = [line(6, 2.0, 0.2), line(13, 3.0, 0.5), line(20, 5.0, 1.0)]
    assert seasonal_timing._total(whole) == pytest.approx(10.0)
    gap = [line(6, 2.0, 0.2), line(13, None, 0.5), line(20, 5.0, 1.0)]
    assert seasonal_timing._total(gap) == pytest.approx(10.0)
    assert seasonal_timing._total([line(6, 2.0, None)]) == 0.0


def test_a_season_that_is_over_has_its_own_shares_and_no_interval(held):
    past = held.seasons(None)
    over = replace(held, season=past[-1], strength={})
    run = seasonal_timing.runs(over, [None], "share")[None]
    assert run.ends == ()
    assert run.now[-1][1] == pytest.approx(1.0)
    assert "of this season's fish had come" in seasonal_timing.finding(run)


def test_a_strong_season_stretches_the_axis_of_shares():
    day = date(2035, 11, 5)
    run = timing.Run({}, ((6, 1.2),), {}, day, is_share=True, ends=((6, 1.0, 1.9),))
    assert run.top == timing.MOST
    assert timing.figure(run, palette=COLOURS).layout.yaxis.ticktext[-1] == "150%"


def test_the_index_of_a_run_stands_against_the_past(held):
    run = seasonal_timing.runs(held, ["A1"], "index")["A1"]
    drawn = traces(timing.figure(run, palette=COLOURS))
    now = held.timing[NOW, "A1"]
    assert list(drawn["now"][0].x) == [line["day"] for line in now]
    assert list(drawn["now"][0].y) == [line["index"] for line in now]
    labels = timing.figure(run, palette=COLOURS).layout.xaxis.ticktext
    assert labels[0] == "1 Dec"
    words = timing.description(run, of="The index")
    assert words.startswith("The index: 2 past seasons; this season 0.")
    assert "by 10 Feb, past ones" in words
    said = seasonal_timing.finding(run)
    low, high = next(ends for at, *ends in run.envelope if at == run.now[-1][0])
    assert said.endswith(f" in the week to 10 Feb, past seasons {low:.2f} to {high:.2f}")


def test_a_closed_time_breaks_the_line():
    points = ((6, 0.1), (13, 0.2), (34, 0.3))
    run = timing.Run({}, points, {}, date(2035, 11, 5), is_share=False)
    trace = traces(timing.figure(run, palette=COLOURS))["now"][0]
    assert list(trace.x) == [6, 13, 31, 34]
    assert list(trace.y) == [0.1, 0.2, None, 0.3]
    assert trace.text[2] == ""
    assert not run.envelope


def test_the_envelope_is_apart_where_past_seasons_were_closed():
    line = ((6, 0.1), (13, 0.2), (34, 0.3), (41, 0.4))
    past = {"a": line, "b": tuple((day, value + 0.1) for day, value in line)}
    run = timing.Run(past, (), {}, date(2035, 11, 5), is_share=False)
    band = traces(timing.figure(run, palette=COLOURS))["envelope"][0]
    assert list(band.x) == [6, 13, 13, 6, None, 34, 41, 41, 34]
    assert list(band.y) == pytest.approx([0.2, 0.3, 0.2, 0.1, None, 0.4, 0.5, 0.4, 0.3])


def test_one_past_season_has_no_envelope(held):
    run = seasonal_timing.runs(held, [None], "index")[None]
    one = timing.Run({"2034-35": run.past["2034-35"]}, run.now, {}, run.start, is_share=False)
    assert one.envelope == ()
    assert timing.PAST in timing.signs([one])
    assert "past" in traces(timing.figure(one, palette=COLOURS))
    assert "1 past season;" in timing.description(one, of="The index")


def test_residuals_stand_against_the_normal(held):
    lines = models.quantiles(held, "encounters")
    figure = curves.residuals(lines, palette=COLOURS)
    guide, points = figure.data
    assert list(guide.x) == list(guide.y)
    assert len(points.x) == 60
    assert list(points.y) == [line["residual"] for line in lines]
    assert table_of(figure) == (
        ["normal", "residual"],
        [[line["normal"], line["residual"]] for line in lines],
    )
    assert "60 points; farthest from the line at 2.1" in models.quantile_words(lines)


@pytest.mark.parametrize(
    ("low", "high", "found"),
    [
        (0.0, 0.61, [0, 0.25, 0.5]),
        (0.0, 2.1, [0, 1, 2]),
        (0.0, 0.058, [0, 0.025, 0.05]),
        (0.4, 0.85, [0.4, 0.6, 0.8]),
        (0.0, 1.0, [0, 0.5, 1]),
        (0.0, 37.0, [0, 10, 20, 30]),
    ],
)
def test_an_axis_has_three_round_ticks_or_a_few_more(low, high, found):
    assert drawing.ticks(low, high) == pytest.approx(found)


def test_weeks_ahead_and_spikes_of_the_past_do_not_set_the_scale(index, held):
    panel = rates.panel_of(index, held, "A1", response="encounters")
    ahead = [
        line | {"level": 9.0, "ci_high": 40.0} if line["is_projected"] else line
        for line in panel.trend
    ]
    spike = rates.Past("2034-35", tuple((at, 30.0 if at == 5 else 0.3) for at in range(40)))
    one = replace(panel, trend=tuple(ahead), past=(spike,))
    most = max(line["index"] for line in panel.index)
    assert one.top < 2.2 * most
    assert one.cut["copper"] == [14, 15, 16]
    assert one.cut["quiet"] == [5]
    assert len(rates.signs([one])) == 6


def test_the_last_season_is_named_and_each_told_by_the_pointer(index, held):
    panel = rates.panel_of(index, held, "A1", response="encounters")
    figure = figure_of(panel)
    assert [one.text for one in figure.layout.annotations] == ["fish per angler-hour"]
    first, last = traces(figure)["past"]
    assert last.line.width > first.line.width
    assert last.text[0].startswith("<b>2034-35</b><br>")


def test_at_first_sight_past_seasons_are_a_band_and_three_layers_stand(index, held):
    panel = rates.panel_of(index, held, "A1", response="encounters")
    drawn = traces(figure_of(panel, shows_all=False))
    assert not {"past", "survey_estimate"} & set(drawn)
    ends = {}
    for one in panel.past:
        for at, value in one.points:
            if value is not None:
                ends.setdefault(at, []).append(value)
    wanted = {at: (min(of), max(of)) for at, of in ends.items() if len(of) > 1}
    (band,) = drawn["past range"]
    found = {at: [] for at in wanted}
    for at, value in zip(band.x, band.y, strict=True):
        if at is not None:
            found[at].append(value)
    top = panel.top
    assert {at: (min(of), max(of)) for at, of in found.items()} == {
        at: (min(low, top), min(high, top)) for at, (low, high) in wanted.items()
    }
    assert rates.SIGNS[1] not in rates.signs([panel], shows_all=False)


def test_panels_of_areas_share_their_weeks(index, held):
    found = rates.panels_of(index, held, [None, *index.areas], response="encounters")
    assert sample_rates.NO_INDEX not in found
    assert len({one.weeks for one in found.values()}) == 1
    figure = rates.figure({str(area): one for area, one in found.items()}, palette=COLOURS)
    assert len({one.yaxis for one in figure.data}) == len(found)
    kept = json.loads(figure.layout.meta)
    assert len(kept["lines"]) == sum(len(one.weeks) for one in found.values())


@pytest.mark.parametrize(
    ("directions", "words"),
    [
        (("rising", "falling", "no clear change", "not known"), "rising in W, falling in X"),
        (("rising", "rising", "rising", "not known"), "rising in W, X and Y"),
        (("falling",) * 4, "falling in 4 of 4 areas"),
        (("no clear change", "not known", "not known", "not known"), "no clear change"),
        (("not known", "not known", "not comparable", "not known"), "change not known"),
    ],
)
def test_the_title_of_the_panels_states_where_a_figure_moved(directions, words):
    title = series.moves_title(dict(zip("WXYZ", directions, strict=True)), label="Fish")
    assert title == f"Fish by week: {words} since the week before"


def test_this_seasons_day_is_marked_on_a_run(held):
    run = seasonal_timing.runs(held, [None], "share")[None]
    assert run.today == (97, "10 Feb")
    layout = timing.figure(run, palette=COLOURS).layout
    assert [(one.x0, one.x1) for one in layout.shapes] == [(97, 97)]
    assert "10 Feb" in [one.text for one in layout.annotations]
    assert timing.CUT not in timing.signs([run])


def test_a_spike_of_a_past_season_is_cut_on_a_run():
    past = {"a": tuple((7 * at + 6, 9.0 if at == 3 else 0.3) for at in range(30))}
    run = timing.Run(past, ((6, 0.4),), {}, date(2035, 11, 5), is_share=False)
    assert run.top < 1
    assert run.cut == [27]
    assert timing.CUT in timing.signs([run])


# This season against past ones.


def past_by_week(held, season, area):
    lines = held.timing[season, area]
    return {line["day"]: line["index"] for line in lines if line["index"] is not None}


def test_past_seasons_are_a_band_behind_this_one(held):
    found = series.against_past(held)
    drawn = traces(series.past_figure(found, palette=COLOURS))
    seasons = [past_by_week(held, season, None) for season in held.seasons(None)]
    assert found.n_past == len(seasons) == 2
    both = sorted(set(seasons[0]) & set(seasons[1]))
    ends = [(min(values), max(values)) for day in both for values in [[s[day] for s in seasons]]]
    assert [(low, high) for _, low, high in found.band] == ends
    assert {y for y in drawn["past range"][0].y if y is not None} == {
        y for two in ends for y in two
    }
    lines = held.index["encounters", None]
    known = [line["index"] for line in lines if line["index"] is not None]
    assert list(drawn["this season"][0].y) == known
    assert len([y for y in drawn["intervals"][0].y if y is not None]) == 2 * len(known)


def test_a_week_of_the_past_stands_over_the_same_week_of_this_season(held):
    found = series.against_past(held)
    # Days count from one Monday in every season: that of this season's own lines.
    own = {one["day"]: one["week"] for one in held.timing[held.season, None]}
    season = past_by_week(held, held.seasons(None)[0], None)
    placed = {found.weeks[at]: (low, high) for at, low, high in found.band}
    shared = [day for day in own if day in season and own[day] in placed]
    assert shared
    for day in shared:
        low, high = placed[own[day]]
        assert low <= season[day] <= high


@pytest.mark.parametrize(
    ("low", "high", "side"),
    [(1.1, 1.6, "above"), (0.4, 0.9, "below"), (0.8, 1.2, "alike"), (None, None, "unknown")],
)
def test_the_title_states_the_finding_by_the_interval(held, low, high, side):
    found = series.against_past(held)
    line = {"ratio": 1.0, "ci_low": low, "ci_high": high}
    assert strength_side(line) == side
    title = series.past_title(replace(found, strength=line))
    others = {
        series.past_title(replace(found, strength={"ci_low": a, "ci_high": b}))
        for a, b in [(1.1, 1.6), (0.4, 0.9), (0.8, 1.2), (None, None)]
    }
    assert title in others
    assert len(others) == 4
    assert series.past_description(replace(found, strength=line)).startswith(title)


def test_without_a_past_season_there_is_no_band(held):
    assert series.against_past(replace(held, timing={}, strength={})) is None
    one = {key: of for key, of in held.timing.items() if key[0] != held.seasons(None)[0]}
    found = series.against_past(replace(held, timing=one))
    assert found.n_past == 1
    assert found.band == ()
    assert "mean" not in series.past_title(found)
    assert series.past_figure(found, palette=COLOURS).data
