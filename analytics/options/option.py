"""An option: what would be changed in the rest of a season, and what is assumed of anglers.

The fields of each class are the keys of an option file (`analytics.options.option_file`), with the
values they may have; the description of a field says in words what is allowed.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence  # noqa: TC003 - pydantic reads it
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from typing import Annotated, Any, Literal, NotRequired

from pydantic import AfterValidator, ConfigDict, Field, with_config
from pydantic_core import PydanticCustomError
from typing_extensions import TypedDict

#: Shares that should sum to 1 may miss it by this much (rounding of typed numbers).
SHARE_SLACK = 1e-6
#: Name of the option that leaves all rules as they are.
TODAY = "Today's rule"
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")


def _number(low: float, high: float) -> Any:
    return Field(
        ge=low,
        le=high,
        strict=True,
        allow_inf_nan=False,
        description=f"a number from {low:,g} to {high:,g}",
    )


def _text(longest: int) -> Any:
    words = f"text on one line, of 1 to {longest} characters, in double quotes"
    return Field(min_length=1, max_length=longest, strict=True, description=words)


def _one_line(text: str) -> str:
    if text[0] in "=+-@":
        raise PydanticCustomError(
            "formula", "it begins with = + - or @: a spreadsheet would run it as a formula"
        )
    if text != text.strip() or _CONTROL.search(text):
        raise PydanticCustomError("not_plain", "without spaces at its ends or control characters")
    return text


def _prose(text: str) -> str:
    if _CONTROL.search(text.replace("\n", "").replace("\t", "")):
        raise PydanticCustomError(
            "not_plain", "without control characters but line breaks and tabs"
        )
    return text


def _each_once(values: Any) -> Any:
    if len(set(values)) < len(values):
        raise PydanticCustomError("repeated", "one stands twice")
    return values


def _sum_to_1(shares: Mapping[str, float]) -> Mapping[str, float]:
    total = math.fsum(shares.values())
    if abs(total - 1) > SHARE_SLACK:
        raise PydanticCustomError("shares_sum", "they sum to {total}", {"total": f"{total:.6g}"})
    return shares


Name = Annotated[str, _text(80), AfterValidator(_one_line)]
Day = Annotated[
    date,
    Field(
        strict=True,
        ge=date(1900, 1, 1),
        le=date(2199, 12, 31),
        description="a date of 1900 to 2199 such as 2036-03-01",
    ),
]
Share = Annotated[float, _number(0, 1)]
Areas = Annotated[
    tuple[Name, ...],
    Field(
        min_length=1,
        max_length=100,
        description='an array of 1 to 100 names, each once, such as ["AB", "CD"]',
    ),
    AfterValidator(_each_once),
]
_closed = with_config(ConfigDict(extra="forbid"))


class AtLimit(StrEnum):
    """What anglers do who have kept their daily limit."""

    GO_ON = "go_on"
    STOP = "stop"


@_closed
class ReleaseRate(TypedDict):
    """A row of the table `release_rates` (`analytics.data.schema`)."""

    size_class: Annotated[
        Literal["legal", "sublegal", "any"], Field(description='"legal" or "sublegal" or "any"')
    ]
    method: Name
    wound_class: Annotated[
        Literal["any", "shallow", "deep"], Field(description='"any" or "shallow" or "deep"')
    ]
    rate_prop: Share
    rate_se: NotRequired[Share | None]
    source: NotRequired[Annotated[str, _text(500), AfterValidator(_one_line)] | None]


def _all_columns(rows: tuple[ReleaseRate, ...]) -> tuple[Mapping[str, Any], ...]:
    """Return rows with every column of their table, None where nothing is stated."""
    keys = [(row["size_class"], row["method"], row["wound_class"]) for row in rows]
    if len(set(keys)) < len(keys):
        raise PydanticCustomError(
            "repeated", "two rows of one size class, method and wound class; leave one out"
        )
    return tuple({name: row.get(name) for name in ReleaseRate.__annotations__} for row in rows)


@_closed
@dataclass(frozen=True, slots=True)
class Change:
    """Changes in some areas; None leaves today's rule.

    Parameters
    ----------
    areas : tuple of str
        Empty for all areas.
    first_day, last_day : datetime.date or None
        First and last day of the changes; None for the first day to come and the last.
    close_from, open_through : datetime.date or None
        Closed from this day on; open through this day also after the planned close, on the
        weekdays that are open.
    reopen_from : datetime.date or None
        Open from this day on, through the planned close or `open_through`.
    open_weekdays : str
        ISO digits of the open days; empty for today's.
    daily_limit_fish : int or None
    at_limit : AtLimit
    min_length_mm : float or None
    mark_selective : bool or None
    method_mix : mapping of str to float
        Share of angler trips by method, summing to 1; empty for today's.
    release_rates : tuple of mapping
        Rows of `release_rates` that stand in the place of, or beside, those of the store.
    effort_factor : float
        Effort of an open day over today's.
    """

    areas: Areas = ()
    first_day: Day | None = None
    last_day: Day | None = None
    close_from: Day | None = None
    open_through: Day | None = None
    reopen_from: Day | None = None
    open_weekdays: Annotated[
        str,
        Field(
            strict=True,
            pattern="^[1-7]+$",
            description='digits 1 (Monday) to 7 (Sunday), each once, in quotes, such as "4567"',
        ),
        AfterValidator(_each_once),
    ] = ""
    daily_limit_fish: (
        Annotated[int, Field(ge=0, le=100, strict=True, description="a whole number from 0 to 100")]
        | None
    ) = None
    at_limit: Annotated[AtLimit, Field(description='"go_on" or "stop"')] = AtLimit.GO_ON
    min_length_mm: Annotated[float, _number(0, 1_500)] | None = None
    mark_selective: (
        Annotated[bool, Field(strict=True, description="true or false, without quotes")] | None
    ) = None
    method_mix: (
        Annotated[
            Mapping[Name, Share],
            Field(
                min_length=1,
                max_length=100,
                description="shares of 1 to 100 fishing methods that sum to 1, such as "
                "{trolling = 0.4, jigging = 0.6}",
            ),
            AfterValidator(_sum_to_1),
        ]
        | None
    ) = None
    effort_factor: Annotated[float, _number(0, 10)] = 1.0
    release_rates: Annotated[
        tuple[ReleaseRate, ...], Field(max_length=100), AfterValidator(_all_columns)
    ] = ()


def _in_order(change: Change) -> Change:
    """Refuse days that are the wrong way round."""
    for code, early, late, least in (
        ("days_reversed", "first_day", "last_day", 0),
        ("reopening_reversed", "close_from", "reopen_from", 1),
    ):
        days = getattr(change, early), getattr(change, late)
        if None not in days and (days[1] - days[0]).days < least:
            rule = "comes before" if not least else "does not come after"
            raise PydanticCustomError(
                code, f"{late} {rule} {early}: {days[1]} and {days[0]}; correct one of them"
            )
    return change


class Find(StrEnum):
    """The rule whose most generous form is asked for."""

    CLOSE = "close"
    DAILY_LIMIT = "daily_limit"
    WEEKDAYS = "weekdays"
    MIN_LENGTH = "min_length"
    MARKED = "marked"


_SOLVE = '{find = "close", limit = "L1", risk = 0.10}'
_FINDS = " or ".join(f'"{one}"' for one in Find)


@_closed
@dataclass(frozen=True, slots=True)
class Solve:
    """How far a rule may go so that a limit is exceeded with no more than a risk.

    Parameters
    ----------
    find : Find
    risk : float
        Highest probability of exceeding the limit.
    limit : str or None
        None for all limits together: none of them is exceeded.
    areas : tuple of str
        Where the rule would change; empty for the areas of the limit.
    """

    find: Annotated[Find, Field(description=_FINDS)]
    risk: Annotated[
        float,
        Field(
            gt=0,
            lt=1,
            strict=True,
            allow_inf_nan=False,
            description="a number between 0 and 1, neither of them, such as 0.10",
        ),
    ]
    limit: Name | None = None
    areas: Areas = ()


@_closed
@dataclass(frozen=True, slots=True)
class Option:
    """A named set of changes with the response of anglers that is assumed.

    Parameters
    ----------
    name : str
    changes : tuple of Change
        Applied in order; empty for today's rule.
    elasticity : float
        Per cent of effort on an open day gained for each per cent of kept fish per trip gained.
    to_other_areas_prop : float
        Share of the trips of a day that an option closes which go to the areas open that day, in
        proportion to the trips these have.
    to_other_days_prop : float
        Share of them that go to the open days of the same area and week.
    solve : Solve or None
        How far a rule may go beside the changes.
    """

    name: Name
    changes: Annotated[
        tuple[Annotated[Change, AfterValidator(_in_order)], ...],
        Field(max_length=50, validation_alias="change"),
    ] = ()
    elasticity: Annotated[float, _number(0, 5)] = 0.0
    to_other_areas_prop: Share = 0.0
    to_other_days_prop: Share = 0.0
    solve: Annotated[Solve, Field(description=f"such as {_SOLVE}")] | None = None


def with_value(option: Option, areas: Sequence[str], value: str) -> Option:
    """Return an option that asks for a rule with the value found in its place."""
    if option.solve is None or not value:
        return replace(option, solve=None)
    where, find = tuple(areas), option.solve.find
    change = {
        Find.CLOSE: lambda: Change(where, close_from=date.fromisoformat(value)),
        Find.MARKED: lambda: Change(
            where, first_day=date.fromisoformat(value), mark_selective=True
        ),
        Find.WEEKDAYS: lambda: Change(where, open_weekdays=value),
        Find.DAILY_LIMIT: lambda: Change(where, daily_limit_fish=int(value)),
        Find.MIN_LENGTH: lambda: Change(where, min_length_mm=float(value)),
    }[find]()
    return replace(option, changes=(*option.changes, change), solve=None)


def with_point(option: Option, row: Mapping[str, Any]) -> Option:
    """Return an option with the rules of a point of its frontier in the place of its question."""
    where = tuple(row["areas"].split(";"))
    change = Change(
        where,
        close_from=row["close_from"],
        daily_limit_fish=row["daily_limit_fish"],
        open_weekdays=row["open_weekdays"] or "",
        min_length_mm=row["min_length_mm"],
    )
    marked = Change(where, first_day=row["marked_from"], mark_selective=True)
    made = [change] * (change != Change(where)) + [marked] * (row["marked_from"] is not None)
    return replace(option, changes=(*option.changes, *made), solve=None)


def _at_most_all(option: Option) -> Option:
    total = option.to_other_areas_prop + option.to_other_days_prop
    if total > 1 + SHARE_SLACK:
        raise PydanticCustomError(
            "displaced_sum",
            "to_other_areas_prop and to_other_days_prop sum to {total}; allowed: at most 1",
            {"total": f"{total:g}"},
        )
    return option


def _unlike(options: tuple[Option, ...]) -> tuple[Option, ...]:
    if not options:
        raise PydanticCustomError(
            "no_option", "no option; write [[option]] with a name, and [[option.change]] below it"
        )
    seen: dict[str, int] = {}
    for at, option in enumerate(options, start=1):
        first = seen.setdefault(option.name.casefold(), at)
        if first != at:
            raise PydanticCustomError(
                "same_name",
                "option {at} has the name of option {first}; rename one",
                {"at": at, "first": first},
            )
    return options


@_closed
@dataclass(frozen=True, slots=True)
class OptionSet:
    """Options with a title.

    Parameters
    ----------
    title : str
        Empty where the file has none.
    options : tuple of Option
        In the order of the file, names unlike each other.
    notes : str
        What else should be read with the answer; may have several lines.
    """

    title: Name = ""
    options: Annotated[
        tuple[Annotated[Option, AfterValidator(_at_most_all)], ...],
        Field(max_length=50, validation_alias="option"),
        AfterValidator(_unlike),
    ] = ()
    notes: Annotated[
        str,
        Field(
            max_length=5_000,
            strict=True,
            description="text of at most 5,000 characters in double quotes",
        ),
        AfterValidator(_prose),
    ] = ""
