"""Release rates in print or in use, each with its standing; nothing here is a default.

A user copies the ones that fit the fishery into the table ``release_rates`` or ``drop_off``.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Standing(StrEnum):
    """How far a number can be trusted to be what its source says."""

    PUBLISHED = "published"
    FROM_MEMORY = "published, number from memory"
    COMMON_PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class RateInPrint:
    """A rate, the fish it is for, and where it comes from."""

    fish: str
    rate_prop: float
    low: float | None
    high: float | None
    standing: Standing
    source: str


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
        "TCCHINOOK (97)-1 (1997), Incidental fishing mortality of Chinook salmon",
    ),
    RateInPrint(
        "sport, under 33 cm",
        0.322,
        None,
        None,
        Standing.FROM_MEMORY,
        "TCCHINOOK (97)-1 (1997), Incidental fishing mortality of Chinook salmon",
    ),
    RateInPrint(
        "drift mooching, under 660 mm",
        0.422,
        0.342,
        0.502,
        Standing.PUBLISHED,
        "Grover et al. (2002), Am. Fish. Soc. Symp. 30",
    ),
    RateInPrint(
        "ocean troll, sublegal",
        0.245,
        0.201,
        0.290,
        Standing.PUBLISHED,
        "Wertheimer (1988), hooking mortality of Chinook salmon released by commercial trollers",
    ),
    RateInPrint(
        "ocean troll, legal",
        0.205,
        0.090,
        0.319,
        Standing.PUBLISHED,
        "Wertheimer (1988), hooking mortality of Chinook salmon released by commercial trollers",
    ),
)
