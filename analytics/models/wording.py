"""Words for what was asked of a regression wrongly, or in a way that is easily misread."""

from __future__ import annotations

import datetime as dt
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

import numpy as np
from pandas.api.types import is_bool_dtype, is_datetime64_any_dtype, is_numeric_dtype

from analytics.errors import WrongUse

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import pandas as pd

#: Names that are listed before "and 75 more".
MOST_NAMES = 5
#: Distinct whole numbers up to which a slope may have been meant as levels.
MOST_LEVELS = 30


def listed(names: Iterable[object]) -> str:
    """Return the first names with commas, and how many more there are."""
    every = [str(one) for one in names]
    if len(every) <= MOST_NAMES + 1:
        return ", ".join(every) or "none"
    return f"{', '.join(every[:MOST_NAMES])} and {len(every) - MOST_NAMES} more"


def term_list(terms: Any, *, what: str = "terms") -> list[str]:
    """Return terms as a list of text.

    Raises
    ------
    WrongUse
        If they are no list of texts.
    """
    if isinstance(terms, str):
        raise WrongUse(f"{what} is a list: [{terms!r}] instead of {terms!r}")
    if not isinstance(terms, list | tuple) or not all(isinstance(one, str) for one in terms):
        raise WrongUse(f"{what} is a list of column names, such as ['area', 'week'], not {terms!r}")
    return list(terms)


def require_apart(**columns: Sequence[str]) -> None:
    """Refuse a column that is asked for in two parts, such as the response among the terms.

    Raises
    ------
    WrongUse
        If there is one; both parts are named.
    """
    seen: dict[str, str] = {}
    for part, names in columns.items():
        for name in names:
            if name in seen and seen[name] != part:
                raise WrongUse(
                    f"column {name!r} is both {seen[name]} and {part}: a column has one part"
                )
            seen[name] = part


def not_found(frame: pd.DataFrame, name: str, times: int) -> WrongUse:
    """Return the error of a column that is not there, or there more than once."""
    has = [str(one) for one in frame.columns]
    if times > 1:
        return WrongUse(f"column {name!r} stands {times} times in the frame; once is allowed")
    near = get_close_matches(name, has, 1)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    return WrongUse(f"column {name!r} is not in the frame, which has {listed(has)}{hint}")


def require_no_dates(column: pd.Series, name: str) -> None:
    """Refuse a column of dates as a factor: it would have a level for every day.

    Raises
    ------
    WrongUse
        If it holds dates or times.
    """
    is_date = is_datetime64_any_dtype(column) or (
        column.dtype == object and len(column) and isinstance(column.iloc[0], dt.date)
    )
    if is_date:
        raise WrongUse(
            f"column {name!r} holds dates, which would be a factor with a level for each; give "
            "its week or month as text, or its days as a number"
        )


def cautions(frame: pd.DataFrame, columns: Iterable[str]) -> tuple[str, ...]:
    """Return what is easily misread in the columns of terms.

    Whole numbers of few values, which are a slope, and levels that differ in blanks or case alone.
    """
    found = []
    for name in dict.fromkeys(columns):
        values = frame[name].unique()
        if is_numeric_dtype(frame[name]) and not is_bool_dtype(frame[name]):
            numbers = np.asarray(values, dtype=np.float64)
            if 2 < len(numbers) <= MOST_LEVELS and (numbers == np.round(numbers)).all():
                found.append(f"{name}: whole numbers, taken as one slope; as text they are levels")
            continue
        alike: dict[str, list[str]] = {}
        for value in map(str, values):
            alike.setdefault("".join(value.split()).lower(), []).append(value)
        twins = [sorted(one) for one in alike.values() if len(one) > 1]
        found += [f"{name}: levels {', '.join(map(repr, one))} are nearly alike" for one in twins]
    return tuple(found)
