"""A bulletin as for the public: what it holds, and what a reader of the page finds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pytest

from analytics.bulletin import archive
from analytics.bulletin.publication import WITHHELD, public_bulletin
from analytics.catch_rates.schemas import RATE_SCHEMAS
from analytics.precision import pse
from analytics.released.schemas import RELEASED_SCHEMAS
from tests.app.reading import words_of
from tests.app.sample_bulletin import CHOSEN, NOW, make


@pytest.fixture(scope="module")
def rough():
    """Return a bulletin in which kept fish of one area have a standard error of 60 %."""
    bulletin = make(NOW)
    rows = bulletin.rows
    is_rough = pc.and_(pc.equal(rows["area"], "A1"), pc.equal(rows["quantity"], "kept_fish"))
    se = pc.if_else(is_rough, pc.multiply(rows["estimate"], 0.6), rows["se"])
    rows = rows.set_column(rows.schema.get_field_index("se"), rows.schema.field("se"), se)
    return replace(bulletin, rows=rows)


def numbers(column):
    return np.array([np.nan if one is None else one for one in column.to_pylist()])


def test_no_figure_over_fifty_per_cent_is_left(rough):
    shown = public_bulletin(rough)
    before, after = rough.rows, shown.rows
    assert len(before) == len(after)
    assert (pse(numbers(before["estimate"]), numbers(before["se"])) > 50).sum() > 0
    assert (pse(numbers(after["estimate"]), numbers(after["se"])) > 50).sum() == 0
    withheld = [row for row in after.to_pylist() if row["method"] == WITHHELD]
    assert {"kept_fish"} <= {row["quantity"] for row in withheld}


def test_changes_that_rest_on_a_withheld_figure_are_gone(rough):
    shown = public_bulletin(rough)
    hidden = {
        (row["area"], row["week"])
        for row in shown.rows.to_pylist()
        if row["method"] == WITHHELD and row["quantity"] == "kept_fish"
    }
    left = [row for row in shown.changes.to_pylist() if row["quantity"] == "kept_fish"]
    for row in left:
        assert (row["area"], row["week"]) not in hidden
        assert (row["area"], row["previous_week"]) not in hidden
    assert 0 < len(shown.changes) < len(rough.changes)


def test_revisions_keep_only_what_is_for_publication_on_both_sides(rough):
    blank = dict.fromkeys(archive.REVISION_SCHEMA.names)
    sides = [
        {"previous": 10.0, "previous_se": 1.0, "estimate": 12.0, "se": 2.0},
        {"previous": 10.0, "previous_se": 5.1, "estimate": 12.0, "se": 2.0},
        {"previous": 10.0, "previous_se": 1.0, "estimate": 12.0, "se": 6.1},
        {"previous": None, "previous_se": None, "estimate": 12.0, "se": 2.0},
    ]
    moved = pa.Table.from_pylist([blank | one for one in sides], schema=archive.REVISION_SCHEMA)
    shown = public_bulletin(replace(rough, revisions=moved)).revisions.to_pylist()
    assert [row["previous"] for row in shown] == [10.0, None]


def released_lines(name, *lines):
    schema = RELEASED_SCHEMAS[name]
    blank = dict.fromkeys(schema.names)
    return pa.Table.from_pylist([blank | line for line in lines], schema=schema)


def test_figures_of_released_fish_are_withheld_alike(rough):
    sure = {"quantity": "encounter_fish", "estimate": 10.0, "se": 1.0, "draws_low": 8.0}
    unsure = sure | {"area": "A1", "se": 6.0}
    released = {
        "composition": released_lines("composition", sure, unsure),
        "composition_ratio": released_lines(
            "composition_ratio",
            {"quantity": "encounter_fish", "ratio": 0.8, "ci_low": 0.7},
            {"area": "A1", "quantity": "encounter_fish", "ratio": 0.9, "sampled": 10.0},
        ),
        "deaths": released_lines(
            "deaths",
            {"fish": 100.0, "fish_se": 9.0, "deaths": 20.0, "se": 2.0, "rate_prop": 0.2},
            {"fish": 100.0, "fish_se": 9.0, "deaths": 20.0, "se": 11.0, "deaths_low": 3.0},
            {"fish": 100.0, "fish_se": 51.0, "deaths": 20.0, "se": 10.5, "deaths_high": 30.0},
        ),
    }
    shown = public_bulletin(replace(rough, released=released)).released
    first, second = shown["composition"].to_pylist()
    assert (first["estimate"], first["draws_low"]) == (10.0, 8.0)
    assert (second["estimate"], second["draws_low"], second["method"]) == (None, None, WITHHELD)
    kept, hidden = shown["composition_ratio"].to_pylist()
    assert (kept["ratio"], kept["ci_low"], kept["reason"]) == (0.8, 0.7, None)
    assert (hidden["ratio"], hidden["sampled"], hidden["reason"]) == (None, None, WITHHELD)
    whole, unsure, both = shown["deaths"].to_pylist()
    assert (whole["deaths"], whole["reason"]) == (20.0, None)
    assert (unsure["deaths"], unsure["deaths_low"], unsure["fish"]) == (None, None, 100.0)
    assert (both["fish"], both["deaths"], both["deaths_high"]) == (None, None, None)


def test_rates_are_withheld_alike_and_name_no_boat(rough):
    def lines(name, *found):
        blank = dict.fromkeys(RATE_SCHEMAS[name].names)
        return pa.Table.from_pylist([blank | one for one in found], schema=RATE_SCHEMAS[name])

    withheld = next(
        row
        for row in public_bulletin(rough).rows.to_pylist()
        if row["method"] == WITHHELD and row["quantity"] == "kept_fish" and row["week"]
    )
    index = {"survey_estimate": 0.3, "index": 0.4, "response": "encounters"}
    where = {"area": withheld["area"], "week": withheld["week"], "response": "kept"}
    rates = {
        "index": lines("index", index | {"log_se": 0.5}, index | {"log_se": 0.51}, index | where),
        "residuals": lines("residuals", {"kind": "boat", "interview_id": "B1"}),
    }
    shown = public_bulletin(replace(rough, rates=rates)).rates
    sure, unsure, rough_raw = shown["index"].to_pylist()
    assert (sure["index"], sure["survey_estimate"], sure["reason"]) == (0.4, 0.3, None)
    assert (unsure["index"], unsure["survey_estimate"], unsure["reason"]) == (None, 0.3, WITHHELD)
    assert (rough_raw["index"], rough_raw["survey_estimate"]) == (0.4, None)
    assert len(shown["residuals"]) == 0


def test_nothing_that_names_a_site_day_is_left(rough):
    shown = public_bulletin(rough)
    assert len(rough.strata) > 0
    assert len(rough.findings) > 0
    assert (len(shown.strata), len(shown.findings)) == (0, 0)


def test_the_page_tells_that_a_figure_is_withheld(open_page, rough, tmp_path):
    archive.save(tmp_path, public_bulletin(rough))
    page = open_page(folder=tmp_path, week=CHOSEN, area="A1", show="kept_fish")
    assert not page.exception
    assert "<b>⊠</b> withheld: too uncertain to publish" in words_of(page)  # the legend
    assert "<small>⊠ withheld: too uncertain to publish</small>" in words_of(page)  # the table
