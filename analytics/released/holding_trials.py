"""Fish held after capture: files of them read and checked, and the tables a bulletin keeps of them.

A file has one row a fish, or one row a group of a trial.
"""

from __future__ import annotations

import math
from collections import Counter
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from pyarrow.csv import open_csv

from analytics.codes import coded, join_codes
from analytics.data import query
from analytics.data.checks import check_between, check_keys
from analytics.data.importing import ENDINGS, read_file, type_raw
from analytics.data.schema import HELD_FISH, TABLES
from analytics.data.snapshot import Snapshot
from analytics.errors import DataRejected, UsageError
from analytics.findings import Finding, Severity, number_of
from analytics.fish.holding_trials import (
    ONE_TRIAL,
    HeldFish,
    HeldGroup,
    Rate,
    died_rate,
    handling_corrected,
    mix_effect,
    mix_errors,
    mixed_rate,
    plain_group,
    trial_rates,
)
from analytics.fish.lengths import measured_fish
from analytics.intervals import logit_t
from analytics.models.holding_survival import kaplan_meier
from analytics.released.schemas import HOLDING_RATE_SCHEMA, SURVIVAL_SCHEMA, WOUND_MIX_SCHEMA
from analytics.result_table import known

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from analytics.arrays import Bools, Floats, Ints
    from analytics.data.schema import Table
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.fish.holding_trials import TrialRate

    Row = dict[str, Any]


def read_held(path: Path) -> tuple[HeldFish, list[Finding]]:
    """Read held fish, in the columns of `data.schema.HELD_FISH`; it raises as `rows_of_file`."""
    data, findings = rows_of_file(path, HELD_FISH)
    columns = {name: data[name].to_pylist() for name in HELD_FISH.arrow_schema.names}
    lengths = [np.nan if one is None else one for one in columns["total_length_mm"]]
    trials = [ONE_TRIAL if one is None else one for one in columns["trial_id"]]
    fish = HeldFish(
        np.array(trials, dtype=object),
        np.array([plain_group(one) for one in columns["group"]], dtype=object),
        np.array(lengths, dtype=np.float64),
        np.array(columns["hours"], dtype=np.float64),
        np.array(columns["died"], dtype=bool),
        np.array(columns["test_trip_id"], dtype=object),
    )
    return fish, findings


def held_table(path: Path) -> Table:
    """Return the table whose columns a file has: one row a fish, or one a group of a trial."""
    try:
        is_csv = path.suffix.lower() == ".csv"
        names = open_csv(path).schema.names if is_csv else pq.read_schema(path).names
    except (pa.ArrowException, OSError):
        return HELD_FISH  # reading it says what is wrong
    heads = {name.strip() for name in names}
    return TABLES["holding_trials"] if "held" in heads and "held_id" not in heads else HELD_FISH


def rows_of_file(path: Path, table: Table) -> tuple[pa.Table, list[Finding]]:
    """Read a table of held fish or of holding trials from a CSV or Parquet file, and check it.

    Raises
    ------
    UsageError
        If there is no such file, or it ends in neither .csv nor .parquet.
    DataRejected
        If a cell or the whole file is at fault, or no row is in it.
    """
    row = "fish" if table is HELD_FISH else "group of a trial"
    if not path.is_file() or path.suffix.lower() not in ENDINGS:
        seen = f"{path} ends otherwise" if path.is_file() else f"{path} is no file"
        raise UsageError(f"{seen}; name a .csv or .parquet file of held fish, one row a {row}")
    reading = read_file(path, table=table.name)
    findings = [*reading.faults, *reading.findings]
    if reading.raw is None:
        raise DataRejected("1 error: nothing was calculated", findings)
    typed, found = type_raw(reading.raw)
    findings += [*found, *check_keys(typed)]
    if table.name in TABLES and not any(one.severity is Severity.ERROR for one in findings):
        none = Snapshot.of({})
        findings += check_between({name: none.source(name) for name in TABLES}, {table.name: typed})
    errors = [one for one in findings if one.severity is Severity.ERROR]
    if errors:
        raise DataRejected(f"{number_of(len(errors), 'error')}: nothing was calculated", findings)
    if not typed.data.num_rows:
        raise DataRejected(f"{path}: no fish in the file; write one row a {row}", findings)
    return typed.data, findings


_MET = """
SELECT wound_site, test_trip_id, coalesce(source = 'test_fishing' OR kept = false, false) AS is_met
FROM measured WHERE wound_site IS NOT NULL
"""


def trial_table(snapshot: Snapshot, *, level: float) -> pa.Table:
    """Return the groups of every holding trial, then of all trials together, with their rates."""
    return rates_table(held_groups(snapshot["holding_trials"]), level=level)


def rates_table(groups: Sequence[HeldGroup], *, level: float) -> pa.Table:
    """Return the rates of groups of held fish, as `trial_table`."""
    rows = [_rate_row(one, level) for one in trial_rates(groups, level=level)]
    return pa.Table.from_pylist(rows, HOLDING_RATE_SCHEMA)


def survival_table(snapshot: Snapshot, *, level: float) -> pa.Table:
    """Return the share of held fish alive over time, as `survival_of_groups`."""
    return survival_of_groups(held_groups(snapshot["holding_trials"]), level=level)


def survival_of_groups(groups: Sequence[HeldGroup], *, level: float) -> pa.Table:
    """Return the share of held fish alive over time by group, all trials with hours together.

    A trial says how many died by the end of its hours and not when: its deaths are placed at that
    hour, and its survivors leave alive then.
    """
    timed = [one for one in groups if one.hours is not None]
    return survival_rows(
        [one.group for one in timed for _ in (0, 1)],
        np.array([one.hours for one in timed for _ in (0, 1)], dtype=np.float64),
        np.array([died for _ in timed for died in (True, False)], dtype=bool),
        fish=np.array([n for one in timed for n in (one.died, one.held - one.died)], dtype=int),
        level=level,
    )


def survival_rows(
    group: Sequence[str],
    hours: Floats,
    died: Bools,
    *,
    fish: Ints | None = None,
    trip: Ints | None = None,
    level: float,
) -> pa.Table:
    """Return the survival curve of every group of n entries, in `SURVIVAL_SCHEMA`.

    `hours` (n,): until death, or until last seen alive; `fish` (n,): how many each entry stands
    for; `trip` (n,): fish of one trip may be alike.
    """
    names = np.array(group, dtype=object)
    weight = np.ones(len(names), dtype=int) if fish is None else fish
    rows: list[Row] = []
    for name in dict.fromkeys(group):
        mine = names == name
        if not weight[mine].sum():
            continue
        alike = None if trip is None else trip[mine]
        curve = kaplan_meier(hours[mine], died[mine], weight[mine], cluster=alike, level=level)
        rows += [
            {
                "group": name,
                "hours": float(curve.hours[at]),
                "at_risk": int(curve.at_risk[at]),
                "died": int(curve.died[at]),
                "alive_prop": float(curve.alive_prop[at]),
                "ci_low": known(curve.low[at]),
                "ci_high": known(curve.high[at]),
                "ci_level": level,
            }
            for at in range(len(curve.hours))
        ]
    return pa.Table.from_pylist(rows, SURVIVAL_SCHEMA)


def wound_mix_table(season: SeasonSurvey, *, level: float) -> pa.Table:
    """Return the rate of a season's fish: how often each wound site is met times its trial rate.

    Every measured fish of test fishing or released that has a wound site counts alike, and fish of
    one trip widen the error of the mix where they are alike (`mix_effect`); fish kept on the dock
    die and are left out. The rates are those of all trials together, corrected by their
    controls. A row for each wound site, then (null) the rate of them all; without a value, and with
    a reason, where a site has no rate.
    """
    design = season.design
    fish = measured_fish(season.snapshot, season=design.season, through=design.through)
    seen = query.run(_MET, {"measured": fish}).to_pylist()
    met = [(one["test_trip_id"], plain_group(one["wound_site"])) for one in seen if one["is_met"]]
    sites = Counter(site for _, site in met)
    pooled = [
        one
        for one in trial_rates(held_groups(season.snapshot["holding_trials"]), level=level)
        if one.fish.trial_id is None and one.rate_prop is not None
    ]
    rates = {one.fish.group: one for one in pooled if not one.fish.is_control}
    control = next((one.fish for one in pooled if one.fish.is_control), None)
    n = sites.total()
    share = {site: count / n for site, count in sorted(sites.items())}
    rows = [_site_row(site, sites[site], share[site], rates.get(site)) for site in share]
    mixed = _mix_row(share, rates, control, met=met, level=level)
    if len(seen) > n:
        mixed["reason"] = join_codes([mixed["reason"], coded("kept_left_out", n=len(seen) - n)])
    rows.append(mixed)
    first = {"season": design.season, "ci_level": level}
    return pa.Table.from_pylist([first | row for row in rows], WOUND_MIX_SCHEMA)


def held_groups(trials: pa.Table) -> list[HeldGroup]:
    """Return the groups of a table ``holding_trials``, by trial, the controls of each last."""
    columns = ("trial_id", "group", "held", "died", "hours")
    rows = trials.select(list(columns)).to_pylist()
    found = [HeldGroup(**row | {"group": plain_group(row["group"])}) for row in rows]
    return sorted(found, key=lambda one: (one.trial_id or "", one.is_control, one.group))


def _rate_row(one: TrialRate, level: float) -> Row:
    fish, corrected = one.fish, one.corrected
    names = ("trial_id", "group", "is_control", "held", "died", "hours")
    row: Row = {name: getattr(fish, name) for name in names} | {"rate_prop": one.rate_prop}
    limits = {"wilson": one.wilson, "exact": one.exact, "corrected": one.corrected_limits}
    for name, (low, high) in limits.items():
        row |= {f"{name}_low": low, f"{name}_high": high}
    return row | {
        "corrected_prop": corrected and corrected.rate_prop,
        "corrected_se": corrected and corrected.rate_se,
        "ci_level": level,
        "reason": one.reason,
    }


def _site_row(site: str, count: int, share: float, rate: TrialRate | None) -> Row:
    row: Row = {"wound_site": site, "n_fish": count, "share": share}
    if rate is None:
        return row | {"reason": coded("wound_not_held")}
    known = rate.corrected or died_rate(rate.fish)
    low, high = rate.corrected_limits if rate.corrected else rate.wilson
    row |= {"rate_prop": known.rate_prop, "rate_se": known.rate_se, "ci_low": low, "ci_high": high}
    return row | {
        "reason": join_codes([rate.reason, "" if rate.corrected else coded("handling_in_rate")])
    }


def _of_trips(met: Sequence[tuple[str | None, str]], rate: Mapping[str, Rate]) -> tuple[float, str]:
    """Return the design effect of the trips that fish name, and its code."""
    named = {trip for trip, _ in met if trip is not None}
    if not named:
        return 1.0, coded("fish_alike_in_trip")
    clusters = [place if trip is None else trip for place, (trip, _) in enumerate(met)]
    effect = mix_effect(clusters, np.array([rate[site].rate_prop for _, site in met]))
    if math.isnan(effect):
        return 1.0, coded("test_trips_few", trips=len(named))
    return max(effect, 1.0), coded("test_trips_alike", effect=f"{effect:.2f}", trips=len(named))


def _mix_row(
    share: dict[str, float],
    rates: dict[str, TrialRate],
    control: HeldGroup | None,
    *,
    met: Sequence[tuple[str | None, str]],
    level: float,
) -> Row:
    """Return the row of all wound sites together, from the trip and site of every fish.

    The mix of the rates as seen is corrected once: all sites share the controls and their error.
    """
    n_fish = len(met)
    row: Row = {"wound_site": None, "n_fish": n_fish, "share": 1.0 if n_fish else None}
    lacking = sorted(set(share) - set(rates))
    if not n_fish or lacking:
        why = coded("wounds_not_held", wounds=lacking) if n_fish else coded("no_wound_sites")
        return row | {"reason": why}
    seen = {site: died_rate(rates[site].fish) for site in share}
    effect, said = _of_trips(met, seen)
    mixed = mixed_rate(share, seen, n_fish=n_fish / effect)
    from_mix, from_rates = mix_errors(share, seen, n_fish=n_fish / effect) or (math.nan, math.nan)
    reasons = [said]
    if control is None or control.died == control.held:
        reasons.append(coded("controls_died_in_rate") if control else coded("no_control_in_rate"))
    else:
        alone = died_rate(control)
        shared = handling_corrected(Rate(mixed.rate_prop, 0.0), alone).rate_se or 0.0
        mixed, alive = handling_corrected(mixed, alone), 1 - alone.rate_prop
        from_mix, from_rates = from_mix / alive, math.hypot(from_rates / alive, shared)
    low, high = logit_t(mixed.rate_prop, mixed.rate_se or 0.0, df=1e9, level=level)
    reasons += [coded("no_effect_of_hook")] if mixed.rate_prop < 0 else []
    reasons += [coded("no_rate_inside")] if math.isnan(low) else []
    return row | {
        "rate_prop": mixed.rate_prop,
        "rate_se": mixed.rate_se,
        "se_from_mix": from_mix,
        "se_from_rates": from_rates,
        "ci_low": known(low),
        "ci_high": known(high),
        "reason": join_codes(reasons),
    }
