"""A part split by a share that only some of the fish told."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Split:
    """Fish of a part that have a trait, over D domains.

    Parameters
    ----------
    fish : ndarray of float, shape (D,)
        0 where no fish told.
    gradient : ndarray of float, shape (D, 3)
        By the whole part, the fish that told, and those of them with the trait.
    is_told : ndarray of bool, shape (D,)
        Whether some fish told.
    """

    fish: Floats
    gradient: Floats
    is_told: NDArray[np.bool_]


def split(whole: Floats, told: Floats, with_trait: Floats) -> Split:
    r"""Return the fish with a trait, ``A B/C``, and its gradient.

    Of a part of A fish, C told whether they have the trait and B of those have it; the fish that
    did not tell are taken to be like those that did. The gradient is ``(B/C, -A B/C², A/C)``.

    Parameters
    ----------
    whole, told, with_trait : ndarray of float, shape (D,)
        A, C and B.

    Returns
    -------
    Split
    """
    is_told = told > 0
    below = np.where(is_told, told, np.inf)
    share, by_told = with_trait / below, whole / below
    gradient = np.stack([share, -share * by_told, by_told], axis=1)
    return Split(whole * share, gradient, is_told)
