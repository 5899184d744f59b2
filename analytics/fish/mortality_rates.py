"""Which of the user's rates a kind of fish dies at, and what to say where there is none."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.codes import coded
from analytics.intervals import logit_t

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray


RELEASED, DROP_OFF, KEPT_FATE = "released", "drop_off", "kept"
SIZES = ("legal", "sublegal", "unknown")
ANY = "any"


@dataclass(frozen=True, slots=True)
class MortalityRate:
    """One row of ``release_rates`` or ``drop_off``.

    - `fate`: ``released`` or ``drop_off``.
    - `size_class`, `method`, `wound_class`: its key; ``any`` for a drop-off rate's size and wound.
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

    @property
    def evidence(self) -> EvidenceGrade | None:
        """How far it can be trusted; None where it is no rate of a source."""
        return evidence_of(self.source, self.rate_prop) if self.method else None

    def limits(self, level: float) -> tuple[float | None, float | None]:
        """Return its interval, as `rate_limits`."""
        return rate_limits(self.rate_prop, self.rate_se, level=level)

    @property
    def label(self) -> str:
        """Its key in one word, such as ``sublegal any deep`` or ``drop_off trolling``."""
        return f"drop_off {self.method}" if self.fate == DROP_OFF else " ".join(self.key)


@dataclass(frozen=True, slots=True)
class ApplicableRates:
    """The rates of one kind of fish.

    - `shallow`, `deep`: both, or neither.
    - `any_wound`: of all fish without the pair, else where nobody reported the wound.
    - `lacking`: code of what else is to be said where there is no rate at all.
    """

    shallow: MortalityRate | None = None
    deep: MortalityRate | None = None
    any_wound: MortalityRate | None = None
    lacking: str = ""

    @property
    def is_split(self) -> bool:
        """Whether the fish are split by wound."""
        return self.deep is not None

    @property
    def given(self) -> tuple[MortalityRate, ...]:
        """The rates there are: shallow, deep, any wound."""
        return tuple(one for one in (self.shallow, self.deep, self.any_wound) if one is not None)

    def mixed(
        self, deep_share: NDArray[Any], rate_of: Callable[[MortalityRate], NDArray[Any]]
    ) -> NDArray[Any]:
        """Return the rate of fish of which a share was hooked deep, ``(1 - d) shallow + d deep``.

        `deep_share`: d; NaN where nobody reported wounds: such fish take the rate of any wound;
        `rate_of`: values of a rate, in a shape that broadcasts with it. NaN where no rate applies.
        """
        none = np.full_like(deep_share, np.nan)
        any_wound = none if self.any_wound is None else rate_of(self.any_wound)
        if self.shallow is None or self.deep is None:
            return any_wound
        split = (1 - deep_share) * rate_of(self.shallow) + deep_share * rate_of(self.deep)
        return np.where(np.isnan(deep_share), any_wound, split)


class ReleaseRates:
    """The release rates by key, looked up for one kind of fish at a time.

    `rows`: of ``release_rates``; `first`: rows that come before them for every fish that they name,
    however broadly.
    """

    def __init__(
        self, rows: Sequence[dict[str, Any]], first: Sequence[dict[str, Any]] = ()
    ) -> None:
        self.by_key = {one.key: one for one in map(_given, rows)}
        self._first = {one.key: one for one in map(_given, first)}

    def choose(self, size: str, method: str | None) -> ApplicableRates:
        """Return the rates that apply to releases of a size class by a fishing method.

        The own size class comes before ``any``, then the own method before ``any``, for each wound
        class on its own; fish are split by wound where shallow and deep hooks both have a rate and
        no rate of any wound is more their own than either. Fish of unknown size take ``any`` size,
        else the sublegal rate, the higher as a rule. A row that comes first and is of any wound
        governs shallow and deep hooks that have no first row; one of shallow or deep hooks leaves
        the others at the rate they had.

        `size`: ``legal``, ``sublegal`` or ``unknown``; `method`: None where the boat did not report
        it.
        """
        ranked = list(self._ranked(size, method))
        any_wound, *halves = (self._best(ranked, wound) for wound in (ANY, "shallow", "deep"))
        own = [one.given for one in halves if one.rank <= any_wound.rank]
        if self._first:
            # What no first row names stays under what governs it.
            led = any(one.is_first for one in halves)
            halves = [
                any_wound
                if any_wound.is_first > one.is_first or (led and one.given is None)
                else one
                for one in halves
            ]
            own = [
                one.given for one in halves if one is not any_wound and one.rank <= any_wound.rank
            ]
        shallow, deep = (one.given for one in halves)
        if shallow and deep and any(own):
            return ApplicableRates(shallow, deep, any_wound.given)
        if any_wound.given:
            return ApplicableRates(any_wound=any_wound.given)
        found = zip(("shallow", "deep"), halves, strict=True)
        alone = sorted(wound for wound, one in found if one.given)
        return ApplicableRates(lacking=coded("only_wound_rate", wounds=alone) if alone else "")

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
        # A sublegal rate stands in for fish of unknown size; it does not name them.
        for sizes in ((ANY,), ("sublegal",)) if size == "unknown" else ((size, ANY),):
            for is_first in (True, False):
                for one_size in sizes:
                    for one_method in (method, ANY):
                        if one_method is not None:
                            yield is_first, (one_size, one_method)


@dataclass(frozen=True, slots=True)
class _Ranked:
    """A rate, how much it is the fish's own (0 most), and whether its row comes first."""

    given: MortalityRate | None
    rank: int
    is_first: bool


def drop_off_rate(
    rows: Sequence[dict[str, Any]], method: str | None
) -> tuple[MortalityRate | None, str]:
    """Return the drop-off rate of a fishing method, and its base (``encounters`` or ``kept``)."""
    by_method = {row["method"]: row for row in rows}
    row = by_method.get(method, by_method.get(ANY))
    if row is None:
        return None, "encounters"
    given = MortalityRate(
        DROP_OFF, ANY, row["method"], ANY, row["rate_prop"], row["rate_se"], row["source"] or ""
    )
    return given, row["base"] or "encounters"


def fish_item(fate: str, size: str, methods: Sequence[str | None]) -> str:
    """Return a kind of fish as an argument of a code, such as ``sublegal:released:trolling``.

    A method that was not reported is empty; no method at all is any.
    """
    named = sorted({one or "" for one in methods}) if methods else []
    return ":".join([size, fate, *named])


def _given(row: dict[str, Any]) -> MortalityRate:
    names = ("size_class", "method", "wound_class", "rate_prop", "rate_se")
    key_and_rate = {name: row[name] for name in names}
    return MortalityRate(fate=RELEASED, source=row["source"] or "", **key_and_rate)


# Release rates in print or in use, each with its standing; nothing here is a default.

#: Normal quantile of the printed intervals, which are of 95 %.
_Z_PRINTED, _LEVEL_PRINTED = 1.959964, 0.95
#: Rates within this of each other are the same printed number.
_SAME = 5e-4


class EvidenceGrade(StrEnum):
    """How far a number can be trusted to be what its source says."""

    PUBLISHED = "published"
    FROM_MEMORY = "from_memory"
    COMMON_PRACTICE = "common_practice"
    OWN = "own"


@dataclass(frozen=True, slots=True)
class PublishedRate:
    """A proportion that dies, the fish it is for, and where it comes from.

    `low`, `high`: its 95 % interval; `source`: author, year and title; empty for common practice.
    """

    fish: str
    rate_prop: float
    evidence: EvidenceGrade
    source: str = ""
    low: float | None = None
    high: float | None = None

    @property
    def rate_se(self) -> float | None:
        """The standard error that its interval implies, if the normal quantile made it."""
        if self.low is None or self.high is None:
            return None
        return (self.high - self.low) / (2 * _Z_PRINTED)

    def limits(self, level: float) -> tuple[float | None, float | None]:
        """Return its interval at a level: as printed at 95 %, else on the logit scale."""
        if level == _LEVEL_PRINTED or self.rate_se is None:
            return self.low, self.high
        return rate_limits(self.rate_prop, self.rate_se, level=level)

    def is_cited(self, words: str) -> bool:
        """Return whether a user's words, in small letters, begin with the author and the year."""
        named = re.match(r"(\w+).*?\((\d{4})\)", self.source)
        if named is None:
            return False
        author, year = named.groups()
        return re.match(rf"{author.casefold()}\b.*?\b{year}\b", words) is not None


_TCC = "TCCHINOOK (97)-1 (1997), Incidental fishing mortality of Chinook salmon"
_GROVER = (
    "Grover et al. (2002), hooking mortality of drift-mooched Chinook salmon, "
    "Am. Fish. Soc. Symp. 30; another fishery"
)
_WERTHEIMER = (
    "Wertheimer (1988), hooking mortality of Chinook salmon released by commercial trollers; "
    "another fishery"
)
_LINDSAY = (
    "Lindsay et al. (2004), Hooking mortality by anatomical location and its use in estimating "
    "mortality of spring Chinook salmon caught and released in a river sport fishery, "
    "N. Am. J. Fish. Manage. 24; another fishery"
)
_KENAI = (
    "Bendock & Alexandersdottir (1993), hooking mortality of Chinook salmon released in the Kenai "
    "River, N. Am. J. Fish. Manage. 13; another fishery, adult fish; interval calculated from 34 "
    "of 446, an inferred count"
)
_GJERNES = (
    "Gjernes et al. (1993), hooking mortality of Chinook and coho salmon of the first ocean year, "
    "N. Am. J. Fish. Manage. 13; about 30 %; another fishery"
)

_PRINTED, _RECALLED = EvidenceGrade.PUBLISHED, EvidenceGrade.FROM_MEMORY
_COMMON = EvidenceGrade.COMMON_PRACTICE
MOOCHING = PublishedRate("drift mooching, under 660 mm", 0.422, _PRINTED, _GROVER, 0.342, 0.502)
TROLLING = PublishedRate("ocean troll, sublegal", 0.245, _PRINTED, _WERTHEIMER, 0.201, 0.290)
RATES_IN_PRINT = (
    PublishedRate("sublegal", 0.20, _COMMON),
    PublishedRate("legal", 0.10, _COMMON),
    PublishedRate("drop-off, of encounters", 0.05, _COMMON),
    PublishedRate("sport, 33 cm and over", 0.123, _RECALLED, _TCC),
    PublishedRate("sport, under 33 cm", 0.322, _RECALLED, _TCC),
    MOOCHING,
    TROLLING,
    PublishedRate("ocean troll, legal", 0.205, _PRINTED, _WERTHEIMER, 0.090, 0.319),
    PublishedRate("river sport, all wounds", 0.122, _PRINTED, _LINDSAY),
    PublishedRate("river sport, adults", 0.076, _PRINTED, _KENAI, 0.0551, 0.1046),
    PublishedRate("first ocean year", 0.30, _PRINTED, _GJERNES),
)


def evidence_of(source: str | None, rate_prop: float) -> EvidenceGrade:
    """Return how far a user's rate can be trusted, from the words of its source.

    Common practice where the source is those words, alone or before a punctuation mark; that of a
    rate of `RATES_IN_PRINT` where the source begins with its author and year and the number is the
    same; else the user's own.
    """
    words = (source or "").strip().casefold()
    if re.match(r"common practice\s*($|[.,;:(])", words):
        return EvidenceGrade.COMMON_PRACTICE
    for printed in RATES_IN_PRINT:
        if printed.is_cited(words) and abs(printed.rate_prop - rate_prop) < _SAME:
            return printed.evidence
    return EvidenceGrade.OWN


def rate_limits(
    rate_prop: float, rate_se: float | None, *, level: float
) -> tuple[float | None, float | None]:
    """Return the interval of a rate from its standard error, on the logit scale.

    Both None without a standard error, and for a rate of 0 or 1 that has one above 0.
    """
    if rate_se is None:
        return None, None
    if rate_se == 0:
        return rate_prop, rate_prop
    low, high = logit_t(rate_prop, rate_se, df=1e9, level=level)
    return (None, None) if math.isnan(low) else (low, high)
