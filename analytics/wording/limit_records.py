"""What a bulletin keeps of a season's limits, ready to be given and drawn."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from analytics.catch_limits import join_words, nouns, split_list
from analytics.codes import sentences
from analytics.wording.bulletin_index import lines as lines_of
from analytics.wording.numbers import Measurement, NumberKind

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.wording.bulletin_index import BulletinIndex

Line = dict[str, Any]

#: How the projection that all figures rest on is called; older bulletins name none.
MODEL = "model"


@dataclass(frozen=True, slots=True, eq=False)
class Standings:
    """The tables of a season's limits: the limit that is reached first on top, `fan` by day.

    `backtest` has past seasons projected as of earlier weeks by the model, `compared` by every
    method, `issued` what became of projections in bulletins; `assumed` what the numbers ahead rest
    on, by topic.
    """

    limits: tuple[Line, ...]
    fan: Mapping[str, tuple[Line, ...]]
    backtest: tuple[Line, ...]
    assumed: Mapping[str, tuple[str, ...]]
    compared: tuple[Line, ...] = ()
    issued: tuple[Line, ...] = ()

    def of_areas(self, areas: Sequence[str]) -> tuple[Line, ...]:
        """Return the limits that some areas count against; all where none is given."""
        return tuple(line for line in self.limits if not areas or set(areas_of(line)) & set(areas))


def read(index: BulletinIndex) -> Standings:
    """Index the tables of limits of a bulletin; those it lacks are empty."""
    season = index.card.season
    limits = [line for line in lines_of(index, "limit_status") if line["season"] == season]
    fan: dict[str, list[Line]] = defaultdict(list)
    for line in sorted(lines_of(index, "limit_paths"), key=lambda one: one["day"] or date.min):
        fan[line["limit_id"]].append(line)
    past = lines_of(index, "backtest")
    topics: dict[str, list[str]] = defaultdict(list)
    for line in lines_of(index, "assumptions"):
        topics[line["topic"] or ""].append(in_words(index, line["assumption"] or ""))
    return Standings(
        limits=tuple(sorted(limits, key=_first)),
        fan={name: tuple(lines) for name, lines in fan.items()},
        backtest=tuple(line for line in past if line["projected_by"] in (None, MODEL)),
        compared=tuple(past),
        issued=tuple(lines_of(index, "projection_scores")),
        assumed={topic: tuple(words) for topic, words in topics.items()},
    )


def areas_of(line: Line) -> tuple[str, ...]:
    """Return the areas of a limit."""
    return split_list(line["areas"])


def quantities_of(line: Line) -> tuple[str, ...]:
    """Return the quantities whose sum is limited."""
    return split_list(line["quantity"])


def place(index: BulletinIndex, areas: Sequence[str]) -> str:
    """Return areas as people name them, as they stand in the data."""
    if set(index.areas) <= set(areas):
        return "all areas"
    return join_words([index.name(area) for area in areas])


def label(index: BulletinIndex, line: Line) -> str:
    """Return a limit in short, such as ``Chinook kept, Quillon Bank``."""
    words = nouns(quantities_of(line))
    return f"{words[:1].upper()}{words[1:]}, {place(index, areas_of(line))}"


def in_words(index: BulletinIndex, cell: str) -> str:
    """Return a cell of codes in words for people, areas by their names."""
    return sentences(cell, index.name)


def total(line: Line) -> Measurement:
    """Return the total so far."""
    return Measurement(line["estimate"], line["ci_low"], line["ci_high"])


def used(line: Line) -> Measurement:
    """Return the share of a limit that is used."""
    return Measurement(
        line["share_used"], line["share_used_low"], line["share_used_high"], NumberKind.SHARE
    )


def expected(line: Line) -> Measurement:
    """Return the total that is expected at the planned close."""
    return Measurement(
        line["projected_total"], line["projected_total_low"], line["projected_total_high"]
    )


def expected_share(line: Line) -> Measurement:
    """Return the total that is expected at the planned close as a share of the limit."""
    limit, total = line["limit_fish"], expected(line)
    if not limit:
        return Measurement(None, sort=NumberKind.SHARE)
    value, low, high = (
        None if end is None else end / limit for end in (total.value, total.low, total.high)
    )
    return Measurement(value, low, high, NumberKind.SHARE)


def is_passed(line: Line) -> bool:
    """Return whether the total so far is over the limit."""
    return line["estimate"] is not None and line["estimate"] > line["limit_fish"]


def has_outlook(line: Line) -> bool:
    """Return whether anything is said of what is to come."""
    return bool(line["is_preliminary"]) and line["prob_exceeded_by_close"] is not None


def _first(line: Line) -> tuple[Any, ...]:
    """Return what limits are sorted by: the binding one, then the earliest, then the most used."""
    return (
        not line["is_binding"],
        line["exceedance_date_p50"] or date.max,
        -(line["prob_exceeded_by_close"] or 0.0),
        -(line["share_used"] or 0.0),
        line["limit_id"] or "",
    )
