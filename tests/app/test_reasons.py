"""Why there is no number or no interval, and how far a figure can be trusted."""

from __future__ import annotations

import math

import pytest

from analytics.codes import sentences
from analytics.precision import PERCENT, Precision
from analytics.quantities import Status
from analytics.wording import numbers, reasons
from analytics.wording.bulletin_index import index_bulletin, of_line
from tests.app.sample_bulletin import NOW, make
from tests.app.sample_cases import (
    ALL_OF_IT,
    ENDLESS,
    NO_BOAT,
    NO_DESIGN,
    NO_DROP_OFF,
    NO_ERROR,
    NO_LANDING,
    NO_SITE_DAY,
    PARTIAL,
)
from tests.app.test_text import make_row


@pytest.fixture(scope="module")
def index():
    return index_bulletin(make(NOW))


def bare(**more):
    return make_row(**({"low": None, "high": None, "se": None} | more))


@pytest.mark.parametrize(
    "reason",
    [NO_SITE_DAY, NO_LANDING, NO_BOAT, NO_DROP_OFF, NO_DESIGN, "no mark was read", "some day new"],
)
@pytest.mark.parametrize("quantity", ["encounter_fish", "sublegal_prop", "release_deaths_fish"])
def test_no_number_gives_the_rows_own_reason(reason, quantity):
    said = sentences(reason)
    row = bare(quantity=quantity, estimate=None, method=reason, status=Status.NO_SAMPLE)
    assert numbers.figure(row) == reasons.why_no_estimate(row) == reasons.behind(row) == said
    short = reasons.why_no_estimate_short(row)
    assert short
    assert len(short) <= min(len(said), 32)


def test_a_closed_or_unexplained_cell_has_words():
    assert reasons.why_no_estimate(None) == "no open day"
    for method in (None, "", "two_stage_total"):
        assert "gives no reason" in reasons.why_no_estimate(bare(estimate=None, method=method))


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({}, "1,200 fish (no interval)"),
        (
            {"method": "two_stage_total; one_unit(unit=site-day)"},
            "1,200 fish (no interval: one site-day only)",
        ),
        (
            {"method": "two_stage_total; x y; units_alike(unit=site-day)"},
            "1,200 fish (no interval: site-days all alike)",
        ),
        ({"estimate": 0.0, "status": "zero_total"}, "0 fish (none seen, no interval)"),
        (
            {"quantity": "sublegal_prop", "estimate": 1.0, "status": "zero_total"},
            f"100{PERCENT} (nothing else seen, no interval)",
        ),
        ({"status": "census"}, "1,240 fish (all sampled, no sampling error)"),
    ],
)
def test_no_interval_gives_a_reason(more, words):
    assert numbers.figure(bare(**more)) == words


def test_a_figure_without_an_error_carries_the_strong_mark():
    row = bare(method="two_stage_total; one_unit(unit=site-day)")
    assert reasons.caution(row) == ("!!", "very uncertain: no error can be had")
    assert reasons.caution(bare(estimate=0.0, status="zero_total")) == ("", "")
    assert reasons.caution(bare(status="census")) == ("", "")
    assert reasons.caution(bare(estimate=None)) == ("", "")


@pytest.mark.parametrize(
    ("se", "mark"),
    [(300.0, ""), (300.1, "!"), (500.0, "!"), (500.1, "!!"), (1000.1, "!!"), (math.inf, "!!")],
)
def test_caution_follows_the_relative_error(se, mark):
    sign, words = reasons.caution(make_row(estimate=1000.0, se=se))
    assert sign == mark
    assert bool(words) == bool(mark)
    assert "inf" not in words


@pytest.mark.parametrize(
    ("se", "words", "caution"),
    [
        (182.0, "PSE 18 %", ""),
        (300.0, "PSE 30 %", ""),
        (0.3 * 1000, "PSE 30 %", ""),
        (304.0, "PSE over 30 %", "use with caution: PSE over 30 %"),
        (380.0, "PSE 38 %", "use with caution: PSE over 30 %"),
        (500.0, "PSE 50 %", "use with caution: PSE over 30 %"),
        (502.0, "PSE over 50 %", "not for publication: PSE over 50 %"),
        (3000.0, "PSE 300 %", "not for publication: PSE over 50 %"),
        (math.inf, "PSE over 1,000 %", "not for publication: PSE over 50 %"),
        (None, "", ""),
    ],
)
def test_every_figure_has_its_percent_error_and_its_caution(se, words, caution):
    row = make_row(estimate=1000.0, se=se)
    assert reasons.precision(row).replace(PERCENT, " %") == words
    assert reasons.caution(row)[1].replace(PERCENT, " %") == caution
    assert reasons.precision(bare(estimate=None)) == reasons.precision(None) == ""


@pytest.mark.parametrize(
    ("quantity", "ends", "mark"),
    [
        # As far above as a percent standard error of 50 takes a lognormal interval: 2.524 times.
        ("kept_fish", (500.0, 2523.0), ""),
        ("kept_fish", (500.0, 2525.0), "!"),
        ("kept_fish", (9.0, 20_001.0), "!!"),
        ("sublegal_prop", (0.2, 0.7), ""),
        ("sublegal_prop", (0.2, 0.71), "!"),
        ("sublegal_prop", (0.1, 0.91), "!!"),
    ],
)
def test_a_wide_interval_asks_for_caution_whatever_the_percent_error(quantity, ends, mark):
    share = quantity == "sublegal_prop"
    row = make_row(
        quantity=quantity,
        estimate=0.5 if share else 1000.0,
        se=0.02 if share else 40.0,
        low=ends[0],
        high=ends[1],
    )
    assert row.precision is Precision.FAIR
    assert reasons.caution(row)[0] == mark
    assert bool(reasons.precision(row)) == (mark == "")


def test_zero_has_no_relative_error():
    row = make_row(estimate=0.0, se=12.0)
    assert row.pse is None
    assert reasons.precision(row) == ""
    assert reasons.caution(row) == ("", "")


@pytest.mark.parametrize(
    ("high", "se", "is_useful"),
    [
        (20_000.0, 1000.0, True),
        (20_000.1, 100.0, False),
        (2_000.0, 1000.1, False),
        (math.inf, 100.0, False),
        (2_000.0, math.inf, False),
    ],
)
def test_an_absurd_interval_is_said_in_words(high, se, is_useful):
    row = make_row(estimate=1000.0, high=high, se=se)
    assert reasons.is_useful(row) is is_useful
    if not is_useful:
        assert numbers.figure(row) == "1,000 fish (too few site-days for a useful interval)"
        assert numbers.interval(row) == ""
        assert numbers.short(row) == "1,000 !! (no useful interval)"
        assert reasons.caution(row)[0] == "!!"


def test_the_sample_holds_these_cases(index):
    endless = index.row(*ENDLESS, "encounter_fish")
    assert math.isinf(endless.ci_high)
    assert reasons.why_no_interval(endless) == reasons.TOO_FEW
    assert reasons.lacks_error(index.row(*NO_ERROR, "encounter_fish"))
    assert numbers.figure(index.row(*ALL_OF_IT, "sublegal_prop")).startswith("100")


def test_a_total_without_an_area_names_it(index):
    row = index.row(*PARTIAL, "encounter_fish")
    assert row.estimate is not None
    assert reasons.left_out(row) == ("without Sorrel Narrows, Tarnow Deep (open and never sampled)")
    assert reasons.behind(row).startswith("part not sampled: without Sorrel Narrows")
    assert reasons.left_out(index.row(None, "2036-W04", "encounter_fish")) == ""


def test_boats_that_landed_elsewhere_are_named_too():
    bulletin = make(NOW)
    rows = bulletin.rows.to_pylist()
    at = next(n for n, row in enumerate(rows) if row["area"] == "A1")
    rows[at]["method"] = "two_stage_total; without_landings(areas=A6)"
    changed = bulletin.rows.from_pylist(rows, schema=bulletin.rows.schema)
    other = index_bulletin(
        type(bulletin)(
            bulletin.card,
            changed,
            bulletin.changes,
            bulletin.findings,
            bulletin.strata,
            bulletin.areas,
        )
    )
    row = other.row("A1", rows[at]["week"], rows[at]["quantity"])
    assert reasons.left_out(row) == "without boats that landed in Tarnow Deep"


@pytest.mark.parametrize(
    ("reason", "told"),
    [
        (
            "convenience_only(areas=A6|A2)",
            "interviews of convenience in Tarnow Deep, Sorrel Narrows: no estimate here",
        ),
        (
            "convenience_only(areas=B9)",
            "interviews of convenience in B9: no estimate here",
        ),
        ("no rate given for A6: no estimate here", "no rate given for A6: no estimate here"),
    ],
)
def test_areas_of_convenience_are_named(index, reason, told):
    line = make(NOW).rows.to_pylist()[0] | {"estimate": None, "method": reason}
    assert reasons.why_no_estimate(of_line(line, index.names)) == told


def test_what_stands_behind_is_whole():
    method = "two_stage_total; imputed"
    row = make_row(status="imputed", method=method)
    assert reasons.behind(row) == (
        "imputed: open days without a sample imputed from the nearest weeks"
    )
    assert reasons.behind(make_row(method="two_stage_total")) == "sampled"


def test_every_status_has_words():
    # Those that only published figures have are said by the public's pages.
    published = {Status.SUPPRESSED, Status.NOT_PUBLISHED}
    assert set(reasons.STATUS_WORDS) == set(Status) - published


@pytest.mark.parametrize(("low", "is_useful"), [(0.15, True), (0.05, False), (2e-11, False)])
def test_an_interval_over_most_of_a_share_is_said_in_words(low, is_useful):
    row = make_row(quantity="sublegal_prop", unit="1", estimate=0.9, se=0.04, low=low, high=0.94)
    assert reasons.is_useful(row) is is_useful
    assert ("no useful interval" in numbers.short(row)) is not is_useful
    assert reasons.caution(row)[0] == ("!" if is_useful else "!!")
