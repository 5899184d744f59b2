"""Release rates in print or in use, each with its standing; nothing here is a default.

A user copies the ones that fit the fishery into the table ``release_rates`` or ``drop_off``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from analytics.interval import logit_t

#: Normal quantile of the printed intervals, which are of 95 %.
_Z_PRINTED, _LEVEL_PRINTED = 1.959964, 0.95
#: Rates within this of each other are the same printed number.
_SAME = 5e-4


class Standing(StrEnum):
    """How far a number can be trusted to be what its source says."""

    PUBLISHED = "published"
    FROM_MEMORY = "from memory"
    COMMON_PRACTICE = "common practice"
    OWN = "user's own"


@dataclass(frozen=True, slots=True)
class RateInPrint:
    """A rate, the fish it is for, and where it comes from.

    Parameters
    ----------
    fish : str
        What the rate is of.
    rate_prop : float
        Proportion that dies.
    low, high : float or None
        Its 95 % interval.
    standing : Standing
    source : str
        Author, year and title; empty for common practice.
    marks : tuple of str
        Words that a source must hold to be taken for this one, such as author and year.
    """

    fish: str
    rate_prop: float
    low: float | None
    high: float | None
    standing: Standing
    source: str
    marks: tuple[str, ...] = ()

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
    "River, N. Am. J. Fish. Manage. 13; another fishery, adult fish; interval reckoned from 34 of "
    "446, an inferred count"
)
_GJERNES = (
    "Gjernes et al. (1993), hooking mortality of Chinook and coho salmon of the first ocean year, "
    "N. Am. J. Fish. Manage. 13; about 30 %; another fishery"
)

MOOCHING = RateInPrint(
    "drift mooching, under 660 mm",
    0.422,
    0.342,
    0.502,
    Standing.PUBLISHED,
    _GROVER,
    ("grover", "2002"),
)
TROLLING = RateInPrint(
    "ocean troll, sublegal",
    0.245,
    0.201,
    0.290,
    Standing.PUBLISHED,
    _WERTHEIMER,
    ("wertheimer", "1988"),
)

RATES_IN_PRINT: tuple[RateInPrint, ...] = (
    RateInPrint("sublegal", 0.20, None, None, Standing.COMMON_PRACTICE, ""),
    RateInPrint("legal", 0.10, None, None, Standing.COMMON_PRACTICE, ""),
    RateInPrint("drop-off, of encounters", 0.05, None, None, Standing.COMMON_PRACTICE, ""),
    RateInPrint(
        "sport, 33 cm and over",
        0.123,
        None,
        None,
        Standing.FROM_MEMORY,
        _TCC,
        ("tcchinook", "1997"),
    ),
    RateInPrint(
        "sport, under 33 cm", 0.322, None, None, Standing.FROM_MEMORY, _TCC, ("tcchinook", "1997")
    ),
    MOOCHING,
    TROLLING,
    RateInPrint(
        "ocean troll, legal",
        0.205,
        0.090,
        0.319,
        Standing.PUBLISHED,
        _WERTHEIMER,
        ("wertheimer", "1988"),
    ),
    RateInPrint(
        "river sport, all wounds",
        0.122,
        None,
        None,
        Standing.PUBLISHED,
        _LINDSAY,
        ("lindsay", "2004"),
    ),
    RateInPrint(
        "river sport, adults",
        0.076,
        0.0551,
        0.1046,
        Standing.PUBLISHED,
        _KENAI,
        ("bendock", "1993"),
    ),
    RateInPrint(
        "first ocean year", 0.30, None, None, Standing.PUBLISHED, _GJERNES, ("gjernes", "1993")
    ),
)


def standing_of(source: str | None, rate_prop: float) -> Standing:
    """Return how far a user's rate can be trusted, from the words of its source.

    Parameters
    ----------
    source : str or None
        As in ``release_rates`` or ``drop_off``.
    rate_prop : float
        The rate given with it.

    Returns
    -------
    Standing
        Common practice where the source begins with those words; that of a rate of
        `RATES_IN_PRINT` where the source names its author and year and the number is the same;
        else the user's own.
    """
    words = (source or "").strip().casefold()
    if words.startswith("common practice"):
        return Standing.COMMON_PRACTICE
    for printed in RATES_IN_PRINT:
        is_cited = bool(printed.marks) and all(mark in words for mark in printed.marks)
        if is_cited and abs(printed.rate_prop - rate_prop) < _SAME:
            return printed.standing
    return Standing.OWN


def rate_limits(
    rate_prop: float, rate_se: float | None, *, level: float
) -> tuple[float | None, float | None]:
    """Return the interval of a rate from its standard error, on the logit scale.

    Parameters
    ----------
    rate_prop : float
    rate_se : float or None
    level : float
        Confidence level.

    Returns
    -------
    tuple of float or None
        Both None without a standard error, and for a rate of 0 or 1 that has one above 0.
    """
    if rate_se is None:
        return None, None
    if rate_se == 0:
        return rate_prop, rate_prop
    low, high = logit_t(rate_prop, rate_se, df=1e9, level=level)
    return (None, None) if math.isnan(low) else (low, high)
