"""Which of the user's rates a kind of fish dies at, and what to say where there is none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

RELEASED, LOST, KEPT_FATE = "released", "lost", "kept"
SIZES = ("legal", "sublegal", "unknown")
ANY = "any"
_SIZE_WORDS = {
    "legal": "legal fish",
    "sublegal": "sublegal fish",
    "unknown": "fish of unknown size",
}


@dataclass(frozen=True, slots=True)
class GivenRate:
    """One row of ``release_rates`` or ``drop_off``.

    Parameters
    ----------
    fate : str
        ``released`` or ``lost``.
    size_class, method, wound_class : str
        Its key; ``any`` for a drop-off rate's size and wound.
    rate_prop : float
    rate_se : float or None
    source : str
    """

    fate: str
    size_class: str
    method: str
    wound_class: str
    rate_prop: float
    rate_se: float | None
    source: str

    @property
    def key(self) -> tuple[str, str, str]:
        """Size class, fishing method and wound class."""
        return self.size_class, self.method, self.wound_class


@dataclass(frozen=True, slots=True)
class Choice:
    """The rates of one kind of fish.

    Parameters
    ----------
    shallow, deep : GivenRate or None
        Both, or neither.
    whole : GivenRate or None
        The rate of any wound: of all fish without the pair, else where nobody told the wound.
    lacking : str
        What else is to be said where there is no rate at all.
    """

    shallow: GivenRate | None = None
    deep: GivenRate | None = None
    whole: GivenRate | None = None
    lacking: str = ""

    @property
    def is_split(self) -> bool:
        """Whether the fish are split by wound."""
        return self.deep is not None

    @property
    def given(self) -> tuple[GivenRate, ...]:
        """The rates there are: shallow, deep, any wound."""
        return tuple(one for one in (self.shallow, self.deep, self.whole) if one is not None)


class ReleaseRates:
    """The release rates by key, asked for one kind of fish at a time.

    Parameters
    ----------
    rows : sequence of dict
        Of ``release_rates``.
    first : sequence of dict
        Rows that come before them for every fish that they name, however broadly.
    """

    def __init__(
        self, rows: Sequence[dict[str, Any]], first: Sequence[dict[str, Any]] = ()
    ) -> None:
        self.by_key = {one.key: one for one in map(_given, rows)}
        self._first = {one.key: one for one in map(_given, first)}

    def choose(self, size: str, method: str | None) -> Choice:
        """Return the rates that apply to releases of a size class by a fishing method.

        The own size class comes before ``any``, then the own method before ``any``, for each wound
        class on its own; fish are split by wound where shallow and deep hooks both have a rate and
        no rate of any wound is more their own than either. Fish of unknown size take ``any`` size,
        else the sublegal rate, the higher as a rule. A row that comes first and is of any wound
        governs shallow and deep hooks that have no first row; one of shallow or deep hooks leaves
        the others at the rate they had.

        Parameters
        ----------
        size : str
            ``legal``, ``sublegal`` or ``unknown``.
        method : str or None
            None where the boat did not tell it.

        Returns
        -------
        Choice
        """
        ranked = list(self._ranked(size, method))
        whole, *halves = (self._best(ranked, wound) for wound in (ANY, "shallow", "deep"))
        own = [one.given for one in halves if one.rank <= whole.rank]
        if self._first:
            # What no first row names stays under what governs it.
            led = any(one.is_first for one in halves)
            halves = [
                whole if whole.is_first > one.is_first or (led and one.given is None) else one
                for one in halves
            ]
            own = [one.given for one in halves if one is not whole and one.rank <= whole.rank]
        shallow, deep = (one.given for one in halves)
        if shallow and deep and any(own):
            return Choice(shallow, deep, whole.given)
        if whole.given:
            return Choice(whole=whole.given)
        found = zip(("shallow", "deep"), halves, strict=True)
        alone = sorted(wound for wound, one in found if one.given)
        return Choice(lacking=f" (only {' '.join(alone)} hooks have one)" if alone else "")

    def _best(self, ranked: Sequence[tuple[bool, tuple[str, str]]], wound: str) -> _Ranked:
        """Return the rate of a wound class that is most the fish's own, and how much so."""
        for rank, (is_first, key) in enumerate(ranked):
            given = (self._first if is_first else self.by_key).get((*key, wound))
            if given is not None:
                return _Ranked(given, rank, is_first)
        return _Ranked(None, len(ranked), is_first=False)

    @staticmethod
    def _ranked(size: str, method: str | None) -> Iterator[tuple[bool, tuple[str, str]]]:
        """Yield whether a row comes first, its size and its method, the most own before others."""
        # A sublegal rate is lent to fish of unknown size; it does not name them.
        for sizes in ((ANY,), ("sublegal",)) if size == "unknown" else ((size, ANY),):
            for is_first in (True, False):
                for one_size in sizes:
                    for one_method in (method, ANY):
                        if one_method is not None:
                            yield is_first, (one_size, one_method)


@dataclass(frozen=True, slots=True)
class _Ranked:
    """A rate, how much it is the fish's own (0 most), and whether its row comes first."""

    given: GivenRate | None
    rank: int
    is_first: bool


def drop_off_rate(
    rows: Sequence[dict[str, Any]], method: str | None
) -> tuple[GivenRate | None, str]:
    """Return the drop-off rate of a fishing method, and its base (``encounters`` or ``kept``)."""
    by_method = {row["method"]: row for row in rows}
    row = by_method.get(method, by_method.get(ANY))
    if row is None:
        return None, "encounters"
    given = GivenRate(
        LOST, ANY, row["method"], ANY, row["rate_prop"], row["rate_se"], row["source"] or ""
    )
    return given, row["base"] or "encounters"


def fish_words(fate: str, size: str, methods: Sequence[str | None]) -> str:
    """Return a kind of fish in words, such as ``sublegal fish released by trolling``."""
    told = [f"by {' or '.join(sorted(one for one in methods if one is not None))}"]
    told = told if any(methods) else []
    told += ["by a method not told"] if None in methods else []
    return f"{_SIZE_WORDS.get(size, 'fish')} {fate} {' or '.join(told)}"


def _given(row: dict[str, Any]) -> GivenRate:
    return GivenRate(
        RELEASED,
        row["size_class"],
        row["method"],
        row["wound_class"],
        row["rate_prop"],
        row["rate_se"],
        row["source"] or "",
    )
