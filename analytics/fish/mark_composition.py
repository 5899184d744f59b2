"""Encounters by size and mark, as interviews report them.

Marks are read on some fish and not on others. A part of the catch (kept, legal released, sublegal
released) is split by the marked share of its fish whose mark was read, so that a boat whose marks
nobody read is neither dropped nor taken as unmarked. Where no mark of a part was read, the part may
borrow its share from a wider domain (`analytics.fish.mark_composition`), never from another part.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from analytics.codes import coded, join_codes
from analytics.propagation import apportion
from analytics.survey.reduction import UNKNOWN_SIZE, Analysis, Measure

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.arrays import Bools, Floats, Ints


# Marked shares that domains borrow where a part of the catch had fish and no mark was read.

#: Places of a part's measures in the order of `analytics.fish.mark_composition.mark_measures`.
FISH, READ, CLIPPED = 0, 1, 2


@dataclass(frozen=True, slots=True, eq=False)
class DonorDomain:
    """Totals of K measures of marks over W wider domains, and which of them each of D lies in.

    - `total` (W, K), `cov` (W, K, K).
    - `place` (D,): the wider domain of each; -1 for none.
    - `words`: code of what the wider domain is called.
    - `part`: the one part that may borrow here; by default each part does from its own.
    - `of_part`: the part whose share it borrows, where that is another.
    """

    total: Floats
    cov: Floats
    place: Ints
    words: str
    part: int | None = None
    of_part: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class BorrowedShares:
    """Marked shares of P parts over D domains.

    - `share`, `variance` (D, P): NaN where a domain needs none, or none is to be had.
    - `source` (D, P): shares of one source are one number with one error; -1 where none is
      borrowed.
    - `words` (D, P): codes of what was borrowed from where; empty where nothing was.
    """

    share: Floats
    variance: Floats
    source: Ints
    words: tuple[tuple[str, ...], ...]

    def said(self, parts: Sequence[int]) -> tuple[str, ...]:
        """Return what each domain borrowed for some parts, as codes."""
        return tuple(join_codes(row[part] for part in parts) for row in self.words)


def borrow_shares(
    total: Floats, wider: Sequence[DonorDomain], *, parts: Sequence[str]
) -> BorrowedShares:
    """Return the shares that domains borrow from wider ones, the nearest first.

    The share is ``B/C``, marked fish over fish read, with the linearised variance
    ``(v_B + s² v_C - 2 s c_BC)/C²``.

    `total` (D, K): fish, fish read and marked fish of each of P parts, then any other measure;
    `parts`: what the fish of each part are called.
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
            has_share = (at >= 0) & (one.total[at, there[READ]] > 0)
            mine, at = open_places[has_share], at[has_share]
            found, variance_of_share = _share(one.total[:, there], one.cov[:, there][:, :, there])
            share[mine, part], variance[mine, part] = found[at], variance_of_share[at]
            source[mine, part] = first + at
            for place in mine:
                words[place][part] = coded("marked_share_from", part=name, donor=one.words)
            open_places = open_places[~has_share]
            first += len(one.total)
    return BorrowedShares(share, variance, source, tuple(map(tuple, words)))


def parts_unread(total: Floats, n_parts: int) -> Bools:
    """Return where a part had fish and no mark of one was read, shape (D, P)."""
    by_part = total[:, : 3 * n_parts].reshape(len(total), n_parts, 3)
    found: Bools = (by_part[:, :, FISH] > 0) & (by_part[:, :, READ] == 0)
    return found


def nothing_borrowed(size: int, parts: int) -> BorrowedShares:
    """Return the shares of domains that borrow none."""
    none = np.full((size, parts), np.nan)
    return BorrowedShares(none, none, np.full(none.shape, -1), (("",) * parts,) * size)


def _share(total: Floats, cov: Floats) -> tuple[Floats, Floats]:
    """Return B/C and its variance, NaN where nothing was read."""
    read = np.where(total[:, READ] > 0, total[:, READ], np.nan)
    share = total[:, CLIPPED] / read
    variance_of_share = (
        cov[:, CLIPPED, CLIPPED] + share**2 * cov[:, READ, READ] - 2 * share * cov[:, CLIPPED, READ]
    )
    return share, np.maximum(variance_of_share, 0) / read**2


#: Part of the catch: its column, and the column of its marked fish.
PARTS = {
    "kept": "kept_marked",
    "released_legal": "released_legal_marked",
    "released_sublegal": "released_sublegal_marked",
}
#: Place of releases of unknown size in the order of `mark_measures`.
UNKNOWN = 3 * len(PARTS)
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
    """Return fish, fish whose mark was read, and marked fish of every part, by name.

    Releases of unknown size, which are in no class, come last.
    """
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
    measures.append(
        Measure("released_unknown_all", UNKNOWN_SIZE, ("released_unknown",), "released_unknown")
    )
    return {measure.name: measure for measure in measures}


def mark_analysis() -> Analysis:
    """Return the joint analysis of all measures of marks."""
    return Analysis(tuple(mark_measures()))


def marks_with_effort() -> Analysis:
    """Return the joint analysis of all measures of marks, then of trips and hours of anglers."""
    return Analysis((*mark_measures(), "angler_trips", "angler_hours"))


@dataclass(frozen=True, slots=True, eq=False)
class Marked:
    """One quantity of marks over D domains: `value` and `variance` (D,).

    - `unread` (length D): code of which parts no mark was read and none borrowed; empty where there
      is a value.
    - `gradient` (D, K): slope of the value in the totals, borrowed shares taken as known.
    """

    value: Floats
    variance: Floats
    unread: tuple[str, ...]
    gradient: Floats


def marked(
    quantity: str, total: Floats, cov: Floats, *, borrowed: BorrowedShares | None = None
) -> Marked:
    """Split encounters by mark: one of `MARK_QUANTITIES`.

    For part p with all fish A, fish read C and marked fish read B: ``M = Σ_p A_p B_p/C_p``, and
    ``Σ_p A_p (1 - B_p/C_p)`` for the unmarked; the share is M over ``Σ_p A_p``. The variance is
    linearised, ``g' V g`` with g the gradient at the totals. Where every mark is read, M is the
    plain total of B. A borrowed share s stands for B/C and adds ``A² v(s)``; its covariance with A
    is left out.

    `total` (D, K), `cov` (D, K, K): totals in the order of `mark_measures`. NaN for a share of no
    fish; without meaning where `unread` says why.
    """
    parts, of_marked = CLASSES.get(quantity, (tuple(PARTS), True))
    borrowed = borrowed or nothing_borrowed(len(total), len(PARTS))
    gradient = np.zeros_like(total)
    value, all_fish, extra = (np.zeros(len(total)) for _ in range(3))
    splits = {part: _split(part, total, borrowed) for part in parts}
    for one in splits.values():
        share, sign = (one.share, 1) if of_marked else (1 - one.share, -1)
        value += one.fish * share
        all_fish += one.fish
        extra += one.borrowed_variance
        gradient[:, one.columns[0]] = share
        gradient[:, one.columns[1]] = -sign * one.share * one.per_read
        gradient[:, one.columns[2]] = sign * one.per_read
    if quantity == MARKED_SHARE:
        below = np.where(all_fish > 0, all_fish, np.nan)
        value, extra = value / below, extra / below**2
        for one in splits.values():
            gradient[:, one.columns[0]] -= value
        gradient /= below[:, None]
    gradient, extra = np.nan_to_num(gradient), np.nan_to_num(extra)
    variance = np.einsum("dk,dkl,dl->d", gradient, cov, gradient) + extra
    return Marked(value, np.maximum(variance, 0), _unread(splits), gradient)


class _Split(NamedTuple):
    """How one part of the catch is split by mark in D domains."""

    columns: list[int]
    fish: Floats
    share: Floats
    per_read: Floats
    borrowed_variance: Floats
    is_known: Bools
    is_lacking: Bools


def _split(part: str, total: Floats, borrowed: BorrowedShares) -> _Split:
    names, row = list(mark_measures()), list(PARTS).index(part)
    columns = [names.index(part + ending) for ending in ("_all", "_read", "_marked_read")]
    fish, read, clipped = total[:, columns].T
    unread = (fish > 0) & (read == 0)
    is_borrowed = unread & ~np.isnan(borrowed.share[:, row])
    share, _, per_read = apportion(fish, read, clipped)[1].T
    return _Split(
        columns,
        fish,
        np.where(is_borrowed, borrowed.share[:, row], share),
        per_read,
        np.where(is_borrowed, fish**2 * borrowed.variance[:, row], 0.0),
        (read > 0) | is_borrowed,
        unread & ~is_borrowed,
    )


def _unread(splits: Mapping[str, _Split]) -> tuple[str, ...]:
    """Say of which parts of each domain no mark is known."""
    some_known = np.any([one.is_known for one in splits.values()], axis=0)
    words = [""] * len(some_known)
    for domain in np.flatnonzero(np.any([one.is_lacking for one in splits.values()], axis=0)):
        lacking = [part for part, one in splits.items() if one.is_lacking[domain]]
        among = coded("no_mark_read_among", parts=lacking)
        words[domain] = among if some_known[domain] else coded("no_mark_read")
    return tuple(words)
