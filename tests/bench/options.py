"""Options weighed on joint draws: seconds and memory, beside a plain reckoning day by day.

``python -m tests.bench.options WAY`` measures one way in its own process and prints a line of JSON;
``python -m tests.bench --only options`` runs all and compares. The plain way (`tests.season_plain`)
reckons every day of every area in double precision with exact sums, on the first draws alone; it
and the engine, on the same draws, must give the same season totals.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import subprocess
import sys
import time
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from analytics.season.baseline import Baseline, Limit
from analytics.season.option import AtLimit, Change, Option
from analytics.season.weigh import TOLD, weigh
from tests.bench.models import _forget, _peak
from tests.season_cases import THROUGH, small_baseline
from tests.season_plain import plain_totals

AREAS = ("ARD", "BEL", "CAR", "DUN", "ERN", "FAL", "GAR", "HEL")
#: Draws of the plain way.
FEW = 100
#: Largest difference of a mean of season totals, as a part of it.
EQUAL = 3e-4
#: Name, draws, areas, weeks, options and whether the plain way is run beside it.
SIZES = {
    "whole": ("10,000 draws, 8 areas, 26 weeks, 10 options", 10_000, 8, 26, 10),
    "slider": ("2,000 draws, 6 areas, 15 weeks, 1 option anew", 2_000, 6, 15, 1),
}


@dataclass(frozen=True, slots=True)
class Weighed:
    """One size: the quickest of its runs.

    Parameters
    ----------
    seconds, processor, plain_seconds : float
        Of the engine by the wall and of all threads, and of the plain way on `FEW` draws.
    peak, held : float
        Largest memory of the process while weighing, and what it held before, MiB.
    times : float
        How many times as long the plain way takes for a draw, by the processor of the engine.
    off : float
        Largest difference between the two, as a part of the total.
    """

    seconds: float
    processor: float
    plain_seconds: float
    peak: float
    held: float
    times: float
    off: float


def day(number: int) -> dt.date:
    """Return the day so many days after the totals so far."""
    return THROUGH + dt.timedelta(days=number)


def options(areas: tuple[str, ...], n_weeks: int) -> list[Option]:
    """Return ten options of every kind, all but one of them touching all areas."""
    half = 7 * n_weeks // 2
    rate = {"size_class": "sublegal", "method": "any", "wound_class": "any", "rate_prop": 0.12}
    lower = Change(daily_limit_fish=1, first=day(10))
    return [
        Option("limit anew", (lower,)),
        Option("close two", (Change(areas[:2], close=day(half)),), 0.0, 0.4, 0.2),
        Option("close all early", (Change(close=day(half)),)),
        Option("weekends", (Change(weekdays="67"),), 0.0, 0.0, 0.5),
        Option("stop", (Change(daily_limit_fish=1, at_limit=AtLimit.STOP),), 0.3),
        Option("longer", (Change(min_length_mm=600),)),
        Option("shorter", (Change(min_length_mm=530),), 0.2),
        Option("marked", (Change(mark_selective=True),), 0.5),
        Option("one method", (Change(method_mix={"trolling": 1.0}),)),
        Option("barbless", (Change(release_rates=(rate,)), lower), 0.2, 0.2, 0.2),
    ]


def limits(areas: tuple[str, ...]) -> list[Limit]:
    """Return six limits, passed at different times."""
    one = [Limit(f"sublegal {area}", (area,), ("released_sublegal_fish",), 4000) for area in areas]
    unmarked = ("encounter_legal_unmarked_fish", "encounter_sublegal_unmarked_fish")
    return [
        Limit("kept", areas, ("kept_fish",), 30_000),
        Limit("encounters", areas, ("encounter_fish",), 80_000),
        Limit("unmarked", areas, unmarked, 40_000),
        Limit("deaths", areas, ("total_deaths_fish",), 40_000),
        *one[:2],
    ]


def first_draws(baseline: Baseline, n: int) -> Baseline:
    """Return the baseline with its first draws alone."""
    n_draws = len(baseline.wanted_size)

    def cut(value: Any) -> Any:
        if isinstance(value, np.ndarray):
            return value[:n] if len(value) == n_draws else value
        if isinstance(value, dict):
            return {key: cut(one) for key, one in value.items()}
        return value

    kept = {field.name: getattr(baseline, field.name) for field in fields(baseline)}
    lengths = kept.pop("lengths")
    return replace(baseline, **{name: cut(value) for name, value in kept.items()}, lengths=lengths)


def measured(size: str) -> dict[str, float]:
    """Weigh in this process and return what it took."""
    _, n_draws, n_areas, n_weeks, n_options = SIZES[size]
    areas = AREAS[:n_areas]
    given = {"areas": areas, "n_weeks": n_weeks, "n_closed_weeks": 0}
    asked, held = options(areas, n_weeks)[:n_options], limits(areas)
    weigh(small_baseline(**given, n_draws=50), asked, held)  # loads the code
    baseline = small_baseline(**given, n_draws=n_draws)
    _forget()
    before, start, clock = _peak(), time.perf_counter(), time.process_time()
    weigh(baseline, asked, held)
    seconds, processor = time.perf_counter() - start, time.process_time() - clock
    peak = _peak()
    few = first_draws(baseline, FEW)
    start = time.perf_counter()
    slow = [plain_totals(few, one) for one in asked]
    plain_seconds = time.perf_counter() - start
    return {
        "seconds": seconds,
        "processor": processor,
        "plain_seconds": plain_seconds,
        "peak": peak,
        "held": before,
        "times": plain_seconds / FEW / (processor / n_draws),
        "off": _off(few, asked, slow),
    }


def _off(few: Baseline, asked: list[Option], slow: list[dict[str, Any]]) -> float:
    """Return the largest difference between the two ways in a season total of an area."""
    rows = {
        (row["option"], row["area"], row["quantity"]): row["estimate"]
        for row in weigh(few, asked, ()).figures.to_pylist()
    }
    return max(
        float(abs(rows[option.name, area, name] / plain[name][:, place].mean() - 1))
        for option, plain in zip(asked, slow, strict=True)
        for place, area in enumerate(few.areas)
        for name in TOLD
    )


def compare(*, runs: int) -> dict[str, Weighed]:
    """Return every size, each run a process of its own.

    Raises
    ------
    SystemExit
        If a run fails, or the two ways differ by more than `EQUAL`.
    """
    found = {}
    for size, (name, *_) in SIZES.items():
        best = min((_apart(size) for _ in range(runs)), key=lambda one: one.seconds)
        if not best.off < EQUAL:
            raise SystemExit(f"{name}: not equal: off by {best.off:.2g}")
        found[size] = best
    return found


def table(found: dict[str, Weighed]) -> list[str]:
    """Return the sizes as lines of a Markdown table."""
    lines = [
        "| options weighed | wall s | processor s | peak MiB | before, with the draws, MiB "
        f"| plain way, {FEW} draws, s | × as long a draw | largest difference |",
        "|---" * 8 + "|",
    ]
    for size, one in found.items():
        lines.append(
            f"| {SIZES[size][0]} | {one.seconds:.3f} | {one.processor:.3f} "
            f"| {one.peak:,.0f} | {one.held:,.0f} "
            f"| {one.plain_seconds:.1f} | {one.times:,.0f} | {one.off:.0e} |"
        )
    return lines


def _apart(size: str) -> Weighed:
    command = [sys.executable, "-m", "tests.bench.options", size]
    said = subprocess.run(command, check=False, capture_output=True, text=True)
    if said.returncode:
        raise SystemExit(f"{SIZES[size][0]} failed: {said.stderr[-2000:]}")
    return Weighed(**json.loads(said.stdout.splitlines()[-1]))


def main() -> None:
    """Print what one size took."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("size", choices=tuple(SIZES))
    print(json.dumps(measured(parser.parse_args().size)))


if __name__ == "__main__":
    main()
