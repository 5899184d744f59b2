"""Fish of a group by the rate that applies to each, with the slopes of their errors."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.fish.split import split

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.fish.release_deaths import Group

    Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class FishByRate:
    """Fish to which each rate applies, over D domains and the P parts of a plan.

    Parameters
    ----------
    fish : ndarray of float, shape (D, P)
    cov : ndarray of float, shape (D, P, P)
    total : ndarray of float, shape (D, K)
        The totals of the measures that they follow from.
    untold : ndarray of bool, shape (D, G)
        Where a group has fish and nobody told their wounds though the rates ask for them.
    lacking : ndarray of bool, shape (D, G)
        Where a group has fish and no rate applies to them.
    """

    fish: Floats
    cov: Floats
    total: Floats
    untold: NDArray[np.bool_]
    lacking: NDArray[np.bool_]


def fish_of_group(
    group: Group, total: Floats, order: list[str]
) -> tuple[list[Floats], list[Floats], NDArray[np.bool_]]:
    """Return the fish of a group by rate with their gradients, and where they could be split.

    Parameters
    ----------
    group : Group
    total : ndarray of float, shape (D, K)
        Totals of measures over D domains.
    order : list of str
        Names of the K measures.

    Returns
    -------
    fish : list of ndarray of float, shape (D,)
        One for each of the group's rates.
    gradients : list of ndarray of float, shape (D, K)
    is_told : ndarray of bool, shape (D,)
    """
    size = len(order)
    place = order.index(group.measure.name)
    whole, one = total[:, place], np.zeros((len(total), size))
    one[:, place] = 1
    choice = group.choice
    if group.told is None or group.deep is None:
        is_told = np.full(len(total), choice.whole is not None)
        return [whole], [one], is_told
    columns = [place, order.index(group.told.name), order.index(group.deep.name)]
    found = split(*total[:, columns].T)
    slope = np.zeros_like(one)
    slope[:, columns] = found.gradient
    untold = ~found.is_told
    # Where nobody told and there is no rate of any wound, a reason stands in place of the value.
    rest = np.zeros_like(whole) if choice.whole else np.where(untold, whole, 0.0)
    fish = [np.where(untold, rest, whole - found.fish), found.fish]
    slopes = [np.where(untold[:, None], 0.0, one - slope), slope]
    if choice.whole:
        fish.append(np.where(untold, whole, 0.0))
        slopes.append(np.where(untold[:, None], one, 0.0))
    return fish, slopes, found.is_told
