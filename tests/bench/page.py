"""The page *Compare rule changes* after a slider was moved: server seconds, beside weighing alone.

``python -m tests.bench.page TURNS`` measures in its own process and prints a line of JSON. The
page is run headless, without a browser: measured is all that the server does for one move, among it
the making of charts and tables. The season is invented: 2,000 draws, 6 areas, 15 weeks.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from dataclasses import replace
from datetime import timedelta
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from streamlit.testing.v1 import AppTest

from analytics.bulletin.archive import save
from analytics.options.baseline_io import from_table, limits_of, to_table
from analytics.options.compare import compare_options
from analytics.options.option import Change, Option, OptionSet
from analytics.options.option_file import from_link, to_link
from analytics.weeks import days_from, weeks_between
from dashboard import data
from tests.app.sample_bulletin import NOW, make
from tests.app.sample_season import THROUGH
from tests.bench.processes import apart
from tests.bench.runs import Clock, Part, Run, in_turns
from tests.season_cases import small_baseline

if TYPE_CHECKING:
    from analytics.bulletin.archive import Bulletin

N_DRAWS, N_WEEKS = 2_000, 15
#: The slider and what it is moved to in turn, from 0.
SLIDER, MOVES = "-elasticity", (0.2, 0.4, 0.6, 0.8, 1.0)
_SECONDS = 60
ALONE, PAGE = "comparison alone (baseline)", "the page, all of the server's time"


def bulletin() -> Bulletin:
    """Return a bulletin of the invented season with draws of the size of a real one."""
    made = make(NOW)
    areas = tuple(made.areas["area"].to_pylist())
    draws = small_baseline(n_draws=N_DRAWS, areas=areas, n_weeks=N_WEEKS, n_closed_weeks=0)
    days = days_from(THROUGH + timedelta(days=1), len(draws.days))
    weeks = weeks_between("2036-W07", f"2036-W{6 + N_WEEKS:02}")
    draws = replace(draws, through=THROUGH, days=days, weeks=weeks)
    return replace(made, outlook=dict(made.outlook) | {"draws": to_table(draws)})


def asked(elasticity: float) -> OptionSet:
    """Return an option that touches every area."""
    return OptionSet("", (Option("One fish", (Change(daily_limit_fish=1),), elasticity),))


def measured(turns: int) -> dict[str, list[tuple[float, float]]]:
    """Return wall and processor seconds of each move, of weighing alone and of the page.

    Raises
    ------
    SystemExit
        If the page fails, or does not take a move.
    """
    kept = bulletin()
    baseline, limits = from_table(kept.table("draws")), limits_of(kept.table("limit_status"))[0]
    compare_options(baseline, asked(0.1).options, limits)  # loads the code
    with tempfile.TemporaryDirectory() as folder:
        save(Path(folder), kept)
        os.environ[data.ARCHIVE_VARIABLE] = folder
        page = _opened()

        def alone(turn: int) -> Run:
            clock = Clock()
            compare_options(baseline, asked(MOVES[turn % len(MOVES)]).options, limits)
            return clock.read()

        def moved(turn: int) -> Run:
            clock = Clock()
            _move(page, MOVES[turn % len(MOVES)])
            return clock.read()

        runs = in_turns({ALONE: alone, PAGE: moved}, turns=turns)
    return {step: [(one.wall, one.processor) for one in done] for step, done in runs.items()}


def part(*, turns: int) -> Part:
    """Measure in a process of its own."""
    said = apart("tests.bench.page", str(turns))
    runs = {step: [Run(*one) for one in took] for step, took in said.items()}
    sizes = f"A slider moved: {N_DRAWS:,} draws, 6 areas, {N_WEEKS} weeks, 1 option"
    return Part("page", sizes, runs, own=(PAGE,))


def _opened() -> AppTest:
    place = Path(find_spec("dashboard").origin).parent / "app_pages" / "compare_rules.py"
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


if __name__ == "__main__":
    print(json.dumps(measured(int(sys.argv[1]))))
