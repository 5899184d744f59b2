"""Fish held after capture: the share that died, and what of it the handling alone would explain."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from analytics.codes import coded, join_codes
from analytics.fish.composition_sample import trip_effect
from analytics.models.holding_survival import (
    HookingMortality,
    ShareLimits,
    hooking_mortality,
    kaplan_meier,
    share_limits,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from analytics.arrays import Bools, Floats, Ints


# Release mortality from where the hook held, and from fish held after capture.


@dataclass(frozen=True, slots=True)
class Rate:
    """A proportion that dies and its standard error, None where it was not given."""

    rate_prop: float
    rate_se: float | None = None


def mixed_rate(
    share: Mapping[str, float],
    rate: Mapping[str, Rate],
    *,
    n_fish: float | None = None,
    renormalise: bool = True,
) -> Rate:
    """Weigh the rates of wound sites by how often each is met.

    ``m = Σ p_j m_j`` and ``v(m) = [Σ p_j m_j² - m²]/n + Σ p_j² se(m_j)²``: the multinomial error
    of the mix plus that of the rates (delta method).

    `share`: proportion of fish by wound site; `rate`: proportion that dies; `n_fish`: fish behind
    the shares, without it no error is given; `renormalise`: divide by the sum of the shares, which
    rounding in print leaves off 1.

    Raises
    ------
    ValueError
        If a wound site has no rate, or the shares do not sum to 1 within 2 %.
    """
    lacking = sorted(set(share) - set(rate))
    if lacking:
        raise ValueError(f"no rate for wound sites {lacking}; give one for each of {sorted(share)}")
    whole = sum(share.values())
    if not math.isclose(whole, 1, abs_tol=0.02):
        raise ValueError(f"the shares sum to {whole:.3f}; they must sum to 1 (proportions, not %)")
    p = {site: value / whole if renormalise else value for site, value in share.items()}
    mixed = sum(p[site] * rate[site].rate_prop for site in p)
    errors = mix_errors(p, rate, n_fish=n_fish)
    return Rate(mixed, None if errors is None else math.hypot(*errors))


def mix_errors(
    share: Mapping[str, float], rate: Mapping[str, Rate], *, n_fish: float | None
) -> tuple[float, float] | None:
    """Return the two parts of the standard error of a mixed rate, for shares that sum to 1.

    Of the mix, ``√([Σ p_j m_j² - m²]/n)``, and of the rates, ``√(Σ p_j² se(m_j)²)``. None without a
    number of fish, or where a rate has no standard error.
    """
    errors = [rate[site].rate_se for site in share]
    if n_fish is None or None in errors:
        return None
    mixed = sum(share[site] * rate[site].rate_prop for site in share)
    mix = (sum(share[site] * rate[site].rate_prop ** 2 for site in share) - mixed**2) / n_fish
    rates = sum((share[site] * (rate[site].rate_se or 0)) ** 2 for site in share)
    return math.sqrt(max(mix, 0.0)), math.sqrt(rates)


def mix_effect(clusters: Sequence[Hashable], rate: Floats) -> float:
    """Return by what the likeness of fish of one cluster multiplies the variance of a mixed rate.

    ``T/(T-1) Σ_t (Σ_i y_i - m)² / Σ_i (y_i - m)²`` with y the rate of each fish's wound site, m
    their mean and T clusters: the variance of a ratio over clusters over that of single fish (Kish
    1965, Survey sampling; from memory). NaN for one cluster, or where all rates are one.

    `clusters`, `rate` (n,): of each fish.
    """
    places: dict[Hashable, int] = {}
    code = np.array([places.setdefault(one, len(places)) for one in clusters], dtype=np.int64)
    apart = rate - rate.mean()
    alone = float((apart**2).sum())
    if len(places) < 2 or not alone > 0:
        return math.nan
    together = np.bincount(code, weights=apart)
    return len(places) / (len(places) - 1) * float((together**2).sum()) / alone


def handling_corrected(observed: Rate, control: Rate) -> Rate:
    """Take the deaths that handling alone causes out of an observed rate.

    ``m = (m_obs - m_c)/(1 - m_c)``, for two causes that act independently (Abbott 1925, A method of
    computing the effectiveness of an insecticide, J. Econ. Entomol. 18), with ``v(m) = v(m_obs)/(1
    - m_c)² + v(m_c) (1 - m_obs)²/(1 - m_c)⁴`` (delta method). Below 0 where fewer treated than
    control fish died: the trial then shows no effect.

    Raises
    ------
    ValueError
        If a rate is not a proportion, or every control fish died.
    """
    if not (0 <= observed.rate_prop <= 1 and 0 <= control.rate_prop < 1):
        raise ValueError(
            f"observed {observed.rate_prop} and control {control.rate_prop} deaths: "
            "rates are proportions from 0 to 1, and some control fish must survive"
        )
    alive = 1 - control.rate_prop
    corrected = (observed.rate_prop - control.rate_prop) / alive
    if observed.rate_se is None or control.rate_se is None:
        return Rate(corrected)
    from_observed = observed.rate_se / alive
    from_control = control.rate_se * (1 - observed.rate_prop) / alive**2
    return Rate(corrected, math.hypot(from_observed, from_control))


_Key = TypeVar("_Key")

CONTROL = "control"


def plain_group(words: str) -> str:
    """Return where a hook held, or that fish were controls, so that writings of one are one."""
    return re.sub(r"[\s_-]+", "_", words.strip().casefold())


@dataclass(frozen=True, slots=True)
class HeldGroup:
    """Fish of one group of a trial, or of all trials (trial_id None).

    Of the fish that did not die, `n_out` were taken out alive before the end of the trial. `seen`:
    of each fish the hours until it died, or was last seen alive, and whether it died; empty where
    that is not known. `effect`: by what the likeness of fish of one trip multiplies variances.
    """

    trial_id: str | None
    group: str
    held: int
    died: int
    hours: float | None
    n_out: int = 0
    seen: tuple[tuple[float, bool], ...] = ()
    effect: float = 1.0

    @property
    def is_control(self) -> bool:
        """Whether the fish were held without having been hooked."""
        return plain_group(self.group) == CONTROL


@dataclass(frozen=True, slots=True)
class TrialRate:
    """A group of held fish, the share that died, and the share the hook killed.

    - `rate_prop`: died over held, by `died_rate`; `wilson`, `exact`: intervals of it.
    - `corrected`: without the deaths that the controls show; `corrected_limits`: its interval.
    - `reason`: codes of what is missing, or was assumed.
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

    Groups of one trial whose names differ in writing only are one (`plain_group`). A group is
    corrected by the controls of its trial, else by all controls together; all trials together by
    all controls.
    """
    named = _by(groups, lambda one: (one.trial_id, plain_group(one.group)))
    some = [_together(alike, name, trial) for (trial, name), alike in named.items()]
    controls = {one.trial_id: one for one in some if one.is_control and one.held}
    every = _together(controls.values(), CONTROL) if controls else None
    rates = []
    for one in some:
        own = controls.get(one.trial_id)
        words = "" if own or one.is_control or not every else coded("all_controls")
        rates.append(group_rate(one, own or every, level=level, words=words))
    for name, alike in _by(some, lambda one: one.group).items():
        notes = [coded("different_hours")] if len({one.hours for one in alike}) > 1 else []
        notes += (
            [coded("uneven_controls")]
            if name != CONTROL and every and _uneven(alike, controls)
            else []
        )
        whole = _together(alike, name)
        rates.append(group_rate(whole, every, level=level, words=join_codes(notes)))
    return tuple(rates)


def _uneven(groups: Sequence[HeldGroup], controls: Mapping[str | None, HeldGroup]) -> bool:
    """Return whether trials have unlike numbers of controls for a fish held."""
    held = {one.trial_id: one.held for one in groups if one.held}
    if held.keys() != controls.keys():
        return bool(held)
    return len({Fraction(controls[trial].held, n) for trial, n in held.items()}) > 1


def group_rate(
    fish: HeldGroup, control: HeldGroup | None, *, level: float, words: str = ""
) -> TrialRate:
    """Return the share of one group that died, with intervals and corrected for handling.

    The corrected rate is ``1 - S/S_c`` for shares alive S and S_c (the formula of
    `handling_corrected`). Its interval is that of a ratio of independent estimates by the method of
    variance estimates recovery from their Wilson limits (`ratio_limits`), cut at 0: no hook brings
    fish back. `words`: code of what was assumed.
    """
    reasons = [words] if words else []
    if fish.n_out:
        reasons.append(coded("taken_out_alive", n=fish.n_out))
    if fish.effect > 1:
        reasons.append(coded("held_fish_alike", effect=f"{fish.effect:.2f}"))
    if not fish.held:
        return TrialRate(fish, reason=join_codes([coded("no_fish_held"), *reasons]))
    died, limits = died_rate(fish).rate_prop, _limits(fish, level)
    found = TrialRate(
        fish,
        died,
        (limits.wilson_low, limits.wilson_high),
        (limits.exact_low, limits.exact_high),
    )
    if fish.is_control:
        return replace(found, reason=join_codes(reasons))
    if control is None or not control.held:
        return replace(found, reason=join_codes([*reasons, coded("no_control")]))
    if died_rate(control).rate_prop == 1:
        return replace(found, reason=join_codes([*reasons, coded("controls_died")]))
    corrected = handling_corrected(died_rate(fish), died_rate(control))
    of_controls, of_control = _limits(control, level), died_rate(control).rate_prop
    ends = ratio_limits(
        (1 - limits.wilson_high, 1 - died, 1 - limits.wilson_low),
        (1 - of_controls.wilson_high, 1 - of_control, 1 - of_controls.wilson_low),
    )
    reasons += [coded("below_control")] if corrected.rate_prop < 0 else []
    reasons += [coded("cut_at_zero")] if ends is not None and ends[1] > 1 else []
    reasons += [coded("none_or_all_died")] if fish.died in (0, fish.held) else []
    reasons += [coded("few_controls_lived")] if ends is None else []
    span = (None, None) if ends is None else (max(1 - ends[1], 0.0), max(1 - ends[0], 0.0))
    return replace(found, corrected=corrected, corrected_limits=span, reason=join_codes(reasons))


def died_rate(fish: HeldGroup) -> Rate:
    """Return the share of one fish or more that died with its binomial standard error.

    Where none or all died that error would be 0; it is then the one of ``(died + 1/2)/(held + 1)``
    (common practice, no source). Where fish were taken out alive before the end it is ``1 - S``
    with Kaplan and Meier's share S alive at the end of watching (`kaplan_meier`), and Greenwood's
    error. Fish of one trip count as their number over their design effect.
    """
    if fish.n_out and len(fish.seen) == fish.held:
        hours, died = np.array(fish.seen, dtype=np.float64).T
        curve = kaplan_meier(hours, died > 0, level=0.95)
        alive, relative_se = float(curve.alive_prop[-1]), float(curve.relative_se[-1])
        if 0 < alive < 1:
            return Rate(1 - alive, alive * relative_se * math.sqrt(fish.effect))
        to_end = replace(fish, held=fish.held - fish.n_out, n_out=0)
        return Rate(1 - alive, died_rate(to_end).rate_se) if to_end.held else Rate(1 - alive, 0.5)
    share, n = fish.died / fish.held, fish.held / fish.effect
    if fish.died in (0, fish.held):
        near = (share * n + 0.5) / (n + 1)
        return Rate(share, math.sqrt(near * (1 - near) / (n + 1)))
    return Rate(share, math.sqrt(share * (1 - share) / n))


def _limits(fish: HeldGroup, level: float) -> ShareLimits:
    """Return intervals of a share that died; with fish out early, of as many as its error is worth.

    ``n = p (1 - p)/se²``, never more than were held (after Dorey & Korn 1987, Effective sample
    sizes for confidence intervals for survival probabilities, Stat. Med. 6; from memory); where
    none or all died, the fish that were watched to their end.
    """
    if not (fish.n_out and len(fish.seen) == fish.held):
        return share_limits(fish.died / fish.effect, fish.held / fish.effect, level=level)
    rate = died_rate(fish)
    p, se, to_end = rate.rate_prop, rate.rate_se or 0.0, max(fish.held - fish.n_out, 1)
    n = min(p * (1 - p) / se**2, fish.held / fish.effect) if 0 < p < 1 else to_end / fish.effect
    return share_limits(p * n, n, level=level)


def ratio_limits(
    top: tuple[float, float, float], base: tuple[float, float, float]
) -> tuple[float, float] | None:
    """Return the interval of a ratio of two independent estimates from their own intervals.

    With ``(l, p, u)`` of each, the ends are
    ``[p₁p₂ ∓ √((p₁p₂)² - a b (2p₁ - a)(2p₂ - b))] / [b (2p₂ - b)]`` with ``a, b = l₁, u₂`` below
    and ``u₁, l₂`` above (Donner & Zou 2012, Closed-form confidence intervals for functions of the
    normal mean and standard deviation, Stat. Methods Med. Res. 21; from memory). None where the
    interval has no bound.
    """
    (low, p, high), (base_low, q, base_high) = top, base
    below, above = base_high * (2 * q - base_high), base_low * (2 * q - base_low)
    if below <= 0 or above <= 0:
        return None
    pairs = ((low, base_high), (high, base_low))
    inner = [(p * q) ** 2 - a * b * (2 * p - a) * (2 * q - b) for a, b in pairs]
    roots = [math.sqrt(max(one, 0.0)) for one in inner]
    return max((p * q - roots[0]) / below, 0.0), (p * q + roots[1]) / above


def _together(groups: Iterable[HeldGroup], name: str, trial_id: str | None = None) -> HeldGroup:
    """Return groups as one; hours only where they are the same."""
    some = list(groups)
    hours = {one.hours for one in some}
    return HeldGroup(
        trial_id,
        name,
        sum(one.held for one in some),
        sum(one.died for one in some),
        hours.pop() if len(hours) == 1 else None,
        sum(one.n_out for one in some),
        tuple(seen for one in some for seen in one.seen),
        max((one.effect for one in some), default=1.0),
    )


def _codes(keys: Iterable[Hashable]) -> Ints:
    places: dict[Hashable, int] = {}
    return np.array([places.setdefault(one, len(places)) for one in keys], dtype=np.int64)


def _by(
    groups: Iterable[HeldGroup], key: Callable[[HeldGroup], _Key]
) -> dict[_Key, list[HeldGroup]]:
    found: dict[_Key, list[HeldGroup]] = defaultdict(list)
    for one in groups:
        found[key(one)].append(one)
    return found


# Fish held one by one, read from a file: who died, when, and what that says.

#: Trial of the fish of which none is named.
ONE_TRIAL = "1"


@dataclass(frozen=True, slots=True, eq=False)
class HeldFish:
    """Held fish one by one, arrays of shape (n,); `length_mm` is NaN where it was not measured.

    `hours`: until death, or until last seen alive. `trip`: on which it was caught, None where that
    is not known; no trips by default.
    """

    trial_id: NDArray[np.object_]
    group: NDArray[np.object_]
    length_mm: Floats
    hours: Floats
    died: Bools
    trip: NDArray[np.object_] | None = None

    @property
    def trip_code(self) -> Ints | None:
        """The trip of each fish as a number, its own where it names none; None where none does."""
        if self.trip is None or all(one is None for one in self.trip.tolist()):
            return None
        return _codes((at,) if one is None else one for at, one in enumerate(self.trip.tolist()))

    @property
    def effect(self) -> float:
        """The design effect of trips within groups of trials, at least 1 (`trip_effect`)."""
        if self.trip_code is None:
            return 1.0
        of_group = _codes(zip(self.trial_id.tolist(), self.group.tolist(), strict=True))
        pairs, at = np.unique([of_group, self.trip_code], axis=1, return_inverse=True)
        of_trips = np.zeros((pairs.shape[1], 2))
        np.add.at(of_trips, (at.ravel(), self.died.astype(int)), 1.0)
        found = trip_effect(of_trips, pairs[0])
        return 1.0 if math.isnan(found) else max(found, 1.0)

    @property
    def ends(self) -> Floats:
        """The end of each fish's trial: the longest hours of its survivors, else of all fish."""
        ends: dict[str, float] = {}
        for trial in set(self.trial_id.tolist()):
            mine = self.trial_id == trial
            alive = mine & ~self.died
            ends[trial] = float(self.hours[alive if alive.any() else mine].max())
        return np.array([ends[one] for one in self.trial_id.tolist()], dtype=np.float64)

    @property
    def is_out(self) -> Bools:
        """Which fish were seen alive for the last time before the end of their trial."""
        return ~self.died & (self.hours < self.ends)

    def groups(self) -> list[HeldGroup]:
        """Return the counts of every group of every trial; its hours are the longest of them."""
        places: dict[tuple[str, str], list[int]] = {}
        for at, key in enumerate(zip(self.trial_id.tolist(), self.group.tolist(), strict=True)):
            places.setdefault(key, []).append(at)
        longest = {trial: float(self.hours[self.trial_id == trial].max()) for trial, _ in places}
        out, effect = self.is_out, self.effect
        return [
            HeldGroup(
                trial,
                group,
                len(at),
                int(self.died[at].sum()),
                longest[trial],
                int(out[at].sum()),
                tuple(zip(self.hours[at].tolist(), self.died[at].tolist(), strict=True)),
                effect,
            )
            for (trial, group), at in sorted(places.items(), key=lambda pair: pair[0])
        ]

    def model(self, *, level: float) -> HookingMortality:
        """Return the logistic model of death, by the end of the trial, by group and length.

        Controls were not hooked and are left out, as are fish seen alive for the last time before
        the end of their trial: nobody knows what became of them. A fish that died after the last
        survivor was seen counts as alive, as the survivors do that nobody watched so long.
        """
        is_control = np.array([plain_group(one) == CONTROL for one in self.group.tolist()])
        is_late = self.died & (self.hours > self.ends)
        used = ~is_control & ~self.is_out
        found = hooking_mortality(
            (self.died & ~is_late)[used],
            self.group[used].tolist(),
            self.length_mm[used],
            trip=None if self.trip_code is None else self.trip_code[used],
            level=level,
        )
        several = {"taken_out_early": self.is_out, "died_after_last": is_late}
        many = {code: int((fish & ~is_control).sum()) for code, fish in several.items()}
        return replace(found, notes=(*found.notes, *(coded(a, n=n) for a, n in many.items() if n)))
