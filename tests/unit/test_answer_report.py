"""An answer in words: rounding by the error, chances, marks, and what Markdown must not eat."""

from __future__ import annotations

import datetime as dt

import pyarrow as pa
import pytest

from analytics.codes import coded, sentences
from analytics.documents.answer_document import ComparedOptions, answer_document
from analytics.documents.blocks import as_markdown
from analytics.options.baseline import Limit
from analytics.options.baseline_io import limits_of
from analytics.options.report import (
    CAUTION,
    Answer,
    ReportContext,
    amount,
    binding,
    chance,
    limit_dates,
    points,
    terminal_summary,
)
from analytics.options.schemas import ANSWER_SCHEMAS, INVERSE_SCHEMAS
from analytics.options.solved_words import answer, exceeded_already

TODAY, CLOSE, POOR = "Today's rule", "Close | early", "Poor_one"
LIMITS = (Limit("L1", ("VEL", "SOR"), ("released_sublegal_fish",), 20000.0),)
COUNTS = (
    "angler_trips",
    "kept_fish",
    "encounter_fish",
    "released_sublegal_fish",
    "total_deaths_fish",
)
FAR = {"exceedance_date_p10": None, "exceedance_date_p50": None, "exceedance_date_p90": None}


def figure(option, quantity, at, difference, *, area=None):
    row = {"option": option, "area": area, "quantity": quantity, "unit": "fish", "ci_level": 0.95}
    row |= dict(zip(("estimate", "ci_low", "ci_high"), at, strict=True))
    ends = ("difference", "difference_low", "difference_high")
    return row | dict(zip(ends, difference, strict=True))


def reach(option, chances, difference, dates):
    return {
        "option": option,
        "limit_id": "L1",
        "limit_fish": 20000.0,
        "estimate": 18000.0,
        "ci_low": 15000.0,
        "ci_high": 22000.0,
        "ci_level": 0.95,
        "prob_exceeded_by_close": chances,
        "prob_exceeded_by_close_difference": difference,
        "prob_exceeded_by_close_difference_se": 0.0108 if difference else 0.0,
    } | dates


@pytest.fixture
def tables():
    """Return an answer to two options: one that closes early, one that is beaten."""
    none, less = (0.0, 0.0, 0.0), (-812.4, -1190.0, -510.0)
    figures = [
        figure(option, one, at, moved)
        for option, at, moved in (
            (TODAY, (12345.6, 10111.0, 14999.0), none),
            (CLOSE, (11533.2, 9400.0, 14100.0), less),
            (POOR, (12345.6, 10111.0, 14999.0), none),
        )
        for one in COUNTS
    ]
    figures.append(figure(TODAY, "kept_fish", (99.0, 98.0, 100.0), none, area="VEL"))
    days = {
        "exceedance_date_p10": dt.date(2036, 3, 3),
        "exceedance_date_p50": dt.date(2036, 3, 14),
        "exceedance_date_p90": None,
    }
    rows = {
        "figures": figures,
        "limit_exceedance": [
            reach(TODAY, 0.64, 0.0, days),
            reach(CLOSE, 0.0, -0.64, FAR),
            reach(POOR, 0.64, 0.0, days),
        ],
        "dominance": [
            {"option": TODAY, "is_dominated": False, "dominated_by": None},
            {"option": CLOSE, "is_dominated": False, "dominated_by": None},
            {"option": POOR, "is_dominated": True, "dominated_by": CLOSE},
        ],
        "assumptions": [
            *({"option": one, "assumption": "Rates hold."} for one in (TODAY, CLOSE, POOR)),
            {"option": CLOSE, "assumption": "30 % of trips go elsewhere."},
            {"option": POOR, "assumption": "All comply."},
        ],
    }
    return {name: pa.Table.from_pylist(rows[name], one) for name, one in ANSWER_SCHEMAS.items()}


def about(**given):
    facts = {
        "title": "Rules for March",
        "notes": "",
        "season": "2035-36",
        "through": dt.date(2036, 2, 17),
        "version": 3,
        "bulletin": "2035-36.2036-W07.v3",
        "is_preliminary": True,
        "n_draws": 2000,
        "level": 0.95,
        "limits": LIMITS,
    }
    return ReportContext(**facts | given)


def report(told: ReportContext, tables: dict[str, pa.Table]) -> str:
    return as_markdown(answer_document(ComparedOptions(told, tables)))


def section(text: str, title: str) -> str:
    return text.split(f"## {title}\n\n", 1)[1].split("\n## ", 1)[0].strip()


def test_the_head_says_what_the_answer_rests_on(tables):
    head = report(about(notes="For the board.\nSecond line."), tables).split("\n## ")[0]
    assert head.startswith("# Rules for March\n\n> For the board.\n> Second line.\n\n")
    for words in ("Season 2035-36, through 17 February 2036", "version 3", "Preliminary"):
        assert words in head
    assert "95 % intervals from 2,000 draws" in head
    assert CAUTION in head
    assert "Preliminary" not in report(about(is_preliminary=False), tables)


def test_the_answer_opens_with_a_sentence_an_option(tables):
    told = about(areas={"VEL": "Velmark", "SOR": "Sorrow", "KET": "Kettle"}, refused=("no A.",))
    lines = section(report(told, tables), "In short").split("\n\n")
    limit = "sublegal releases in Velmark and Sorrow, at most 20,000 (L1)"
    assert lines[0].startswith("**Today's rule**: angler trips 12,300 (10,100 to 15,000), Chinook")
    assert lines[0].endswith(
        f"; limits likely exceeded: 1 of 1; reached first: {limit}: 64 % to exceed it, with 50 % "
        "by 14 March 2036."
    )
    assert lines[1] == (
        "**Close \\| early**: against today's rule, angler trips −810 (−1,190 to −510), "
        "Chinook kept −810 (−1,190 to −510), sublegal releases −810 (−1,190 to −510), "
        "total deaths −810 (−1,190 to −510); limits likely exceeded: 0 of 1 (today 1); reached "
        f"first: {limit}: under 1 % (−64.0 ± 1.1 points) to exceed it."
    )
    assert lines[2].startswith("**Poor\\_one**: changes nothing in trips")
    assert lines[3] == "**Not compared**: no A."
    every = report(about(areas={"VEL": "Velmark", "SOR": "Sorrow"}), tables)
    assert "sublegal releases over all areas, at most 20,000" in every


def test_the_first_limit_is_the_earliest_then_the_likeliest(tables):
    other = Limit("L2", ("VEL",), ("kept_fish",), 500.0)
    both = about(limits=(*LIMITS, other))
    rows = tables["limit_exceedance"].to_pylist()
    late = [
        row
        | {
            "limit_id": "L2",
            "prob_exceeded_by_close": 0.9,
            "exceedance_date_p50": dt.date(2036, 4, 1),
        }
        for row in rows
    ]
    assert "(L1)" in binding(both, rows + late, TODAY)
    assert "(L2)" in binding(both, rows + late, CLOSE)
    never = [row | {"limit_id": "L2", "prob_exceeded_by_close": 0.1} | FAR for row in rows]
    assert "(L2): 10 %" in binding(both, rows + never, CLOSE)
    assert binding(both, [], TODAY) == ""


@pytest.mark.parametrize(("fish", "first"), [(500.0, "(L2)"), (0.0, "(L2)"), (9e9, "(L1)")])
def test_of_limits_alike_that_is_first_of_which_most_is_used(tables, fish, first):
    both = about(limits=(*LIMITS, Limit("L2", ("VEL",), ("kept_fish",), fish)))
    rows = [
        row
        | {"limit_id": name, "prob_exceeded_by_close": 1.0, "estimate": 30_000.0}
        | {"exceedance_date_p50": both.through}
        for name in ("L1", "L2")
        for row in tables["limit_exceedance"].to_pylist()
    ]
    assert first in binding(both, rows, TODAY)


def test_a_limit_reached_on_the_last_day_of_data_may_be_passed_already(tables):
    day = dt.date(2036, 2, 17)
    rows = [reach(TODAY, 0.64, 0.0, dict.fromkeys(FAR, day)), reach(CLOSE, 0.6, 0.0, FAR)]
    made = tables | {
        "limit_exceedance": pa.Table.from_pylist(rows, ANSWER_SCHEMAS["limit_exceedance"])
    }
    told = about(passed={"L1": 0.42})
    text = report(told, made)
    assert text.count("may be exceeded already (42 %)") == 3
    assert "17 February 2036" not in text.split("## In short")[1]
    assert any("may be exceeded already (42 %)" in line for line in terminal_summary(told, made))
    late = dict.fromkeys(FAR, day) | {"exceedance_date_p90": dt.date(2036, 3, 1)}
    assert limit_dates(late, through=day) == "may be exceeded already, 90 % by 1 March 2036"


def test_the_decision_table_has_a_line_an_option_and_marks_the_beaten(tables):
    lines = section(report(about(), tables), "What each option gives").splitlines()
    cell = "12,300 (10,100 to 15,000)"
    assert lines[2:] == [
        "| Today's rule | " + " | ".join([cell] * 5) + " | 1 of 1 |",
        r"| Close \| early | " + " | ".join(["11,500 (9,400 to 14,100)"] * 5) + " | 0 of 1 |",
        r"| Poor\_one **(dominated)** | " + " | ".join([cell] * 5) + " | 1 of 1 |",
    ]
    assert lines[0].count("|") == lines[1].count("|") == 8


def test_differences_are_from_todays_rule(tables):
    lines = section(report(about(), tables), "Difference from Today's rule").splitlines()
    assert lines[2] == r"| Close \| early | " + " | ".join(["−810 (−1,190 to −510)"] * 5) + " |"
    assert lines[3] == r"| Poor\_one | " + " | ".join(["0"] * 5) + " |"
    assert len(lines) == 4


def test_the_chances_of_all_limits_stand_side_by_side(tables):
    lines = section(report(about(), tables), "Probability of exceeding each limit").splitlines()
    assert lines[2] == "| Option | Sublegal releases in VEL and SOR, at most 20,000 (L1) |"
    assert lines[4:6] == [
        "| Today's rule | 64 % (14 March 2036) |",
        r"| Close \| early | under 1 % |",
    ]


def test_each_limit_has_its_table(tables):
    text = section(report(about(), tables), "Limits")
    assert "**Sublegal releases in VEL and SOR**, at most 20,000 fish (L1)." in text
    assert "| 64 % | no change | 10 % by 3 March 2036, 50 % by 14 March 2036 |" in text
    assert "| under 1 % | −64.0 ± 1.1 points | not reached with 10 % |" in text


def test_no_limits_and_limits_left_out_are_told(tables):
    bare = tables | {"limit_exceedance": ANSWER_SCHEMAS["limit_exceedance"].empty_table()}
    text = report(about(limits=()), bare)
    assert "The season has no limit in the store." in section(text, "Limits")
    assert "likely exceeded" not in text
    assert "Probability of exceeding each limit" not in text
    left = report(about(limits=(), left_out=("limit L9 is not compared: never open",)), bare)
    assert section(left, "Limits") == "Limit L9 is not compared: never open."


def test_the_beaten_are_named_with_what_beats_them(tables):
    text = section(report(about(), tables), "Dominated options")
    assert text.endswith("* Poor\\_one, by Close \\| early")
    spared = [{"option": TODAY, "is_dominated": False, "dominated_by": None}]
    none = {"dominance": pa.Table.from_pylist(spared, ANSWER_SCHEMAS["dominance"])}
    assert section(report(about(), tables | none), "Dominated options").endswith("None is.")


def test_every_assumption_stands_once_where_it_belongs(tables):
    text = section(report(about(), tables), "Assumptions")
    assert text == (
        "Of all options:\n\n* Rates hold.\n\n"
        "Of Close \\| early:\n\n* 30 % of trips go elsewhere.\n\n"
        "Of Poor\\_one:\n\n* All comply."
    )


def test_every_words_of_the_table_of_assumptions_is_printed(tables):
    rows = [
        {"option": None, "assumption": "Of the whole."},
        {"option": POOR, "assumption": "Only here."},
    ]
    made = {"assumptions": pa.Table.from_pylist(rows, ANSWER_SCHEMAS["assumptions"])}
    text = section(report(about(), tables | made), "Assumptions")
    assert all(row["assumption"] in text for row in rows)


def test_markup_in_names_and_notes_stays_text(tables):
    text = report(about(title="# <b>x</b>", notes="[a](http://example.invalid)\n\n| b |"), tables)
    assert text.startswith(
        "# \\# \\<b\\>x\\</b\\>\n\n> \\[a\\](http://example.invalid)\n> \\| b \\|\n"
    )


@pytest.mark.parametrize(
    ("at", "signed", "words"),
    [
        ((1240.4, 980.2, 1570.9), False, "1,240 (980 to 1,570)"),
        ((12.4, 3.0, 29.0), False, "12 (3 to 29)"),
        ((0.0, 0.0, 0.0), True, "0"),
        ((-0.2, -3.1, 2.0), True, "−0.2 (−3 to +2)"),
        ((4.31, 1.1, 8.6), False, "4.3 (1.1 to 8.6)"),
        ((-4.31, -8.6, -1.1), True, "−4 (−9 to −1)"),
        ((40.0, -2400.0, 2100.0), True, "+40 (−2,400 to +2,100)"),
        ((310.0, 180.0, 470.0), True, "+310 (+180 to +470)"),
        ((50.0, None, None), False, "50"),
        ((None, None, None), False, "–"),
        ((5.0, 5.0, 5.0), False, "5"),
        ((-104.0, -2400.0, 2100.0), True, "−100 (−2,400 to +2,100)"),
    ],
)
def test_amounts_are_rounded_by_their_error(at, signed, words):
    row = dict(zip("abc", at, strict=True))
    assert amount(row, "a", "b", "c", signed=signed) == words


@pytest.mark.parametrize(
    ("part", "words"),
    [
        (0.0, "under 1 %"),
        (0.004, "under 1 %"),
        (0.01, "1 %"),
        (0.5, "50 %"),
        (0.99, "99 %"),
        (0.996, "over 99 %"),
        (1.0, "over 99 %"),
        (None, "–"),
    ],
)
def test_no_chance_is_certain(part, words):
    assert chance(part) == words


@pytest.mark.parametrize(
    ("difference", "se", "words"),
    [
        (0.0, 0.0, "no change"),
        (0.0, 0.004, "under ±0.1 ± 0.4 points"),
        (0.01, 0.0021, "+1.0 ± 0.2 points"),
        (-0.5204, 0.0112, "−52.0 ± 1.1 points"),
        (0.0004, 0.0004, "under ±0.1 points"),
        (0.3, None, "+30.0 points"),
        (None, None, "–"),
    ],
)
def test_differences_of_chances_are_points_with_their_error(difference, se, words):
    assert points(difference, se) == words


def test_days_that_draws_never_reach_are_left_out():
    assert limit_dates(FAR | {"exceedance_date_p10": dt.date(2036, 4, 1)}) == "10 % by 1 April 2036"


def test_short_lines_are_aligned(tables):
    lines = terminal_summary(about(), tables)
    assert lines[0].startswith("Season 2035-36 through 17 February 2036")
    table = lines[1:5]
    assert table[2].startswith("Close | early  11,500 (−810)  11,500")
    assert table[3].split()[:4] == ["Poor_one", "*", "12,300", "(0)"]
    assert {len(line) for line in table} == {len(table[0])}
    assert lines[-1] == "* dominated by another option on every count"


def test_limits_are_those_of_the_standing_that_have_an_estimate():
    from analytics.outlook.schemas import LIMIT_STATUS_SCHEMA

    never_open = coded("areas_never_open", areas=["KET"], season="2030-31")
    rows = [
        {
            "limit_id": "L1",
            "areas": "VEL;SOR",
            "quantity": "encounter_legal_unmarked_fish;encounter_sublegal_unmarked_fish",
            "limit_fish": 900.0,
            "estimate": 0.0,
            "reason": "",
        },
        {"limit_id": "L2", "areas": "KET", "quantity": "kept_fish", "limit_fish": 5.0}
        | {"estimate": None, "reason": never_open},
    ]
    names = {"KET": "Ketterwyn Channel"}
    status = pa.Table.from_pylist(rows, LIMIT_STATUS_SCHEMA)
    limits, left_out = limits_of(status, lambda area: names.get(area, area))
    unmarked = ("encounter_legal_unmarked_fish", "encounter_sublegal_unmarked_fish")
    assert limits == (Limit("L1", ("VEL", "SOR"), unmarked, 900.0),)
    (words,) = left_out
    assert "L2, Chinook kept in Ketterwyn Channel," in words
    assert words.endswith(sentences(never_open, lambda area: names.get(area, area)))
    assert never_open not in left_out[0]


def test_a_chance_that_is_a_bound_is_not_bounded_again():
    row = {"find": "close", "areas": "", "limit_id": "L1", "risk": 0.1, "most_exceeded_id": None}
    row |= {"reason": coded("solve_none")}
    words = [answer(row | {"prob": prob}, str, ",".join) for prob in (0.49, 1.0)]
    assert ["or more" in one for one in words] == [True, False]


@pytest.mark.parametrize(
    ("passed", "limit_id", "reason", "part", "named"),
    [
        ({"L1": 0.423}, "L1", "solve_none", "42 %", "this limit"),
        ({"L1": 0.1004}, "L1", "solve_none", "10.0 %", "this limit"),
        ({"L1": 0.999}, "L1", "solve_none", "over 99 %", "this limit"),
        ({"L1": 0.1}, "L1", "solve_none", None, ""),
        ({"L1": None}, "L1", "solve_none", None, ""),
        ({"L1": 0.423}, "L1", "solve_found", None, ""),
        ({"L1": 0.2, "L2": 0.9}, "L1", "solve_none", "20 %", "this limit"),
        ({"L1": 0.2, "L2": 0.9}, None, "solve_none", "90 %", "L2"),
    ],
)
def test_no_rule_is_enough_because_a_limit_may_be_exceeded_already(
    passed, limit_id, reason, part, named
):
    row = {"limit_id": limit_id, "risk": 0.1, "reason": coded(reason)}
    words = exceeded_already(row, passed, dt.date(2036, 2, 17), str).replace("\u00a0", " ")
    assert bool(words) == (part is not None)
    if part is not None:
        assert f"{named} was exceeded by 17 February 2036 is {part} already" in words
        assert words.endswith("more than 10 %.")


def test_the_documents_and_the_command_say_why_no_rule_is_enough(tables):
    row = {"option": CLOSE, "find": "close", "risk": 0.1, "is_asked": True, "limit_id": "L1"}
    row |= {"reason": coded("solve_none"), "prob": 0.42, "areas": "VEL"}
    solved = pa.Table.from_pylist([row], INVERSE_SCHEMAS["solved"])
    for passed, is_said in ((0.4, True), (0.02, False)):
        context = about(passed={"L1": passed})
        given = tables | {"solved": solved}
        printed = as_markdown(answer_document(ComparedOptions(context, given, (), "2036-01-01")))
        for text in (printed, "\n".join(terminal_summary(context, given))):
            assert ("even an immediate close leaves more than" in text) == is_said


@pytest.mark.parametrize(
    ("reason", "value", "is_without"),
    [("solve_none", None, True), ("solve_found", "2036-03-01", False), ("solve_all", "", False)],
)
def test_an_option_whose_question_has_no_answer_is_said_to_stand_without_it(
    tables, reason, value, is_without
):
    row = {"option": CLOSE, "find": "close", "risk": 0.1, "is_asked": True}
    row |= {"reason": coded(reason), "value": value}
    other = row | {"risk": 0.2, "is_asked": False, "value": None, "reason": coded("solve_none")}
    solved = pa.Table.from_pylist([row, other], INVERSE_SCHEMAS["solved"])
    found = Answer(about(), tables | {"solved": solved})
    assert found.unanswered == ({CLOSE} if is_without else set())
    assert not Answer(about(), tables).unanswered
