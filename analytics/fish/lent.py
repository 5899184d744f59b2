"""Marked shares lent to domains in which a part of the catch had fish and no mark was read.

A part (kept, legal released, sublegal released) borrows from the same part: where the area is
mark-selective, kept fish tell nothing of the released ones. The first wider domain in which a mark
of that part was read lends its share. Where unmarked fish may be kept as well, kept fish may lend
to legal releases in the end.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]

#: Places of a part's measures in the order of `analytics.fish.marks.mark_measures`.
FISH, READ, CLIPPED = 0, 1, 2


@dataclass(frozen=True, slots=True, eq=False)
class Wider:
    """Totals of K measures of marks over W wider domains, and which of them each of D lies in.

    Parameters
    ----------
    total : ndarray of float, shape (W, K)
    cov : ndarray of float, shape (W, K, K)
    place : ndarray of int, shape (D,)
        The wider domain of each; -1 for none.
    words : str
        What the wider domain is called.
    part : int, optional
        The one part that may borrow here; by default each part does from its own.
    of_part : int, optional
        The part whose share is lent to it, where that is another.
    """

    total: Floats
    cov: Floats
    place: Ints
    words: str
    part: int | None = None
    of_part: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Lent:
    """Marked shares of P parts over D domains.

    Parameters
    ----------
    share, variance : ndarray of float, shape (D, P)
        NaN where a domain needs none, or none is to be had.
    source : ndarray of int, shape (D, P)
        Shares of one source are one number with one error; -1 where none is lent.
    words : tuple of tuple of str, shape (D, P)
        What was borrowed from where; empty where nothing was.
    """

    share: Floats
    variance: Floats
    source: Ints
    words: tuple[tuple[str, ...], ...]

    def said(self, parts: Sequence[int]) -> tuple[str, ...]:
        """Return what each domain borrowed for some parts, in words."""
        return tuple(", ".join(filter(None, (row[part] for part in parts))) for row in self.words)


def lend(total: Floats, wider: Sequence[Wider], *, parts: Sequence[str]) -> Lent:
    r"""Return the shares that domains borrow.

    The share is ``B/C``, marked fish over fish read, with the linearised variance
    ``(v_B + s² v_C - 2 s c_BC)/C²``.

    Parameters
    ----------
    total : ndarray of float, shape (D, K)
        Fish, fish read and marked fish of each of P parts, then any other measure.
    wider : sequence of Wider
        From the nearest to the widest.
    parts : sequence of str
        What the fish of each part are called.

    Returns
    -------
    Lent
    """
    size = len(total)
    share = np.full((size, len(parts)), np.nan)
    variance, source = share.copy(), np.full(share.shape, -1)
    words = [[""] * len(parts) for _ in range(size)]
    unread = parts_unread(total, len(parts))
    for part, name in enumerate(parts):
        columns = 3 * part + np.array([FISH, READ, CLIPPED])
        open_places = np.flatnonzero(unread[:, part])
        first = 0
        for one in wider:
            if one.part not in (None, part):
                continue
            at = one.place[open_places]
            there = columns if one.of_part is None else columns + 3 * (one.of_part - part)
            lends = (at >= 0) & (one.total[at, there[READ]] > 0)
            mine, at = open_places[lends], at[lends]
            found, spread = _share(one.total[:, there], one.cov[:, there][:, :, there])
            share[mine, part], variance[mine, part] = found[at], spread[at]
            source[mine, part] = first + at
            for place in mine:
                words[place][part] = f"marked share of {name} from {one.words}"
            open_places = open_places[~lends]
            first += len(one.total)
    return Lent(share, variance, source, tuple(map(tuple, words)))


def parts_unread(total: Floats, n_parts: int) -> Bools:
    """Return where a part had fish and no mark of one was read, shape (D, P)."""
    by_part = total[:, : 3 * n_parts].reshape(len(total), n_parts, 3)
    found: Bools = (by_part[:, :, FISH] > 0) & (by_part[:, :, READ] == 0)
    return found


def nothing_lent(size: int, parts: int) -> Lent:
    """Return what is lent where nothing is."""
    none = np.full((size, parts), np.nan)
    return Lent(none, none, np.full(none.shape, -1), (("",) * parts,) * size)


def _share(total: Floats, cov: Floats) -> tuple[Floats, Floats]:
    """Return B/C and its variance, NaN where nothing was read."""
    read = np.where(total[:, READ] > 0, total[:, READ], np.nan)
    share = total[:, CLIPPED] / read
    spread = (
        cov[:, CLIPPED, CLIPPED] + share**2 * cov[:, READ, READ] - 2 * share * cov[:, CLIPPED, READ]
    )
    return share, np.maximum(spread, 0) / read**2
