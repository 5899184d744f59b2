from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from streamlit import config
from streamlit.components.v2 import manifest_scanner
from streamlit.testing.v1 import AppTest

from analytics.wording import bulletin_index
from dashboard import data
from dashboard.catch_rates import records
from tests.app.reading import follow_link
from tests.app.sample_bulletin import NOW, fill_archive, make

if TYPE_CHECKING:
    from collections.abc import Iterator

SECONDS = 30


#: As the dashboard is served: its address makes steps of a test those of the one local user.
SERVED = {"server.address": "127.0.0.1", "runner.magicEnabled": False}


@pytest.fixture(scope="session", autouse=True)
def components() -> Iterator[None]:
    """Look for components in what is installed once: each page to run looks anew, most of its cost.

    A server looks once, too.
    """
    found = manifest_scanner.scan_component_manifests()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(manifest_scanner, "scan_component_manifests", lambda: found)
        yield


@pytest.fixture(autouse=True)
def on_this_machine() -> Iterator[None]:
    """Take the options of the dashboard as it is served."""
    before = {name: config.get_option(name) for name in SERVED}
    for name, value in SERVED.items():
        config.set_option(name, value)
    yield
    for name, value in before.items():
        config.set_option(name, value)


@pytest.fixture(scope="session")
def archive_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two invented seasons, and an older bulletin of the second."""
    return fill_archive(tmp_path_factory.mktemp("store") / "bulletins")


@pytest.fixture
def opener(monkeypatch: pytest.MonkeyPatch, archive_folder: Path):
    """Return a function that takes a script of the dashboard and returns what opens it."""

    def of(script: str):
        def opened(*, folder: Path | None = archive_folder, **link: str | list[str]) -> AppTest:
            monkeypatch.setenv(data.ARCHIVE_VARIABLE, str(folder or ""))
            place = Path(find_spec("dashboard").origin).parent / script
            page = AppTest.from_file(place, default_timeout=SECONDS)
            for key, value in link.items():
                page.query_params[key] = value
            return follow_link(page.run())

        return opened

    return of


@pytest.fixture
def open_page(opener):
    """Return a function that opens the week with a link, in the archive of the tests or another."""
    return opener("app_pages/week.py")


@pytest.fixture
def open_app(opener):
    """Return a function that opens the whole dashboard with a link."""
    return opener("app.py")


@pytest.fixture(scope="module")
def index():
    """Return the newest bulletin of the sample, indexed."""
    return bulletin_index.index_bulletin(make(NOW))


@pytest.fixture(scope="module")
def rates(index):
    """Return its tables of modelled catch rates."""
    return records.read(index)
