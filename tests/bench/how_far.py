"""One question of how far a rule may go, answered whole, beside one option compared.

``python -m tests.bench.how_far TURNS`` measures in its own process and prints a line of JSON. The
season is invented: 2,000 draws, 6 areas, 15 weeks, each question on six limits together. Every
answer must be the same each time it is asked.
"""

from __future__ import annotations

import json
import sys
from functools import partial

from analytics.options.compare import compare_options
from analytics.options.option import Change, Find, Option, Solve
from analytics.options.solve import solved_options
from tests.bench.options import AREAS, limits
from tests.bench.processes import apart
from tests.bench.runs import Clock, Part, Run, in_turns
from tests.season_cases import small_baseline

N_DRAWS, N_AREAS, N_WEEKS = 2_000, 6, 15
COMPARED = "one option compared (baseline)"
#: What is asked, and the tables that it makes: the page asks for the frontier when it is opened.
ANSWER, FRONTIER = ("solved", "risk_curve"), ("frontier",)
ASKED = {
    "latest closing date": (Find.CLOSE, ANSWER),
    "days of the week": (Find.WEEKDAYS, ANSWER),
    "largest daily limit": (Find.DAILY_LIMIT, ANSWER),
    "smallest minimum length": (Find.MIN_LENGTH, ANSWER),
    "marked fish only": (Find.MARKED, ANSWER),
    "opportunity against risk": (Find.CLOSE, FRONTIER),
}


def measured(turns: int) -> dict[str, list[tuple[float, float]]]:
    """Return wall and processor seconds of each turn of each question.

    Raises
    ------
    SystemExit
        If a question has another answer when it is asked again.
    """
    areas = AREAS[:N_AREAS]
    given = {"areas": areas, "n_weeks": N_WEEKS, "n_closed_weeks": 0}
    baseline, held = small_baseline(**given, n_draws=N_DRAWS), limits(areas)
    option = Option("One fish", (Change(daily_limit_fish=1),))
    first: dict[str, object] = {}

    def compared(turn: int) -> Run:
        clock = Clock()
        compare_options(baseline, [option], held)
        return clock.read()

    def solved(name: str, turn: int) -> Run:
        find, tables = ASKED[name]
        clock = Clock()
        found = solved_options(baseline, [Option("x", solve=Solve(find, 0.1))], held, names=tables)
        took = clock.read()
        if first.setdefault(name, found) != found:
            raise SystemExit(f"{name}: asked again, the answer is another")
        return took

    steps = {COMPARED: compared} | {name: partial(solved, name) for name in ASKED}
    for step in steps.values():
        step(0)  # loads the code
    runs = in_turns(steps, turns=turns)
    return {name: [(one.wall, one.processor) for one in done] for name, done in runs.items()}


def part(*, turns: int) -> Part:
    """Measure in a process of its own."""
    said = apart("tests.bench.how_far", str(turns))
    runs = {step: [Run(*one) for one in took] for step, took in said.items()}
    sizes = f"{N_DRAWS:,} draws, {N_AREAS} areas, {N_WEEKS} weeks, 6 limits together"
    return Part("how_far", sizes, runs, own=tuple(ASKED))


if __name__ == "__main__":
    print(json.dumps(measured(int(sys.argv[1]))))
