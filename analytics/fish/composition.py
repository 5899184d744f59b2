"""Encounters from the fish kept and a composition sample of what is met."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class Expanded:
    """A number of fish and its standard error."""

    fish: float
    se: float


def encounters_from_composition(
    kept: float, kept_cv: float, *, n_kept_class: int, n_sample: int, damped: bool = False
) -> Expanded:
    r"""Expand the fish kept of one class to all encounters.

    ``E = K/p`` with ``p = n_LM/n`` and ``v(E) ≈ E² [cv(K)² + (1 - p)/(n p)]``; damped for small
    samples, ``E = K (n + 1)/(n_LM + 1)``. Conrad & McHugh (2008), Assessment of two methods for
    estimating total Chinook salmon encounters in Puget Sound/Strait of Juan de Fuca mark-selective
    Chinook fisheries (formulas derived).

    Parameters
    ----------
    kept : float
        Fish kept of the class that may be kept, K.
    kept_cv : float
        Its coefficient of variation.
    n_kept_class : int
        Fish of that class in the composition sample, n_LM.
    n_sample : int
        All fish in the composition sample, n.
    damped : bool
        Use the damped form.

    Returns
    -------
    Expanded

    Raises
    ------
    ValueError
        If the class was not met, or the counts contradict each other.
    """
    _require(n_kept_class, n_sample)
    p = n_kept_class / n_sample
    fish = kept * ((n_sample + 1) / (n_kept_class + 1) if damped else 1 / p)
    return Expanded(fish, fish * math.sqrt(kept_cv**2 + (1 - p) / (n_sample * p)))


def classes_from_composition(
    kept: float, kept_cv: float, *, n_kept_class: int, n_by_class: Mapping[str, int]
) -> dict[str, Expanded]:
    r"""Expand the fish kept of one class to each other class.

    ``E_j = K n_j/n_LM`` and ``v(E_j) ≈ E_j² [cv(K)² + 1/n_j + 1/n_LM]``; source as in
    `encounters_from_composition`.

    Parameters
    ----------
    kept, kept_cv, n_kept_class
        As in `encounters_from_composition`.
    n_by_class : mapping of str to int
        Fish of each other class in the sample; a class that was not met gives 0 with no error.

    Returns
    -------
    dict of str to Expanded
        `se` is NaN for a class that was not met.

    Raises
    ------
    ValueError
        If the class that may be kept was not met.
    """
    _require(n_kept_class, n_kept_class + sum(n_by_class.values()))
    expanded = {}
    for name, n in n_by_class.items():
        fish = kept * n / n_kept_class
        cv2 = kept_cv**2 + 1 / n + 1 / n_kept_class if n else math.nan
        expanded[name] = Expanded(fish, fish * math.sqrt(cv2))
    return expanded


def _require(n_kept_class: int, n_sample: int) -> None:
    if not 0 < n_kept_class <= n_sample:
        raise ValueError(
            f"{n_kept_class} of {n_sample} sampled fish are of the class that may be kept; at "
            "least one and at most all of them are needed: pool weeks or areas"
        )
