"""A bulletin kept before tables and columns were renamed: it is read with the names of today.

The sample was made by an earlier version of the program from the demo's data. Only rows were left
out since: other areas, earlier weeks, the simulations.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest

from analytics.bulletin import archive
from analytics.bulletin.archive import TABLE_SCHEMAS
from analytics.wording import bulletin_index, limits
from dashboard.catch_rates import records as rates
from dashboard.released import records as released
from dashboard.revisions import moves

ARCHIVE = Path(__file__).parent / "old_bulletin"
NAME = "2035-36.2036-W07.v3"
#: Tables that came after it.
LATER = {
    *("other_basis", "variance_budget", "area_covariance", "projections", "projection_scores"),
    *("regulations", "area_outlines", "landing_sites"),
}

#: Table and column as they were kept, and as they are read.
RENAMED = [
    (("moved", "moved"), ("revisions", "change")),
    (("moved", "moved_in_se"), ("revisions", "change_in_se")),
    (("readings", "basis"), ("alternative_estimates", "alternative")),
    (("readings", "estimate"), ("alternative_estimates", "estimate")),
    (("compared", "ratio"), ("composition_ratio", "ratio")),
    (("method_mix", "standing"), ("method_mix_deaths", "evidence")),
    (("deaths", "standing"), ("deaths", "evidence")),
    (("deaths", "from_fish_prop"), ("deaths", "catch_variance_prop")),
    (("trials", "wilson_low"), ("holding_rates", "wilson_low")),
    (("timing", "is_now"), ("seasonal_pattern", "is_current_season")),
    (("strength", "ratio"), ("run_strength", "ratio")),
    (("index", "raw"), ("index", "survey_estimate")),
    (("index", "raw_low"), ("index", "survey_low")),
    (("index", "filled_prop"), ("index", "imputed_prop")),
    (("trend", "is_ahead"), ("trend", "is_projected")),
    (("trend", "rise_4"), ("trend", "change_4_weeks")),
    (("trend", "rose_1"), ("trend", "prob_increase_1_weeks")),
    (("trend", "word"), ("trend", "direction")),
    (("changes", "word"), ("changes", "direction")),
    (("models", "behind"), ("models", "score_gap")),
    (("models", "behind_se"), ("models", "score_gap_se")),
    (("standing", "used_high"), ("limit_status", "share_used_high")),
    (("standing", "remains"), ("limit_status", "fish_remaining")),
    (("standing", "passed_prob"), ("limit_status", "prob_exceeded_to_date")),
    (("standing", "pass_prob"), ("limit_status", "prob_exceeded_by_close")),
    (("standing", "expected_low"), ("limit_status", "projected_total_low")),
    (("standing", "date_50"), ("limit_status", "exceedance_date_p50")),
    (("backtest", "expected"), ("backtest", "projected_total")),
    (("fan", "q50"), ("limit_paths", "q50")),
    (("assumed", "words"), ("assumptions", "assumption")),
]


@pytest.fixture(scope="module")
def bulletin() -> archive.Bulletin:
    return archive.load(ARCHIVE, NAME)


@pytest.mark.parametrize(("before", "today"), RENAMED, ids=".".join)
def test_what_was_kept_is_read_under_the_name_of_today(
    bulletin: archive.Bulletin, before: tuple[str, str], today: tuple[str, str]
) -> None:
    kept = pq.read_table(ARCHIVE / NAME / f"{before[0]}.parquet")[before[1]]
    read = bulletin.table(today[0])[today[1]]
    assert pc.count(kept).as_py() > 0
    assert read.to_pylist() == kept.to_pylist()


def test_no_column_is_lost(bulletin: archive.Bulletin) -> None:
    """Every column that holds something in the files holds as much once read."""
    filled = sum(
        pc.count(column).as_py() > 0
        for path in (ARCHIVE / NAME).glob("*.parquet")
        for column in pq.read_table(path).columns
    )
    read = [bulletin.table(name) for name in TABLE_SCHEMAS]
    assert sum(pc.count(column).as_py() > 0 for one in read for column in one.columns) == filled


def test_cells_are_read_as_of_today(bulletin: archive.Bulletin) -> None:
    assert set(bulletin.table("deaths")["fate"].to_pylist()) == {
        *("kept", "released", "drop_off", "all")
    }
    assert "gone" not in bulletin.revisions["kind"].to_pylist()


def test_the_pages_have_its_figures(bulletin: archive.Bulletin) -> None:
    index = bulletin_index.index_bulletin(bulletin)
    standing = limits.read(index)
    assert all(limits.used(line).value is not None for line in standing.limits)
    assert standing.assumed
    assert standing.backtest
    line = standing.limits[0]
    assert limits.used(line).value == pytest.approx(line["estimate"] / line["limit_fish"])
    revised = [one for one in moves.read(index) if one.kind == moves.REVISED and one.causes]
    assert max(abs(one.change_in_se or 0.0) for one in revised) > 1
    assert any(
        line["direction"] != "not known" for of in rates.read(index).trend.values() for line in of
    )
    fish = released.read(index)
    assert fish.lines["method_mix_deaths"]
    assert fish.lines["holding_rates"]


def test_it_is_listed_with_the_tables_of_today_and_kept_anew_in_their_names(
    bulletin: archive.Bulletin, tmp_path: Path
) -> None:
    (card,) = archive.list_bulletins(ARCHIVE)
    assert card.schema_version == 1
    assert set(card.tables) == set(TABLE_SCHEMAS) - LATER
    assert all(not bulletin.table(name).num_rows for name in LATER)
    anew = archive.save(tmp_path, bulletin)
    assert anew.schema_version == archive.SCHEMA_VERSION
    read = archive.load(tmp_path, anew.bulletin)
    assert all(read.table(name).equals(bulletin.table(name)) for name in TABLE_SCHEMAS)


def test_a_figure_that_went_is_read_as_removed(tmp_path: Path) -> None:
    shutil.copytree(ARCHIVE / NAME, tmp_path / NAME)
    path = tmp_path / NAME / "moved.parquet"
    table = pq.read_table(path)
    kinds = pa.array(["gone"] * table.num_rows)
    pq.write_table(table.set_column(table.column_names.index("kind"), "kind", kinds), path)
    assert set(archive.load(tmp_path, NAME).revisions["kind"].to_pylist()) == {"removed"}
