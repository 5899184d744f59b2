"""Encounters by size and mark, as interviews tell them.

Marks are read on some fish and not on others. A part of the catch (kept, legal released, sublegal
released) is split by the marked share of its fish whose mark was read, so that a boat whose marks
nobody read is neither dropped nor taken as unmarked.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.survey.reduce import Analysis, Measure

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Part of the catch: its column, and the column of its marked fish.
PARTS = {
    "kept": "kept_marked",
    "released_legal": "released_legal_marked",
    "released_sublegal": "released_sublegal_marked",
}
_NONE = "no mark was read"
_WORDS = {
    "kept": "kept fish",
    "released_legal": "legal releases",
    "released_sublegal": "sublegal releases",
}
#: Parts behind each class, and whether it is of the marked fish. Kept fish count as legal.
CLASSES: dict[str, tuple[tuple[str, ...], bool]] = {
    "encounter_legal_marked_fish": (("kept", "released_legal"), True),
    "encounter_legal_unmarked_fish": (("kept", "released_legal"), False),
    "encounter_sublegal_marked_fish": (("released_sublegal",), True),
    "encounter_sublegal_unmarked_fish": (("released_sublegal",), False),
}
MARKED_SHARE = "marked_prop"
MARK_QUANTITIES = (*CLASSES, MARKED_SHARE)


def mark_measures() -> dict[str, Measure]:
    """Return fish, fish whose mark was read, and marked fish of every part, by name."""
    measures = []
    for part, marked in PARTS.items():
        read = f"CASE WHEN {marked} IS NULL THEN 0 * {part} ELSE {part} END"
        clipped = f"coalesce({marked}, 0 * {part})"
        measures += [
            Measure(f"{part}_all", part),
            Measure(f"{part}_read", read, (marked,), part),
            # A part that was not recorded leaves its mark unsaid too.
            Measure(f"{part}_marked_read", clipped, (marked,), marked),
        ]
    return {measure.name: measure for measure in measures}


def mark_analysis() -> Analysis:
    """Return the joint analysis of all measures of marks."""
    return Analysis(tuple(mark_measures()))


@dataclass(frozen=True, slots=True, eq=False)
class Marked:
    """One quantity of marks over D domains: value, variance, and of which parts none was read."""

    value: NDArray[np.float64]
    variance: NDArray[np.float64]
    unread: tuple[str, ...]


def marked(quantity: str, total: NDArray[np.float64], cov: NDArray[np.float64]) -> Marked:
    r"""Split encounters by mark.

    For part p with all fish A, fish read C and marked fish read B: ``M = Σ_p A_p B_p/C_p``, and
    ``Σ_p A_p (1 - B_p/C_p)`` for the unmarked; the share is M over ``Σ_p A_p``. The variance is
    linearised, ``g' V g`` with g the gradient at the totals. Where every mark is read, M is the
    plain total of B.

    Parameters
    ----------
    quantity : str
        One of `MARK_QUANTITIES`.
    total : ndarray of float, shape (D, K)
        Totals in the order of `mark_measures`.
    cov : ndarray of float, shape (D, K, K)
        Their (co)variances.

    Returns
    -------
    Marked
        NaN where a part has fish and no mark was read, and for a share of no fish.
    """
    parts, of_marked = CLASSES.get(quantity, (tuple(PARTS), True))
    names = list(mark_measures())
    gradient = np.zeros_like(total)
    value, whole = np.zeros(len(total)), np.zeros(len(total))
    unread: list[list[str]] = [[] for _ in total]
    some_read = np.zeros(len(total), dtype=bool)
    for part in parts:
        place = [names.index(part + ending) for ending in ("_all", "_read", "_marked_read")]
        fish, read, clipped = total[:, place].T
        some_read |= read > 0
        for domain in np.flatnonzero((fish > 0) & (read == 0)):
            unread[domain].append(_WORDS[part])
        share = clipped / np.where(read > 0, read, np.inf)
        by_read = fish / np.where(read > 0, read, np.inf)
        sign = 1 if of_marked else -1
        value += fish * (share if of_marked else 1 - share)
        whole += fish
        gradient[:, place[0]] = share if of_marked else 1 - share
        gradient[:, place[1]] = -sign * share * by_read
        gradient[:, place[2]] = sign * by_read
    if quantity == MARKED_SHARE:
        below = np.where(whole > 0, whole, np.nan)
        value = value / below
        for part in parts:
            gradient[:, names.index(part + "_all")] -= value
        gradient /= below[:, None]
    variance = np.einsum("dk,dkl,dl->d", np.nan_to_num(gradient), cov, np.nan_to_num(gradient))
    words = [
        f"no mark was read among {' and '.join(parts)}" if parts and some else _NONE * bool(parts)
        for parts, some in zip(unread, some_read, strict=True)
    ]
    return Marked(value, np.maximum(variance, 0), tuple(words))
