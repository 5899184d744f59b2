"""The page Released fish, run headless: every part, and what there is where figures lack."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from itertools import product

import pytest

from analytics.bulletin import archive
from analytics.codes import coded, sentences
from analytics.released.schemas import RELEASED_SCHEMAS
from analytics.wording import bulletin_index, numbers, reasons
from dashboard import html_tables
from dashboard.released import classes as released_classes
from dashboard.released import deaths as death_dots
from dashboard.released import deaths as death_table
from dashboard.released import deaths as released_deaths
from dashboard.released import handling, records
from dashboard.released import lengths as released_lengths
from dashboard.released import shares as released_shares
from dashboard.released import species as released_species
from dashboard.released import trials as released_trials
from tests.app import sample_held, sample_released
from tests.app.reading import download_of, heads_of, words_of
from tests.app.sample_bulletin import AREAS, NOW, make
from tests.sizes import IS_FULL
from tests.store_faults import write_card

PARTS = ("share", "classes", "deaths", "lengths", "species", "handling")
MET = "encounter_fish"


@pytest.fixture
def open_released(opener):
    """Return a function that opens the page with a link, in the archive of the tests or another."""
    return opener("app_pages/released.py")


@pytest.fixture(scope="module")
def index():
    return bulletin_index.index_bulletin(make(NOW))


@pytest.fixture(scope="module")
def released(index):
    return records.read(index)


def plain(words):
    return words.replace("\\", "").replace("\u00a0", " ")


def with_tables(index, /, **lines):
    """Return the sample with other lines in some tables."""
    made = {
        name: RELEASED_SCHEMAS[name].empty_table()
        if not found
        else type(index.bulletin.table(name)).from_pylist(found, schema=RELEASED_SCHEMAS[name])
        for name, found in lines.items()
    }
    kept = {**index.bulletin.released, **made}
    return bulletin_index.index_bulletin(replace(index.bulletin, released=kept))


#: On commit each part of each season is shown for all areas and for one of them, another each
#: time; at full size for each.
EACH = [[area] for area in AREAS]
SHOWN = [
    (season, part, [[], *(EACH if IS_FULL else [EACH[at % len(EACH)]])])
    for at, (season, part) in enumerate(product([NOW, "2034-35"], PARTS))
]


@pytest.mark.parametrize(("season", "part", "choices"), SHOWN)
def test_every_part_is_told_in_words_without_a_hole(open_released, season, part, choices):
    for areas in choices:
        page = open_released(season=season, part=part, area=areas)
        assert not page.exception
        words = words_of(page)
        assert not {"nan", "None", "inf", "null"} & set(re.split(r"[^\w]+", words))
        assert page.query_params["part"] == part
        assert not page.warning


def test_the_share_is_told_by_survey_and_pooled_line(open_released, index):
    words = plain(words_of(open_released(part="share", area="A1")))
    row = index.row("A1", "2036-W06", "sublegal_prop")
    start = f"In week 2036-W06, in Quillon Bank, **{plain(numbers.value(row))}** of the fish met"
    assert start in words
    assert "the model estimate is **68 %** (64–72 %)" in words
    assert (
        "In the median area and week the survey’s interval is 1.8 times as wide as that of as many "
        "fish sampled one by one (design effect 3.2). Between two fish of a site-day the model "
        "finds a correlation of 0.080." in words
    )
    assert released_shares.DESIGN_EFFECT in words
    assert "beta-binomial model of site-days with partial pooling over weeks and areas" in words


def test_fish_that_are_no_more_alike_are_told_so(index):
    lines = index.bulletin.table("shares").to_pylist()
    calm = [
        line
        | {
            "design_effect": 0.7 if line["basis"] == "survey" else None,
            "overdispersion": 0.0 if line["basis"] == "pooled" else None,
        }
        for line in lines
    ]
    words = plain(released_shares.alike(records.read(with_tables(index, shares=calm)), ()))
    assert "no wider than that of as many fish sampled one by one (design effect 0.7). The" in words
    assert "no correlation" in words
    assert "alike" not in words
    unknown = [line | {"design_effect": None, "overdispersion": None} for line in lines]
    none = released_shares.alike(records.read(with_tables(index, shares=unknown)), ())
    assert "cannot be estimated" in none


def test_all_areas_name_the_ends_of_the_pooled_line(index):
    lines = index.bulletin.table("shares").to_pylist()
    for line in lines:
        if line["basis"] == "pooled" and line["area"] == "A3" and line["estimate"]:
            line |= {"estimate": 0.9, "ci_low": 0.86, "ci_high": 0.93}
    found = records.read(with_tables(index, shares=lines))
    words = plain(released_shares.share_answer(index, found, ()))
    assert (
        "the model estimate ranges from **68 %** in Quillon Bank (64–72 %) to **90 %** in Pale"
        in words
    )


def test_an_area_without_pooled_line_says_why(open_released):
    words = plain(words_of(open_released(part="share", area=sample_released.NOTHING)))
    assert f"there is no model estimate ({sample_released.NO_POOLED})" in words


def test_classes_are_told_both_ways_with_their_ratio(open_released, released):
    page = open_released(part="classes")
    words = plain(words_of(page))
    sampled = released.classes["sampled", None, None, MET].row
    reported = released.classes["reported", None, None, MET].row
    assert f"from the sample **{plain(numbers.value(sampled))}**" in words
    assert f"from reports **{plain(numbers.value(reported))}**" in words
    assert "sampled over reported is **0.75** (95 % CI 0.65–0.87), so reports are above" in words
    assert "Most by the sample were sublegal and unmarked" in words
    # All areas with its ratio, then six areas.
    assert len(page.get("plotly_chart")) == 2 + 6


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (0.8, 1.2, "do not differ clearly"),
        (1.1, 1.4, "are below the sample"),
        (0.5, 0.9, "are above the sample"),
    ],
)
def test_the_ratio_is_put_into_words(index, low, high, said):
    lines = index.bulletin.table("composition_ratio").to_pylist()
    ends = {"ci_low": low, "ci_high": high}
    found = records.read(with_tables(index, composition_ratio=[line | ends for line in lines]))
    assert said in released_classes.classes_answer(index, found, [None])


@pytest.mark.parametrize(
    ("area", "said"),
    [
        (sample_released.NO_SAMPLE, f"no estimate from the sample ({sample_released.NO_FISH})"),
        (sample_released.NO_SAMPLE, ", so there is no ratio of the two."),
        (sample_released.NO_SAMPLE, "Most by reports were sublegal and unmarked"),
        (sample_released.UNREAD, sample_released.NO_MARK),
        (sample_released.POOLED_FROM, f"How samples were pooled: {sample_released.RULE}"),
        (sample_released.POOLED_FROM, "sampled over reported is **0.75** (no interval)"),
        (
            sample_released.POOLED_FROM,
            "no sampled fish was of this class: a ratio of 0",
        ),
        (sample_released.CONVENIENT, "interviews of convenience give rates and shares"),
        (sample_released.NOTHING, "none was reported, so there is nothing to divide by"),
    ],
)
def test_a_class_that_lacks_says_why(open_released, area, said):
    assert said in plain(words_of(open_released(part="classes", area=area)))


def test_the_page_says_which_classes_the_result_rows_are(index, released):
    assert "The result rows" not in released_classes.classes_answer(index, released, [None])
    rows = dict(index.rows)
    for name in released_classes.CLASSES:
        rows[None, None, name] = replace(
            index.row(None, None, MET), quantity=name, method="sampled_composition; base: kept"
        )
    words = released_classes.classes_answer(replace(index, rows=rows), released, [None])
    assert "The other pages and files give the four classes by the sample." in words


def test_a_reason_that_classes_share_is_said_once(index, released):
    area = sample_released.NO_SAMPLE
    words = plain(released_classes.classes_answer(index, released, [area]))
    assert words.count(sample_released.NO_FISH) == 1
    table = released_classes.table(index, released, [area])
    assert table.count(sample_released.NO_FISH) == 1
    assert f"Where an estimate or an interval is missing: {sample_released.NO_FISH}." in table
    # Each area has its own; a reason of one line alone stays in its cell.
    lines = index.bulletin.table("composition_ratio").to_pylist()
    alone = next(one for one in lines if one["area"] == "A1" and one["quantity"] == MET)
    alone |= {"ratio": None, "ci_low": None, "ci_high": None, "reason": "only this one"}
    found = records.read(with_tables(index, composition_ratio=lines))
    assert "<small>only this one</small>" in released_classes.table(index, found, ["A1"])


def test_pooling_is_explained_once_and_draws_stay_in_the_download(open_released, released):
    words = plain(words_of(open_released(part="classes", area=sample_released.POOLED_FROM)))
    assert words.count(sample_released.RULE) == 1
    assert released_classes.POOLING in words
    assert "draws" not in words
    assert all(row.thin == (None, None) for row in released_classes.forest_rows(released, None))
    both = plain(words_of(open_released(part="classes", area=["A4", "A1"])))
    assert f"How samples were pooled: {sample_released.RULE} (Umbra Flats)." in both


def test_notes_of_the_sampled_figures_are_said_once(index):
    note = "776 reported releases of unknown size are not in the base"
    code = coded("unknown_size_not_in_base", n=776)
    method = f"sampled_composition; base_legal_marked; sample_fish(n=56); {code}"
    lines = [
        line | {"method": method} if line["basis"] == "sampled" and line["estimate"] else line
        for line in index.bulletin.table("composition").to_pylist()
    ]
    found = records.read(with_tables(index, composition=lines))
    said = released_classes.behind(index, found, [None])
    assert said == f"counted up from legal marked fish kept and released; {note}"
    assert f"{note} (Quillon Bank, Umbra Flats)" in released_classes.behind(
        index, found, ["A1", "A4"]
    )


def test_classes_without_any_figure_are_not_drawn(open_released, tmp_path, index):
    none = ("estimate", "se", "ci_low", "ci_high")
    lines = [
        line | dict.fromkeys(none) | {"status": "no_sample", "method": sample_released.NO_FISH_CODE}
        for line in index.bulletin.table("composition").to_pylist()
    ]
    archive.save(tmp_path, with_tables(index, composition=lines, composition_ratio=[]).bulletin)
    page = open_released(folder=tmp_path, part="classes")
    assert not page.exception
    assert not page.get("plotly_chart")
    assert sample_released.NO_FISH in plain(words_of(page))


def test_words_of_the_method_are_plain_words(index):
    row = replace(
        index.row(None, None, MET), method="sampled_composition; base_legal_marked; damped(fish=20)"
    )
    assert reasons.behind(row).endswith(
        "counted up from legal marked fish kept and released; "
        "ratios damped where under 20 fish of the base were sampled"
    )
    lacks = replace(
        row, estimate=None, method=f"sampled_composition; {sample_released.NO_FISH_CODE}"
    )
    assert reasons.why_no_estimate(lacks) == sample_released.NO_FISH


def test_a_share_of_a_census_has_no_sampling_error(index):
    row = index.row(None, None, "sublegal_prop")
    same = {"ci_low": row.estimate, "ci_high": row.estimate, "se": 0.0}
    census = replace(row, status="census", **same)
    assert numbers.interval(census) == ""
    assert numbers.bracket(census) == "(all sampled, no sampling error)"
    assert numbers.bracket(replace(census, status="ok")) == "(no sampling error)"
    assert "no sampling error" in numbers.short(census)


def test_a_mark_for_a_useless_interval_stands_without_pse(index):
    row = replace(index.row(None, None, "sublegal_prop"), estimate=0.5, se=0.055)
    useless = replace(row, ci_low=0.02, ci_high=0.99)
    assert reasons.precision(replace(row, ci_low=0.4, ci_high=0.6)).startswith("PSE 11")
    assert reasons.caution(useless)[0] == reasons.STRONG
    assert reasons.precision(useless) == ""
    assert reasons.precision(replace(useless, se=0.35)).startswith(
        "PSE 70"
    )  # what it is marked for


def test_a_corrected_rate_below_zero_is_no_effect(index, released):
    lines = index.bulletin.table("holding_rates").to_pylist()
    table = released_trials.table(released_trials.together(released))
    below = [one for one in released_trials.together(released) if (one["corrected_prop"] or 0) < 0]
    assert table.count(released_trials.NO_EFFECT) == len(below) > 0
    assert released_trials.cut_words(released) == released_trials.CUT_AT_ZERO
    above = [line | {"corrected_prop": 0.1, "corrected_low": 0.05} for line in lines]
    found = records.read(with_tables(index, holding_rates=above))
    assert released_trials.cut_words(found) == ""


def test_deaths_are_told_low_base_and_high(open_released, released):
    words = plain(words_of(open_released(part="deaths")))
    line = released_deaths.total(released, None)
    deaths = released_deaths.deaths_of(line)
    said = f"by the releases that anglers reported: **{deaths.words}** Chinook died"
    assert f"{said} (95 % CI {deaths.limits}): **" in words
    low, high = (deaths.shown(line[f"deaths_{end}"]) for end in ("low", "high"))
    assert f"With every rate at its low end it is {low}, at its high end {high}." in words
    assert "Of the error, 62 % comes from counting the fish" in words
    assert "user's own" in words.replace("&#39;", "'")
    assert "sublegal rate taken for unknown size, usually the higher" in words
    lacking = plain(words_of(open_released(part="deaths", area=sample_released.NO_SAMPLE)))
    said = "no total of deaths by the releases that anglers reported"
    assert f"{said} ({sample_released.NO_RATE})" in lacking


def with_deaths(index, lines):
    """Return the sample with other lines of deaths, which may name their basis."""
    return with_tables(index, deaths=list(lines))


def reported_deaths(index):
    """Return the reported lines of deaths over all areas."""
    lines = index.bulletin.table("deaths").to_pylist()
    return [line for line in lines if line["area"] is None and line["basis"] == "reported"]


def sampled_of(lines):
    """Return reported lines of deaths as the sample would have them: half of all."""
    names = ("fish", "deaths", "deaths_low", "deaths_high", "se", "ci_low", "ci_high")
    halved = [line | {name: line[name] and 0.5 * line[name] for name in names} for line in lines]
    return [line | {"basis": "sampled"} for line in halved]


def test_deaths_by_the_sample_stand_beside_those_reported(index):
    lines = reported_deaths(index)
    sums = sampled_of(released_deaths.totals(lines))
    both = with_deaths(index, [*lines, *sums])
    found = records.read(both)
    reported, sampled = (
        released_deaths.deaths_of(released_deaths.total(found, None, table=table))
        for table in ("deaths", records.SAMPLED_DEATHS)
    )
    assert sampled.value == reported.value / 2
    words = plain(released_deaths.deaths_answer(both, found, [None]))
    assert f"by the releases that anglers reported: **{reported.words}** Chinook died" in words
    said = f"Using the composition of test fishing, the total is **{sampled.words}**"
    assert f"{said} (95 % CI {sampled.limits})." in words
    drawn = death_dots.sums(found, None)
    assert [(row.label, row.hue) for row in drawn] == [
        (fate, hue)
        for fate in ("kept", "dead after release", "drop-off", "all together")
        for hue in ("sea", "copper")
    ]
    table = death_table.table(both, found, [None], is_short=True)
    assert "All areas, releases as reported" in table
    assert "All areas, using the composition of test fishing" in table
    assert "Out of" in table
    # Without a sample the page is as before, and a basis that lacks is reports.
    alone = records.read(with_deaths(index, lines))
    assert "composition of test fishing" not in released_deaths.deaths_answer(index, alone, [None])
    assert {row.hue for row in death_dots.sums(alone, None)} == {"copper"}
    unnamed = records.read(with_deaths(index, [line | {"basis": None} for line in lines]))
    assert len(unnamed.of("deaths", None)) == len(lines)
    assert not unnamed.of(records.SAMPLED_DEATHS, None)


def test_a_sampled_total_that_lacks_says_why(index):
    lines = reported_deaths(index)
    lacks = lines[-1] | {"basis": "sampled", "deaths": None, "reason": sample_released.NO_FISH_CODE}
    found = with_deaths(index, [*lines, lacks])
    words = plain(released_deaths.deaths_answer(found, records.read(found), [None]))
    assert f"test fishing, there is no total ({sample_released.NO_FISH})." in words


def test_fish_lost_at_the_hook_are_told_out_of_the_fish_met_or_kept(index, released):
    lines = released_deaths.groups(released, None)
    lost = next(line for line in lines if line["fate"] == "drop_off")
    assert released_deaths.out_of(lost, lines) == "met"
    assert f"{round(lost['fish'], -2):,.0f} met<" in death_table.table(index, released, [None])
    kept = next(line for line in lines if line["fate"] == "kept")
    agreeing = [one | {"fish": kept["fish"]} if one is lost else one for one in lines]
    of_kept = next(line for line in agreeing if line["fate"] == "drop_off")
    assert released_deaths.out_of(of_kept, agreeing) == "kept"
    assert released_deaths.out_of(of_kept | {"reason_codes": "of_encounters"}, agreeing) == "met"
    assert released_deaths.out_of(lost | {"reason_codes": "of_kept"}, lines) == "kept"
    hover = next(row.words for row in death_dots.sums(released, None) if row.label == "drop-off")
    assert "met, at a rate of 5.0" in hover


def without_rate_error(lines):
    """Return lines of deaths whose rates have no error, as a bulletin keeps them."""
    none = dict.fromkeys(("rate_se", "rate_low", "rate_high", "deaths_low", "deaths_high"))
    return [line | none for line in lines]


def test_rates_without_error_are_told_so(index):
    lines = without_rate_error(index.bulletin.table("deaths").to_pylist())
    found = records.read(with_deaths(index, lines))
    words = plain(released_deaths.deaths_answer(index, found, [None]))
    assert "The rates have no error." in words
    assert "With every rate at its low end" not in words
    assert "Of the error" not in words
    assert all(row.thin == (None, None) for row in death_dots.sums(found, None))
    # One group with an error: ends lack all the same, and the words say what is known.
    one = next(line for line in lines if line["fate"] == "drop_off" and line["area"] is None)
    one["rate_se"] = 0.01
    some = records.read(with_deaths(index, lines))
    assert "Some of the rates have no error" in released_deaths.deaths_answer(index, some, [None])


def test_an_interval_without_width_is_no_interval(index):
    lines = without_rate_error(index.bulletin.table("deaths").to_pylist())
    for line in lines:
        line |= {"se": 0.0, "fish_se": 0.0, "ci_low": line["deaths"], "ci_high": line["deaths"]}
        line |= {"catch_variance_prop": None}
    found = records.read(with_deaths(index, lines))
    words = plain(released_deaths.deaths_answer(index, found, [None]))
    assert f"({released_deaths.NO_ERROR})" in words
    assert "CI" not in words
    table = death_table.table(index, found, [None])
    assert "<small>no error</small>" in table
    deaths = found.of("deaths", None)[0]["deaths"]
    assert f"{deaths:,.0f}–{deaths:,.0f}" not in table
    assert "± 0" not in table


def test_notes_that_lines_share_are_said_once(index, released, open_released):
    table = death_table.table(index, released, [None])
    assert "nearest weeks" not in table
    words = plain(words_of(open_released(part="deaths", area="A1")))
    assert (
        words.count("open days without a sample imputed from the nearest weeks") == 2
    )  # one a table, short and long
    assert "sublegal rate taken for unknown size" in table  # a note of one line stays with it
    assert "Source and notes" in table


def test_no_figure_at_all_is_no_chart(open_released, tmp_path, index):
    none = ("deaths", "deaths_low", "deaths_high", "se", "ci_low", "ci_high")
    lines = [
        line | dict.fromkeys(none) | {"reason": sample_released.NO_RATE_CODE}
        for line in index.bulletin.table("deaths").to_pylist()
    ]
    lacking = with_tables(
        index, deaths=lines, method_mix_deaths=[], holding_rates=[], survival=[], wound_mix=[]
    )
    archive.save(tmp_path, lacking.bulletin)
    page = open_released(folder=tmp_path, part="deaths")
    assert not page.exception
    assert not page.get("plotly_chart")
    assert sample_released.NO_RATE in plain(words_of(page))


def test_groups_of_deaths_have_plain_names(released):
    names = [released_deaths.label(line) for line in released_deaths.groups(released, None)]
    assert names == [
        "kept",
        "released, legal",
        "released, sublegal, mooching, not deep",
        "released, sublegal, mooching, deep",
        "released, sublegal, trolling",
        "released, size unknown, trolling",
        "released, all together",
        "drop-off",
        "all together",
    ]
    drawn = [row.label for row in death_dots.by_group(released, None)]
    assert drawn[2] == "sublegal, mooching, not deep"


def test_a_small_group_of_deaths_stands_in_the_table_alone(index, released):
    lines = released_deaths.groups(released, None)
    small = [one | {"deaths": 1.0} if one["size_class"] == "unknown" else one for one in lines]
    found = records.read(with_tables(index, deaths=small))
    assert len(death_dots.by_group(found, None)) == len(lines) - 1
    assert "size unknown" in death_table.table(index, found, [None])


def test_the_method_mix_is_told_with_its_factor(released, index, open_released):
    words = plain(handling.method_answer(index, released, [None]))
    totals = {one["case"]: one["deaths"] for one in handling.totals(released, None)}
    assert list(totals) == [
        "rates as given",
        "published rates, as fished",
        "all by mooching, published rate",
        "all by trolling, published rate",
    ]
    assert (
        f"The highest is {max(totals.values()) / min(totals.values()):.1f} times the lowest"
        in words
    )
    lacking = words_of(open_released(part="deaths", area=sample_released.NO_SAMPLE))
    assert "no sublegal fish was released by mooching or trolling here" in plain(lacking)
    before = plain(words_of(open_released(part="deaths", season="2034-35")))
    assert "neither was written down as the fishing method" in before


def test_trials_are_told_with_what_lacks(open_released):
    words = plain(words_of(open_released(part="deaths")))
    held = sum(2 * n for name, (n, _) in sample_held.GROUPS.items() if name != "control")
    died = sum(2 * n for name, (_, n) in sample_held.GROUPS.items() if name != "control")
    assert f"Of **{held}** hooked fish held in trials, **{died}** died." in words
    assert (
        "**13 %** of released fish die (95 % CI 10–17 %), beside **20 %** by the release" in words
    )
    assert "most of the error of the first comes from the rates of the trials" in words
    for reason in (sample_held.NONE_HELD, sample_held.BELOW_CONTROL, sample_held.NO_TRIAL):
        assert reason in words
    before = plain(words_of(open_released(part="deaths", season="2034-35")))
    assert "No fish held after capture were imported (table `holding_trials`)" in before


def test_a_fishery_wide_rate_that_lacks_says_why(index):
    lines = index.bulletin.table("wound_mix").to_pylist()
    for line in lines:
        if line["wound_site"] is None:
            line |= {"rate_prop": None, "reason": sample_held.NOT_WHOLE_CODE}
    found = records.read(with_tables(index, wound_mix=lines))
    assert sample_held.NOT_WHOLE in plain(released_trials.trials_answer(found))


def test_held_fish_looked_at_once_have_no_course_to_draw(open_released, index, tmp_path):
    lines = [line for line in index.bulletin.table("survival").to_pylist() if line["hours"] != 24.0]
    archive.save(tmp_path, with_tables(index, survival=lines).bulletin)
    page = open_released(folder=tmp_path, part="deaths")
    assert not page.exception
    assert "no course over time to draw" in words_of(page)
    assert "Alive over time" in words_of(open_released(part="deaths"))


def test_lengths_follow_area_and_week(open_released, released):
    season = released_lengths.bins(released, None, source="dockside", week=None)
    week = released_lengths.bins(released, "A4", source="dockside", week="2036-W05")
    assert sum(one["fish"] for one in season) == 4 * sum(one["fish"] for one in week) > 0
    words = plain(words_of(open_released(part="lengths", area="A4", span="2036-W05")))
    assert f"Dockside: fish kept, {sum(one['fish'] for one in week):,} measured" in words
    assert "Test fishing: fish met, 0 measured" in words
    assert "Fish by length, week 2036-W05" in words
    assert sample_held.NO_TEST in words
    assert released_lengths.rules(released, "A4") == []
    assert released_lengths.rules(released, None) == [sample_held.RULE_MM]


def test_the_legal_share_is_told_at_other_lines(open_released):
    words = plain(words_of(open_released(part="lengths")))
    assert "**32 %** of the 400 fish measured in test fishing were of legal length" in words
    assert "it would be 69 % at 520 mm and 8.3 % at 600 mm" in words
    assert "559 mm (22 in), the minimum in force" in words
    assert "1.0720 × fork length − 4.2 mm (R² 0.991" in words
    assert sentences(sample_held.FITTED_CODE) in words
    assert "a stated condition factor of 1.2" in words


def length_axes(page):
    """Return the names of the axes of lengths of a page's figures."""
    drawn = [json.loads(one.proto.spec)["layout"]["xaxis"] for one in page.get("plotly_chart")]
    return {one["title"]["text"] for one in drawn}


def test_lengths_are_in_the_units_of_the_link_and_of_the_choice(open_released):
    page = open_released(part="lengths", units="in.lb.dmy")
    words = plain(words_of(page))
    assert "it would be 69 % at 20.5 in and 8.3 % at 23.6 in" in words
    assert "most from 19.7 to under 20.5 in" in words
    assert "22 in (55.9 cm), the minimum in force" in words
    assert length_axes(page) == {"total length, in", "minimum total length, in"}
    page.selectbox("units").set_value("cm.kg.dmy").run()
    assert page.query_params["units"] in ("cm.kg.dmy", ["cm.kg.dmy"])
    assert "69 % at 52 cm" in plain(words_of(page))
    assert length_axes(page) == {"total length, cm", "minimum total length, cm"}


def test_weights_stand_beside_lengths_where_fish_were_weighed(open_released, index, tmp_path):
    assert "Weight in the middle" not in words_of(open_released(part="lengths"))
    power = {"target": "weight_g", "given": "total_length_mm", "form": "power", "season": "2035-36"}
    power |= {"n_fish": 90, "intercept": -11.5, "slope": 3.0, "residual_sd": 0.2, "source": ""}
    archive.save(tmp_path, with_tables(index, conversions=[power]).bulletin)
    # 510 mm: exp(-11.5 + 0.02) x 510^3 = 1,371 g by hand.
    for units, weight in (("mm.g.dmy", "1,371 g"), ("in.lb.dmy", "3 lb"), ("cm.kg.dmy", "1.37 kg")):
        words = plain(words_of(open_released(folder=tmp_path, part="lengths", units=units)))
        assert f"data-label='Weight in the middle, about'>{weight}</td>" in words


def test_species_are_ranked_and_followed(open_released, released):
    assert released_species.names(released)[:2] == ["dogfish", "flatfish"]
    page = open_released(part="species", species=sample_released.ODD)
    words = plain(words_of(page))
    assert "anglers met per hour of one angler: dogfish **" in words
    assert "\\<i\\>sculpin\\</i\\> & \\*co\\*" in words_of(page)
    assert page.query_params["species"] == sample_released.ODD
    lacking = plain(words_of(open_released(part="species", area=sample_released.CONVENIENT)))
    assert sample_released.NOT_RECORDED in lacking
    assert "without a row met none, where anyone in the area recorded any bycatch" in words
    week = plain(words_of(open_released(part="species", span="2036-W04")))
    assert "Over all areas, week 2036-W04" in week


def test_odd_names_are_escaped_in_tables(index, released):
    table = released_species.table(index, released, [None], week=None)
    assert "&lt;i&gt;sculpin&lt;/i&gt; &amp; *co*" in table
    assert "<i>" not in table


@pytest.mark.parametrize(
    ("part", "said"),
    [
        ("share", "There is no sublegal share to show"),
        ("classes", "There are no encounters by size and mark to show"),
        ("deaths", "There are no deaths to show"),
        ("lengths", "There are no lengths to show"),
        ("species", "There are no other species to show"),
    ],
)
def test_empty_tables_are_told_in_words_and_not_drawn(open_released, tmp_path, part, said):
    archive.save(tmp_path, replace(make(NOW), released={}))
    page = open_released(folder=tmp_path, part=part)
    assert not page.exception
    assert said in words_of(page)
    assert not page.get("plotly_chart")


@pytest.mark.parametrize("part", PARTS)
def test_an_older_bulletin_says_so(open_released, tmp_path, part):
    archive.save(tmp_path, make(NOW))
    path = tmp_path / make(NOW).card.bulletin / archive.CARD_FILE
    old = json.loads(path.read_text())
    old["tables"] = [
        "rows",
        "changes",
        "findings",
        "strata",
        "areas",
        "revisions",
        "alternative_estimates",
    ]
    write_card(path, json.dumps(old))
    page = open_released(folder=tmp_path, part=part)
    assert not page.exception
    is_told = "kept before bulletins reported on released fish" in words_of(page)
    assert is_told is (part != "handling")  # advice stands in no bulletin


def test_advice_has_its_sources(open_released):
    words = plain(words_of(open_released(part="handling")))
    for said in (
        "Keep the fish in the water",
        "Single barbless hooks",
        "Cut the leader of a swallowed hook",
        "Hooking mortality by anatomical location",
        "N. Am. J. Fish. Manage. 24",
        "Grover et al. (2002)",
        "common handling rules; local rules decide",
        "licence or a permit",
    ):
        assert said in words
    assert "81.6 %" in words
    assert "67.3 %" in words
    sites = [name for name, _, _ in handling.WOUNDS]
    table = handling.published_table()
    assert sorted(sites, key=lambda name: table.index(f">{name}<")) == [
        row.label for row in handling.published_rows()
    ]


def test_downloads_hold_the_tables_as_kept(index):
    for name in ("deaths", "composition", "legal_share", "holding_rates"):
        lines = download_of(index.bulletin.table(name), index)
        assert lines[0] == heads_of(RELEASED_SCHEMAS[name].names)
        assert len(lines) - 1 == index.bulletin.table(name).num_rows > 0
    kept = html_tables.of_areas(index.bulletin.table("deaths"), areas=("A1",))
    assert set(kept["area"].to_pylist()) == {"A1"}


def test_a_link_to_a_part_that_is_not_there_says_so(open_released):
    page = open_released(part="fins", fin="adipose")
    assert not page.exception
    asked = plain(page.warning[0].value)
    assert "part has no choice fins" in asked
    assert "there is no choice called fin" in asked
    late = open_released(part="lengths", span="2030-W01")
    assert "span has no choice 2030-W01" in plain(late.warning[0].value)


def test_a_choice_of_one_part_is_no_complaint_in_another(open_released):
    page = open_released(part="lengths", span="2036-W05")
    assert page.query_params["span"] == "2036-W05"
    page.get("button_group")[0].set_value("handling").run()
    assert not page.exception
    assert not page.warning
    assert "span" not in page.query_params
    page.get("button_group")[0].set_value("lengths").run()
    assert page.query_params["span"] == "season"


@pytest.mark.parametrize(
    ("part", "titles"),
    [
        ("species", ["All areas: most met, dogfish, ", "dogfish by week: most in Umbra Flats, "]),
        ("deaths", ["All areas: 3,900 Chinook died", "Most died in Quillon Bank: 660"]),
        ("deaths", ["All areas: 800 to 1,690 sublegal", "Most died as seen: gills, 100 %"]),
        ("lengths", ["Test fishing: fish met, 426 measured, most from 500 to under 520 mm"]),
        ("lengths", ["All areas: 32 % of fish met are legal at 559 mm, the minimum in force"]),
        ("handling", ["Of fish hooked in the gills 81.6 % died"]),
    ],
)
def test_the_titles_of_figures_state_their_finding(open_released, part, titles):
    words = plain(words_of(open_released(part=part)))
    for title in titles:
        assert f"**{title}" in words


def test_a_title_tells_none_met_from_no_figure(released):
    name, area, week = next(iter(released.species))
    row = released.species[name, area, week]
    for estimate, said in (
        (0.0, "Here: no fish of another species met"),
        (None, "Here: no figure"),
    ):
        one = replace(released, species={(name, area, week): replace(row, estimate=estimate)})
        assert released_species.title(one, area, week, where="Here") == said
