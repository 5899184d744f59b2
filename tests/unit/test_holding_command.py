"""``blackmouth holding``: what it prints and writes, and what it says of a file at fault."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analytics.cli import main
from analytics.codes import registry
from analytics.released.schemas import HOLDING_RATE_SCHEMA, SURVIVAL_SCHEMA

DEMO = Path(__file__).parents[2] / "demo_parquet" / "held" / "held_fish.csv"
HEAD = "held_id,group,hours,died,trial_id,total_length_mm\n"


@pytest.fixture
def run(capsys):
    def ran(*args):
        with pytest.raises(SystemExit) as ended:
            main(["holding", *map(str, args)])
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        return int(ended.value.code or 0), said.out, said.err

    return ran


def written(folder, text, name="mine.csv"):
    path = folder / name
    path.write_text(HEAD + text)
    return path


def rows_of(groups):
    """Return lines: for every group so many that died at 10 h and so many alive at 96 h."""
    lines = []
    for group, (died, alive) in groups.items():
        for at in range(died + alive):
            dead = at < died
            length = 400 + 7 * (at % 31)
            hours = 10 if dead else 96
            lines.append(f"{group}{at},{group},{hours},{str(dead).lower()},,{length}")
    return "\n".join(lines) + "\n"


def test_the_demo_file(run, tmp_path):
    status, out, err = run(DEMO, "--out", tmp_path / "found")
    assert status == 0
    assert "jaw: 17 of 360 died, 4.7 %" in out
    assert "control: 6 of 300 died" in out
    assert "Model of death by group and length" in out
    assert "against jaw" in out
    rates = pd.read_csv(tmp_path / "found" / "rates.csv")
    assert list(rates.columns) == HOLDING_RATE_SCHEMA.names
    assert len(rates) == 6 * 6 + 6
    survival = pd.read_csv(tmp_path / "found" / "survival.csv")
    assert list(survival.columns) == SURVIVAL_SCHEMA.names
    gills = survival[survival["group"] == "gills"]["alive_prop"]
    assert (gills.diff().dropna() <= 0).all()
    assert len(gills) > 10
    model = pd.read_csv(tmp_path / "found" / "model.csv").set_index("term")
    assert model.loc["total_length_100mm", "ci_high"] < 1
    assert model.loc["group gills", "odds_ratio"] > 10
    assert "rates.csv" in err


def test_parquet_says_the_same(run, tmp_path):
    frame = pd.read_csv(DEMO, dtype={"held_id": str})
    path = tmp_path / "fish.parquet"
    pq.write_table(pa.Table.from_pandas(frame, preserve_index=False), path)
    assert run(path)[1] == run(DEMO)[1]


def test_one_group_has_rates_and_no_model(run, tmp_path):
    status, out, _ = run(written(tmp_path, rows_of({"jaw": (10, 30)})))
    assert status == 0
    assert "jaw: 10 of 40 died, 25.0 %" in out
    assert registry()["no_control"] in out
    assert "no model: all fish are of one group (jaw)" in out


def test_one_coefficient_is_told_as_one(run, tmp_path):
    text = "".join(f"{at},jaw,96,false,,\n" for at in range(9))
    assert "a model of 1 coefficient needs at least 5 deaths" in run(written(tmp_path, text))[1]


def test_too_few_deaths_have_no_model(run, tmp_path):
    status, out, _ = run(written(tmp_path, rows_of({"jaw": (1, 30), "gills": (2, 9)})))
    assert status == 0
    assert "no model: 3 of 42 fish died" in out


def test_a_group_that_died_whole_has_no_model(run, tmp_path):
    status, out, _ = run(written(tmp_path, rows_of({"jaw": (9, 30), "gills": (12, 0)})))
    assert status == 0
    assert "no model: none or all died in gills" in out


def test_fish_taken_out_alive_count_as_long_as_they_were_seen(run, tmp_path):
    text = "a,jaw,5,false,,\nb,jaw,10,true,,\nc,jaw,96,false,,\n"
    _, out, _ = run(written(tmp_path, text))
    # Two under watch at 10 h, one dies.
    assert "jaw: 50.0 %" in out
    assert "taken out alive before the end of their trial: 1" in out


def test_fish_taken_out_early_are_told_in_rates_and_model(run, tmp_path):
    early = "".join(f"e{at},jaw,5,false,,450\n" for at in range(4))
    late = "l1,Jaw,99,true,,430\n"
    text = rows_of({"jaw": (9, 30), "gills": (12, 8), "control": (0, 20)})
    _, out, _ = run(written(tmp_path, text + early + late))
    assert "jaw: 10 of 44 died" in out
    assert "4 taken out alive before the end counted as long as they were seen" in out
    # 39 + 20 hooked fish were watched to the end; one died after the last survivor was seen.
    assert "Model of death by group and length (60 fish, 21 died)" in out
    assert "4 fish taken out alive early left out" in out
    assert "1 that died after the last survivor was seen counted as alive" in out


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("a,jaw,-3,false,,", "hours"),
        ("a,jaw,,false,,", "an empty cell"),
        ("a,jaw,96,perhaps,,", "true or false"),
        ("a,jaw,96,false,,12", "total_length_mm"),
        ("a,,96,false,,", "group"),
        ("a,jaw,96,false,,\na,jaw,96,true,,", "every key once"),
        ("a,jaw,96", "number of cells"),
        ("", "no fish in the file"),
    ],
)
def test_a_bad_cell_is_refused_in_words(run, tmp_path, line, words):
    status, out, err = run(written(tmp_path, line + "\n"), "--out", tmp_path / "found")
    assert status == 1
    assert out == ""
    assert words in err
    assert not (tmp_path / "found").exists()


def test_a_column_that_lacks_is_named(run, tmp_path):
    path = tmp_path / "mine.csv"
    path.write_text("held_id,group,hours\na,jaw,96\n")
    status, _, err = run(path)
    assert status == 1
    assert "no column died" in err


@pytest.mark.parametrize("name", ["missing.csv", "notes.txt", "."])
def test_what_is_no_table_is_wrong_use(run, tmp_path, name):
    (tmp_path / "notes.txt").write_text("held")
    status, _, err = run(tmp_path / name)
    assert status == 2
    assert ".csv or .parquet" in err


def test_counts_of_trials_have_rates_and_no_model(run, tmp_path):
    counts = DEMO.parents[1] / "holding_trials.parquet"
    rates = []
    for file in (DEMO, counts):
        assert run(file, "--out", tmp_path / file.stem)[0] == 0
        rates.append(pd.read_csv(tmp_path / file.stem / "rates.csv"))
    fish, groups = (one[one["trial_id"].isna()].set_index("group").sort_index() for one in rates)
    pd.testing.assert_frame_equal(fish[["held", "died"]], groups[["held", "died"]])
    # Counts do not say which fish were taken out alive early.
    assert groups["rate_prop"].tolist() == (groups["died"] / groups["held"]).tolist()
    assert groups["corrected_prop"].lt(groups["rate_prop"])[fish.index != "control"].all()
    model = pd.read_csv(tmp_path / counts.stem / "model.csv")
    assert model["reason"].tolist() == ["counts_of_fish"]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("t,jaw,40,50,96", "at most as many as held"),
        ("t,jaw,40,,96", "died"),
        ("t,jaw,4,1,96\nt,jaw,4,2,96", "every key once"),
        ("", "no fish in the file"),
    ],
)
def test_counts_at_fault_are_refused_in_words(run, tmp_path, line, words):
    path = tmp_path / "trials.csv"
    path.write_text(f"trial_id,group,held,died,hours\n{line}\n")
    status, out, err = run(path, "--out", tmp_path / "found")
    assert (status, out) == (1, "")
    assert words in err
    assert not (tmp_path / "found").exists()


@pytest.mark.parametrize("level", ["0", "1", "95"])
def test_a_level_outside_is_wrong_use(run, level):
    status, _, err = run(DEMO, "--level", level)
    assert status == 2
    assert "--level" in err


def test_help_tells_every_column(run):
    _, out, _ = run("--help")
    for column in ("held_id", "group", "hours", "died", "trial_id", "total_length_mm"):
        assert column in out


def test_no_share_is_printed_below_nothing(run, tmp_path):
    text = rows_of({"jaw": (1, 39), "control": (6, 14)})
    code, out, _ = run(written(tmp_path, text))
    assert code == 0
    printed = next(line for line in out.splitlines() if "jaw" in line)
    assert "-" not in printed.split("without handling deaths")[1]
