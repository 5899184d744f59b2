"""A store on an S3 URL: equal to one in a folder, by one commit protocol, and refused in words.

The server is a real one over HTTP (moto), started here.
"""

from __future__ import annotations

import logging
import shutil
from typing import TYPE_CHECKING, Any
from uuid import uuid4

import pyarrow as pa
import pytest

from analytics import Store, estimate, import_files, whole_files
from analytics.bulletin.notes import add_note, notes
from analytics.cli import main
from analytics.data import importing
from analytics.data.schema import TABLES
from analytics.data.store import MovedOnError, fresh_copy, maintain, maintain_store, remote
from analytics.errors import StoreError, UsageError
from tests.field_week import sampled_week, write_week

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

SECRET = "s3cr3t-of-nobody"


def s3_client(address: str) -> Any:
    import boto3

    return boto3.client(
        "s3",
        endpoint_url=address,
        region_name="us-east-1",
        aws_access_key_id="key",
        aws_secret_access_key=SECRET,
    )


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    """Return the address of an S3 server with the bucket `field`."""
    from moto.server import ThreadedMotoServer

    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    running = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    running.start()
    address = "http://{}:{}".format(*running.get_host_and_port())
    s3_client(address).create_bucket(Bucket="field")
    yield address
    running.stop()


@pytest.fixture
def url(server: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> str:
    """Return the URL of a store that is not there yet, with the environment to reach it."""
    for name, value in {
        "AWS_ENDPOINT_URL": server,
        "AWS_ACCESS_KEY_ID": "key",
        "AWS_SECRET_ACCESS_KEY": SECRET,
        "AWS_REGION": "us-east-1",
        "AWS_ALLOW_HTTP": "true",
    }.items():
        monkeypatch.setenv(name, value)
    elsewhere(monkeypatch, tmp_path / "machine1")
    return f"s3://field/{uuid4().hex}/store"


def elsewhere(monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
    """Be another machine: another cache, and nothing known from before."""
    monkeypatch.setattr(remote.platformdirs, "user_cache_path", lambda _: folder)
    monkeypatch.setattr(remote._Remotes, "_of", {})


def another_machine(monkeypatch: pytest.MonkeyPatch, url: str, cache: Path) -> Store:
    """Return the store of a URL as another machine sees it, while this one's stay known."""
    known = dict(remote._Remotes._of)
    elsewhere(monkeypatch, cache)
    other = Store(url)
    monkeypatch.setattr(remote._Remotes, "_of", known | remote._Remotes._of)
    return other


def let_others_be_first(
    monkeypatch: pytest.MonkeyPatch,
    verb: str,
    meanwhile: Callable[[], object],
    *,
    table: str | None = None,
) -> None:
    """Do something once before this machine replaces a table, or appends the row of its event."""
    own = getattr(remote.Remote, verb)

    def overtaken(self: remote.Remote, name: str, data: object, **how: object) -> None:
        if name == table if table else how["only_next"]:
            monkeypatch.setattr(remote.Remote, verb, own)
            meanwhile()
        own(self, name, data, **how)

    monkeypatch.setattr(remote.Remote, verb, overtaken)


def ran(*words: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(word) for word in words])
    return int(ended.value.code or 0)


def test_a_url_is_equal_to_a_folder(
    url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    week = write_week(sampled_week(), tmp_path / "week")
    here = tmp_path / "here"
    for place in (url, here):
        assert ran("import", week, "--store", place) == 0
        assert ran("import", week, "--store", place) == 0
    batch = Store(url).batches()[0].batch
    assert ran("withdraw", batch, "--store", url) == 0
    assert ran("withdraw", batch, "--store", url, "--undo") == 0
    for by in ("season", "area,week"):
        rows = []
        for place in (url, here):
            assert ran("estimate", "--store", place, "--by", by, "--out", tmp_path / "o.csv") == 0
            rows.append((tmp_path / "o.csv").read_text())
        assert rows[0] == rows[1]
    assert ran("batches", "--store", url) == 0
    elsewhere(monkeypatch, tmp_path / "machine2")
    there, folder = Store(url), Store(here)
    assert there.version == 3
    for table in TABLES:
        assert there.read(table).equals(folder.read(table)), table
    assert estimate(there, by=("season",)).equals(estimate(folder, by=("season",)))
    said = capsys.readouterr()
    assert SECRET not in said.err + said.out
    assert str(tmp_path / "machine1") not in said.err


#: What reads a store and writes a file or a folder of results, with the files that hold the time.
RESULTS = {
    "bulletin": "--basis reported --out {out}",
    "revisions": "--out {out}/rows.csv",
    "scenarios": "--by season --out {out}/rows.csv",
    "publish": "--out {out}",
    "plan": "--week 2031-W04 --shifts 4 --out {out}",
    "options": "{out}/../../change.toml --out {out}",
}
CHANGE = """
[[option]]
name = "Earlier"
[[option.change]]
close_from = 2031-03-01
"""


def test_every_command_gives_the_same_on_a_url_and_in_a_folder(
    url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    places = {"url": url, "here": tmp_path / "in-folder"}
    week = write_week(sampled_week(), tmp_path / "week")
    for name, place in places.items():
        assert ran("import", week, "--store", place) == 0
        (tmp_path / name).mkdir()
    assert f"blackmouth bulletin --store {url}" in capsys.readouterr().err
    (tmp_path / "change.toml").write_text(CHANGE)
    for command, words in RESULTS.items():
        given = []
        for name, place in places.items():
            folder = tmp_path / name / command
            folder.mkdir()
            said = words.format(out=folder).split()
            assert ran(command, *said, "--store", place) == 0, (command, capsys.readouterr().err)
            given.append({one.name: one.read_bytes() for one in folder.iterdir() if _is_text(one)})
        assert given[0], command
        if command == "revisions":  # the id and the instant of a batch
            assert all(one.pop("rows.csv").count(b"\n") > 5 for one in given)
        assert given[0] == given[1], command
    # What was kept in the store went to the URL: another machine has it, and it is sound.
    elsewhere(monkeypatch, tmp_path / "machine2")
    there = Store(url)
    assert len(list((there.path / "published").glob("*.json"))) == 1
    kept = [Store(one).path / "bulletins" for one in places.values()]
    (name,), mine = ([one.name for one in folder.iterdir()] for folder in kept)
    assert mine == [name]
    add_note(there.path / "bulletins", name, "Storm.")
    elsewhere(monkeypatch, tmp_path / "machine3")
    assert [one.text for one in notes(Store(url).path / "bulletins", name)] == ["Storm."]
    assert ran("verify", "--store", url) == 0
    assert str(tmp_path / "machine") not in capsys.readouterr().err


def _is_text(file: Path) -> bool:
    """Whether a file of results is the same whenever it is made."""
    return file.suffix in (".csv", ".md") or file.name == "about.json"


@pytest.fixture(scope="module")
def five(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store in a folder with five batches, one withdrawn."""
    store = Store(tmp_path_factory.mktemp("five") / "store")
    for step in range(5):
        areas = pa.table({"area": ["a", f"b{step}"], "area_name": [f"A{step}", "B"]})
        store.add({"areas": areas})
    store.withdraw("b0002")
    return store.path


def put(store: Path, url: str, server: str) -> None:
    """Put a store in a folder on a URL file by file."""
    client = s3_client(server)
    for file in whole_files.files_under(store):
        if file != ".lock":
            key = f"{url.removeprefix('s3://field/')}/{file}"
            client.put_object(Bucket="field", Key=key, Body=(store / file).read_bytes())


@pytest.fixture
def several(url: str, server: str, five: Path, tmp_path: Path) -> tuple[Store, Path]:
    """Return the store of five batches put on a URL, and a copy in a folder."""
    put(five, url, server)
    return Store(url), shutil.copytree(five, tmp_path / "in-folder")


def versions(store: Store) -> list[object]:
    every = [store.read("areas", version).to_pylist() for version in range(store.version + 1)]
    return [*every, [(one.version, one.withdrawn_version) for one in store.batches()]]


def test_a_url_is_maintained_as_a_folder_is(
    url: str, several: tuple[Store, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    there, place = several
    before = versions(there)
    assert ran("maintain", "--store", url) == 0
    assert ran("maintain", "--store", place) == 0
    assert versions(Store(place)) == before
    elsewhere(monkeypatch, tmp_path / "machine2")
    found = Store(url)
    assert versions(found) == before
    assert len(found._record().parquet("areas")) == 1
    assert ran("verify", "--store", url) == 0
    # What was replaced stays until no reader or writer of before can be at work.
    assert len(list((found.path / "areas").glob("*.parquet"))) == 6
    assert maintain_store(found).n_removed == 0
    monkeypatch.setattr(maintain, "STEP_SECONDS", -3600)
    assert maintain_store(found).n_removed > 5
    elsewhere(monkeypatch, tmp_path / "machine3")
    newest = Store(url)
    assert len(list((newest.path / "areas").glob("*.parquet"))) == 1
    assert versions(newest) == before
    newest.add({"areas": pa.table({"area": ["new"], "area_name": ["New"]})})
    assert versions(newest)[: len(before) - 1] == before[:-1]
    assert ran("verify", "--store", url) == 0


@pytest.mark.parametrize("table", ["areas", "_batches"])
def test_another_machine_that_is_first_undoes_the_upkeep_of_a_url(
    url: str,
    several: tuple[Store, Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    table: str,
) -> None:
    there, _ = several
    before = versions(there)
    other = another_machine(monkeypatch, url, tmp_path / "machine2")
    new = {"areas": pa.table({"area": ["new"], "area_name": ["New"]})}
    let_others_be_first(monkeypatch, "replace", lambda: other.add(new), table=table)
    with pytest.raises(MovedOnError):
        maintain_store(there)
    assert ran("verify", "--store", url) == 0
    assert ran("maintain", "--store", url) == 0
    elsewhere(monkeypatch, tmp_path / "machine3")
    newest = Store(url)
    assert versions(newest)[: len(before) - 1] == before[:-1]
    assert newest.version == 7
    assert "New" in newest.read("areas")["area_name"].to_pylist()
    assert ran("verify", "--store", url) == 0


def test_an_import_that_meets_the_upkeep_of_a_url_is_repeated(
    url: str, several: tuple[Store, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    there, _ = several
    (tmp_path / "days").mkdir()
    (tmp_path / "days" / "holidays.csv").write_text("date,holiday\n2031-02-01,One\n")
    other = another_machine(monkeypatch, url, tmp_path / "machine2")
    let_others_be_first(monkeypatch, "append", lambda: maintain_store(other))
    assert import_files(there, tmp_path / "days").version == 7
    newest = Store(url)
    assert newest.read("holidays")["holiday"].to_pylist() == ["One"]
    assert ran("verify", "--store", url) == 0
    assert ran("maintain", "--store", url) == 0
    assert newest.read("holidays")["holiday"].to_pylist() == ["One"]


def test_a_quarantine_goes_on_where_another_machine_was_first(
    url: str, server: str, field: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(field / "store", url, server)
    (tmp_path / "days").mkdir()
    (tmp_path / "days" / "sites.csv").write_text("site,area\nn1,A\nn2,NEW\nn3,NONE\n")
    known = dict(remote._Remotes._of)
    elsewhere(monkeypatch, tmp_path / "machine2")
    other = Store(url)
    monkeypatch.setattr(remote._Remotes, "_of", known | remote._Remotes._of)
    new = {"areas": pa.table({"area": ["NEW"], "area_name": ["New"]})}
    let_others_be_first(monkeypatch, "append", lambda: other.add(new))
    elsewhere(monkeypatch, tmp_path / "machine1")
    monkeypatch.setattr(remote._Remotes, "_of", known | remote._Remotes._of)
    aside = tmp_path / "aside.csv"
    assert ran("import", tmp_path / "days", "--store", url, "--quarantine", aside) == 0
    # The row whose area came in meanwhile is sound by the second check.
    assert "n3" in aside.read_text("utf-8-sig")
    assert "n2" not in aside.read_text("utf-8-sig")
    newest = Store(url)
    assert {"n1", "n2"} <= set(newest.read("sites")["site"].to_pylist())
    assert newest.version == 3
    assert ran("verify", "--store", url) == 0


def test_two_machines_at_once_lose_nothing(
    url: str, server: str, field: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(field / "store", url, server)
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    (tmp_path / "a" / "holidays.csv").write_text("date,holiday\n2031-02-01,One\n")
    (tmp_path / "b" / "holidays.csv").write_text("date,holiday\n2031-02-02,Two\n")
    first = Store(url)
    checked = importing.check(importing.read_paths([tmp_path / "a"]), first)
    cache, known = tmp_path / "machine2", dict(remote._Remotes._of)
    elsewhere(monkeypatch, cache)
    second = Store(url)
    assert second.path != first.path
    let_others_be_first(monkeypatch, "append", lambda: import_files(second, tmp_path / "b"))
    monkeypatch.setattr(remote._Remotes, "_of", known | remote._Remotes._of)
    receipt = importing.store_checked(checked, first)
    assert receipt.version == 3
    newest = Store(url)
    newest_days = newest.read("holidays")["holiday"].to_pylist()
    assert newest_days[-2:] == ["One", "Two"]
    assert [one.batch for one in newest.batches()][-1] == receipt.batch
    assert newest.version == 3
    assert ran("verify", "--store", url) == 0


def test_what_is_lost_or_changed_on_the_server_is_seen(url: str, field: Path, server: str) -> None:
    put(field / "store", url, server)
    assert ran("verify", "--store", url) == 0
    store = Store(url)
    with fresh_copy(store.path) as copy:
        names = [whole_files.files_under(folder) for folder in (copy, store.path)]
        assert names[0] == [one for one in names[1] if one != ".lock"]
    file = next((store.path / "interviews").glob("*.parquet"))
    name = f"{url.removeprefix('s3://field/')}/interviews/{file.name}"
    client = s3_client(server)
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 1
    client.put_object(Bucket="field", Key=name, Body=bytes(content))
    assert ran("verify", "--store", url) == 1
    assert ran("estimate", "--store", url, "--out", "-") == 1
    client.put_object(Bucket="field", Key=name, Body=file.read_bytes())


@pytest.mark.parametrize(
    ("place", "status", "words"),
    [
        ("s3://nowhere/store", 2, "no bucket of this name"),
        ("s3://field", 2, "s3://BUCKET/NAME"),
        ("s3://k:p4ss@field/store", 2, "more than a bucket"),
        ("ftp://field/store", 2, "s3://BUCKET/NAME"),
        ("s3:/field/store", 2, "s3://BUCKET/NAME"),
        ("s3://field/../store", 2, "s3://BUCKET/NAME"),
        ("s3://field/x", 1, "cannot be reached"),
    ],
)
@pytest.mark.usefixtures("url")
def test_what_cannot_be_reached_is_said(
    place: str,
    status: int,
    words: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    if status == 1:
        monkeypatch.setenv("AWS_ENDPOINT_URL", "http://127.0.0.1:9")
    assert ran("batches", "--store", place) == status
    said = capsys.readouterr().err
    assert words in said
    assert "Traceback" not in said
    assert "p4ss" not in said
    assert SECRET not in said


@pytest.mark.parametrize(
    ("answer", "kind", "words"),
    [
        ("AWS Error ACCESS_DENIED during x", StoreError, "refuses the key"),
        ("AWS Error INVALID_ACCESS_KEY_ID", StoreError, "does not know the key"),
        ("AWS Error NO_SUCH_BUCKET", UsageError, "no bucket"),
        (f"something with {SECRET}", StoreError, "OSError"),
    ],
)
def test_answers_are_worded_without_what_they_hold(
    answer: str, kind: type[Exception], words: str
) -> None:
    with pytest.raises(kind, match=words) as raised, remote._faults_in_words("s3://b/x"):
        raise OSError(answer)
    assert SECRET not in str(raised.value)


def test_names_that_lead_out_of_the_copy_are_refused(url: str, server: str, tmp_path: Path) -> None:
    import boto3

    client = boto3.client("s3", endpoint_url=server, region_name="us-east-1")
    key = f"{url.removeprefix('s3://field/')}/areas/a\\..\\b"
    client.put_object(Bucket="field", Key=key, Body=b"x")
    with pytest.raises(StoreError, match="no name of a store's file"):
        Store(url)
    shutil.rmtree(tmp_path / "machine1")
