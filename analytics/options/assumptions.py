"""Every assumption of an option in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analytics.options.catch_per_trip import measured, moved_share, so_far_mm
from analytics.options.dominance import RULE
from analytics.options.limit_exceedance import is_supported
from analytics.options.mortality_draws import keys_taken
from analytics.options.option import AtLimit

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analytics.options.baseline import Baseline, Limit
    from analytics.options.baseline_arrays import BaselineArrays
    from analytics.options.option import Change, Option

_OPENED = (
    "Days that are opened bring the trips they would have under today's rules; none of these come "
    "from other days or areas."
)


def words_of(
    ground: BaselineArrays,
    option: Option,
    limits: Sequence[Limit],
    *,
    opens: bool = False,
    left_out: Sequence[str] = (),
) -> tuple[str, ...]:
    """Return what an option rests on, a sentence each; never empty.

    Parameters
    ----------
    left_out : sequence of str
        Areas of unknown trips, which neither give nor take trips that move.
    """
    words = list(_of_baseline(ground, limits))
    if option.changes:
        words += _of_response(option)
    if left_out:
        words.append(
            f"{', '.join(left_out)}: trips to come are not known, so that no trips move from or to "
            "there; other areas are calculated without them."
        )
    if opens:
        words.append(_OPENED)
    for change in option.changes:
        words += _of_change(ground.baseline, change)
        words += _of_rates(ground, change)
    return tuple(dict.fromkeys(words))


def _of_baseline(ground: BaselineArrays, limits: Sequence[Limit]) -> Iterator[str]:
    baseline = ground.baseline
    yield (
        f"All options rest on the same {ground.n_draws:,} draws of the totals through "
        f"{baseline.through}, of the trips of each day to come, of the catch per trip, and of the "
        "rates of death."
    )
    yield (
        "The share of legal fish that is kept, the fishing methods, hooks held deep and marks stay "
        "as they were so far, but for what an option changes."
    )
    yield (
        "A boat's daily limit is the sum of its anglers'. What boats would keep is negative "
        "binomial and follows the legal fish met per trip: in better weeks the limit binds more."
    )
    if ground.lent:
        yield (
            f"{', '.join(ground.lent)}: no trips so far; shares of fish kept, methods and hooks "
            "are those of all areas."
        )
    for limit in limits:
        out = [area for area in limit.areas if area not in baseline.areas]
        if not is_supported(baseline, limit):
            yield f"Limit {limit.limit_id}: it is on no total that can be given ahead."
        elif out:
            yield f"Limit {limit.limit_id}: no fish are calculated in {', '.join(out)}, not open."
    yield RULE


def _of_response(option: Option) -> Iterator[str]:
    areas, days = option.to_other_areas_prop, option.to_other_days_prop
    if areas or days:
        yield (
            f"Of the trips of a day that is closed, {_percent(areas)} go to the areas open that "
            f"day and {_percent(days)} to the open days of the same area and week, in proportion "
            "to the trips there; the rest, and those that find nothing open, are not made."
        )
    else:
        yield "The trips of a day that is closed are not made elsewhere or on another day."
    if option.elasticity:
        yield (
            f"Trips of an open day change by the power {option.elasticity:g} of the change in fish "
            "kept per trip."
        )
    else:
        yield "As many anglers come whatever they may keep."


def _of_change(baseline: Baseline, change: Change) -> Iterator[str]:
    if change.effort_factor != 1:
        yield f"Trips of open days are {change.effort_factor:g} times today's."
    if change.daily_limit_fish is not None:
        yield _limit_words(change)
    if change.mark_selective is not None:
        kept = "only marked legal fish are" if change.mark_selective else "unmarked fish may be"
        yield (f"All anglers comply: {kept} kept, and unmarked fish are wanted as marked ones are.")
    if change.min_length_mm is not None:
        yield from _length_words(baseline, change)
    if change.method_mix:
        mix = ", ".join(f"{name} {_percent(share)}" for name, share in change.method_mix.items())
        yield (
            f"Trips by fishing method: {mix}; each method keeps its own catch per trip so far (in "
            "all areas where it was not used in the area) and its own rates of death."
        )


def _of_rates(ground: BaselineArrays, change: Change) -> Iterator[str]:
    taken = keys_taken(ground, change)
    for row in change.release_rates:
        fish = (
            f"{row['size_class']}-size fish released by {row['method']} method with "
            f"{row['wound_class']} wound"
        )
        se = row.get("rate_se")
        error = f" (SE {100 * float(str(se)):g} %)" if se else ", taken as exact"
        yield (
            f"From then on, of {fish}, {100 * float(str(row['rate_prop'])):g} % "
            f"die{error}; source: {row.get('source') or 'not told'}."
        )
        if (row["size_class"], row["method"], row["wound_class"]) not in taken:
            yield (
                f"The rate of {fish} is taken for no fish and changes nothing: none of the kind "
                "were recorded so far, or a finer rate of the option has them all."
            )


def _limit_words(change: Change) -> str:
    start = f"Daily limit {change.daily_limit_fish}:"
    if change.at_limit is AtLimit.STOP:
        return (
            f"{start} boats stop fishing at it; all their fish change alike, sublegal ones with "
            "the legal ones they come with."
        )
    return (
        f"{start} boats go on fishing at it; legal fish over it are released and die at the rate "
        "of legal releases, and encounters stay as they are."
    )


def _length_words(baseline: Baseline, change: Change) -> Iterator[str]:
    length = float(change.min_length_mm or 0)
    names = change.areas or baseline.areas
    for name in names:
        area = baseline.areas.index(name)
        found = moved_share(baseline, area, length)
        if found is None:
            continue
        size, share = found
        lent = measured(baseline, area, size)
        where, n = ("", 0) if lent is None else (lent[0], len(lent[1]))
        other = "sublegal" if size == "legal" else "legal"
        at = "released and die at the sublegal rate" if size == "legal" else "kept as others are"
        yield (
            f"{name}: a minimum of {length:g} mm in the place of {so_far_mm(baseline, area):g} mm "
            f"makes {_percent(float(np.mean(share)))} of {size} fish {other}, by {n} measured in "
            f"{where or 'all areas'}; they are {at}. Kept and released fish are as long."
        )


def _percent(share: float) -> str:
    """Return a share in per cent, to two digits."""
    return f"{100 * share:.{0 if share >= 0.0995 else 1}f} %".replace(".0 ", " ")
