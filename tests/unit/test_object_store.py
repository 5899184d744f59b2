"""A store on an S3 URL: equal to one in a folder, by one commit protocol, and refused in words.

The server is a real one over HTTP (moto), started here.
"""

from __future__ import annotations

import logging
import shutil
from typing import TYPE_CHECKING
from uuid import uuid4

import pytest

from analytics import Store, checksums, estimate, import_files
from analytics.cli import main
from analytics.data import importing
from analytics.data.schema import TABLES
from analytics.data.store import fresh_copy, remote
from analytics.errors import StoreError, UsageError
from tests.field_week import field_week, sampled_week, write_week

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

SECRET = "s3cr3t-of-nobody"


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    """Return the address of an S3 server with the bucket `field`."""
    import boto3
    from moto.server import ThreadedMotoServer

    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    running = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    running.start()
    address = "http://{}:{}".format(*running.get_host_and_port())
    client = boto3.client(
        "s3",
        endpoint_url=address,
        region_name="us-east-1",
        aws_access_key_id="key",
        aws_secret_access_key=SECRET,
    )
    client.create_bucket(Bucket="field")
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
        assert ran("bulletin", "--store", place) == 0
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
    assert ran("maintain", "--store", url) == 2
    elsewhere(monkeypatch, tmp_path / "machine2")
    there, folder = Store(url), Store(here)
    assert there.version == 3
    for table in TABLES:
        assert there.read(table).equals(folder.read(table)), table
    assert estimate(there, by=("season",)).equals(estimate(folder, by=("season",)))
    kept, mine = there.path / "bulletins", here / "bulletins"
    assert [one.name for one in kept.iterdir()] == [one.name for one in mine.iterdir()]
    said = capsys.readouterr()
    assert SECRET not in said.err + said.out
    assert str(tmp_path / "machine1") not in said.err
    assert f"blackmouth bulletin --store {url}" in said.err


def test_two_machines_at_once_lose_nothing(
    url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    week = write_week(field_week(), tmp_path / "week")
    import_files(Store(url), week)
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
    append = remote.Remote.append

    def overtaken(self: remote.Remote, table: str, data: object, **how: object) -> None:
        # The other machine commits between this one's rows and this one's event.
        if how["only_next"]:
            monkeypatch.setattr(remote.Remote, "append", append)
            import_files(second, tmp_path / "b")
        append(self, table, data, **how)  # type: ignore[arg-type]

    monkeypatch.setattr(remote.Remote, "append", overtaken)
    monkeypatch.setattr(remote._Remotes, "_of", known | remote._Remotes._of)
    receipt = importing.store_checked(checked, first)
    assert receipt.version == 3
    newest = Store(url)
    newest_days = newest.read("holidays")["holiday"].to_pylist()
    assert newest_days[-2:] == ["One", "Two"]
    assert [one.batch for one in newest.batches()][-1] == receipt.batch
    assert newest.version == 3
    assert ran("verify", "--store", url) == 0


def test_what_is_lost_or_changed_on_the_server_is_seen(
    url: str, tmp_path: Path, server: str
) -> None:
    import boto3

    import_files(Store(url), write_week(field_week(), tmp_path / "week"))
    assert ran("verify", "--store", url) == 0
    store = Store(url)
    with fresh_copy(store.path) as copy:
        names = [checksums.files_under(folder) for folder in (copy, store.path)]
        assert names[0] == [one for one in names[1] if one != ".lock"]
    file = next((store.path / "interviews").glob("*.parquet"))
    name = f"{url.removeprefix('s3://field/')}/interviews/{file.name}"
    client = boto3.client("s3", endpoint_url=server, region_name="us-east-1")
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
