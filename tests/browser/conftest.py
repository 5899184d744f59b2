from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

import pytest
from playwright.sync_api import expect

from tests.app.sample_bulletin import fill_archive
from tests.browser import serving
from tests.browser.visiting import Visit

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from playwright.sync_api import Browser, Page


expect.set_options(timeout=serving.PATIENCE)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Run a browser test that fails once more: on a busy machine a page may be late.

    The summary of the run names it, passed or not.
    """
    for item in items:
        if item.get_closest_marker("browser"):
            item.add_marker(pytest.mark.flaky(reruns=1))


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """A headless Chromium; skipped where there is none, unless one is required."""
    if serving.chromium() is None:
        reason = (
            "no Chromium found: install the package chromium, or name an executable in "
            f"{serving.BROWSER_VARIABLE}"
        )
        if os.environ.get(serving.REQUIRE_VARIABLE) == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    with serving.browser() as started:
        yield started


@pytest.fixture(scope="session")
def address(chromium: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a dashboard that shows the invented archive."""
    archive_folder = fill_archive(tmp_path_factory.mktemp("browser") / "bulletins")
    log = tmp_path_factory.mktemp("log") / "streamlit.log"
    with serving.dashboard(archive_folder, log=log) as running:
        yield running
    # The server's own words: an error that a page would hide, or a call to an outside host.
    words = log.read_text()
    assert "Traceback" not in words, words
    assert "Network URL" not in words, words
    assert "external IP" not in words, words


@pytest.fixture(scope="session")
def tabs() -> list[Page]:
    """The tabs that no visit holds."""
    return []


@pytest.fixture
def visit(chromium: Browser, address: str, tabs: list[Page]) -> Iterator[Callable[..., Visit]]:
    """Return a function that starts a visit; at its end nothing may have gone wrong.

    `is_new` gives it a tab of its own: the history of a tab holds 50 entries.
    """
    visits: list[Visit] = []

    def start(*, is_new: bool = False, **how: Any) -> Visit:
        # A tab keeps its width: figures of one that was resized may keep the width before.
        width = how.get("width", 1280)
        mine = [tab for tab in tabs if tab.viewport_size and tab.viewport_size["width"] == width]
        has_tab = mine and not is_new
        # A new tab beside one that no visit holds has what that one loaded.
        context = mine[-1].context if mine else chromium.new_context()
        tab = mine[-1] if has_tab else context.new_page()
        if has_tab:
            tabs.remove(tab)
        visits.append(Visit(tab, address, **how))
        return visits[-1]

    yield start
    for one in visits:
        one.close()
        tabs.append(one.page)  # where something went wrong, the tab is not used again
