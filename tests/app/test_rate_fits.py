"""The regressions behind the index as the page tells them: candidates, ratios, checks, boats."""

from __future__ import annotations

from types import SimpleNamespace

import pyarrow as pa
import pytest

from dashboard.catch_rates import models, records
from tests.app import sample_rates
from tests.app.rate_pages import plain, with_tables
from tests.app.reading import words_of


@pytest.fixture
def open_rates(opener):
    """Return a function that opens the page with a link, in the archive of the tests or another."""
    return opener("app_pages/catch_rates.py")


def test_candidates_coefficients_and_checks_are_told(open_rates, rates):
    said = plain(words_of(open_rates()))
    assert "candidate 2, chosen" in said
    assert "+310.0" in said
    assert sample_rates.NOT_FITTED in said
    assert "hurdle negative binomial" in said
    assert "Trips without a fish: 31.2 % seen, 30.8 % expected by the fit." in said
    assert "Pearson dispersion 1.05" in said
    assert "variances are 1.70 times those of single boats over 402 site-days" in said
    assert "<small>a line of its own in each area</small>" in said
    assert "<small>0.100 behind ± 0.040</small>" in said
    assert "<small>best</small>" in said
    assert "a value for every area and week, and method, days of the week, party size." in said
    assert "Dispersion 0.580" in said
    assert "area, week (smooth, 5 columns), method, days of the week" in said


def test_coefficients_are_named_against_their_base(open_rates, index, rates):
    dots = models.ratio_rows(index, rates, "encounters")
    assert [row.label for row in dots] == [
        *("mooching", "*jigging*", "days of group weekend", "each angler more in the boat")
    ]
    assert dots[0].amount.value == pytest.approx(1.1, abs=0.001)
    assert not dots[-1].amount.has_interval
    table = plain(models.ratio_table(index, rates, "encounters"))
    assert ">Mooching</th><td data-label='Against'>the first method by name</td>" in table
    assert "<td data-label='Ratio'>1.10<small>" in table
    assert f"<small>{sample_rates.NO_ERROR}</small>" in table
    assert models.RATIO_HEADS[0] in words_of(open_rates())


def test_bases_come_from_the_bulletin():
    lines = [
        {"term": one, "ratio": 1.1, "ci_low": 1.0, "ci_high": 1.2}
        for one in ("method[mooching]", "day_group[2]", "zero: party", "moon", "odd[x]")
    ]
    mix = pa.table({"method": [None, "jigging", "mooching"]})
    days = [("A1", "2036-W05 Mon–Fri"), ("A1", "2036-W05 Sat–Sun")]
    strata = [SimpleNamespace(landing_area=area, stratum=name) for area, name in days]
    index = SimpleNamespace(
        bulletin=SimpleNamespace(table=lambda name: mix), strata=strata, name=str.title
    )
    assert models.term_names(index, lines) == {
        "method[mooching]": ("mooching", "jigging"),
        "day_group[2]": ("weekend days", "weekdays"),
        "zero: party": (
            "chance of a trip without fish: each angler more in the boat",
            "one angler fewer",
        ),
        "moon": ("full moon", "new moon"),
        "odd[x]": ("odd x", "the base"),
    }
    strata.append(SimpleNamespace(landing_area="A2", stratum="2036-W05 Fri–Sat"))
    assert models.term_names(index, lines)["day_group[2]"] == ("days of group 2", "days of group 1")


def test_criteria_are_measured_from_the_lowest_that_may_be_chosen(rates):
    lines = rates.of("models", "encounters")
    shut = lines[0] | {"bic": 8890.1, "aic": 8800.0, "reason_codes": "not_chosen_hurdle"}
    table = plain(models.table([shut, lines[1]]))
    assert "<td data-label='BIC'>−10.0</td>" in table
    assert "<td data-label='BIC'>lowest</td>" in table


def test_scores_that_print_alike_are_as_good(rates):
    line = rates.of("models", "encounters")[0]
    assert "as good as the best" in models.table(
        [line | {"score_gap": 3e-10, "score_gap_se": 2e-10}]
    )
    assert "0.006 ahead ± 0.009" in models.table(
        [line | {"score_gap": -0.006, "score_gap_se": 0.009}]
    )


def test_a_public_bulletin_says_that_residuals_are_withheld(index):
    found = records.read(with_tables(index, residuals=[]))
    assert models.has_no_boats(found)
    assert not models.has_no_boats(records.read(index))


def test_weighty_boats_are_listed_where_kept(open_rates):
    said = words_of(open_rates())
    assert "&lt;b&gt;I-0042&lt;/b&gt;" in said
    assert sample_rates.BOAT not in said
    assert "No single boats are listed here." in words_of(open_rates(rate="kept"))


def test_a_share_without_checks_says_so(open_rates):
    said = plain(words_of(open_rates(rate="sublegal")))
    assert "There are no residuals for this rate." in said
    assert "There are no coefficients beyond areas and weeks." in said
    assert "Trips without a fish" not in said


def test_no_regression_is_told(index):
    found = records.read(with_tables(index, models=[]))
    assert models.chosen(found, "kept") is None
    assert "nothing to check" in models.checks(None)[0]
