"""Visits to the pages in a real browser, beside a bare Streamlit page with one figure.

Measured is the time from a press until the page stands still: no change of the page and no long
task of the browser follows for a while. Both pages stand in the same browser and are pressed by
turns, so that load on the machine meets both; only the ratio is compared.
"""

from __future__ import annotations

import contextlib
import math
import tempfile
from contextlib import contextmanager
from dataclasses import replace
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING

from analytics.bulletin.archive import archive_of
from analytics.cli.demo_store import prepare
from dashboard.pages import SECTIONS
from tests.bench.big_tables import big_seasons, site_days_of, write_tables
from tests.bench.commands import blackmouth
from tests.bench.runs import WAITED, Part, Run, digits, in_turns
from tests.browser.serving import browser, streamlit
from tests.browser.visiting import opened

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Callable, Iterator, Mapping

    from playwright.sync_api import Browser, Page

#: Presses of each kind a turn of the bench.
EACH = 4
N_SESSIONS = 20
#: Milliseconds without a change after which a page stands still.
_STILL, _PATIENCE = 700, 60_000
_FIGURE = ".js-plotly-plot .main-svg"
BARE_LOAD, BARE_MOVE = "bare page, loaded (baseline)", "bare page, its switch (baseline)"
BARE_TURN = "bare pages, turned (baseline)"
BARE_SESSIONS = f"bare page, {N_SESSIONS} sessions (baseline)"
_PAGES = (
    Path(__file__).parents[2] / "dashboard" / "app.py",
    Path(__file__).with_name("bare_page.py"),
)
_WATCH = """
window.lastChange = 0;
new PerformanceObserver(found => { for (const one of found.getEntries())
  window.lastChange = Math.max(window.lastChange, one.startTime + one.duration);
}).observe({entryTypes: ["longtask"]});
addEventListener("DOMContentLoaded", () =>
  new MutationObserver(() => { window.lastChange = performance.now(); }).observe(
    document.documentElement,
    {childList: true, subtree: true, attributes: true, characterData: true}));
"""


def part(*, of: str, turns: int, n_interviews: int = 0) -> Part:
    """Measure loads of a page, moves on one, turns to another, or the memory of many sessions.

    The pages show the demo's archive, or that of two seasons of so many interviews.
    """
    measure = {"loads": _loads, "moves": _moves, "turns": _turns, "sessions": _sessions}[of]
    if not n_interviews:
        found = measure(archive_of(prepare(lambda _: None)), turns)
        return replace(found, sizes=f"{found.sizes}, the demo's archive")
    found = measure(archive_of(Path(_large_store(n_interviews).name)), turns)
    large = f"a store of {n_interviews:,}"
    named = {step: f"{step}, {large}" for step in found.own}
    return replace(
        found,
        sizes=f"{found.sizes}, {large} interviews",
        runs={named.get(step, step): runs for step, runs in found.runs.items()},
        own=tuple(named.values()),
    )


@cache
def _large_store(n_interviews: int) -> tempfile.TemporaryDirectory[str]:
    """Store two seasons of so many interviews and make the bulletin; it goes with this process."""
    store = tempfile.TemporaryDirectory()
    each = n_interviews // 2
    tables = big_seasons(2, n_interviews=each, n_site_days=site_days_of(each))
    with tempfile.TemporaryDirectory() as folder:
        write_tables(tables, Path(folder), ending="parquet")
        blackmouth("import", folder, "--store", store.name)
    blackmouth("bulletin", "--store", store.name)
    return store


@contextmanager
def _both(archive: Path) -> Iterator[tuple[dict[str, str], dict[str, subprocess.Popen[bytes]]]]:
    """Give addresses and processes of servers of our pages, on an archive, and of the bare one."""
    given = {"BLACKMOUTH_ARCHIVE": str(archive)}
    with contextlib.ExitStack() as stack:
        found = [stack.enter_context(streamlit(script, given)) for script in _PAGES]
        yield (
            {name: one[0] for name, one in zip(("own", "bare"), found, strict=True)},
            {name: one[1] for name, one in zip(("own", "bare"), found, strict=True)},
        )


def _still(page: Page) -> float:
    """Wait until a page stands still; return when it came to that, seconds of its clock."""
    page.wait_for_function(
        f"() => performance.now() - window.lastChange > {_STILL}"
        " && !document.querySelector('[data-testid=stStatusWidget]')",
        timeout=_PATIENCE,
    )
    found: float = page.evaluate("window.lastChange")
    return found / 1000


def _opened(chrome: Browser, address: str) -> Page:
    page = chrome.new_context(viewport={"width": 1280, "height": 900}).new_page()
    page.add_init_script(_WATCH)
    page.goto(address)
    page.wait_for_selector(_FIGURE, timeout=_PATIENCE)
    return page


def _loads(archive: Path, turns: int) -> Part:
    with _both(archive) as (at, _), browser() as chrome:

        def load(_: int, address: str) -> Run:
            page = _opened(chrome, address)
            took = _still(page)
            page.context.close()
            return Run(took, math.nan)

        ours = {"Today": at["own"], "This week": f"{at['own']}/week"}
        steps = {BARE_LOAD: partial(load, address=at["bare"])}
        steps |= {f"{name}, loaded": partial(load, address=url) for name, url in ours.items()}
        for step in steps.values():
            step(0)  # the servers load their code
        runs = in_turns(steps, turns=EACH * turns)
    own = tuple(step for step in runs if step != BARE_LOAD)
    return Part("visits", "First loads", runs, own, _p95(runs), WAITED)


def _pressed(page: Page, press: Callable[[], None]) -> Run:
    """Press something; return the seconds until the page stands still."""
    page.bring_to_front()
    start = page.evaluate("window.lastChange = performance.now()") / 1000
    press()
    return Run(_still(page) - start, math.nan)


def _switch(page: Page, turn: int) -> Run:
    buttons = page.locator(".st-key-show button")
    return _pressed(page, buttons.nth((turn + 1) % buttons.count()).click)


def _week(page: Page, turn: int) -> Run:
    page.bring_to_front()
    option = opened(page, "week", page.get_by_role("option").nth(1 + turn % 4))
    _still(page)
    return _pressed(page, option.click)


def _turn(page: Page, turn: int) -> Run:
    """Turn to another page of the menu."""
    title = ("Season limits", "Seasonal pattern")[turn % 2]
    (section,) = [name for name, titles in SECTIONS.items() if title in titles.values()]
    page.bring_to_front()
    page.get_by_test_id("stTopNavSection").filter(has_text=section).click()
    item = page.get_by_role("menuitem", name=title, exact=True)
    item.wait_for()
    _still(page)
    return _pressed(page, item.click)


def _turn_bare(page: Page, turn: int) -> Run:
    link = page.get_by_test_id("stTopNavLink").nth((turn + 1) % 2)
    return _pressed(page, link.click)


def _moves(archive: Path, turns: int) -> Part:
    return _side_by_side(
        archive,
        "Moves on a page",
        {BARE_MOVE: _switch},
        {"This week, another figure": _switch, "This week, another week": _week},
        turns=turns,
    )


def _turns(archive: Path, turns: int) -> Part:
    return _side_by_side(
        archive,
        "Turns to another page",
        {BARE_TURN: _turn_bare},
        {"Season limits or Seasonal pattern, turned to": _turn},
        turns=turns,
    )


def _side_by_side(
    archive: Path,
    sizes: str,
    bare: Mapping[str, Callable[[Page, int], Run]],
    own: Mapping[str, Callable[[Page, int], Run]],
    *,
    turns: int,
) -> Part:
    """Measure presses on the bare page and on *This week*, both open in one browser."""
    with _both(archive) as (at, _), browser() as chrome:
        theirs, ours = _opened(chrome, at["bare"]), _opened(chrome, f"{at['own']}/week")
        steps = {name: partial(press, theirs) for name, press in bare.items()}
        steps |= {name: partial(press, ours) for name, press in own.items()}
        for page in (theirs, ours):
            _still(page)
        for turn in (0, 1):
            for step in steps.values():
                step(turn)
        runs = in_turns(steps, turns=EACH * turns)
    return Part("visits", sizes, runs, tuple(own), _p95(runs), WAITED)


def _p95(runs: dict[str, list[Run]]) -> str:
    """Say the slow end of each step beside the baseline's."""

    def slow(step: str) -> float:
        walls = sorted(one.wall for one in runs[step])
        return walls[math.ceil(0.95 * len(walls)) - 1]

    first = next(iter(runs))
    said = [f"{step} {digits(slow(step) / slow(first))}" for step in runs if step != first]
    return f"95th percentiles over the baseline's: {'; '.join(said)}."


def _sessions(archive: Path, turns: int) -> Part:
    with _both(archive) as (at, servers), browser() as chrome:

        def sessions(_: int, name: str, address: str) -> Run:
            pages = [_opened(chrome, address) for _ in range(N_SESSIONS)]
            held = _resident_mib(servers[name].pid)
            for page in pages:
                page.context.close()
            return Run(math.nan, math.nan, held)

        own = f"This week, {N_SESSIONS} sessions"
        steps = {
            BARE_SESSIONS: partial(sessions, name="bare", address=at["bare"]),
            own: partial(sessions, name="own", address=f"{at['own']}/week"),
        }
        runs = in_turns(steps, turns=max(1, turns // 3))
    sizes = f"The server's memory with {N_SESSIONS} open pages"
    return Part("visits", sizes, runs, (own,), compared={"peak": "MiB held"})


def _resident_mib(pid: int) -> float:
    """Return the memory that a process holds, MiB."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    (found,) = [line for line in lines if line.startswith("VmRSS:")]
    return int(found.split()[1]) / 1024
