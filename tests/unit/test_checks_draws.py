"""Rules about drawn sites: each fires on what it names, and says it in words."""

from __future__ import annotations

import pytest

from analytics.findings import Severity
from tests.field_week import field_week
from tests.unit.test_checks import findings_of

ERROR, WARNING = Severity.ERROR, Severity.WARNING


def drawn(*, first, second=None, weights=(2.0, 1.0, 1.0), **changed):
    """Return the field week with area A in design day_site and three ramps, two of them drawn."""
    rows = field_week()
    rows["seasons"][0]["design"] = "day_site"
    rows["sites"] = [
        *(
            {"site": site, "area": "A", "draw_weight": weight}
            for site, weight in zip(("r1", "r3", "r4"), weights, strict=True)
        ),
        {"site": "r2", "area": "B", "draw_weight": None},
    ]
    rows["site_days"][0] |= {"draw_probability": first}
    rows["site_days"][1] |= {"draw_probability": None}
    rows["site_days"].append(
        rows["site_days"][0]
        | {"sample_id": "d3", "site": "r3", "boats_returned": 0, "draw_probability": second}
        | changed
    )
    return rows


def kinds(rows, folder):
    found = findings_of(rows, folder)
    return [(one.severity, one.table, one.column) for one in found], "\n".join(
        f"{one.seen}; {one.allowed} - {one.advice}" for one in found
    )


def test_drawn_sites_pass(tmp_path):
    assert kinds(drawn(first=0.5, second=0.3), tmp_path)[0] == []
    assert kinds(drawn(first=None), tmp_path)[0] == []


@pytest.mark.parametrize(
    ("rows", "kind", "words"),
    [
        (drawn(first=0.7, second=0.6), ERROR, "and 1.3 with the other sites sampled in A"),
        (drawn(first=0.0, second=0.6), ERROR, "more than 0 for a site that was drawn"),
        (drawn(first=0.7, second=0.3), WARNING, "leaves none for the other sites of A"),
        (drawn(first=None, weights=(2.0, 1.0, None)), WARNING, "with equal probability"),
    ],
)
def test_probabilities_that_cannot_be_are_told(rows, kind, words, tmp_path):
    found, said = kinds(rows, tmp_path)
    assert {one[0] for one in found} == {kind}
    assert {one[1:] for one in found} == {("site_days", "draw_probability")}
    assert words in said


def test_a_drawn_site_of_weight_zero_is_refused(tmp_path):
    found, said = kinds(drawn(first=None, weights=(2.0, 0.0, 1.0)), tmp_path)
    assert found == [(ERROR, "site_days", "site")]
    assert "site r3 with draw_weight 0" in said


def test_a_site_twice_a_day_is_refused_even_in_a_stated_stratum(tmp_path):
    rows = drawn(first=0.5, second=0.5, site="r1", stratum="x", frame_site_days=4)
    rows["site_days"][0] |= {"stratum": "x", "frame_site_days": 4}
    found, said = kinds(rows, tmp_path)
    assert (ERROR, "site_days", "date") in found
    assert "without replacement" in said


def test_a_probability_that_is_not_used_is_told(tmp_path):
    rows = field_week()
    rows["site_days"][0] |= {"draw_probability": 0.5}
    rows["site_days"][1] |= {"draw_probability": None}
    found, said = kinds(rows, tmp_path)
    assert found == [(WARNING, "site_days", "draw_probability")]
    assert "draws site-days with equal probability" in said
