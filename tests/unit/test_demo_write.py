"""The demo folder: importable, the same for the same seed, its truth beside it, its dirt found."""

from __future__ import annotations

import csv
from functools import lru_cache
from pathlib import Path

import pandas as pd
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest

from analytics.data.importing.batch import check, read_paths
from analytics.data.schema import TABLES
from analytics.data.snapshot import Snapshot
from analytics.data.store import Store
from analytics.errors import UsageError
from analytics.estimates.estimate import estimate_snapshot
from analytics.findings import Severity
from analytics.simulation.reference_tables import reference_tables
from analytics.simulation.scenario import demo_sound
from analytics.simulation.write import write_demo
from tests.goldens.compare import table_differences
from tests.goldens.names import Names

COMMITTED = Path(__file__).parents[2] / "demo_parquet"
SEASONS = [season.season for season in demo_sound().seasons]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    root = tmp_path_factory.mktemp("demo")
    write_demo(root, seed=1)
    return root


def tables_in(folder):
    return {path.stem: pq.read_table(path) for path in sorted(folder.glob("*.parquet"))}


@pytest.fixture(scope="module")
def demo():
    """The committed tables, which are those written anew."""
    return tables_in(COMMITTED)


def contents(folder):
    """Return what every file of a folder holds: tables as such, other files as bytes."""
    return {
        path.relative_to(folder).as_posix(): pq.read_table(path)
        if path.suffix == ".parquet"
        else path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def is_stale(name, found, committed):
    """Return whether a file is another: in the truth exp and log of processors may differ."""
    if found == committed:
        return False
    is_truth = name.startswith("truth/") and not isinstance(found, bytes)
    return not is_truth or any(table_differences(name, committed, found, Names(), rtol=1e-13))


@pytest.fixture(scope="module")
def rows_of(demo):
    """Return a function that estimates a season, once for each division."""
    snapshot = Snapshot.of(demo)
    return lru_cache(lambda season, *by: estimate_snapshot(snapshot, season=season, by=by))


@pytest.fixture(scope="class")
def other(tmp_path_factory):
    """The folder of another seed, which was not there before, and what was written."""
    folder = tmp_path_factory.mktemp("other") / "new" / "demo"
    return folder, write_demo(folder, seed=2)


class TestFolder:
    def test_it_says_what_it_wrote_and_nothing_else_is_there(self, other):
        folder, written = other
        there = [path for path in folder.rglob("*") if path.is_file()]
        assert sorted(written) == sorted(there)
        assert sum(path.stat().st_size for path in there) < 10_000_000

    def test_every_committed_file_is_as_written_anew(self, folder):
        fresh, committed = contents(folder), contents(COMMITTED)
        assert sorted(fresh) == sorted(committed)
        stale = [name for name, found in fresh.items() if is_stale(name, found, committed[name])]
        assert not stale, "run blackmouth demo --out demo_parquet"

    def test_another_seed_gives_other_tables(self, demo, other):
        assert not demo["interviews"].equals(tables_in(other[0])["interviews"])

    def test_a_negative_seed_is_refused(self, tmp_path):
        with pytest.raises(UsageError, match="seed -1"):
            write_demo(tmp_path, seed=-1)

    def test_a_file_in_the_way_is_refused(self, tmp_path):
        (tmp_path / "demo").write_text("mine")
        with pytest.raises(UsageError, match="is a file"):
            write_demo(tmp_path / "demo")
        assert (tmp_path / "demo").read_text() == "mine"


class TestTables:
    def test_every_table_is_there_in_its_schema(self, demo):
        assert set(demo) == set(TABLES) - {"area_outlines"}  # these are GeoJSON
        for name, table in demo.items():
            assert table.schema.equals(TABLES[name].arrow_schema), name
            assert table.num_rows > 0, name

    def test_places_and_seasons_are_those_of_the_sound(self, demo):
        for name, table in reference_tables(demo_sound()).items():
            assert demo[name].equals(table), name

    @pytest.mark.parametrize("season", SEASONS)
    def test_a_season_has_the_size_of_a_real_one(self, rows_of, season):
        first = rows_of(season, "season").iloc[0]
        assert 300 < first["n_psu"] < 850
        assert 1500 < first["n_interviews"] < 5000

    def test_kept_fish_mostly_weigh_five_to_fifteen_pounds(self, demo):
        fish = demo["fish"].to_pandas()
        pounds = fish.loc[fish["kept"], "weight_g"].dropna() / 453.6
        assert pounds.between(5, 15).mean() > 0.8

    def test_few_kept_fish_are_short_and_most_test_fish_are(self, demo):
        fish = demo["fish"].to_pandas()
        short = fish["total_length_mm"] < 559
        assert 0 < short[fish["kept"]].mean() < 0.01
        assert short[~fish["kept"]].mean() > 0.6

    def test_fork_and_condition_keep_to_their_ranges(self, demo):
        fish = demo["fish"].to_pandas()
        assert (fish["fork_length_mm"] / fish["total_length_mm"]).between(0.925, 0.953).all()
        condition = fish["weight_g"] * 100 / (fish["fork_length_mm"] / 10) ** 3
        assert condition.dropna().between(1.08, 1.32).all()

    def test_rates_name_their_source(self, demo):
        assert "no source" in demo["drop_off"]["source"][0].as_py()
        rates = demo["release_rates"].to_pandas().set_index(["size_class", "wound_class"])
        assert "no source" in rates.loc[("legal", "any"), "source"]
        assert rates["rate_prop"].to_dict() == {
            ("legal", "any"): 0.1,
            ("legal", "shallow"): 0.06,
            ("legal", "deep"): 0.35,
            ("sublegal", "any"): 0.2,
            ("sublegal", "shallow"): 0.15,
            ("sublegal", "deep"): 0.5,
        }

    def test_fish_held_one_by_one_add_up_to_the_trials(self, demo, folder):
        for root in (folder, COMMITTED):
            fish = pd.read_csv(root / "held" / "held_fish.csv")
            assert fish["held_id"].is_unique
            assert fish["hours"].between(1, 96).all()
            counts = fish.groupby(["trial_id", "group"])["died"].agg(["size", "sum"])
            trials = demo["holding_trials"].to_pandas().set_index(["trial_id", "group"])
            assert counts["size"].to_dict() == trials["held"].to_dict()
            assert counts["sum"].to_dict() == trials["died"].to_dict()

    def test_the_season_in_progress_stands_between_forty_and_a_hundred_and_ten_per_cent(
        self, demo, rows_of
    ):
        rows = rows_of(SEASONS[-1], "area")
        now = rows.pivot_table(index="area", columns="quantity", values="estimate")
        limits = [row for row in demo["limits"].to_pylist() if row["season"] == SEASONS[-1]]
        standing = [
            now.loc[row["areas"].split(";"), row["quantity"].split(";")].sum().sum()
            / row["limit_fish"]
            for row in limits
        ]
        assert len(standing) >= 4
        assert 0.4 < min(standing) < max(standing) < 1.1

    def test_reservations_show(self, rows_of):
        rows = rows_of(SEASONS[-1], "area", "week")
        assert {"ok", "collapsed", "imputed"} <= set(rows["status"])

    def test_contacts_meet_the_listed_share_that_was_set(self, demo):
        coverage = demo["coverage"].to_pandas().groupby("area").sum(numeric_only=True)
        share = coverage["boats_to_listed_sites"] / coverage["boats_contacted"]
        for area in demo_sound().areas:
            assert share[area.area] == pytest.approx(area.listed_prop, abs=0.04)


class TestTruth:
    @pytest.mark.parametrize("season", SEASONS)
    def test_estimates_of_the_demo_come_near_the_truth_beside_it(self, rows_of, season):
        truth = pd.read_parquet(COMMITTED / "truth" / "totals.parquet")
        rows = rows_of(season, "season")
        last = truth.loc[truth["season"] == season, "through"].min()
        mine = truth[
            (truth["season"] == season)
            & (truth["through"] == last)
            & (truth["basis"] == "as_reported")
            & truth["area"].isna()
            & truth["week"].isna()
        ].set_index("quantity")["value"]
        for row in rows.itertuples():
            if row.quantity in ("angler_hours", "kept_fish", "encounter_fish"):
                assert abs(row.estimate - mine[row.quantity]) < 4 * row.se, row.quantity

    def test_the_season_in_progress_is_known_so_far_and_to_its_end(self):
        truth = pd.read_parquet(COMMITTED / "truth" / "totals.parquet")
        weeks = set(truth.loc[truth["season"] == SEASONS[-1], "through"])
        assert weeks == {"2036-W07", "2036-W18"}


class TestImport:
    """Of the committed files, which are those written anew."""

    def test_it_comes_in_without_an_error_and_with_a_few_warnings(self, tmp_path):
        checked = check(read_paths([COMMITTED]), Store(tmp_path / "store"))
        assert [str(one) for one in checked.errors] == []
        assert 0 < len(checked.findings) < 300
        assert {one.severity for one in checked.findings} == {Severity.WARNING}

    def test_every_dirty_row_is_found_and_no_other(self, tmp_path):
        reading = read_paths([COMMITTED, COMMITTED / "dirty"])
        checked = check(reading, Store(tmp_path / "store"), quarantine=True)
        found = {
            (Path(one.file).name, one.row)
            for one in checked.findings
            if Path(one.file).parent.name == "dirty"
        }
        assert found == set(faults_told(COMMITTED / "dirty"))


def faults_told(dirty):
    """Yield file and row of every fault that the README names, but for what is corrected."""
    for line in (dirty / "README.md").read_text().splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if cells[0].endswith(".csv`") and "corrected" not in line:
            yield cells[0].strip("`"), int(cells[1])


def test_the_readme_names_every_dirty_row():
    for path in (COMMITTED / "dirty").glob("*.csv"):
        with path.open(newline="") as file:
            n_rows = sum(1 for _ in csv.DictReader(file))
        told = (COMMITTED / "dirty" / "README.md").read_text().count(f"`{path.name}`")
        assert told == n_rows


def test_demo_keys_are_unique():
    for name, table in tables_in(COMMITTED).items():
        key = table.select(list(TABLES[name].key))
        assert key.group_by(key.column_names).aggregate([]).num_rows == table.num_rows, name
        assert all(pc.sum(pc.is_null(column)).as_py() == 0 for column in key.columns), name
