"""The page *Weigh a change* after a slider was moved: server seconds, beside weighing alone.

``python -m tests.bench.page`` measures in its own process and prints a line of JSON. The page is
run headless, without a browser: measured is all that the server does for one move, among it the
making of charts and tables. The season is invented: 2,000 draws, 6 areas, 15 weeks.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from datetime import timedelta
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from streamlit.testing.v1 import AppTest

from analytics.bulletin.shelf import keep
from analytics.season.kept import from_table, to_table
from analytics.season.kept_limits import limits_of
from analytics.season.option import Change, Option
from analytics.season.option_file import OptionSet, from_link, to_link
from analytics.season.weigh import weigh
from analytics.weeks import days_from, weeks_between
from dashboard import data
from tests.app.sample_bulletin import NOW, make
from tests.app.sample_season import THROUGH
from tests.season_cases import small_baseline

if TYPE_CHECKING:
    from collections.abc import Callable

    from analytics.bulletin.shelf import Bulletin

N_DRAWS, N_WEEKS = 2_000, 15
#: The slider and what it is moved to in turn, from 0.
SLIDER, MOVES = "-elasticity", (0.2, 0.4, 0.6, 0.8, 1.0)
_SECONDS = 60


def bulletin() -> Bulletin:
    """Return a bulletin of the invented season with draws of the size of a real one."""
    made = make(NOW)
    areas = tuple(made.areas["area"].to_pylist())
    draws = small_baseline(n_draws=N_DRAWS, areas=areas, n_weeks=N_WEEKS, n_closed_weeks=0)
    days = days_from(THROUGH + timedelta(days=1), len(draws.days))
    weeks = weeks_between("2036-W07", f"2036-W{6 + N_WEEKS:02}")
    draws = replace(draws, through=THROUGH, days=days, weeks=weeks)
    return replace(made, standing=dict(made.standing) | {"draws": to_table(draws)})


def asked(elasticity: float) -> OptionSet:
    """Return an option that touches every area."""
    return OptionSet("", (Option("One fish", (Change(daily_limit_fish=1),), elasticity),))


def measured() -> dict[str, float]:
    """Return the median seconds of the moves, of the page and of weighing alone.

    Raises
    ------
    SystemExit
        If the page fails, or does not take a move.
    """
    kept = bulletin()
    with tempfile.TemporaryDirectory() as folder:
        keep(Path(folder), kept)
        os.environ[data.SHELF_VARIABLE] = folder
        page = _opened()
        whole = [_seconds(lambda at=at: _move(page, at)) for at in MOVES]
    baseline, limits = from_table(kept.table("draws")), limits_of(kept.table("standing"))[0]
    weigh(baseline, asked(0.1).options, limits)
    alone = [_seconds(lambda at=at: weigh(baseline, asked(at).options, limits)) for at in MOVES]
    return {"page": statistics.median(whole), "alone": statistics.median(alone)}


def lines(found: dict[str, float]) -> list[str]:
    """Return the seconds as lines of a Markdown table."""
    return [
        f"| a slider moved, {N_DRAWS:,} draws, 6 areas, {N_WEEKS} weeks, 1 option "
        f"| median s of {len(MOVES)} |",
        "|---|---|",
        f"| the page *Weigh a change*, all of the server's time | {found['page']:.3f} |",
        f"| weighing alone | {found['alone']:.3f} |",
    ]


def apart() -> dict[str, float]:
    """Return what `measured` does, in a process of its own.

    Raises
    ------
    SystemExit
        If it fails.
    """
    command = [sys.executable, "-m", "tests.bench.page"]
    said = subprocess.run(command, check=False, capture_output=True, text=True)
    if said.returncode:
        raise SystemExit(f"the page failed: {said.stderr[-2000:]}")
    return json.loads(said.stdout.splitlines()[-1])


def _opened() -> AppTest:
    place = Path(find_spec("dashboard").origin).parent / "app_pages" / "change.py"
    page = AppTest.from_file(place, default_timeout=_SECONDS)
    page.query_params["set"] = to_link(asked(0.0))
    page.run()
    _require_sound(page)
    return page


def _move(page: AppTest, at: float) -> None:
    slider = next(one for one in page.slider if str(one.key).endswith(SLIDER))
    slider.set_value(at).run()
    _require_sound(page)
    link = page.query_params["set"]
    if from_link(link[0] if isinstance(link, list) else link) != asked(at):
        raise SystemExit(f"the page did not take the move to {at}")


def _require_sound(page: AppTest) -> None:
    if page.exception:
        raise SystemExit(f"the page failed: {page.exception[0].message}")


def _seconds(act: Callable[[], Any]) -> float:
    start = time.perf_counter()
    act()
    return time.perf_counter() - start


if __name__ == "__main__":
    print(json.dumps(measured()))
