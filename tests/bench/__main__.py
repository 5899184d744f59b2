"""Seconds and peak memory as ratios to baselines measured in the same run, in turns.

``python -m tests.bench`` prints tables; ``--check`` fails where a ratio is worse than the one kept
in ``ratios.json``, ``--keep`` keeps those of this run, ``--write`` renews the tables of the README.
"""

from __future__ import annotations

import argparse
import datetime as dt
from importlib import import_module
from typing import TYPE_CHECKING, Any

from tests.bench import figures, guard

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from tests.bench.guard import Finding
    from tests.bench.runs import Part

#: What each section measures at each size: the arguments of ``part`` of the module of its name.
SECTIONS: dict[str, dict[str, list[dict[str, Any]]]] = {
    "small": {
        "start": [{}],
        "steps": [{"n_interviews": 200_000}],
        "imports": [{"n_interviews": 1_200_000, "ending": "csv"}],
        "commands": [{"n_interviews": 20_000}],
        "sums": [{"n_interviews": 200_000}],
        "bulletins": [{"n_interviews": 0}, {"n_interviews": 50_000}],
        "cluster": [{"n_interviews": 200_000}],
        "others": [{"n_interviews": 40_000}],
        "models": [{"n_interviews": 50_000}],
        "options": [{"size": "weeks"}, {"size": "slider"}],
        "how_far": [{}],
        "page": [{}],
        "archives": [{}],
        "documents": [{}],
        "visits": [{"of": of} for of in ("loads", "moves", "turns", "sessions")],
        "public_visits": [{"of": "pages"}, {"of": "40"}],
    },
    "large": {
        "start": [{}],
        "steps": [{"n_interviews": 200_000}, {"n_interviews": 2_000_000}],
        "imports": [
            {"n_interviews": n, "ending": ending}
            for ending in ("csv", "parquet")
            for n in (2_000_000, 20_000_000)
        ],
        "commands": [{"n_interviews": 100_000}],
        "sums": [{"n_interviews": 2_000_000}],
        "bulletins": [
            {"n_interviews": 0},
            {"n_interviews": 200_000},
            {"n_interviews": 2_000_000},
            {"n_interviews": 100_000, "n_seasons": 20},
        ],
        "cluster": [{"n_interviews": 2_000_000}, {"n_interviews": 20_000_000}],
        "others": [{"n_interviews": 40_000}],
        "models": [{"n_interviews": 500_000}],
        "options": [{"size": "season"}, {"size": "slider"}],
        "how_far": [{}],
        "page": [{}],
        "archives": [{}],
        "documents": [{}],
        "visits": [
            {"of": of, "n_interviews": n}
            for n in (0, 1_000_000)
            for of in ("loads", "moves", "turns", "sessions")
        ],
        "public_visits": [{"of": "pages"}, {"of": "200"}],
    },
}


def measure(section: str, size: str, turns: int) -> list[Part]:
    """Measure one section.

    Raises
    ------
    SystemExit
        If a library that it measures beside is not installed.
    """
    try:
        module = import_module(f"tests.bench.{section}")
    except ModuleNotFoundError as missing:
        raise SystemExit(f"no {missing.name} here: pip install -e .[bench] adds it") from missing
    return [module.part(turns=turns, **one) for one in SECTIONS[size][section]]


def check(
    found: dict[str, list[Part]], size: str, date: str, again: Callable[[str], list[Part]]
) -> list[Finding]:
    """Compare with the kept ratios; a section with a worse one is measured once more.

    Of two measurements of a ratio the lower counts: load on a machine makes ratios worse by chance,
    worse code does so both times.
    """
    kept = guard.read_kept(size, found)
    ratios = guard.ratios_of((part for parts in found.values() for part in parts), date=date)
    worse = [one for one in guard.compare(ratios, kept) if one.verdict is guard.Verdict.WORSE]
    for name in sorted({guard.section_of(one.name) for one in worse}):
        ratios = lower(ratios, guard.ratios_of(again(name), date=date))
    return guard.compare(ratios, kept)


def lower(
    first: Mapping[str, guard.Ratio], second: Mapping[str, guard.Ratio]
) -> dict[str, guard.Ratio]:
    """Return the lower of two measurements of each ratio."""
    both = {
        name: min(one, first.get(name, one), key=lambda either: either.ratio)
        for name, one in second.items()
    }
    return dict(first) | both


def main() -> None:
    """Measure, then print, check, keep or write."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--check", action="store_true", help="compare with the kept ratios")
    what.add_argument("--keep", action="store_true", help="keep the ratios of this run")
    what.add_argument("--write", action="store_true", help="renew the tables of the README")
    parser.add_argument("--size", choices=tuple(SECTIONS), help="small to check and keep, or large")
    parser.add_argument("--only", nargs="+", choices=tuple(SECTIONS["small"]), metavar="SECTION")
    parser.add_argument("--turns", type=int, default=3)
    given = parser.parse_args()
    size = given.size or ("small" if given.check or given.keep else "large")
    date = dt.datetime.now(dt.UTC).date().isoformat()
    found: dict[str, list[Part]] = {}
    for name in given.only or SECTIONS[size]:
        before = figures.load()
        found[name] = measure(name, size, given.turns)
        text = figures.section(found[name], date=date, load_before=before)
        print(f"{text}\n", flush=True)
        if given.write:
            figures.put(name, text)
    if given.check or given.keep:
        findings = check(found, size, date, lambda name: measure(name, size, given.turns))
        print("\n".join(map(str, findings)))
    if given.keep:
        ratios = {one.name: one.found for one in findings if one.found}
        guard.write_kept(size, list(found), ratios)
    elif given.check and any(one.verdict in guard.FAILS for one in findings):
        raise SystemExit("the bench became worse, or its ratios changed: see above")


if __name__ == "__main__":
    main()
