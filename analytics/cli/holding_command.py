"""``holding``: fish held after capture: rates, survival over time, what their death depends on."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from analytics.cli.terminal import (
    examples,
    require_room_for,
    say,
    show_findings,
    write_table,
    written_at,
)
from analytics.codes import coded, join_codes, sentences
from analytics.errors import UsageError

if TYPE_CHECKING:
    import pyarrow as pa

    from analytics.models.holding_survival import HookingMortality

_COLUMNS = """\b
Columns of FILE (.csv or .parquet, one row a fish):
  held_id          identifies the fish; every one once
  group            where the hook held (jaw, tongue, gills ...), or control for fish not hooked
  hours            hours until it died, or until it was last seen alive
  died             true or false
  trial_id         optional: its trial; all fish are of one trial if not given
  total_length_mm  optional, may be empty: total length
  test_trip_id     optional, may be empty: trip on which it was caught; fish of one trip are alike
\n\n\b
Or one row a group of a trial, as in the table holding_trials; these have no model:
  trial_id         its trial
  group            as above
  held             fish held
  died             of those, fish that died
  hours            may be empty: hours held
"""


@click.command(
    short_help="Estimate mortality from holding trials.",
    help="Estimate mortality from holding trials.\n\n"
    "For every group the share that died with two intervals (Wilson's and the exact one), and "
    "corrected for the deaths that controls show; the share alive over time, fish taken out alive "
    "counted as long as they were seen; and a logistic model of death by group and length, or why "
    "there is none. Fish taken out alive before the end of their trial count as survivors in the "
    "shares, and are left out of the model.\n\n" + _COLUMNS,
    epilog=examples(
        "blackmouth holding demo_parquet/held/held_fish.csv",
        "blackmouth holding myfish.csv --out holding_results",
        "blackmouth holding holding_trials.csv",
    ),
)
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--level",
    type=float,
    default=0.95,
    show_default=True,
    help="Confidence level of the intervals, between 0 and 1.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder for rates.csv, survival.csv and model.csv; made where missing.",
)
def holding(*, file: Path, level: float, out: Path | None) -> None:
    """Estimate mortality from holding trials."""
    if not 0 < level < 1:
        raise UsageError(f"--level {level}; allowed: a level between 0 and 1, such as 0.95")
    if out is not None:
        require_room_for(out)

    from analytics.data.schema import HELD_FISH  # noqa: PLC0415
    from analytics.released.holding_trials import held_table  # noqa: PLC0415

    of_file = _of_fish if held_table(file) is HELD_FISH else _of_groups
    rates, survival, model, n_out = of_file(file, level)
    trials = set(rates["trial_id"].to_pylist()) - {None}
    click.echo(_rates_words(rates, n_trials=len(trials)))
    click.echo(_survival_words(survival, n_out=n_out))
    click.echo(_model_words(model))
    if out is not None:
        _write({"rates": rates, "survival": survival, "model": _model_table(model, level)}, out)
        say(f"rates.csv, survival.csv and model.csv in {out}")


def _of_fish(file: Path, level: float) -> tuple[pa.Table, pa.Table, HookingMortality, int]:
    """Return rates, survival, model and the fish taken out alive of a file with one row a fish."""
    from analytics.released.holding_trials import (  # noqa: PLC0415
        rates_table,
        read_held,
        survival_rows,
    )

    fish, warnings = read_held(file)
    show_findings(warnings)
    survival = survival_rows(
        fish.group.tolist(), fish.hours, fish.died, trip=fish.trip_code, level=level
    )
    rates = rates_table(fish.groups(), level=level)
    return rates, survival, fish.model(level=level), int(fish.is_out.sum())


def _of_groups(file: Path, level: float) -> tuple[pa.Table, pa.Table, HookingMortality, int]:
    """Return the same of a file with one row a group of a trial, whose fish have no model."""
    from analytics.data.schema import TABLES  # noqa: PLC0415
    from analytics.models.holding_survival import HookingMortality  # noqa: PLC0415
    from analytics.released.holding_trials import (  # noqa: PLC0415
        held_groups,
        rates_table,
        rows_of_file,
        survival_of_groups,
    )

    data, warnings = rows_of_file(file, TABLES["holding_trials"])
    show_findings(warnings)
    groups = held_groups(data)
    hooked = [one for one in groups if not one.is_control]
    held, died = sum(one.held for one in hooked), sum(one.died for one in hooked)
    model = HookingMortality((), "", held, died, reason=coded("counts_of_fish"))
    return rates_table(groups, level=level), survival_of_groups(groups, level=level), model, 0


def _rates_words(rates: pa.Table, *, n_trials: int) -> str:
    lines = [f"Deaths of held fish, {n_trials} trial{'s' * (n_trials != 1)} together:"]
    for row in rates.to_pylist():
        if row["trial_id"] is not None:
            continue
        text = f"  {row['group']}: {row['died']} of {row['held']} died"
        text += f", {_share(row['rate_prop'])} {_span(row['wilson_low'], row['wilson_high'])}"
        text += f", exact {_span(row['exact_low'], row['exact_high'])}"
        if row["corrected_prop"] is not None:
            text += f"; {_without_handling(row)}"
        lines.append(text + (f"; {sentences(row['reason'])}" if row["reason"] else ""))
    return "\n".join(lines)


def _without_handling(row: dict[str, Any]) -> str:
    """Say the rate without the deaths that controls show; no share of fish is below 0."""
    low, high = row["corrected_low"], row["corrected_high"]
    ends = _span(low if low is None else max(low, 0.0), high)
    if row["corrected_prop"] < 0:
        return f"without handling deaths none {ends}: more of the controls died"
    return f"without handling deaths {_share(row['corrected_prop'])} {ends}"


def _survival_words(survival: pa.Table, *, n_out: int) -> str:
    last = {row["group"]: row for row in survival.to_pylist()}
    lines = ["Alive at the end of watching (fish taken out alive count as long as they were seen):"]
    for group, row in last.items():
        ends = _span(row["ci_low"], row["ci_high"])
        lines.append(f"  {group}: {_share(row['alive_prop'])} {ends} after {row['hours']:g} h")
    if n_out:
        lines.append(f"  taken out alive before the end of their trial: {n_out}")
    return "\n".join(lines)


def _model_words(model: HookingMortality) -> str:
    lines = [f"Model of death by group and length ({model.n} fish, {model.died} died):"]
    if model.reason:
        lines.append(f"  no model: {sentences(model.reason)}")
    for term in model.terms:
        odds = f"odds ratio {term.odds_ratio:.3g} ({term.ci_low:.3g} to {term.ci_high:.3g})"
        against = f", against {model.base}" if term.term.startswith("group ") else ""
        lines.append(f"  {term.term}: {term.estimate:.4f} (SE {term.se:.4f}), {odds}{against}")
    return "\n".join([*lines, *(f"  {sentences(note)}" for note in model.notes)])


def _model_table(model: HookingMortality, level: float) -> pa.Table:
    import pyarrow as pa  # noqa: PLC0415 - keeps --help quick

    floats = ("estimate", "se", "odds_ratio", "ci_low", "ci_high", "ci_level")
    schema = pa.schema(
        [
            ("term", pa.string()),
            *[(name, pa.float64()) for name in floats],
            ("base", pa.string()),
            ("n", pa.int64()),
            ("died", pa.int64()),
            ("reason", pa.string()),
        ]
    )
    common = {"ci_level": level, "base": model.base, "n": model.n, "died": model.died}
    notes = join_codes([model.reason, *model.notes])
    rows = [
        common | {name: getattr(term, name) for name in ("term", *floats[:-1])} | {"reason": notes}
        for term in model.terms
    ]
    return pa.Table.from_pylist(rows or [common | {"reason": notes}], schema)


def _write(tables: dict[str, pa.Table], out: Path) -> None:
    with written_at(out):
        out.mkdir(parents=True, exist_ok=True)
    for name, table in tables.items():
        write_table(table, out / f"{name}.csv")


def _share(value: float | None) -> str:
    return "no share" if value is None else f"{100 * value:.1f} %"


def _span(low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return "(no interval)"
    return f"({100 * low:.1f} to {100 * high:.1f} %)"
