"""Options of a file that a season can weigh, and in words why it cannot weigh the others."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING

from analytics.errors import WrongUse
from analytics.season.option_checks import check_options
from analytics.season.option_values import shown

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from analytics.season.baseline import Baseline
    from analytics.season.option import Change, Option

_LIKE = 0.6


def sift(
    baseline: Baseline, options: Sequence[Option], *, areas: Mapping[str, str], today: str
) -> tuple[tuple[Option, ...], tuple[str, ...]]:
    """Return the options that can be weighed, and why the others cannot.

    Names that the season does not have are told first, every one of them with what it may mean:
    what else is wrong with an option often comes of them.

    Parameters
    ----------
    baseline : Baseline
    options : sequence of Option
    areas : mapping of str to str
        Code and name of areas.
    today : str
        Name of today's rule.

    Returns
    -------
    tuple of tuple of Option and tuple of str
        The words of each refused option on one line.
    """
    sound, refused = [], []
    for one in options:
        words = "; ".join(_misnamed(baseline, one, areas)) or _why(baseline, one, today)
        if words:
            refused.append(words)
        else:
            sound.append(one)
    return tuple(sound), tuple(refused)


def _why(baseline: Baseline, option: Option, today: str) -> str:
    try:
        check_options(baseline, [option], today=today)
    except WrongUse as error:
        return str(error)
    return ""


def _misnamed(baseline: Baseline, option: Option, areas: Mapping[str, str]) -> Iterator[str]:
    """Yield every name of an option that the season does not have."""
    names = {code: areas.get(code) or code for code in baseline.areas}
    methods = [one for one in baseline.methods if one]
    for number, change in enumerate(option.changes, start=1):
        where = f'option "{option.name}", change {number}'
        for seen, method in _methods(change):
            if method not in methods:
                yield f"{where}: {_no_method(method, seen, methods)}"
        for area in change.areas:
            if area not in names:
                yield f"{where}: {_no_area(area, names)}"


def _methods(change: Change) -> Iterator[tuple[str, str]]:
    """Yield every fishing method of a change with the words it stands in."""
    for method in change.method_mix or {}:
        yield f"method_mix = {shown(dict(change.method_mix or {}))}", method
    for row in change.release_rates:
        method = str(row.get("method"))
        if method != "any":
            yield "a release rate", method


def _no_method(method: str, seen: str, methods: Sequence[str]) -> str:
    allowed = ", ".join(methods) or "none was told"
    hint = _hint(method, dict.fromkeys(methods, ""))
    told = f"method {shown(method)} in {seen} is not one of those seen so far"
    return f"{told}; allowed: {allowed}{hint}"


def _no_area(area: str, names: Mapping[str, str]) -> str:
    allowed = ", ".join(map(_named, names, names.values()))
    return (
        f"area {shown(area)} is not the code of one of the season's areas; allowed: {allowed}"
        f"{_hint(area, names)}"
    )


def _hint(word: str, names: Mapping[str, str]) -> str:
    """Return the code that a word may mean, by the code or by its name; empty without one."""
    codes = {name.casefold(): code for code, name in names.items() if name}
    codes |= {code.casefold(): code for code in names}
    near = difflib.get_close_matches(word.casefold(), codes, n=1, cutoff=_LIKE)
    if not near:
        return ""
    code = codes[near[0]]
    return f"; did you mean {_named(code, names[code])}?"


def _named(code: str, name: str) -> str:
    return f"{code} ({name})" if name and name != code else code
