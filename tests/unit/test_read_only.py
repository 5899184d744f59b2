"""Folders that may be read and not written: said in words by whatever writes, read by the rest.

Root may write everywhere, so a process of its own without that right runs what is tried.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from analytics import Store, import_files
from tests.field_week import field_week, sampled_week, write_week

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).parents[2]
#: Runs commands in one process; prints the exit status and the words of each.
_RUN = """
import contextlib, io, json, sys
from analytics.cli import main
found = []
for words in json.loads(sys.argv[1]):
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        try:
            main(words)
        except SystemExit as ended:
            status = int(ended.code or 0)
    found.append((status, said.getvalue()))
print(json.dumps(found))
"""
#: Runs pages in one process; prints the errors of each, and what was raised.
_OPEN = """
import json, sys
from streamlit.components.v2 import manifest_scanner
from streamlit.testing.v1 import AppTest
components = manifest_scanner.scan_component_manifests()  # each run would look anew
manifest_scanner.scan_component_manifests = lambda: components
found = []
for page in json.loads(sys.argv[1]):
    run = AppTest.from_file(page, default_timeout=120).run()
    found.append(([one.value for one in run.error], [one.message for one in run.exception]))
print(json.dumps(found))
"""


def without_rights(script: str, words: Any, **environment: str) -> list[Any]:
    """Run a script as somebody whom modes of folders bind."""
    command = [sys.executable, "-c", script, json.dumps(words)]
    if os.geteuid() == 0:
        lost = "-dac_override,-dac_read_search,-fowner"
        command = ["setpriv", f"--bounding-set={lost}", f"--inh-caps={lost}", *command]
    done = subprocess.run(
        command, capture_output=True, text=True, cwd=ROOT, check=False, env=os.environ | environment
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout.splitlines()[-1])


def lock(folder: Path) -> None:
    for path in [folder, *folder.rglob("*")]:
        path.chmod(path.stat().st_mode & ~0o222)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Return a folder with a locked store that has one bulletin, a locked week, and `out`."""
    folder = tmp_path_factory.mktemp("read-only")
    store = Store(folder / "store")
    import_files(store, write_week(sampled_week(), folder / "week"))
    (folder / "more").mkdir()
    (folder / "more" / "holidays.csv").write_text("date,holiday\n2031-02-01,One\n")
    (folder / "locked").mkdir()
    (folder / "out").mkdir()
    write_week(field_week(), folder / "locked" / "week")
    (folder / "locked" / "fish.csv").write_text("group,held,died\na,10,1\n")
    before = [["bulletin", "--store", str(store.path)], ["options", "--example"]]
    for status, words in without_rights(_RUN, before):
        assert status == 0, words
    (folder / "change.toml").write_text(words)
    shutil.copytree(store.path, folder / "behind")
    import_files(Store(folder / "behind"), folder / "more")
    for one in ("store", "behind", "locked"):
        lock(folder / one)
    yield folder
    for one in ("store", "behind", "locked"):
        for path in sorted((folder / one).rglob("*")):
            if path.is_dir():
                path.chmod(0o755)
        (folder / one).chmod(0o755)
        assert not list((folder / one).rglob("*.tmp"))


def filled(commands: list[str], place: Path) -> list[list[str]]:
    return [[word.replace("@", f"{place}/") for word in one.split()] for one in commands]


READING = [
    "batches --store @store",
    "verify --store @store",
    "estimate --store @store --by season --out @out/rows.csv",
    "import @more --store @store --check-only",
    "import @locked/week --store @out/new",
    "bulletin --store @store --out @out/bulletin",
    "revisions --store @store --out @out/revisions.csv",
    "scenarios --store @store --by season --out @out/scenarios.csv",
    "plan --store @store --week 2031-W04 --shifts 4 --out @out/plan",
]
#: What would write the store, and the words that say it can only be read.
WRITING = [
    "import @more --store @store",
    "import @more --store @locked/new",
    "withdraw b0001 --store @store",
    "maintain --store @store",
    "publish --store @store --out @out/public",
    "bulletin --store @behind",
]
#: What would write beside the store, where nothing may be written.
OUT = [
    "estimate --store @store --out @locked/rows.csv",
    "import @more --store @store --findings @locked/findings.csv",
    "import @more --store @store --quarantine @locked/aside.csv",
    "bulletin --store @store --out @locked",
    "revisions --store @store --out @locked/revisions.csv",
    "scenarios --store @store --out @locked/scenarios.csv",
    "options @change.toml --store @store --out @locked/answer",
    "plan --store @store --week 2031-W04 --shifts 4 --out @locked/plan",
    "publish --store @store --out @locked/public",
    "holding @locked/fish.csv --out @locked/held",
    "templates --out @locked/templates",
    "form --out @locked/form.pdf",
    "demo --out @locked/demo",
]


def test_what_reads_works_on_a_store_that_cannot_be_written(place: Path) -> None:
    for words, (status, said) in zip(
        READING, without_rights(_RUN, filled(READING, place)), strict=True
    ):
        assert status == 0, (words, said)
        assert "cannot" not in said, (words, said)


def test_what_writes_says_that_the_store_can_only_be_read(place: Path) -> None:
    for words, (status, said) in zip(
        WRITING, without_rights(_RUN, filled(WRITING, place)), strict=True
    ):
        assert status == 2, (words, said)
        assert "can be read and not written" in said, (words, said)
        assert "Traceback" not in said, (words, said)
    assert Store(place / "store").version == 1


def test_a_folder_for_results_that_cannot_be_written_is_named(place: Path) -> None:
    for words, (status, said) in zip(OUT, without_rights(_RUN, filled(OUT, place)), strict=True):
        assert status == 2, (words, said)
        assert "name another" in said, (words, said)
        assert "locked" in said, (words, said)
        assert "Traceback" not in said, (words, said)


def test_pages_of_a_store_that_cannot_be_written_say_so(place: Path) -> None:
    scripts = ("data_desk", "paper_forms", "small_tables", "new_bulletin", "week", "sampling_plan")
    pages = [str(ROOT / "dashboard" / "app_pages" / f"{name}.py") for name in scripts]
    found = without_rights(
        _OPEN,
        pages,
        BLACKMOUTH_STORE=str(place / "store"),
        BLACKMOUTH_ARCHIVE=str(place / "store" / "bulletins"),
    )
    for name, (errors, raised) in zip(scripts, found, strict=True):
        assert not raised, (name, raised)
        if name in ("week", "sampling_plan"):
            assert not errors, (name, errors)
        else:
            assert len(errors) == 1, (name, errors)
            assert "can be read and not written" in errors[0].replace("\\", ""), (name, errors)
