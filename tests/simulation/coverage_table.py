"""Print how estimates do on seasons of known truth, as a Markdown table.

python -m tests.simulation.coverage_table --seasons 500 --seed 1
"""

from __future__ import annotations

import time

import click

from analytics.units import QUANTITIES as UNITS
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


@click.command()
@click.option("--seasons", default=500, show_default=True, type=click.IntRange(min=20))
@click.option("--seed", default=1, show_default=True, type=click.IntRange(min=0))
@click.option("--sound", default="ondrell", show_default=True, type=click.Choice(sorted(SOUNDS)))
@click.option(
    "--by",
    default="season",
    show_default=True,
    type=click.Choice(["season", "area", "week", "area,week"]),
)
@click.option("--every-quantity", is_flag=True, help="All whose value as reported is known.")
@click.option("--processes", default=default_processes, type=click.IntRange(min=1))
def main(
    *, seasons: int, seed: int, sound: str, by: str, every_quantity: bool, processes: int
) -> None:
    """Simulate seasons, estimate each, and print the coverage table."""
    start = time.perf_counter()
    rows = simulate(
        n_seasons=seasons, seed=seed, name=sound, by=tuple(by.split(",")), processes=processes
    )
    known = [name for name in UNITS if (rows["quantity"] == name).any()]
    click.echo(HEADER)
    for row in summary(rows, known if every_quantity else QUANTITIES).itertuples():
        click.echo(
            f"| `{row.quantity}` | {row.rows:,} | {row.held_prop:.1%} | {row.low_prop:.1%} "
            f"| {row.high_prop:.1%} | {row.none_prop:.1%} "
            f"| {row.bias_prop:+.2%} (± {row.bias_se:.2%}) | {row.pse:.1%} | {row.se_ratio:.3f} |"
        )
    low, high = binomial_bounds(seasons, alpha=0.05)
    click.echo(
        f"\n{seasons} simulated seasons of the sound `{sound}`, seed {seed}, by {by}. Chance alone "
        f"puts one fair 95 % interval a season between {low:.1%} and {high:.1%}. "
        f"{time.perf_counter() - start:.0f} s."
    )


if __name__ == "__main__":
    main()
