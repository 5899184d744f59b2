"""The page Season limits, run headless: every case of a limit in words, figures and a table."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date

import pyarrow as pa
import pytest

from analytics.bulletin import archive
from analytics.codes import coded
from analytics.outlook.schemas import OUTLOOK_SCHEMAS
from analytics.palette import palette
from analytics.precision import DASH
from analytics.wording import accuracy, bulletin_index
from analytics.wording import limits as sentences
from analytics.wording import limits as standings
from dashboard.charts import limits as barred
from dashboard.season_limits import panels
from dashboard.season_limits import table as standing_table
from tests.app import sample_season
from tests.app.rate_pages import old_archive
from tests.app.reading import download_of, heads_of, table_of, unfold, words_of
from tests.app.sample_bulletin import AREAS, NOW, for_the_public, make

HOLES = {"nan", "None", "inf", "null"}


@pytest.fixture
def open_standing(opener):
    """Return a function that opens the page with a link, in the archive of the tests or another."""
    return opener("app_pages/season_limits.py")


@pytest.fixture
def open_accuracy(opener):
    """Return a function that opens the page of projection accuracy in the same way."""
    return opener("app_pages/projection_accuracy.py")


@pytest.fixture(scope="module")
def index():
    return bulletin_index.index_bulletin(make(NOW))


@pytest.fixture(scope="module")
def found(index):
    return standings.read(index)


def plain(said):
    return said.replace("\\", "").replace("\u00a0", " ")


def with_tables(index, /, **lines):
    """Return the sample with other lines in some tables."""
    made = {
        name: pa.Table.from_pylist(rows, schema=OUTLOOK_SCHEMAS[name])
        for name, rows in lines.items()
    }
    return bulletin_index.index_bulletin(
        replace(index.bulletin, outlook={**index.bulletin.outlook, **made})
    )


def limit(index, name, **other):
    """Return the sample with a single limit, some of its columns changed."""
    lines = index.bulletin.table("limit_status").to_pylist()
    line = next(one for one in lines if one["limit_id"] == name)
    return with_tables(index, limit_status=[line | other])


def answer(index, areas=()):
    return plain(sentences.limits_answer(index, standings.read(index), areas))


@pytest.mark.parametrize("season", [NOW, "2034-35"])
@pytest.mark.parametrize("areas", [[], ["A2"], ["A6"], list(AREAS)])
def test_every_case_is_told_in_words_without_a_hole(open_standing, season, areas):
    page = open_standing(season=season, area=areas)
    assert not page.exception
    assert not HOLES & set(re.split(r"[^\w]+", words_of(page)))
    assert not page.warning


def test_the_answer_names_the_binding_limit_its_day_and_its_chance(index):
    first = answer(index).split("\n\n")[0]
    assert first.startswith(
        "By 10 February 2036, **52 %** (95 % CI 42–64 %) of the limit on **sublegal releases in "
        "Quillon Bank** is used: 1,240 (1,000–1,540) of 2,400 fish."
    )
    assert "reached on **14 March** (as early as 3 March with 1 chance in 10" in first
    assert "the probability of exceeding it by the planned close on 13 April is **64 %**" in first
    assert first.endswith("It is reached first of 6 limits.")


def test_the_other_limits_are_told_by_where_they_go(index):
    said = answer(index)
    assert "Also exceeded: Chinook kept in Pale Hook and Umbra Flats (106 %)." in said
    assert "Also likely exceeded: total deaths over all areas (72 %, 2 April)." in said
    assert "The other 2 limits are less likely than not to be exceeded." in said
    assert f"Chinook kept in Tarnow Deep ({sample_season.LOST})" in said


def test_both_ends_of_a_day_are_told(index):
    one = limit(index, sample_season.BINDING, exceedance_date_p90=date(2036, 4, 2))
    assert "**14 March** (80 % between 3 March and 2 April)" in answer(one)
    alone = limit(
        index,
        sample_season.BINDING,
        exceedance_date_p90=date(2036, 3, 3),
        exceedance_date_p50=date(2036, 3, 3),
    )
    assert "**3 March** (80 % on that day)" in answer(alone)
    assert "reached first" not in answer(alone)


def test_a_limit_that_may_be_passed_already_is_told_with_its_chance(index):
    past = sample_season.THROUGH
    one = limit(index, sample_season.BINDING, prob_exceeded_to_date=0.42, exceedance_date_p10=past)
    said = answer(one)
    assert "reached on **14 March** (it may also not be reached)" in said
    assert said.endswith(
        "The chance that it is exceeded already, given the error of the total: **42 %**."
    )
    table = plain(standing_table.table(one, standings.read(one).limits))
    assert "14 Mar<small>may be exceeded already (42 %)</small>" in table
    assert "64 %<small>exceeded already: 42 %</small>" in table
    both = limit(
        index,
        sample_season.BINDING,
        prob_exceeded_to_date=0.55,
        exceedance_date_p10=past,
        exceedance_date_p50=past,
    )
    assert "Under today's rules it **may be exceeded already**; the probability" in answer(both)
    assert "10 Feb" not in plain(standing_table.table(both, standings.read(both).limits))
    rare = limit(index, sample_season.BINDING, prob_exceeded_to_date=0.049)
    assert "exceeded already" not in answer(rare)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        (
            sample_season.REACHED,
            "It is **exceeded already** (the chance that this is so, given the",
        ),
        (
            sample_season.SAFE,
            "the probability of exceeding it by the planned close on 13 April is **under",
        ),
        (
            sample_season.SUM,
            "is **18 %**; it could be reached as early as 4 April (1 chance in 10)",
        ),
        (
            sample_season.SUM,
            "the limit on **unmarked encounters in Quillon Bank and Sorrel Narrows",
        ),
    ],
)
def test_each_outlook_is_told(index, name, said):
    assert said in answer(limit(index, name))


def test_a_limit_without_an_outlook_says_why(index):
    lost = limit(
        index,
        sample_season.LATER,
        prob_exceeded_by_close=None,
        exceedance_date_p50=None,
        reason="too few weeks",
    )
    assert "Where it goes cannot be given (too few weeks)." in answer(lost)
    assert "reached first" not in answer(lost)


def test_a_limit_of_no_fish_has_no_share(index):
    none = limit(index, sample_season.BINDING, limit_fish=0.0, share_used=None, share_used_low=None)
    said = answer(none)
    assert (
        "the total against the limit on **sublegal releases in Quillon Bank** is 1,240 fish" in said
    )
    assert "of a limit of none no share can be given" in said
    line = standings.read(none).limits[0]
    assert standings.is_passed(line)
    assert standings.expected_share(line).value is None


def test_a_season_that_is_over_is_final(open_standing):
    page = open_standing(season="2034-35")
    said = plain(words_of(page))
    assert "The season is over: it was **kept**" in said
    assert "**Final**, unless late data come." in said
    assert "Under today's rules it" not in said
    assert accuracy.OVER in said
    assert "planned close" not in said


def test_no_limit_is_told_in_words(open_standing, index, tmp_path):
    archive.save(tmp_path, with_tables(index, limit_status=[], limit_paths=[]).bulletin)
    page = open_standing(folder=tmp_path)
    assert not page.exception
    said = plain(words_of(page))
    assert "No limit is set for season 2035-36" in said
    assert "limits" in said
    assert not any(one.key == "season-bars" for one in page.get("plotly_chart"))


def test_areas_choose_the_limits_that_count_them(found, index):
    assert [line["limit_id"] for line in found.of_areas(["A5"])] == ["S-3", "S-4"]
    none = with_tables(
        index,
        limit_status=[
            line | {"areas": "A1"} for line in index.bulletin.table("limit_status").to_pylist()
        ],
    )
    assert "No limit of this season counts the chosen areas" in answer(none, ["A2"])


def test_the_binding_limit_stands_first_and_then_the_earliest(found):
    assert [line["limit_id"] for line in found.limits] == ["S-1", "S-2", "S-3", "S-5", "S-4", "S-6"]


def test_the_table_tells_what_was_revised_and_what_remains(index, found):
    told = plain(standing_table.table(index, found.limits))
    assert "revised from 1,400" in told
    assert "as in the bulletin before" in told
    assert "2,800 through 3 Feb, bulletin before" in told
    assert "<small>860 to 1,400</small>" in told  # 2,400 less the interval of the total
    assert "−60<small>" in told
    assert "over the limit" in told
    assert "&lt;b&gt;A6" in told
    assert "<b>A6" not in told
    assert told.count("reached first") == 1
    assert "80 %: from 3 Mar on" in told


def test_the_bars_are_shares_of_their_limits(index, found):
    bars = panels.bars(index, found.limits)
    assert [bar.used.value for bar in bars[:2]] == [1240 / 2400, 957 / 900]
    assert bars[0].expected.value == pytest.approx(2610 / 2400)
    assert bars[-1].used.value is None
    drawn = barred.figure(bars, palette=palette(dark=False))
    line = [shape for shape in drawn.layout.shapes if shape.x0 == 1.0]
    assert len(line) == 1
    assert barred.GAP in barred.signs(bars)
    columns, lines = table_of(drawn)
    assert [line[columns.index("limit")] for line in lines] == [bar.label for bar in bars]
    assert [line[columns.index("share_used")] for line in lines] == [bar.used.value for bar in bars]
    wide = [replace(bars[0], used=replace(bars[0].used, value=4.0))]
    assert barred.axis_end(wide) == barred.MOST
    assert barred.CUT in barred.signs(wide)
    assert max(barred.figure(wide, palette=palette(dark=True)).data[0].x) == barred.MOST


def test_the_first_bar_names_what_is_drawn_and_the_title_says_what_it_shows(index, found):
    bars = panels.bars(index, found.limits)
    drawn = barred.figure(bars, palette=palette(dark=False))
    names = {note.text: (note.xref, note.x, note.y) for note in drawn.layout.annotations}
    assert set(names) == {"the limit", "used so far", "◇ expected"}
    assert names["the limit"][:2] == ("x", 1.0)
    assert panels.finding(found.limits) == "3 of 5 limits are likely exceeded by the planned close"
    assert panels.finding(found.limits[:1]) == "The limit is likely exceeded by the planned close"
    assert panels.finding(found.limits[-1:]) == "How much of each limit is used"
    over = [line | {"is_preliminary": False} for line in found.limits]
    assert panels.finding(over) == "1 of 5 limits was exceeded"
    assert not any(bar.expected.ends for bar in panels.bars(index, over))


def test_the_fan_has_the_limit_the_weeks_and_its_bands(found):
    one = panels.fan(found, found.limits[0])
    assert len(one.past) == 14
    assert len(one.ahead) == len(sample_season.WEEKS_AHEAD)
    drawn = barred.season_fan(one, palette=palette(dark=False))
    bands = [trace for trace in drawn.data if trace.fill == "toself"]
    assert len(bands) == 3
    assert [shape.y0 for shape in drawn.layout.shapes if shape.y0 == shape.y1] == [2400.0]
    assert barred.fan_finding(one) == "2,600 expected by 13 Apr, 109\u00a0% of the limit"
    said = barred.fan_description(one, of="Sublegal releases")
    assert "1,240 by 10 Feb" in said


def test_the_fan_opens_at_the_total_so_far_and_ends_at_the_planned_close(index, found):
    one = panels.fan(found, found.limits[0])
    drawn = barred.season_fan(one, palette=palette(dark=False))
    bands = [trace for trace in drawn.data if trace.fill == "toself"]
    last = one.past[-1]["day"].isoformat()
    assert {trace.x[0] for trace in bands} == {last}
    # From the widest to the narrowest: the interval of the total, then parts of it.
    ends = [(trace.y[-1], trace.y[0]) for trace in bands]
    assert ends[0] == (one.now.low, one.now.high)
    assert ends[0][0] < ends[1][0] < ends[2][0] < one.past[-1]["estimate"]
    assert one.past[-1]["estimate"] < ends[2][1] < ends[1][1] < ends[0][1]
    early = limit(index, sample_season.BINDING, planned_close=date(2036, 4, 9))
    told = standings.read(early)
    assert panels.fan(told, told.limits[0]).ahead[-1]["day"] == date(2036, 4, 9)


def test_the_limit_stands_in_figures_beside_its_line(found):
    one = panels.fan(found, found.limits[0])
    drawn = barred.season_fan(one, palette=palette(dark=False))
    limit, *names = drawn.layout.annotations
    assert (limit.text, limit.y) == ("limit 2,400", 2400.0)
    assert [note.text for note in names] == ["so far", "planned close 13 Apr", "projected"]
    assert drawn.layout.yaxis.title.text == "fish"
    assert drawn.layout.yaxis.dtick is None
    few = replace(one, limit_fish=2.0, now=replace(one.now, high=None), lines=one.past[:1])
    few = replace(few, lines=(few.lines[0] | {"estimate": 1.0},))
    assert barred.season_fan(few, palette=palette(dark=False)).layout.yaxis.dtick == 1


@pytest.mark.parametrize(("times", "anchor"), [(1.0, "bottom"), (9.0, "top")])
def test_the_name_of_a_fan_keeps_clear_of_the_planned_close(found, times, anchor):
    one = panels.fan(found, found.limits[0])
    *first, last = one.lines
    wide = last | {"q025": 0.0, "q975": times * last["q975"]}
    drawn = barred.season_fan(replace(one, lines=(*first, wide)), palette=palette(dark=False))
    (name,) = [note for note in drawn.layout.annotations if note.text == "projected"]
    assert name.yanchor == anchor
    assert name.y <= drawn.layout.yaxis.range[1]


def test_a_fan_ends_where_no_more_fish_are_counted(index):
    lines = index.bulletin.table("limit_paths").to_pylist()
    mine = [line for line in lines if line["limit_id"] == sample_season.BINDING]
    after = [mine[-1] | {"week": f"2036-W{at}", "day": date(2036, 4, at)} for at in (20, 27)]
    found = standings.read(with_tables(index, limit_paths=[*mine, *after]))
    assert panels.fan(found, found.limits[0]).lines[-1]["week"] == sample_season.WEEKS_AHEAD[-1]


def test_a_fan_of_one_week_or_none_is_drawn_too(found):
    one = panels.fan(found, found.limits[0])
    next_one = replace(one, lines=(*one.past, one.ahead[0]))
    drawn = barred.season_fan(next_one, palette=palette(dark=False))
    assert [trace.fill for trace in drawn.data].count("toself") == 3
    short = replace(one, lines=one.ahead[:1])
    figure = barred.season_fan(short, palette=palette(dark=False))
    assert not [trace for trace in figure.data if trace.fill == "toself"]
    assert [trace.line.width for trace in figure.data[:3]] == [12, 12, 12]
    over = replace(one, lines=one.past)
    names = barred.season_fan(over, palette=palette(dark=False)).layout.annotations
    assert [note.text for note in names] == ["limit 2,400", "so far"]
    assert barred.fan_finding(over) == "1,240, 52\u00a0% of the limit"
    assert not barred.season_fan(over, palette=palette(dark=False)).data[0].text


def test_the_chosen_limit_stands_in_the_link(open_standing):
    page = open_standing(limit=sample_season.SUM)
    assert page.selectbox("limit").value == sample_season.SUM
    assert page.query_params["limit"] in (sample_season.SUM, [sample_season.SUM])
    title = "**Unmarked encounters, Quillon Bank and Sorrel Narrows: 3,300 expected by 13 Apr"
    assert title in plain(words_of(page))


def test_past_projections_are_judged_by_hand(found):
    # Six projections each of 4 figures and 3 areas; of RATIOS 0.97, 1.04, 1.1 and 0.88 lie within
    # 0.8 to 1.25, and all six within 0.7 to 1.45.
    judged = accuracy.backtest_skill(found.backtest)
    assert (judged.n, judged.in_80, judged.in_95) == (72, 48, 72)
    said = plain(accuracy.how_they_did(found.backtest))
    assert said.startswith("Of 72 projections of 2 past seasons, **48 (67 %)** ended inside")
    assert "fewer than they promise at 80 %, more at 95 %" in said
    # Of the six, 1.31 lies above 1.25 and 0.7 below 0.8; each stands for 4 figures and 3 areas.
    assert "12 ended above it and 12 below" in said
    assert (judged.over, judged.under) == (12, 12)
    mean = sum(1 / ratio for ratio in sample_season.RATIOS) / len(sample_season.RATIOS)
    assert judged.ratio == pytest.approx(mean)
    assert said.endswith("On average 1.04 times the final total was expected.")
    dots = panels.backtest_dots(found.backtest, None, "kept_fish")
    assert [dot.label for dot in dots][:2] == ["2033-34, 18 Dec", "2033-34, 8 Jan"]
    assert "2033-W50" in dots[0].words
    assert panels.hits(dots).startswith("4 of 6 inside the 80")
    assert dots[0].amount.value == pytest.approx(1 / 0.97)


def test_a_share_just_short_of_all_does_not_read_as_all(found):
    line = accuracy.judged(found.backtest)[0]
    inside, outside = line | {"final": 2000.0}, line | {"final": 1e9}
    nearly = plain(accuracy.how_they_did([inside] * 411 + [outside]))
    assert "411 (over 99 %)" in nearly
    assert "412 (100 %)" in plain(accuracy.how_they_did([inside] * 412))
    assert "1 (under 1 %)" in plain(accuracy.how_they_did([inside] + [outside] * 411))
    assert "0 (0 %)" in plain(accuracy.how_they_did([outside] * 412))


@pytest.mark.parametrize(
    ("inside", "said"), [(6, "fewer than"), (8, "about as many"), (10, "more than")]
)
def test_the_verdict_follows_the_rate(found, inside, said):
    line = accuracy.judged(found.backtest)[0]
    lines = [line | {"final": 2000.0}] * inside + [line | {"final": 1e4}] * (10 - inside)
    assert said in accuracy.backtest_skill(lines).verdict


@pytest.mark.parametrize(
    ("final", "inside", "said"),
    [
        (2000.0, 100, "wider than they promise"),
        (1500.0, 15, "wider than they promise"),  # 85 of 100 inside 80 %, all inside 95 %
        (1e4, 85, "fewer than they promise at 95 %"),
    ],
)
def test_the_ends_of_many_intervals_are_judged_too(found, final, inside, said):
    line = accuracy.judged(found.backtest)[0]
    n = inside if inside > 50 else 100 - inside
    lines = [line | {"final": 2000.0}] * n + [line | {"final": final}] * (100 - n)
    judged = accuracy.backtest_skill(lines)
    assert said in judged.verdict
    assert judged.in_80 / judged.n == pytest.approx(0.85 if n < 100 else 1.0)


def test_a_bulletin_without_a_test_says_so(open_standing, index, found, tmp_path):
    bare = with_tables(index, backtest=[])
    archive.save(tmp_path, bare.bulletin)
    said = plain(words_of(open_standing(folder=tmp_path)))
    assert accuracy.NO_SEASON in said
    assert "could not be projected" not in said
    assert panels.not_judged(found.backtest) == ["2032-33 from 2033-W01: the season is in progress"]


def test_seasons_without_a_projection_say_why(open_accuracy):
    page = open_accuracy()
    assert not page.exception
    said = plain(words_of(page))
    assert "the season is in progress" in said
    assert said.count("Of 72 projections of 2 past seasons") == 1


@pytest.mark.parametrize("season", [NOW, "2034-35"])
@pytest.mark.parametrize("areas", [[], ["A2"], ["A6"]])
def test_accuracy_is_told_without_a_hole(open_accuracy, season, areas):
    page = open_accuracy(season=season, area=areas)
    assert not page.exception
    assert not HOLES & set(re.split(r"[^\w]+", words_of(page)))
    assert not page.warning


def test_an_older_bulletin_has_no_accuracy(open_accuracy, tmp_path):
    page = open_accuracy(folder=old_archive(tmp_path, *OUTLOOK_SCHEMAS))
    assert not page.exception
    assert "kept before bulletins showed where a season stands" in words_of(page)


def test_a_limit_has_its_use_its_outlook_and_its_accuracy_in_one_line(index, found):
    told = plain(standing_table.summary(index, found.limits, found.backtest))
    lines = told.split("<tr>")[2:]  # after the head
    assert len(lines) == len(found.limits)
    first = lines[0]
    for cell in ("52 %", "42–64 %", "109 %", "64 %", "14 Mar", "12 of 18"):
        assert cell in first
    assert told.count("reached first") == 1
    assert "of 2,400 fish, near, reached first" in first
    assert "of 900 fish, exceeded<" in lines[1]
    assert "of 4,000 fish, watch<" in lines[3]
    assert "of 16,000 fish, well below<" in lines[4]
    # Of a sum of quantities no projection was tested.
    assert "<td data-label='Past projections inside 80 %'>–</td>" in lines[3]
    assert sample_season.LOST.replace("<b>A6", "&lt;b&gt;A6") in lines[-1]
    over = [line | {"is_preliminary": False} for line in found.limits]
    assert "the season is over" in plain(standing_table.summary(index, over, ()))


def test_the_page_opens_the_one_of_accuracy_with_its_choices(open_standing):
    said = words_of(open_standing(area=["A2"]))
    assert "class='bm-go' href='projection_accuracy?" in said
    assert "area=A2" in said.partition("projection_accuracy?")[2].partition("'")[0]


def test_the_rows_of_past_projections_stand_on_their_own_page(open_standing, open_accuracy):
    mine = [one.key for one in open_standing().get("plotly_chart")]
    assert mine == ["season-bars", "season-fan"]
    other = open_accuracy()
    assert sum(one.key.startswith("season-did-") for one in other.get("plotly_chart")) == 4


def test_assumptions_are_told_by_topic(open_standing):
    page = unfold(open_standing(), "fold-assumed")
    said = plain(words_of(page))
    assert "**Weather**" in said
    assert "- one day in ten is lost to weather, in all areas at once" in said


def test_the_downloads_are_the_tables(index):
    for name, schema in OUTLOOK_SCHEMAS.items():
        lines = download_of(index.bulletin.table(name), index)
        assert lines[0] == heads_of(schema.names)


def test_a_bulletin_for_the_public_is_told_without_a_hole(open_standing, opener, tmp_path):
    archive.save(tmp_path, for_the_public(make(NOW)))
    page = open_standing(folder=tmp_path)
    assert not page.exception
    assert not HOLES & set(re.split(r"[^\w]+", words_of(page)))
    assert "of the limit on **sublegal releases" in plain(words_of(page))
    other = opener("app_pages/compare_rules.py")(folder=tmp_path)
    assert not other.exception
    assert "it was made for the public, which leaves them out" in words_of(other)
    assert not other.slider


def test_an_older_bulletin_says_so(open_standing, tmp_path):
    page = open_standing(folder=old_archive(tmp_path, *OUTLOOK_SCHEMAS))
    assert not page.exception
    assert "kept before bulletins showed where a season stands" in words_of(page)


def scored_lines():
    """Return two past seasons, each projected in three ways, with scores made by hand."""
    base = {"area": None, "quantity": "kept_fish", "through": "2034-W01", "to_date": 1000.0}
    ends = {"low_80": 1600.0, "high_80": 2400.0, "low_95": 1400.0, "high_95": 2900.0}
    made = []
    for season, final in (("2033-34", 2000.0), ("2034-35", 2600.0)):
        for method, expected, crps in (
            ("model", 2100.0, 65.0),
            ("plain_rule", 2200.0, 130.0),
            ("mixture", 2150.0, 78.0),
        ):
            made.append(
                {**base, **ends, "season": season, "final": final, "reason": ""}
                | {"projected_by": method, "projected_total": expected}
                | {"crps": crps, "interval_score_80": 4 * crps}
            )
    return made


def test_methods_are_compared_on_the_same_projections():
    found = accuracy.of_past(scored_lines())
    model = [one for one in found if one.method == "model"]
    # To come were 1,000 and 1,600 fish, 1,300 on average; expected were 1,100 both times.
    assert panels.relative(model) == pytest.approx((-200 / 1300, 65 / 1300, 260 / 1300))
    assert [one.inside for one in model] == [(True, True), (False, True)]
    said = plain(panels.score_table(found))
    assert "Plain rule" in said and "10 %" in said and "5 %" in said
    # A figure that the plain rule could not project leaves the comparison.
    fewer = [one for one in found if one.method != "plain_rule" or one.at[0] == "2033-34"]
    assert "1 (100 %)" in plain(panels.score_table(fewer))
    # With two past seasons each has one other alone: a plain rule that is missing is explained.
    assert panels.about_plain(found) == "" and panels.about_plain(model) == panels.NO_PLAIN


def test_projections_of_bulletins_are_judged_by_later_ones():
    assert "will be scored by later ones" in accuracy.issued_answer([])
    base = {"bulletin": "one", "through": "2036-W07", "area": None, "direction": None}
    total = base | {"projected_by": "model", "target": "kept_fish", "horizon": 2, "brier": None}
    total |= {"projected": 100.0, "low_80": 80.0, "high_80": 120.0, "low_95": 70.0}
    total |= {"high_95": 140.0, "came": 110.0, "crps": 6.0, "interval_score_80": 40.0}
    rise = base | {"projected_by": "model", "target": "rise_of_encounters", "horizon": 0}
    rise |= {"crps": None, "brier": 0.01, "came": 1.0, "projected": 0.9, "direction": "rising"}
    wrong = rise | {"direction": "falling", "projected": 0.1, "brier": 0.81}
    said = plain(accuracy.issued_answer([total, total | {"came": 150.0}, rise, wrong]))
    assert said.startswith("Of 2 projections in 1 earlier bulletin, **1 (50 %)** came inside")
    assert "Of 2 trends called, 1 (50 %) held." in said


def test_a_limit_without_a_figure_is_not_said_to_be_kept():
    withheld = {"estimate": None, "limit_fish": 10.0, "is_preliminary": False}
    assert standing_table._reached(withheld) == DASH
    assert standing_table._reached(withheld | {"estimate": 9.0}) == "not reached"


def test_limits_without_totals_say_a_reason_that_they_share_once(index):
    lines = index.bulletin.table("limit_status").to_pylist()
    bare = [line | {"estimate": None, "reason": "convenience_only"} for line in lines]
    said = answer(with_tables(index, limit_status=bare))
    assert said.count("(") == 1 and str(len(bare)) in said
    bare[0] |= {"reason": "no_interviews"}
    assert answer(with_tables(index, limit_status=bare)).count("(") == 2


def test_the_one_reason_why_no_projection_is_tested_is_said(index):
    bare = with_tables(index, backtest=[])
    assert accuracy.accuracy_answer(bare, []) == accuracy.NO_SEASON
    looked_at = {"topic": "", "assumption": coded("width_of_errors", factor="1.00", n=2)}
    short = with_tables(index, backtest=[], assumptions=[looked_at])
    assert accuracy.accuracy_answer(short, []).startswith("2 past seasons with too few weeks")
    over = replace(index, card=replace(index.card, preliminary=False))
    assert accuracy.accuracy_answer(over, []) == accuracy.OVER
    tables = {name: one for name, one in index.bulletin.outlook.items() if name != "backtest"}
    old = replace(index, bulletin=replace(index.bulletin, outlook=tables))
    assert accuracy.accuracy_answer(old, []) == accuracy.OLDER
