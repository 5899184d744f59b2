from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from streamlit import config
from streamlit.testing.v1 import AppTest

from analytics.wording import bulletin_index
from dashboard import data
from dashboard.catch_rates import records
from tests.app.reading import follow_link
from tests.app.sample_bulletin import NOW, fill_archive, make

if TYPE_CHECKING:
    from collections.abc import Iterator

SECONDS = 30


@pytest.fixture(autouse=True)
def on_this_machine() -> Iterator[None]:
    """Steps that a test takes itself, outside of a run, are those of the one local user."""
    before = config.get_option("server.address")
    config.set_option("server.address", "127.0.0.1")
    yield
    config.set_option("server.address", before)


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
