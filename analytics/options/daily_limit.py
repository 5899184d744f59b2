"""What boats keep under a daily limit, when what they would keep is negative binomial."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.arrays import Floats

    Draws = NDArray[np.float32]

#: Nodes of the table, in the log of fish an angler would keep and in log(1 + 1/size).
_LOG_MEAN = np.linspace(np.log(1e-4), np.log(50.0), 449)
_LOG_SIZE = np.linspace(0.0, np.log1p(60.0), 113)
#: Chance of yet more fish, below which the rest of a sum is left out.
_NO_MORE = 1e-12


def kept_of_boat(mean: Floats | float, size: Floats | float, cap: int) -> Floats:
    r"""Return the fish a boat keeps when it may keep `cap`.

    ``E min(P, c) = Σ_{j<c} P(P > j)`` with P negative binomial, ``var = mean + mean²/size``; the
    Poisson where the size is infinite.
    """
    mean, size = np.broadcast_arrays(np.asarray(mean, float), np.asarray(size, float))
    alpha = 1 / size
    x = alpha * mean
    # (1 + αμ)^(-1/α), down to exp(-μ).
    safe = np.where(alpha > 0, alpha, 1.0)
    chance = np.exp(-np.where(alpha > 0, np.log1p(x) / safe, mean))
    more, kept = 1.0 - chance, np.zeros(mean.shape)
    for fish in range(cap):
        kept = kept + np.maximum(more, 0.0)
        if not more.max(initial=0.0) > _NO_MORE:
            break
        chance = chance * mean * (1 + alpha * fish) / ((fish + 1) * (1 + x))
        more = more - chance
    return kept


class KeptPart:
    """Part of the uncapped catch that may be kept, read off a table: many draws at once.

    Parameters
    ----------
    size : ndarray of float, shape (D,)
        Size of the negative binomial of each draw.
    """

    def __init__(self, size: Draws) -> None:
        log_size = np.log1p(1 / np.asarray(size, dtype=np.float64))
        place = np.clip(log_size, 0, _LOG_SIZE[-1]) / _LOG_SIZE[1]
        row = np.minimum(place.astype(np.intp), len(_LOG_SIZE) - 2)
        self._start = row * len(_LOG_MEAN)
        self._up = (place - row).astype(np.float32)

    def part(self, mean: Draws, party: Floats, limit: float) -> Draws:
        """Return kept over uncapped catch.

        Parameters
        ----------
        mean : ndarray of float, shape (..., D)
            Fish an angler would keep.
        party : ndarray of float, shape (P,)

        Returns
        -------
        ndarray of float32, shape (..., D)
            1 where nothing would be kept and something allowed.
        """
        if np.isinf(limit) or limit == 0:
            return np.full(mean.shape, float(limit > 0), dtype=np.float32)
        table = np.zeros((len(_LOG_SIZE), len(_LOG_MEAN)))
        anglers = np.arange(1, len(party) + 1)
        for n, share in zip(anglers, party, strict=True):
            if share > 0:
                table += share * n / float(party @ anglers) * _part_table(int(n), int(limit))
        flat = table.astype(np.float32).ravel()
        found = np.empty(mean.shape, dtype=np.float32)
        # A row of draws at a time: its places and values stay in the cache.
        n_draws = len(self._start)
        for here, out in zip(mean.reshape(-1, n_draws), found.reshape(-1, n_draws), strict=True):
            out[:] = self._read(flat, here)
        return found

    def _read(self, flat: Draws, mean: Draws) -> Draws:
        """Return the table's value at one mean a draw, between its nodes both ways."""
        with np.errstate(divide="ignore"):
            place = np.log(mean)
        place -= np.float32(_LOG_MEAN[0])
        place *= np.float32(1 / (_LOG_MEAN[1] - _LOG_MEAN[0]))
        np.clip(place, 0, len(_LOG_MEAN) - 1.001, out=place)
        left = place.astype(np.intp)
        place -= left.astype(np.float32)
        left += self._start
        below = flat.take(left)
        left += 1
        below += place * (flat.take(left) - below)
        left += len(_LOG_MEAN) - 1
        above = flat.take(left)
        left += 1
        above += place * (flat.take(left) - above)
        above -= below
        above *= self._up
        below += above
        return below


@lru_cache(maxsize=128)
def _part_table(anglers: int, limit: int) -> Floats:
    """Return kept over uncapped catch of boats by anglers, at the nodes."""
    mean = anglers * np.exp(_LOG_MEAN)[None, :]
    with np.errstate(divide="ignore"):
        size = 1 / np.expm1(_LOG_SIZE)[:, None]
    part: Floats = kept_of_boat(mean, size, anglers * limit) / mean
    return part
