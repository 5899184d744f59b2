"""Fish held after capture: the share that died, and what of it the handling alone would explain."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from analytics.fish.wounds import Rate, handling_corrected
from analytics.models.proportions import share_limits

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

CONTROL = "control"
_NO_FISH = "no fish held"
_NO_CONTROL = "no control was held: deaths by handling cannot be taken out"
_ALL_CONTROLS = "no control in this trial: all controls taken together"
_CONTROLS_DIED = "every control died: nothing is left to correct with"
_NEGATIVE = "fewer treated fish than controls died: no effect of the hook is shown"
_SURE = "none or all died: the standard error is that of (died + 1/2)/(held + 1)"
_NO_LIMITS = "too few controls lived: no interval"
_HOURS = "held for different hours in different trials"


@dataclass(frozen=True, slots=True)
class HeldGroup:
    """Fish of one group of a trial, or of all trials (trial_id None)."""

    trial_id: str | None
    group: str
    held: int
    died: int
    hours: float | None

    @property
    def is_control(self) -> bool:
        """Whether the fish were held without having been hooked."""
        return self.group.strip().casefold() == CONTROL


@dataclass(frozen=True, slots=True)
class TrialRate:
    """A group of held fish, the share that died, and the share the hook killed.

    Parameters
    ----------
    fish : HeldGroup
    rate_prop : float or None
        Died over held.
    wilson, exact : tuple of float or None
        Intervals of it.
    corrected : Rate or None
        Without the deaths that the controls show.
    corrected_limits : tuple of float or None
    reason : str
        What is missing, or was assumed.
    """

    fish: HeldGroup
    rate_prop: float | None = None
    wilson: tuple[float | None, float | None] = (None, None)
    exact: tuple[float | None, float | None] = (None, None)
    corrected: Rate | None = None
    corrected_limits: tuple[float | None, float | None] = (None, None)
    reason: str = ""


def trial_rates(groups: Sequence[HeldGroup], *, level: float) -> tuple[TrialRate, ...]:
    """Return the rates of every group, trial by trial, then of all trials together.

    A group is corrected by the controls of its trial, else by all controls together; all trials
    together by all controls.

    Parameters
    ----------
    groups : sequence of HeldGroup
    level : float
        Confidence level.

    Returns
    -------
    tuple of TrialRate
    """
    controls = [one for one in groups if one.is_control]
    every = _together(controls, CONTROL) if controls else None
    rates = []
    for one in groups:
        own = [control for control in controls if control.trial_id == one.trial_id]
        control = _together(own, CONTROL) if own else every
        words = "" if own or one.is_control or not every else _ALL_CONTROLS
        rates.append(group_rate(one, control, level=level, words=words))
    by_name: dict[str, list[HeldGroup]] = defaultdict(list)
    for one in groups:
        by_name[CONTROL if one.is_control else one.group].append(one)
    for name, some in by_name.items():
        whole = _together(some, name)
        words = _HOURS if len({one.hours for one in some}) > 1 else ""
        rates.append(group_rate(whole, every, level=level, words=words))
    return tuple(rates)


def group_rate(
    fish: HeldGroup, control: HeldGroup | None, *, level: float, words: str = ""
) -> TrialRate:
    r"""Return the share of one group that died, with intervals and corrected for handling.

    The corrected rate is ``1 - S/S_c`` for shares alive S and S_c (the formula of
    `handling_corrected`). Its interval is that of a ratio of independent estimates by the method of
    variance estimates recovery from their Wilson limits (`ratio_limits`).

    Parameters
    ----------
    fish : HeldGroup
    control : HeldGroup or None
        Fish held without having been hooked.
    level : float
        Confidence level.
    words : str
        What was assumed, for the reason.

    Returns
    -------
    TrialRate
    """
    reasons = [words] if words else []
    if not fish.held:
        return TrialRate(fish, reason="; ".join([_NO_FISH, *reasons]))
    limits = share_limits(fish.died, fish.held, level=level)
    found = TrialRate(
        fish,
        fish.died / fish.held,
        (limits.wilson_low, limits.wilson_high),
        (limits.exact_low, limits.exact_high),
    )
    if fish.is_control:
        return replace(found, reason="; ".join(reasons))
    if control is None or not control.held:
        return replace(found, reason="; ".join([*reasons, _NO_CONTROL]))
    if control.died == control.held:
        return replace(found, reason="; ".join([*reasons, _CONTROLS_DIED]))
    corrected = handling_corrected(died_rate(fish), died_rate(control))
    of_controls = share_limits(control.died, control.held, level=level)
    ends = ratio_limits(
        (1 - limits.wilson_high, 1 - fish.died / fish.held, 1 - limits.wilson_low),
        (1 - of_controls.wilson_high, 1 - control.died / control.held, 1 - of_controls.wilson_low),
    )
    reasons += [_NEGATIVE] if corrected.rate_prop < 0 else []
    reasons += [_SURE] if fish.died in (0, fish.held) else []
    reasons += [_NO_LIMITS] if ends is None else []
    span = (None, None) if ends is None else (1 - ends[1], 1 - ends[0])
    return replace(found, corrected=corrected, corrected_limits=span, reason="; ".join(reasons))


def died_rate(fish: HeldGroup) -> Rate:
    """Return the share that died with its binomial standard error.

    Where none or all died that error would be 0; it is then the one of ``(died + 1/2)/(held + 1)``
    (common practice, no source).

    Parameters
    ----------
    fish : HeldGroup
        With at least one fish.

    Returns
    -------
    Rate
    """
    share = fish.died / fish.held
    if fish.died in (0, fish.held):
        near = (fish.died + 0.5) / (fish.held + 1)
        return Rate(share, math.sqrt(near * (1 - near) / (fish.held + 1)))
    return Rate(share, math.sqrt(share * (1 - share) / fish.held))


def ratio_limits(
    top: tuple[float, float, float], base: tuple[float, float, float]
) -> tuple[float, float] | None:
    r"""Return the interval of a ratio of two independent estimates from their own intervals.

    With ``(l, p, u)`` of each, the ends are
    ``[p₁p₂ ∓ √((p₁p₂)² - a b (2p₁ - a)(2p₂ - b))] / [b (2p₂ - b)]`` with ``a, b = l₁, u₂`` below
    and ``u₁, l₂`` above (Donner & Zou 2012, Closed-form confidence intervals for functions of the
    normal mean and standard deviation, Stat. Methods Med. Res. 21; from memory).

    Parameters
    ----------
    top, base : tuple of float
        Lower limit, estimate and upper limit of numerator and denominator.

    Returns
    -------
    tuple of float or None
        None where the interval has no bound.
    """
    (low, p, high), (base_low, q, base_high) = top, base
    below, above = base_high * (2 * q - base_high), base_low * (2 * q - base_low)
    if below <= 0 or above <= 0:
        return None
    inner = [
        (p * q) ** 2 - a * b * (2 * p - a) * (2 * q - b)
        for a, b in ((low, base_high), (high, base_low))
    ]
    roots = [math.sqrt(max(one, 0.0)) for one in inner]
    return max((p * q - roots[0]) / below, 0.0), (p * q + roots[1]) / above


def _together(groups: Iterable[HeldGroup], name: str) -> HeldGroup:
    """Return groups as one, of no trial; hours only where they are the same."""
    some = list(groups)
    hours = {one.hours for one in some}
    return HeldGroup(
        None,
        name,
        sum(one.held for one in some),
        sum(one.died for one in some),
        hours.pop() if len(hours) == 1 else None,
    )
