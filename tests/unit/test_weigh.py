"""Options weighed: against the plain way, and against what must be so."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from analytics.codes import (
    Code,
    coded,
    has_code,
    join_codes,
    parse,
    select,
    sentences,
    with_limit_names,
)
from analytics.errors import UsageError
from analytics.options.baseline import Limit
from analytics.options.compare import OPTION_TOTALS, compare_options, outlook
from analytics.options.limit_exceedance import paired_difference_se
from analytics.options.option import TODAY, AtLimit, Change, Option
from analytics.options.schemas import ANSWER_SCHEMAS
from tests.season_cases import (
    CLASSES,
    DROP_OFF,
    RELEASE_RATES,
    THROUGH,
    rules_of,
    small_baseline,
    small_limits,
)
from tests.season_plain import plain, plain_day, plain_totals

BASE = small_baseline(n_draws=40)
LIMITS = small_limits()

DIFFERENCE = ("difference", "difference_low", "difference_high")


def day(number: int) -> dt.date:
    """Return the day so many days after the totals so far."""
    return THROUGH + dt.timedelta(days=number)


ROW = {
    "size_class": "sublegal",
    "method": "any",
    "wound_class": "any",
    "rate_prop": 0.12,
    "rate_se": 0.02,
    "source": "invented",
}
CLOSE = Change(("VEL",), close_from=day(15))
CASES = {
    "close": Option("close", (CLOSE,)),
    "close a while": Option("a while", (Change(close_from=day(10), reopen_from=day(20)),)),
    "open": Option("open", (Change(("OMB",), open_through=day(50)),)),
    "weekends": Option("weekends", (Change(open_weekdays="67"),)),
    "displaced": Option("displaced", (CLOSE, Change(("OMB",), open_weekdays="567")), 0.0, 0.4, 0.5),
    "limit 1": Option("limit 1", (Change(daily_limit_fish=1),)),
    "limit 0": Option("limit 0", (Change(("OMB",), daily_limit_fish=0),)),
    "limit 3": Option("limit 3", (Change(daily_limit_fish=3),)),
    "stop": Option("stop", (Change(daily_limit_fish=1, at_limit=AtLimit.STOP),)),
    "stop at 4": Option("stop at 4", (Change(daily_limit_fish=4, at_limit=AtLimit.STOP),)),
    "mid-week": Option(
        "mid-week", (Change(first_day=day(11), last_day=day(19), daily_limit_fish=1),)
    ),
    "elastic": Option("elastic", (Change(daily_limit_fish=1, first_day=day(11)),), 0.6),
    "longer": Option("longer", (Change(min_length_mm=610),)),
    "shorter": Option("shorter", (Change(("VEL",), min_length_mm=520),)),
    "longer, then shorter": Option(
        "both",
        (Change(min_length_mm=610, last_day=day(17)), Change(min_length_mm=520, first_day=day(18))),
    ),
    "marked": Option("marked", (Change(mark_selective=True),)),
    "mix": Option("mix", (Change(method_mix={"mooching": 0.2, "trolling": 0.8}),)),
    "rate": Option("rate", (Change(release_rates=(ROW,), first_day=day(9)),)),
    "more": Option("more", (Change(effort_factor=1.3),)),
    "all": Option(
        "all",
        (
            CLOSE,
            Change(("OMB",), daily_limit_fish=1, min_length_mm=600, mark_selective=True),
            Change(("OMB",), method_mix={"mooching": 1.0}, first_day=day(5), release_rates=(ROW,)),
            Change(("VEL",), effort_factor=0.8),
        ),
        0.3,
        0.5,
        0.2,
    ),
}


def figures(answers, option, area=None, column="estimate"):
    """Return one column of an option by quantity."""
    return {
        row["quantity"]: row[column]
        for row in answers.figures.to_pylist()
        if row["option"] == option and row["area"] == area
    }


def reaches(answers, option):
    return {
        row["limit_id"]: row
        for row in answers.limit_exceedance.to_pylist()
        if row["option"] == option
    }


@pytest.fixture(scope="module")
def answers():
    return compare_options(BASE, list(CASES.values()), LIMITS)


def rich_baseline():
    """Return a baseline with wounds, rates by method, unknown sizes, and kept-based drop-off."""
    base = small_baseline(n_draws=30, seed=9)
    rng = np.random.default_rng(4)
    by_method = base.by_method.copy()
    by_method[..., 4] = by_method[..., 3] * 0.1
    deep = rng.uniform(0.05, 0.3, base.deep_hook_share.shape).astype(np.float32)
    deep[:, 0, 1] = np.nan
    rates = (
        *RELEASE_RATES,
        {**ROW, "method": "mooching", "wound_class": "deep", "rate_prop": 0.6, "rate_se": 0.05},
        {**ROW, "method": "mooching", "wound_class": "shallow", "rate_prop": 0.1},
        {**ROW, "method": "trolling", "wound_class": "deep", "rate_prop": 0.5, "rate_se": None},
        {**ROW, "method": "trolling", "wound_class": "shallow", "rate_prop": 0.15},
    )
    lost = (
        *DROP_OFF,
        {**DROP_OFF[0], "method": "trolling", "base": "kept", "rate_prop": 0.2},
    )
    keys = ("sublegal mooching deep", "sublegal mooching shallow", "sublegal trolling deep")
    keys += ("sublegal trolling shallow", "drop_off trolling")
    normal = dict(base.normal)
    normal |= {key: rng.standard_normal(30).astype(np.float32) for key in keys}
    size = base.uncapped_size.copy()
    size[0] = 4000.0
    return replace(
        base,
        by_method=by_method,
        deep_hook_share=deep,
        rates=rates,
        drop_off_rates=lost,
        normal=normal,
        uncapped_size=size,
        rules=rules_of(base.rules.is_open, daily_limit_fish=3.0),
    )


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("base", [BASE, rich_baseline()], ids=["plain", "rich"])
def test_answers_are_those_of_the_plain_way(base, name):
    option = CASES[name]
    found, slow = compare_options(base, [option], ()), plain_totals(base, option)
    was = plain_totals(base, Option(TODAY))
    for quantity in OPTION_TOTALS:
        seen = [figures(found, option.name, area)[quantity] for area in base.areas]
        # The table of kept fish is read between its nodes.
        assert seen == pytest.approx(slow[quantity].mean(axis=0), rel=2e-4), quantity
        whole = slow[quantity].sum(axis=1)
        interval = [figures(found, option.name, None, c)[quantity] for c in ("ci_low", "ci_high")]
        assert interval == pytest.approx(np.quantile(whole, [0.025, 0.975]), rel=3e-4)
        off = whole - was[quantity].sum(axis=1)
        seen = [figures(found, option.name, None, c)[quantity] for c in DIFFERENCE]
        wanted = [off.mean(), *np.quantile(off, [0.025, 0.975])]
        assert seen == pytest.approx(wanted, abs=3e-4 * whole.mean())


@pytest.mark.parametrize("name", ["close", "displaced", "mid-week", "elastic", "shorter", "all"])
def test_dates_are_those_of_the_plain_way(answers, name):
    option = CASES[name]
    ahead, rows = plain(BASE, option), reaches(answers, option.name)
    for limit in LIMITS:
        for chance in (10, 50, 90):
            slow = plain_day(BASE, ahead, limit, chance / 100)
            assert rows[limit.limit_id][f"exceedance_date_p{chance}"] == slow


def test_today_comes_first_and_differs_by_nothing(answers):
    assert answers.figures["option"][0].as_py() == TODAY
    for column in ("difference", "difference_low", "difference_high"):
        assert set(figures(answers, TODAY, column=column).values()) == {0.0}
    assert all(
        row["prob_exceeded_by_close_difference"] == 0 for row in reaches(answers, TODAY).values()
    )
    named = compare_options(BASE, [CASES["close"], Option(TODAY)], LIMITS)
    assert named.limit_exceedance["option"].unique().to_pylist() == [TODAY, "close"]


def test_tables_have_their_shapes(answers):
    for name, schema in ANSWER_SCHEMAS.items():
        assert getattr(answers, name).schema == schema
    n_options = len(CASES) + 1
    assert answers.figures.num_rows == n_options * 3 * len(OPTION_TOTALS)
    assert answers.limit_exceedance.num_rows == n_options * len(LIMITS)
    assert answers.fans.quantiles.shape == (n_options, len(LIMITS), 8, 7)


def test_the_same_option_twice_differs_by_exactly_nothing():
    for option in CASES.values():
        twin = replace(option, name="twin")
        found = compare_options(BASE, [option, twin], LIMITS)
        for area in (None, *BASE.areas):
            for column in ("estimate", "ci_low", "difference", "difference_high"):
                one, other = (figures(found, name, area, column) for name in (option.name, "twin"))
                assert one == other
        again = compare_options(BASE, [option], LIMITS)
        assert figures(again, option.name) == figures(found, option.name)


def test_a_change_to_what_is_so_already_changes_nothing():
    same = Change(
        min_length_mm=559, daily_limit_fish=2, mark_selective=False, open_weekdays="1234567"
    )
    found = compare_options(BASE, [Option("same", (same,), 0.5, 0.2, 0.2)], LIMITS)
    assert figures(found, "same") == figures(found, TODAY)
    assert set(figures(found, "same", column="difference_high").values()) == {0.0}


def test_other_areas_stay_to_the_bit_without_displacement():
    option = CASES["close"]
    found = compare_options(BASE, [option], LIMITS)
    for column in ("estimate", "ci_low", "ci_high"):
        assert figures(found, "close", "OMB", column) == figures(found, TODAY, "OMB", column)
    assert set(figures(found, "close", "OMB", "difference_low").values()) == {0.0}
    displaced = compare_options(BASE, [replace(option, to_other_areas_prop=0.2)], LIMITS)
    assert (
        figures(displaced, "close", "OMB")["angler_trips"]
        > figures(found, TODAY, "OMB")["angler_trips"]
    )


def test_trips_that_go_elsewhere_are_kept_in_all():
    option = Option("moved", (CLOSE,), 0.0, 1.0)
    found = compare_options(BASE, [option], ())
    assert figures(found, "moved", column="difference")["angler_trips"] == pytest.approx(0, abs=0.5)
    days = Option("days", (Change(open_weekdays="67"),), 0.0, 0.0, 1.0)
    found = compare_options(BASE, [days], ())
    assert figures(found, "days", column="difference")["angler_trips"] == pytest.approx(0, abs=0.5)
    # Where nothing is open, nothing is gained.
    shut = Option("shut", (Change(close_from=day(1)),), 0.0, 0.5, 0.5)
    found = compare_options(BASE, [shut], ())
    assert figures(found, "shut")["angler_trips"] == pytest.approx(
        BASE.to_date["angler_trips"].sum(axis=1).mean()
    )


def test_closing_all_leaves_what_is_so_far():
    shut = Option("shut", (Change(close_from=day(1)),))
    found = compare_options(BASE, [shut], LIMITS)
    for place, area in enumerate(BASE.areas):
        for name, value in figures(found, "shut", area).items():
            assert value == BASE.to_date[name][:, place].mean(dtype=np.float64)


def test_no_days_left_is_exactly_what_is_so_far():
    base = small_baseline(n_weeks=0, n_closed_weeks=0)
    found = outlook(base, LIMITS)
    for place, area in enumerate(base.areas):
        for name, value in figures(found, TODAY, area).items():
            assert value == base.to_date[name][:, place].mean(dtype=np.float64)
    row = reaches(found, TODAY)["deaths-all"]
    dead = base.to_date["total_deaths_fish"].sum(axis=1)
    assert row["prob_exceeded_by_close"] == (dead > 1000).mean()
    assert row["estimate"] == pytest.approx(dead.mean())
    assert row["exceedance_date_p90"] == THROUGH
    assert found.fans.mean.shape == (1, len(LIMITS), 0)
    with pytest.raises(UsageError, match="no day is left"):
        compare_options(base, [CASES["limit 1"]], LIMITS)


def test_anglers_who_go_on_meet_as_many_fish_and_those_who_stop_fewer(answers):
    on, stop = (figures(answers, name, column="difference") for name in ("limit 1", "stop"))
    assert on["encounter_fish"] == on["released_sublegal_fish"] == 0
    assert on["released_legal_fish"] == pytest.approx(-on["kept_fish"], rel=1e-4)
    assert stop["kept_fish"] == pytest.approx(on["kept_fish"], rel=1e-4)
    assert stop["encounter_fish"] < 0
    assert stop["released_sublegal_fish"] < 0
    assert stop["total_deaths_fish"] < on["total_deaths_fish"]


def test_fish_that_become_sublegal_keep_their_marks(answers):
    for name in ("longer", "shorter", "both"):
        off = figures(answers, name, column="difference")
        for legal, sublegal in (CLASSES[::2], CLASSES[1::2]):
            assert off[legal] == pytest.approx(-off[sublegal], rel=1e-3)
            assert off[legal] != 0
        assert off["encounter_fish"] == pytest.approx(0, abs=0.01)


def test_fans_end_where_the_limit_does(answers):
    for place, name in enumerate(answers.fans.options):
        rows = reaches(answers, name)
        for number, limit in enumerate(answers.fans.limit_ids):
            fan = answers.fans.quantiles[place, number]
            assert answers.fans.mean[place, number, -1] == pytest.approx(rows[limit]["estimate"])
            assert fan[-1, [0, -1]] == pytest.approx(
                [rows[limit][c] for c in ("ci_low", "ci_high")]
            )
            assert (np.diff(fan, axis=1) >= 0).all()
            assert (np.diff(fan, axis=0) >= 0).all()
    assert answers.fans.days[0] == THROUGH + dt.timedelta(days=7)


def test_beaten_options_are_marked():
    worse = Option("worse", (Change(release_rates=({**ROW, "rate_prop": 0.4},)),))
    better = Option("better", (Change(release_rates=({**ROW, "rate_prop": 0.1},)),))
    found = compare_options(BASE, [worse, better, CASES["close"]], LIMITS)
    rows = {row["option"]: row for row in found.dominance.to_pylist()}
    assert rows["worse"]["dominated_by"] == f"{TODAY}; better"
    assert rows[TODAY]["dominated_by"] == "better"
    assert not rows["better"]["is_dominated"]
    assert rows["better"]["dominated_by"] is None
    assert not rows["close"]["is_dominated"]  # fewer deaths, fewer trips


def test_none_is_beaten_where_a_count_is_no_number():
    worse = Option("worse", (Change(release_rates=({**ROW, "rate_prop": 0.4},)),))
    effort = BASE.effort.copy()
    effort[:, 0] = np.nan
    shut = Option("shut", (Change(("OMB",), close_from=day(1)),))
    for base, lacking, names in (
        (replace(BASE, effort=effort), "totals_not_given", {"options": f"{TODAY}|worse"}),
        (replace(BASE, rates=()), "totals_not_given", {"totals": "total_deaths_fish"}),
        (replace(BASE, rates=()), "chances_not_given", {"options": f"{TODAY}|worse|shut"}),
    ):
        found = compare_options(base, [worse, shut], LIMITS)
        assert not any(found.dominance["is_dominated"].to_pylist())
        rows = found.assumptions.to_pylist()
        for option in (TODAY, "worse", "shut"):
            cells = [one["assumption"] for one in rows if one["option"] == option]
            (cell,) = [one for one in cells if has_code(one, "dominance_not_judged")]
            (code,) = parse(select(cell, [lacking]))
            assert {name: code[name] for name in names} == names
    judged = compare_options(BASE, [worse, shut], LIMITS)
    cells = judged.assumptions["assumption"].to_pylist()
    assert not any(has_code(one, "dominance_not_judged") for one in cells)


@pytest.mark.parametrize("areas", [(0.4, 0.0), (0.0, 0.4), (0.4, 0.3)])
@pytest.mark.parametrize("closed", ["OMB", "VEL"])
def test_trips_move_between_areas_whose_trips_are_known(areas, closed):
    base = small_baseline(n_draws=20, areas=("KET", "OMB", "VEL"))
    option = Option("one", (Change((closed,), first_day=day(3), open_weekdays="67"),), 0.0, *areas)
    effort = base.effort.copy()
    effort[:, 1] = np.nan
    found = compare_options(replace(base, effort=effort), [option], ())
    # As if the area were closed on every day.
    shut = replace(base.rules, is_open=base.rules.is_open & np.array([[True], [False], [True]]))
    alone = compare_options(replace(base, rules=shut), [option], ())
    for area in ("KET", "VEL"):
        told = figures(found, "one", area)
        assert None not in told.values()
        assert told == pytest.approx(figures(alone, "one", area), rel=1e-6)
    assert figures(found, "one", "OMB")["angler_trips"] is None
    words = [one["assumption"] for one in found.assumptions.to_pylist() if one["option"] == "one"]
    assert coded("displaced_without", areas=["OMB"]) in words
    words = alone.assumptions["assumption"].to_pylist()
    assert not any(has_code(one, "displaced_without") for one in words)


def test_what_has_no_number_is_null_and_the_rest_is_told():
    effort = BASE.effort.copy()
    effort[:, 0] = np.nan
    found = outlook(replace(BASE, effort=effort), LIMITS)
    assert figures(found, TODAY, "OMB")["kept_fish"] is None
    assert figures(found, TODAY)["kept_fish"] is None
    assert figures(found, TODAY, "VEL")["kept_fish"] > 0
    row = reaches(found, TODAY)["kept-all"]
    assert row["estimate"] is row["prob_exceeded_by_close"] is row["exceedance_date_p50"] is None
    # Closed there, nothing is lacking.
    shut = compare_options(
        replace(BASE, effort=effort), [Option("shut", (Change(("OMB",), close_from=day(1)),))], ()
    )
    assert figures(shut, "shut", "OMB")["kept_fish"] > 0


def test_without_rates_there_are_no_deaths_but_the_rest():
    found = outlook(replace(BASE, rates=(), drop_off_rates=()), ())
    told = figures(found, TODAY)
    assert told["release_deaths_fish"] is told["total_deaths_fish"] is None
    assert told["kept_fish"] > 0


def test_an_area_without_trips_so_far_takes_the_shares_of_all():
    by_method = BASE.by_method.copy()
    by_method[:, 0] = 0
    to_date = {name: np.where([True, False], 0, each) for name, each in BASE.to_date.items()}
    wanted = BASE.uncapped_mean.copy()
    wanted[:, 0] = np.nan
    base = replace(BASE, by_method=by_method, to_date=to_date, uncapped_mean=wanted)
    found = outlook(base, ())
    told, was = figures(found, TODAY, "OMB"), figures(outlook(BASE, ()), TODAY, "OMB")
    share = told["kept_fish"] / told["encounter_fish"]
    assert share == pytest.approx(was["kept_fish"] / was["encounter_fish"], rel=0.1)
    words = found.assumptions["assumption"].to_pylist()
    assert coded("shares_of_all_areas", areas=["OMB"]) in words


def test_a_method_new_to_an_area_brings_what_it_does_elsewhere():
    by_method = BASE.by_method.copy()
    by_method[:, 1, 1] = 0
    base = replace(BASE, by_method=by_method)
    option = Option("troll", (Change(("VEL",), method_mix={"trolling": 1.0}),))
    told = figures(compare_options(base, [option], ()), "troll", "VEL")
    assert told["kept_fish"] == pytest.approx(
        figures(outlook(BASE, ()), TODAY, "VEL")["kept_fish"], rel=0.1
    )
    assert told["total_deaths_fish"] > told["kept_fish"]


def test_a_limit_on_no_reckoned_area_or_total_is_told_in_words():
    limits = [
        Limit("lost", ("XXX",), ("kept_fish",), 10.0),
        Limit("odd", ("VEL",), ("sublegal_prop",), 0.5),
        Limit("part", ("VEL", "XXX"), ("kept_fish",), 10.0),
    ]
    found = outlook(BASE, limits)
    rows = reaches(found, TODAY)
    assert rows["lost"]["estimate"] is rows["odd"]["prob_exceeded_by_close"] is None
    assert rows["part"]["estimate"] > 0
    assert {
        coded("limit_not_projected", limit="lost"),
        coded("limit_not_projected", limit="odd"),
        coded("limit_in_part", limit="part", areas=["XXX"]),
    } <= set(found.assumptions["assumption"].to_pylist())
    # People read the limit by its name, on the page and in the documents; the table has its id.
    cell = join_codes([coded("limit_in_part", limit="part", areas=["XXX"]), "limit_of_boat"])
    named = with_limit_names(cell, {"part": "kept fish in two areas, at most 10 (part)"})
    assert has_code(named, "limit_in_part")
    assert "kept fish in two areas, at most 10 (part)" in sentences(named)
    assert with_limit_names(cell, {}) == cell
    own = coded("limit_stop", limit=2)
    assert with_limit_names(own, {"2": "never"}) == own


def test_a_limit_of_nothing_is_not_passed_where_nothing_is_caught():
    base = replace(
        BASE,
        to_date={name: 0 * each for name, each in BASE.to_date.items()},
        rate=0 * BASE.rate,
    )
    limit = Limit("none", BASE.areas, ("kept_fish",), 0.0)
    row = reaches(outlook(base, [limit]), TODAY)["none"]
    assert row["prob_exceeded_by_close"] == 0
    assert row["exceedance_date_p10"] is None


def test_limits_may_be_on_trips_and_hours():
    limit = Limit("hours", ("VEL",), ("angler_hours",), 1e6)
    found = outlook(BASE, [limit])
    trips = figures(found, TODAY, "VEL")["angler_trips"]
    assert reaches(found, TODAY)["hours"]["estimate"] == pytest.approx(5 * trips, rel=1e-5)


def test_every_assumption_is_told(answers):
    by_option: dict[str, set[str]] = {}
    for row in answers.assumptions.to_pylist():
        by_option.setdefault(row["option"], set()).add(row["assumption"])
    fish = {"size": "sublegal", "method": "any", "wound": "any"}
    rate = coded("own_rate", **fish, percent="12", se="2")
    told = {
        "displaced": coded("trips_displaced", to_areas="40", to_days="50"),
        "limit 1": coded("limit_go_on", limit=1),
        "stop": coded("limit_stop", limit=1),
        "elastic": coded("effort_elasticity", power="0.6"),
        "marked": coded("marked_only"),
        "mix": coded("method_mix", mix=["mooching:20", "trolling:80"]),
        "rate": join_codes([rate, coded("rate_source", source="invented")]),
        "open": coded("days_opened"),
        "more": coded("effort_factor", factor="1.3"),
        "close": coded("trips_not_displaced"),
    }
    for name, cell in told.items():
        assert cell in by_option[name]
    longer = [parse(one)[0] for one in by_option["longer"] if has_code(one, "minimum_longer")]
    assert ("OMB", "60", "this_area") in {(one["area"], one["n"], one["span"]) for one in longer}
    assert any(has_code(one, "minimum_shorter") for one in by_option["shorter"])
    assert coded("days_opened") not in by_option["weekends"]
    assert all(coded("dominance_rule") in cells for cells in by_option.values())
    for cell in set().union(*by_option.values()):
        assert all(isinstance(one, Code) for one in parse(cell))
        assert not {"{", "}"} & set(sentences(cell))


def test_another_level_gives_another_interval(answers):
    wide, narrow = outlook(BASE, ()), outlook(BASE, (), level=0.8)
    assert narrow.figures["ci_level"][0].as_py() == 0.8
    assert (
        figures(narrow, TODAY, column="ci_low")["kept_fish"]
        > figures(wide, TODAY, column="ci_low")["kept_fish"]
    )


def test_the_error_of_a_difference_of_chances_is_that_of_paired_draws():
    rng = np.random.default_rng(3)
    n, repeats = 400, 3000
    # Two rules on the same draws: the second takes a tenth of the fish away.
    was = rng.gamma(20, 5, size=(repeats, n)).astype(np.float32)
    now = np.float32(0.9) * was
    differences = (now > 105).mean(axis=1) - (was > 105).mean(axis=1)
    errors = [paired_difference_se(*two, 105.0) for two in zip(now, was, strict=True)]
    assert np.mean(errors) == pytest.approx(differences.std(), rel=0.04)
    chances = (was > 105).mean(), (now > 105).mean()
    apart = np.sqrt(sum(one * (1 - one) for one in chances) / n)
    assert np.mean(errors) < 0.75 * apart  # far below that of two simulations of their own


def test_the_error_of_a_difference_of_chances_by_hand():
    was = np.array([1, 1, 1, 0, 0, 0, 0, 0], dtype=np.float32)
    now = np.array([0, 0, 1, 1, 0, 0, 0, 0], dtype=np.float32)
    # Two draws leave the limit, one passes it: ((3/8) - (1/8)²) / 8.
    assert paired_difference_se(now, was, 0.5) == pytest.approx(np.sqrt((3 / 8 - 1 / 64) / 8))
    assert paired_difference_se(was, was, 0.5) == 0.0
    assert np.isnan(paired_difference_se(now, np.where(was > 0, was, np.nan), 0.5))


def test_an_option_has_the_error_of_its_own_difference(answers):
    assert {
        row["prob_exceeded_by_close_difference_se"] for row in reaches(answers, TODAY).values()
    } == {0.0}
    moved = [
        row
        for row in answers.limit_exceedance.to_pylist()
        if row["prob_exceeded_by_close_difference"]
    ]
    assert moved
    for row in moved:
        # A difference d of n draws moves |d| n of them at least, and all of them at most.
        d, se = (
            row["prob_exceeded_by_close_difference"],
            row["prob_exceeded_by_close_difference_se"],
        )
        n = len(BASE.uncapped_size)
        assert (abs(d) - d * d) / n <= se * se + 1e-12 <= (1 - d * d) / n + 2e-12
