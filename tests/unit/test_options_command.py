"""``blackmouth options`` as a user meets it: the answer whole or not at all, words for the rest."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import pytest

from analytics.bulletin import archive
from analytics.cli import main, options_command
from analytics.codes import coded, registry, sentences
from analytics.data.store import Store
from analytics.options.baseline import Limit
from analytics.options.baseline_io import to_table
from analytics.options.option_file import example, read_options
from analytics.options.schemas import ANSWER_SCHEMAS
from analytics.outlook.schemas import ASSUMPTION_SCHEMA, LIMIT_STATUS_SCHEMA
from tests.field_week import field_week, write_week
from tests.season_cases import THROUGH, small_baseline, small_limits

if TYPE_CHECKING:
    from pathlib import Path

SEASON = "2030-31"
FILES = {f"{name}{ending}" for name in ANSWER_SCHEMAS for ending in (".csv", ".parquet")}
OPTIONS = """\
title = "Two ways | to save"
notes = "For the board."

[[option]]
name = "Close VEL early"
[[option.change]]
areas = ["VEL"]
close_from = 2036-02-04

[[option]]
name = "One fish"
elasticity = 0.3
[[option.change]]
daily_limit_fish = 1
"""


class Run:
    """Runs the command line in this process and keeps what it said."""

    def __init__(self, capsys):
        self._capsys = capsys

    def __call__(self, *args: object) -> tuple[int, str, str]:
        """Return exit status, standard output and standard error."""
        with pytest.raises(SystemExit) as ended:
            main([str(arg) for arg in args])
        said = self._capsys.readouterr()
        assert "Traceback" not in said.err
        return int(ended.value.code or 0), said.out, said.err


@pytest.fixture
def run(capsys) -> Run:
    return Run(capsys)


@pytest.fixture
def store(field) -> Path:
    """Return a store of a small clean week, with no bulletin yet."""
    return field / "store"


@pytest.fixture
def file(tmp_path) -> Path:
    path = tmp_path / "options.toml"
    path.write_text(OPTIONS, encoding="utf-8")
    return path


def kept(
    store: Path,
    *,
    baseline=None,
    limits=None,
    version: int | None = None,
    through: str = "2031-W02",
    season: str = SEASON,
    reason: str = "",
    assumed: tuple[str, ...] = (),
) -> str:
    """Put a bulletin with the draws of a small season in the archive; return its name."""
    limits = small_limits() if limits is None else limits
    standing = [
        {
            "season": season,
            "limit_id": one.limit_id,
            "areas": ";".join(one.areas),
            "quantity": ";".join(one.quantities),
            "limit_fish": one.fish,
            "estimate": None if reason else 1.0,
            "prob_exceeded_to_date": None if reason else 0.42,
            "reason": reason,
        }
        for one in limits
    ]
    tables = {"limit_status": pa.Table.from_pylist(standing, LIMIT_STATUS_SCHEMA)}
    words = [{"topic": "effort", "assumption": one} for one in assumed]
    tables["assumptions"] = pa.Table.from_pylist(words, ASSUMPTION_SCHEMA)
    if baseline is not None:
        tables["draws"] = to_table(baseline)
    version = Store(store).version if version is None else version
    card = archive.BulletinMetadata(
        bulletin=f"{season}.{through}.v{version}",
        season=season,
        through=through,
        version=version,
        snapshot_key="made by hand",
        level=0.95,
        made_utc="2036-01-28T08:00:00+00:00",
        program="0",
        preliminary=True,
    )
    empty = {name: archive.TABLE_SCHEMAS[name].empty_table() for name in archive.FIRST_TABLES}
    names = [{"area": "VEL", "area_name": "Velmark"}, {"area": "OMB", "area_name": "Ombra Bank"}]
    empty["areas"] = pa.Table.from_pylist(names, archive.TABLE_SCHEMAS["areas"])
    return archive.save(
        archive.archive_of(store), archive.Bulletin(card, **empty, outlook=tables)
    ).bulletin


def test_the_answer_is_written_told_and_can_be_read(tmp_path, run, store, file):
    name = kept(store, baseline=small_baseline())
    out = tmp_path / "deep" / "answer"
    status, said, err = run("options", file, "--store", store, "--out", out)
    assert status == 0, err
    assert {path.name for path in out.iterdir()} == {
        *FILES,
        "answer.md",
        "answer.html",
        "answer.pdf",
    }
    assert f"from bulletin {name}" in err
    lines = [line.split("  ")[0] for line in said.splitlines()[2:5]]
    assert lines == ["Today's rule", "Close VEL early", "One fish"]
    for table, schema in ANSWER_SCHEMAS.items():
        read = pq.read_table(out / f"{table}.parquet")
        assert read.schema.equals(schema)
        as_text = pa_csv.read_csv(out / f"{table}.csv")
        assert as_text.column_names == schema.names
        assert as_text.num_rows == read.num_rows > 0
    assert set(pq.read_table(out / "figures.parquet")["option"].to_pylist()) == set(lines)


def test_the_report_has_its_facts_every_option_limit_and_assumption(tmp_path, run, store, file):
    name = kept(store, baseline=small_baseline())
    run("options", file, "--store", store, "--out", tmp_path / "answer")
    text = (tmp_path / "answer" / "answer.md").read_text(encoding="utf-8")
    assert text.startswith("# Two ways \\| to save\n\n> For the board.\n")
    day = f"{THROUGH.day} {THROUGH:%B %Y}"
    assert f"Season {SEASON}, through {day}, as of version 1 of the store (bulletin {name})" in text
    assert "licensed practice decide" in text
    for words in ["Close VEL early", *(one.limit_id for one in small_limits())]:
        assert words in text
    rows = pq.read_table(tmp_path / "answer" / "assumptions.parquet").to_pylist()
    assumed = text.split("## Dominated options")[1].replace("\\", "")
    assert rows
    names = {"VEL": "Velmark", "OMB": "Ombra Bank"}
    assert all(
        sentences(row["assumption"], lambda one: names.get(one, one)) in assumed for row in rows
    )


def test_the_newest_bulletin_of_the_newest_data_is_taken(tmp_path, run, store, file):
    kept(store, baseline=small_baseline(seed=1), through="2031-W01")
    late = kept(store, baseline=small_baseline(seed=2), through="2031-W03")
    kept(store, baseline=small_baseline(seed=3), through="2031-W09", version=0)
    kept(store, baseline=small_baseline(seed=4), through="2031-W09", season="2029-30")
    status, _, err = run("options", file, "--store", store, "--out", tmp_path / "answer")
    assert status == 0, err
    assert f"from bulletin {late}" in err


def test_a_season_asked_for_is_taken(tmp_path, run, store, file):
    kept(store, baseline=small_baseline())
    other = kept(store, baseline=small_baseline(), season="2029-30")
    answer = tmp_path / "answer"
    status, _, err = run("options", file, "--store", store, "--out", answer, "--season", "2029-30")
    assert status == 0, err
    assert f"from bulletin {other}" in err


def test_a_bulletin_is_made_where_none_is_of_the_newest_data(tmp_path, run, store, file):
    kept(store, baseline=small_baseline(), version=0)
    _, _, err = run("options", file, "--store", store, "--out", tmp_path / "answer")
    made = f"{SEASON}.2031-W02.v1"
    assert f"made bulletin {made}" in err
    assert made in [card.bulletin for card in archive.list_bulletins(archive.archive_of(store))]


def test_no_limits_leave_the_rest_of_the_answer(tmp_path, run, store, file):
    kept(store, baseline=small_baseline(), limits=())
    status, _, err = run("options", file, "--store", store, "--out", tmp_path / "answer")
    assert status == 0, err
    assert pq.read_table(tmp_path / "answer" / "limit_exceedance.parquet").num_rows == 0
    assert "The season has no limit" in (tmp_path / "answer" / "answer.md").read_text()


def test_a_limit_without_an_estimate_is_told_and_left_out(tmp_path, run, store, file):
    why = coded("no_site_day")
    kept(store, baseline=small_baseline(), limits=small_limits()[:1], reason=why)
    status, _, err = run("options", file, "--store", store, "--out", tmp_path / "answer")
    assert status == 0, err
    assert "limit kept-all, Chinook kept in Ombra Bank and " in err
    assert f" is not compared: {registry()['no_site_day']}" in err
    assert "Limit kept-all, Chinook kept in " in (tmp_path / "answer" / "answer.md").read_text()


def test_a_season_that_is_over_is_refused(tmp_path, run, store, file):
    kept(store, baseline=small_baseline(n_weeks=0, n_closed_weeks=0))
    status, _, err = run("options", file, "--store", store, "--out", tmp_path / "answer")
    assert status == 2
    assert f"season {SEASON} is over" in err
    assert "--season" in err
    assert not (tmp_path / "answer").exists()


def test_no_bulletin_is_made_of_a_season_that_is_over(tmp_path, run, file):
    week = field_week()
    for row in week["seasons"]:
        row["close_date"] = "2031-01-08"
    del week["planned_site_days"]  # planned for a day that is closed now
    store = tmp_path / "store"
    status, _, err = run("import", write_week(week, tmp_path / "week"), "--store", store)
    assert status == 0, err
    status, _, err = run("options", file, "--store", store, "--out", tmp_path / "answer")
    assert status == 2
    assert f"season {SEASON} is over: no day is left after 2031-01-08" in err
    assert not archive.list_bulletins(archive.archive_of(store))
    assert not (tmp_path / "answer").exists()


def test_a_bulletin_without_draws_is_refused_with_its_reason(tmp_path, run, store, file):
    kept(store, reason=coded("no_site_day"))
    status, _, err = run("options", file, "--store", store, "--out", tmp_path / "answer")
    assert status == 1
    assert "has no draws" in err
    assert registry()["no_site_day"] in err
    assert "no_site_day" not in err
    assert not (tmp_path / "answer").exists()


def test_a_refused_option_is_told_and_the_others_are_weighed(tmp_path, run, store, file):
    kept(store, baseline=small_baseline())
    file.write_text(OPTIONS.replace('"VEL"', '"Velmark"'))
    status, said, err = run("options", file, "--store", store, "--out", tmp_path / "answer")
    assert status == 0, err
    words = (
        'option "Close VEL early", change 1: area "Velmark" is not the code of one of the '
        "season's areas; allowed: OMB (Ombra Bank), VEL (Velmark); did you mean VEL (Velmark)?"
    )
    assert f"not compared: {words}" in err
    assert "One fish" in said
    assert "Close VEL early" not in said
    text = (tmp_path / "answer" / "answer.md").read_text(encoding="utf-8")
    assert '**Not compared**: option "Close VEL early", change 1: area "Velmark"' in text
    names = pq.read_table(tmp_path / "answer" / "figures.parquet")["option"].to_pylist()
    assert set(names) == {"Today's rule", "One fish"}


def test_no_option_that_can_be_weighed_is_wrong_use(tmp_path, run, store, file):
    kept(store, baseline=small_baseline())
    file.write_text(
        '[[option]]\nname = "Gear"\n[[option.change]]\nmin_length_mm = 9\nareas = ["VAL"]\n'
        "method_mix = {troling = 0.5, mooching = 0.5}\n"
        '[[option]]\nname = "Late"\n[[option.change]]\nclose_from = 2039-01-01\n'
    )
    status, said, err = run("options", file, "--store", store, "--out", tmp_path / "answer")
    assert (status, said) == (2, "")
    lines = err.splitlines()[-3:]
    assert lines[0] == "blackmouth: no option can be compared:"
    assert lines[1] == (
        '  option "Gear", change 1: method "troling" in method_mix = {troling = 0.5, mooching = '
        "0.5} is not one of those seen so far; allowed: mooching, trolling; did you mean "
        'trolling?; option "Gear", change 1: area "VAL" is not the code of one of '
        "the season's areas; allowed: OMB (Ombra Bank), VEL (Velmark); did you mean VEL (Velmark)?"
    )
    assert "2039-01-01; the outlook ends on" in lines[2]
    assert not (tmp_path / "answer").exists()


@pytest.mark.parametrize(
    "asked",
    [
        ('find = "close", risk = 0.1, limit = "L-kpet"', ('"L-kpet"', "L-kept", "did you mean")),
        ('find = "close", risk = 1.0', ("risk: 1.0", "between 0 and 1", "10 % is written 0.1")),
        ('find = "colse", risk = 0.1', ('"colse"', '"daily_limit" or', "did you mean close?")),
        ('find = "close", risk = 0.1, areas = ["VAL"]', ('"VAL"', "VEL (Velmark)", "did you mean")),
        ('find = "min_length", risk = 0.1, areas = ["OMB"], limit = "L-some"', ("OMB", "Name")),
    ],
)
def test_a_question_that_has_no_answer_ends_the_command_with_nothing_written(
    tmp_path, run, store, file, asked
):
    question, words = asked
    limits = (Limit("L-kept", ("OMB", "VEL"), ("kept_fish",), 9e4),)
    limits += (Limit("L-some", ("VEL",), ("kept_fish",), 9e4),)
    kept(store, baseline=small_baseline(), limits=limits)
    file.write_text(f'{OPTIONS}\n[[option]]\nname = "How far"\nsolve = {{{question}}}\n')
    status, said, err = run("options", file, "--store", store, "--out", tmp_path / "answer")
    assert (status, said) == (2, "")
    assert 'How far", solve: ' in err
    assert [one for one in words if one not in err] == []
    assert not (tmp_path / "answer").exists()


def test_what_the_draws_rest_on_is_told_with_the_options(tmp_path, run, store, file):
    kept(store, baseline=small_baseline(), assumed=("One day in ten is lost.", "Rates hold."))
    run("options", file, "--store", store, "--out", tmp_path / "answer")
    text = (tmp_path / "answer" / "answer.md").read_text(encoding="utf-8")
    assert "Of all options:\n\n* One day in ten is lost.\n* Rates hold.\n* " in text
    rows = pq.read_table(tmp_path / "answer" / "assumptions.parquet").to_pylist()
    assert [row["assumption"] for row in rows if row["option"] is None] == [
        "One day in ten is lost.",
        "Rates hold.",
    ]
    assert "One day in ten is lost." in (tmp_path / "answer" / "assumptions.csv").read_text()


def test_limits_are_told_in_words_and_one_passed_already_as_such(tmp_path, run, store, file):
    kept(store, baseline=small_baseline())
    _, said, _ = run("options", file, "--store", store, "--out", tmp_path / "answer")
    text = (tmp_path / "answer" / "answer.md").read_text(encoding="utf-8")
    assert "## In short\n\n**Today's rule**: angler trips" in text
    assert "Sublegal releases in Ombra Bank, at most 2,200 (sublegal-OMB)" in text
    assert "Total deaths over all areas, at most 1,000 (deaths-all)" in text
    for words in (text, said):
        assert "may be exceeded already (42 %)" in words
        assert f"by {THROUGH.day} {THROUGH:%B %Y}" not in words


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", ": an empty file"),
        (b"\xff", ": line 1: the byte 0xFF is not UTF-8"),
        (b"title = 1 March", ": not TOML in line 1"),
        (b'[[option]]\nname = "A"\nelastic = 1', "did you mean elasticity?"),
        (b"x = 1\ny = 2", ':\n  unknown key "x"'),
    ],
)
def test_a_bad_file_is_wrong_use(tmp_path, run, file, content, words):
    file.write_bytes(content)
    paths = ["--store", tmp_path / "store", "--out", tmp_path / "answer"]
    status, said, err = run("options", file, *paths)
    assert (status, said) == (2, "")
    assert f"blackmouth: {file}" in err
    assert words in err
    assert not (tmp_path / "answer").exists()


def test_paths_that_cannot_be_are_wrong_use(tmp_path, run, store, file):
    status, _, err = run("options", tmp_path / "no.toml", "--store", store, "--out", tmp_path / "a")
    assert (status, "does not exist" in err) == (2, True)
    status, _, err = run("options", file, "--store", store, "--out", file)
    assert (status, "is a file" in err) == (2, True)
    status, _, err = run("options", file, "--store", store, "--out", file / "inside")
    assert (status, "cannot be written" in err) == (2, True)
    status, _, err = run("options", file, "--store", tmp_path / "none", "--out", tmp_path / "a")
    assert status == 2
    assert not (tmp_path / "a").exists()


def answer_of(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_an_answer_that_fails_halfway_leaves_what_was_there(
    tmp_path, run, store, file, monkeypatch
):
    kept(store, baseline=small_baseline())
    out, bare = tmp_path / "answer", tmp_path / "bare"
    assert run("options", file, "--store", store, "--out", out)[0] == 0
    (out / "mine.txt").write_text("stays")
    before = answer_of(out)
    file.write_text(OPTIONS.replace("One fish", "Another name"))
    written = []

    def fail(table: pa.Table, path: Path) -> None:
        written.append(path)
        if len(written) % 4 == 0:
            raise OSError(28, "No space left on device")
        path.write_text("half")

    monkeypatch.setattr(options_command, "write_table", fail)
    for folder in (out, bare):
        status, _, err = run("options", file, "--store", store, "--out", folder)
        assert (status, "No space left" in err) == (1, True)
    assert answer_of(out) == before
    assert not bare.exists()


def test_a_folder_in_the_place_of_a_file_is_told_before_anything_moves(tmp_path, run, store, file):
    kept(store, baseline=small_baseline())
    (tmp_path / "answer" / "limit_exceedance.csv").mkdir(parents=True)
    status, _, err = run("options", file, "--store", store, "--out", tmp_path / "answer")
    assert status == 2
    assert "limit_exceedance.csv is a folder" in err
    assert [path.name for path in (tmp_path / "answer").iterdir()] == ["limit_exceedance.csv"]


def test_the_same_options_give_the_same_answer(tmp_path, run, store, file):
    kept(store, baseline=small_baseline())
    for name in ("one", "two"):
        assert run("options", file, "--store", store, "--out", tmp_path / name)[0] == 0
    assert answer_of(tmp_path / "one") == answer_of(tmp_path / "two")


def test_the_example_needs_no_store_and_can_be_read(run):
    status, said, err = run("options", "--example")
    assert (status, said, err) == (0, example(), "")
    assert read_options(said).options


def test_help_loads_nothing_heavy():
    code = (
        "import sys\n"
        "from analytics.cli import main\n"
        "try:\n    main(['options', '--help'])\n"
        "finally:\n"
        "    heavy = {'pyarrow', 'numpy', 'scipy', 'pandas', 'duckdb'} & set(sys.modules)\n"
        "    print(sorted(heavy), file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"
    assert "an unknown key is refused" in " ".join(done.stdout.split())
