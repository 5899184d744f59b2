"""Print how estimates do on seasons of known truth, as a Markdown table.

python -m tests.simulation.coverage_table --seasons 500 --seed 1
python -m tests.simulation.coverage_table --seasons 500 --design day_site_2   # or: --design all
"""

from __future__ import annotations

import time
from typing import Any

import click

from analytics.quantities import QUANTITIES as UNITS
from tests.simulation.designs import CASES, simulate_design
from tests.simulation.seasons import (
    QUANTITIES,
    SOUNDS,
    binomial_bounds,
    default_processes,
    simulate,
    summary,
)

HEADER = """\
| quantity | rows | 95 % intervals that hold the truth | below it | above it | no interval \
| mean error (± Monte Carlo) | median PSE | SE ÷ true spread |
|---|---|---|---|---|---|---|---|---|"""


DESIGN_HEADER = """\
| design | quantity | 95 % intervals that hold the truth | below it | above it | no interval \
| mean error (± Monte Carlo) | median PSE | SE ÷ true spread |
|---|---|---|---|---|---|---|---|---|"""


@click.command()
@click.option("--seasons", default=500, show_default=True, type=click.IntRange(min=20))
@click.option("--seed", default=1, show_default=True, type=click.IntRange(min=0))
@click.option("--sound", default="demo", show_default=True, type=click.Choice(sorted(SOUNDS)))
@click.option(
    "--by",
    default="season",
    show_default=True,
    type=click.Choice(["season", "area", "week", "area,week"]),
)
@click.option(
    "--design",
    "designs",
    multiple=True,
    type=click.Choice([*CASES, "all"]),
    help="Season estimates of other designs, in a small area; may be repeated.",
)
@click.option("--every-quantity", is_flag=True, help="All whose value as reported is known.")
@click.option("--processes", default=default_processes, type=click.IntRange(min=1))
def main(
    *,
    seasons: int,
    seed: int,
    sound: str,
    by: str,
    designs: tuple[str, ...],
    every_quantity: bool,
    processes: int,
) -> None:
    """Simulate seasons, estimate each, and print the coverage table."""
    start = time.perf_counter()
    if designs:
        where = "one area of four ramps over twenty weeks"
        _print_designs(
            tuple(CASES) if "all" in designs else designs,
            seasons=seasons,
            seed=seed,
            processes=processes,
        )
    else:
        where = f"the sound `{sound}`, by {by}"
        rows = simulate(
            n_seasons=seasons, seed=seed, name=sound, by=tuple(by.split(",")), processes=processes
        )
        known = [name for name in UNITS if (rows["quantity"] == name).any()]
        click.echo(HEADER)
        for row in summary(rows, known if every_quantity else QUANTITIES).itertuples():
            click.echo(f"| `{row.quantity}` | {row.rows:,} {_figures(row)}")
    low, high = binomial_bounds(seasons, alpha=0.05)
    click.echo(
        f"\n{seasons} simulated seasons of {where}, seed {seed}. Chance alone puts one fair 95 % "
        f"interval a season between {low:.1%} and {high:.1%}. {time.perf_counter() - start:.0f} s."
    )


def _print_designs(designs: tuple[str, ...], *, seasons: int, seed: int, processes: int) -> None:
    click.echo(DESIGN_HEADER)
    for name in designs:
        rows = simulate_design(name, n_seasons=seasons, seed=seed, processes=processes)
        for row in summary(rows, CASES[name].quantities).itertuples():
            click.echo(f"| {CASES[name].words} | `{row.quantity}` {_figures(row)}")


def _figures(row: Any) -> str:
    return (
        f"| {row.held_prop:.1%} | {row.low_prop:.1%} | {row.high_prop:.1%} | {row.none_prop:.1%} "
        f"| {row.bias_prop:+.2%} (± {row.bias_se:.2%}) | {row.pse:.1%} | {row.se_ratio:.3f} |"
    )


if __name__ == "__main__":
    main()
