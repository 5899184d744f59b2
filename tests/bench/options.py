"""Options weighed on joint draws: seconds and memory, beside a plain reckoning day by day.

``python -m tests.bench.options SIZE`` measures one size in its own process and prints a line of
JSON. The plain way (`tests.season_plain`) works out every day of every area in double precision
with exact sums, on the first draws alone; it and the engine, on the same draws, must give the same
season totals.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
from dataclasses import fields, replace
from typing import Any

import numpy as np

from analytics.options.baseline import Baseline, Limit
from analytics.options.compare import OPTION_TOTALS, compare_options
from analytics.options.option import AtLimit, Change, Option
from tests.bench.processes import apart, forget_peak, peak_mib
from tests.bench.runs import Clock, Part, Run
from tests.season_cases import THROUGH, small_baseline
from tests.season_plain import plain_totals

AREAS = ("ARD", "BEL", "CAR", "DUN", "ERN", "FAL", "GAR", "HEL")
#: Draws of the plain way.
FEW = 100
#: Largest difference of a mean of season totals, as a part of it.
EQUAL = 3e-4
#: Name, draws, areas, weeks, options and whether the plain way is run beside it.
SIZES = {
    "season": ("10,000 draws, 8 areas, 26 weeks, 10 options", 10_000, 8, 26, 10),
    "weeks": ("2,000 draws, 8 areas, 10 weeks, 10 options", 2_000, 8, 10, 10),
    "slider": ("2,000 draws, 6 areas, 15 weeks, 1 option", 2_000, 6, 15, 1),
}
PLAIN, OWN = f"plain way on {FEW} draws, times the draws (baseline)", "this program"


def day(number: int) -> dt.date:
    """Return the day so many days after the totals so far."""
    return THROUGH + dt.timedelta(days=number)


def options(areas: tuple[str, ...], n_weeks: int) -> list[Option]:
    """Return ten options of every kind, all but one of them touching all areas."""
    half = 7 * n_weeks // 2
    rate = {"size_class": "sublegal", "method": "any", "wound_class": "any", "rate_prop": 0.12}
    lower = Change(daily_limit_fish=1, first_day=day(10))
    return [
        Option("limit anew", (lower,)),
        Option("close two", (Change(areas[:2], close_from=day(half)),), 0.0, 0.4, 0.2),
        Option("close all early", (Change(close_from=day(half)),)),
        Option("weekends", (Change(open_weekdays="67"),), 0.0, 0.0, 0.5),
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
    n_draws = len(baseline.uncapped_size)

    def cut(value: Any) -> Any:
        if isinstance(value, np.ndarray):
            return value[:n] if len(value) == n_draws else value
        if isinstance(value, dict):
            return {key: cut(one) for key, one in value.items()}
        return value

    kept = {field.name: getattr(baseline, field.name) for field in fields(baseline)}
    lengths = kept.pop("lengths")
    return replace(baseline, **{name: cut(value) for name, value in kept.items()}, lengths=lengths)


def measured(size: str) -> dict[str, Any]:
    """Weigh in this process in both ways and return what they took."""
    _, n_draws, n_areas, n_weeks, n_options = SIZES[size]
    areas = AREAS[:n_areas]
    given = {"areas": areas, "n_weeks": n_weeks, "n_closed_weeks": 0}
    asked, held = options(areas, n_weeks)[:n_options], limits(areas)
    compare_options(small_baseline(**given, n_draws=50), asked, held)  # loads the code
    baseline = small_baseline(**given, n_draws=n_draws)
    forget_peak()
    clock = Clock()
    compare_options(baseline, asked, held)
    own, peak = clock.read(), peak_mib()
    few = first_draws(baseline, FEW)
    clock = Clock()
    slow = [plain_totals(few, one) for one in asked]
    plain, times = clock.read(), n_draws / FEW
    return {
        OWN: (own.wall, own.processor, peak),
        PLAIN: (plain.wall * times, plain.processor * times),
        "off": _off(few, asked, slow),
    }


def _off(few: Baseline, asked: list[Option], slow: list[dict[str, Any]]) -> float:
    """Return the largest difference between the two ways in a season total of an area."""
    rows = {
        (row["option"], row["area"], row["quantity"]): row["estimate"]
        for row in compare_options(few, asked, ()).figures.to_pylist()
    }
    return max(
        float(abs(rows[option.name, area, name] / plain[name][:, place].mean() - 1))
        for option, plain in zip(asked, slow, strict=True)
        for place, area in enumerate(few.areas)
        for name in OPTION_TOTALS
    )


def part(*, size: str, turns: int) -> Part:
    """Measure one size, each turn a process of its own.

    Raises
    ------
    SystemExit
        If the two ways differ by more than `EQUAL`.
    """
    said = [apart("tests.bench.options", size) for _ in range(turns)]
    off = max(one["off"] for one in said)
    if not off < EQUAL:
        raise SystemExit(f"options, {size}: not equal: off by {off:.2g}")
    runs = {step: [Run(*one[step]) for one in said] for step in (PLAIN, OWN)}
    note = f"Largest relative difference of a season total: {off:.0e}."
    return Part(f"options, {size}", SIZES[size][0], runs, (OWN,), note)


def main() -> None:
    """Print what one size took."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("size", choices=tuple(SIZES))
    print(json.dumps(measured(parser.parse_args().size)))


if __name__ == "__main__":
    main()
