"""Every assumption of an option, as codes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analytics.codes import coded, join_codes
from analytics.options.catch_per_trip import keys_taken, measured, moved_share, so_far_mm
from analytics.options.limit_exceedance import is_supported
from analytics.options.option import AtLimit

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analytics.options.baseline import Baseline, Limit
    from analytics.options.baseline_arrays import BaselineArrays
    from analytics.options.option import Change, Option


def assumptions_of(
    arrays: BaselineArrays,
    option: Option,
    limits: Sequence[Limit],
    *,
    opens: bool = False,
    left_out: Sequence[str] = (),
) -> tuple[str, ...]:
    """Return what an option rests on, a cell of codes each; never empty.

    `left_out` holds areas of unknown trips, which neither give nor take trips that move.
    """
    found = list(_of_baseline(arrays, limits))
    if option.changes:
        found += _of_response(option)
    if left_out:
        found.append(coded("displaced_without", areas=left_out))
    if opens:
        found.append(coded("days_opened"))
    for change in option.changes:
        found += _of_change(arrays.baseline, change)
        found += _of_rates(arrays, change)
    return tuple(dict.fromkeys(found))


def _of_baseline(arrays: BaselineArrays, limits: Sequence[Limit]) -> Iterator[str]:
    baseline = arrays.baseline
    yield coded("same_draws", n=arrays.n_draws, day=str(baseline.through))
    yield coded("shares_as_so_far")
    yield coded("limit_of_boat")
    if arrays.borrowed:
        yield coded("shares_of_all_areas", areas=arrays.borrowed)
    for limit in limits:
        out = [area for area in limit.areas if area not in baseline.areas]
        if not is_supported(baseline, limit):
            yield coded("limit_not_projected", limit=limit.limit_id)
        elif out:
            yield coded("limit_in_part", limit=limit.limit_id, areas=out)
    yield coded("dominance_rule")


def _of_response(option: Option) -> Iterator[str]:
    areas, days = option.to_other_areas_prop, option.to_other_days_prop
    if areas or days:
        yield coded("trips_displaced", to_areas=_percent(areas), to_days=_percent(days))
    else:
        yield coded("trips_not_displaced")
    if option.elasticity:
        yield coded("effort_elasticity", power=f"{option.elasticity:g}")
    else:
        yield coded("effort_inelastic")


def _of_change(baseline: Baseline, change: Change) -> Iterator[str]:
    if change.effort_factor != 1:
        yield coded("effort_factor", factor=f"{change.effort_factor:g}")
    if change.daily_limit_fish is not None:
        stops = change.at_limit is AtLimit.STOP
        yield coded("limit_stop" if stops else "limit_go_on", limit=change.daily_limit_fish)
    if change.mark_selective is not None:
        yield coded("marked_only" if change.mark_selective else "unmarked_too")
        yield from _of_marks(baseline, change)
    if change.min_length_mm is not None:
        yield from _of_length(baseline, change, change.min_length_mm)
    if change.method_mix:
        mix = [f"{name}:{_percent(share)}" for name, share in change.method_mix.items()]
        yield coded("method_mix", mix=mix)


def _of_marks(baseline: Baseline, change: Change) -> Iterator[str]:
    if baseline.marked_prop is None:
        return
    for name in change.areas or baseline.areas:
        share = float(np.mean(baseline.marked_prop[:, baseline.areas.index(name)]))
        yield coded("marks_pooled", area=name, percent=_percent(share))


def _of_length(baseline: Baseline, change: Change, length: float) -> Iterator[str]:
    for name in change.areas or baseline.areas:
        area = baseline.areas.index(name)
        found = moved_share(baseline, area, length)
        if found is None:
            continue
        size, share = found
        where, lengths = measured(baseline, area, size) or ("", ())
        yield coded(
            "minimum_longer" if size == "legal" else "minimum_shorter",
            area=name,
            length=f"{length:g}",
            before=f"{so_far_mm(baseline, area):g}",
            percent=_percent(float(np.mean(share))),
            n=len(lengths),
            span="this_area" if where else "all_areas",
        )


def _of_rates(arrays: BaselineArrays, change: Change) -> Iterator[str]:
    taken = keys_taken(arrays, change)
    for row in change.release_rates:
        size, method, wound = fish = row["size_class"], row["method"], row["wound_class"]
        percent = f"{100 * float(str(row['rate_prop'])):g}"
        rate = coded("own_rate_exact", size=size, method=method, wound=wound, percent=percent)
        if row.get("rate_se"):
            se = f"{100 * float(str(row['rate_se'])):g}"
            rate = coded("own_rate", size=size, method=method, wound=wound, percent=percent, se=se)
        source = row.get("source")
        yield join_codes(
            [rate, coded("rate_source", source=source) if source else coded("no_rate_source")]
        )
        if fish not in taken:
            yield coded("rate_unused", size=size, method=method, wound=wound)


def _percent(share: float) -> str:
    """Return a share in per cent, to two digits."""
    return f"{100 * share:.{0 if share >= 0.0995 else 1}f}".removesuffix(".0")
