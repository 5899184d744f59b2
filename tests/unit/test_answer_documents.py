"""The comparison of rule changes as documents: one content in Markdown, HTML and PDF."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import date

import numpy as np
import pypdf
import pytest

from analytics.documents import blocks
from analytics.documents.answer_document import ComparedOptions, answer_document
from analytics.documents.blocks import as_pdf
from analytics.documents.files import ANSWER_FILES, answer_files
from analytics.documents.rules_in_words import AS_TODAY, RuleLine, rule_lines
from analytics.options.baseline import Limit
from analytics.options.option import AtLimit, Change, Find, Option, Solve
from analytics.options.report import GAINS, Points
from analytics.options.solve import solved_options
from tests import pdf_structure
from tests.season_cases import small_baseline
from tests.unit.test_answer_report import CLOSE, about, tables  # noqa: F401 - a fixture
from tests.unit.test_bulletin_documents import plain, read

RULES = (RuleLine(CLOSE, "all areas", "Opening and closing", "closed from 1 March", "open"),)


@pytest.fixture
def compared(tables) -> ComparedOptions:  # noqa: F811
    return ComparedOptions(about(), tables, RULES)


def pdf_text(pdf: bytes) -> str:
    return "".join(plain(page.extract_text()) for page in pypdf.PdfReader(io.BytesIO(pdf)).pages)


def test_all_three_say_the_same(compared):
    made = answer_files(compared)
    assert tuple(made) == ANSWER_FILES
    assert pdf_structure.faults(made["answer.pdf"]) == []
    pdf, page = pdf_text(made["answer.pdf"]), plain("".join(read(made["answer.html"]).words))
    markdown = plain(made["answer.md"].decode())
    for words in (
        "The options beside today's rules",
        "closed from 1 March",
        "Difference from Today's rule",
        "Probability of exceeding each limit",
        "under 1 %",
        "30 % of trips go elsewhere.",
        "These figures inform and decide nothing",
    ):
        assert plain(words) in pdf
        assert plain(words) in page
        assert plain(words) in markdown


def test_the_figure_has_its_zero_line_and_its_words(compared):
    page = answer_files(compared)["answer.html"]
    alt = next(values["aria-label"] for _, values in read(page).tags if values.get("role") == "img")
    assert "line at zero" in alt
    assert "angler trips −810 (−1,190 to −510)" in alt
    assert page.count(b"<svg") == 1


def test_no_page_ends_with_a_heading_or_what_heads_a_list(compared):
    """Lines before the assumptions move them down the page, over its end."""
    document = answer_document(compared)
    heads = [block.get("text") for block in document.blocks]
    last = document.blocks[heads.index("Assumptions") :]
    ends, begins = [], set()
    for lines in range(34, 52):
        moved = [blocks.text("A line.") for _ in range(lines)]
        pdf = as_pdf(replace(document, blocks=[*moved, *last], pictures={}))
        texts = [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]
        bodies = [text.split("From bulletin")[0].strip().splitlines() for text in texts]
        ends += [body[-1] for body in bodies]
        begins |= {body[0] for body in bodies}
    assert "Assumptions" in begins
    assert not [one for one in ends if one == "Assumptions" or one.startswith("Of ")]


def test_the_same_answer_gives_the_same_bytes(compared):
    assert answer_files(compared) == answer_files(compared)


def asks(ground):
    """Return the tables of a question beside which a frontier stands."""
    limits = (Limit("kept", ground.areas, ("kept_fish",), 2_600.0),)
    return solved_options(ground, [Option(CLOSE, solve=Solve(Find.CLOSE, 0.2))], limits)


def test_opportunity_against_risk_is_a_figure_with_words_and_a_table(compared):
    found = asks(small_baseline(n_draws=100))
    made = answer_files(replace(compared, tables={**compared.tables, **found}))
    page = read(made["answer.html"])
    said = [values["aria-label"] for _, values in page.tags if values.get("role") == "img"]
    (alt,) = (one for one in said if "opportunity against the chance" in one)
    rows = found["frontier"].to_pylist()
    points = Points(rows)
    for gain in GAINS:
        best = points.best(gain, 0.2)
        within = [row for row in rows if row["prob"] <= 0.2]
        assert best[gain] == pytest.approx(max(row[gain] for row in within), abs=1)
        assert points.words(best) in alt
        for file in ("answer.pdf", "answer.html", "answer.md"):
            words = pdf_text(made[file]) if file.endswith("pdf") else made[file].decode()
            words = plain("".join(page.words)) if file.endswith("html") else plain(words)
            assert plain(points.words(best)) in words
    assert made["answer.html"].count(b"<svg") == 2
    assert "star" in "".join(page.words)


def test_a_star_that_is_not_drawn_is_not_explained(compared):
    ground = small_baseline(n_draws=100)
    limits = (Limit("kept", ground.areas, ("kept_fish",), 1.0),)
    found = solved_options(ground, [Option(CLOSE, solve=Solve(Find.CLOSE, 0.2))], limits)
    points = Points(found["frontier"].to_pylist())
    assert points.rows
    assert not any(points.best(gain, 0.2) for gain in GAINS)
    made = answer_files(replace(compared, tables={**compared.tables, **found}))
    assert "star" not in "".join(read(made["answer.html"]).words).replace("start", "")


def test_one_option_and_no_limits_have_documents(compared, tables):  # noqa: F811
    bare = {name: table.slice(0, 5 if name == "figures" else 0) for name, table in tables.items()}
    made = answer_files(replace(compared, about=about(limits=()), tables=bare, rules=()))
    assert plain("There is no other option.") in pdf_text(made["answer.pdf"])
    assert b"<svg" not in made["answer.html"]


def test_a_title_is_text(compared):
    title = "<script>alert(1)</script> #let *x*"
    made = answer_files(replace(compared, about=about(title=title)))
    assert plain(title) in pdf_text(made["answer.pdf"])
    assert "script" not in {tag for tag, _ in read(made["answer.html"]).tags}


def test_rules_stand_beside_todays():
    found = small_baseline()
    area = found.areas[0]
    change = Change(
        areas=(area,),
        close_from=date(2036, 3, 1),
        open_weekdays="67",
        daily_limit_fish=1,
        at_limit=AtLimit.STOP,
        min_length_mm=580.0,
        mark_selective=True,
        effort_factor=0.9,
    )
    lines = rule_lines(found, [Option("A", (change,)), Option("B")], {area: "North"}.get)
    assert {one.where for one in lines[:-1]} == {"North"}
    said = {one.rule: (one.changed, one.today) for one in lines[:-1]}
    assert said["Opening and closing"][0] == "closed from 1 March 2036"
    assert said["Opening and closing"][1].startswith("open through ")
    assert said["Days of the week"][0] == "Sat–Sun"
    assert said["Daily limit"][0] == "1 Chinook; anglers stop at it"
    assert said["Minimum length"][0] == "580\u00a0mm"
    assert said["Fish that may be kept"][0] == "marked fish only"
    assert said["Effort of an open day"] == ("0.9 times today's", "1")
    known = found.rules.min_length_mm[0][found.rules.is_open[0]]
    assert said["Minimum length"][1] == f"{np.unique(known[np.isfinite(known)])[0]:g} mm"
    assert (lines[-1].option, lines[-1].changed) == ("B", AS_TODAY)
