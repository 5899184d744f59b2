"""Release mortality from where the hook held, and from fish held after capture."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class Rate:
    """A proportion that dies and its standard error, None where it was not given."""

    rate_prop: float
    rate_se: float | None = None


def mixed_rate(
    share: Mapping[str, float],
    rate: Mapping[str, Rate],
    *,
    n_fish: int | None = None,
    renormalise: bool = True,
) -> Rate:
    r"""Weigh the rates of wound sites by how often each is met.

    ``m = Σ p_j m_j`` and ``v(m) = [Σ p_j m_j² - m²]/n + Σ p_j² se(m_j)²``: the multinomial error
    of the mix plus that of the rates (delta method).

    Parameters
    ----------
    share : mapping of str to float
        Proportion of fish by wound site.
    rate : mapping of str to Rate
        Proportion that dies by wound site.
    n_fish : int, optional
        Fish behind the shares; without it no error is given.
    renormalise : bool
        Divide by the sum of the shares, which rounding in print leaves off 1.

    Returns
    -------
    Rate

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
    share: Mapping[str, float], rate: Mapping[str, Rate], *, n_fish: int | None
) -> tuple[float, float] | None:
    r"""Return the two parts of the standard error of a mixed rate.

    Of the mix, ``√([Σ p_j m_j² - m²]/n)``, and of the rates, ``√(Σ p_j² se(m_j)²)``.

    Parameters
    ----------
    share : mapping of str to float
        Proportions that sum to 1.
    rate : mapping of str to Rate
    n_fish : int or None
        Fish behind the shares.

    Returns
    -------
    tuple of float or None
        None without a number of fish, or where a rate has no standard error.
    """
    errors = [rate[site].rate_se for site in share]
    if n_fish is None or None in errors:
        return None
    mixed = sum(share[site] * rate[site].rate_prop for site in share)
    mix = (sum(share[site] * rate[site].rate_prop ** 2 for site in share) - mixed**2) / n_fish
    rates = sum((share[site] * (rate[site].rate_se or 0)) ** 2 for site in share)
    return math.sqrt(max(mix, 0.0)), math.sqrt(rates)


def handling_corrected(observed: Rate, control: Rate) -> Rate:
    r"""Take the deaths that handling alone causes out of an observed rate.

    ``m = (m_obs - m_c)/(1 - m_c)``, for two causes that act independently (Abbott 1925, A method
    of computing the effectiveness of an insecticide, J. Econ. Entomol. 18), with
    ``v(m) = v(m_obs)/(1 - m_c)² + v(m_c) (1 - m_obs)²/(1 - m_c)⁴`` (delta method).

    Parameters
    ----------
    observed, control : Rate
        Deaths of treated and of control fish.

    Returns
    -------
    Rate
        Below 0 where fewer treated than control fish died: the trial then shows no effect.

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
