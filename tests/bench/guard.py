"""Ratios kept in the repository, and what became worse since: ratios only, never seconds."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

    from tests.bench.runs import Part

KEPT = Path(__file__).with_name("ratios.json")
#: A ratio this many times the kept one is worse: by less, runs of the same code differ.
LIMIT = 1.3


@dataclass(frozen=True, slots=True)
class Ratio:
    """A ratio to a baseline of the same run, and when and on what it was measured."""

    ratio: float
    date: str
    sizes: str


class Verdict(StrEnum):
    """What a comparison of one ratio comes to."""

    SAME = "same"
    BETTER = "better"
    WORSE = "worse"
    NEW = "new"
    MISSING = "missing"
    OTHER_SIZES = "other_sizes"


#: The verdicts under which a check fails. A new ratio is named, and guarded once it is kept.
FAILS = frozenset({Verdict.WORSE, Verdict.MISSING, Verdict.OTHER_SIZES})


@dataclass(frozen=True, slots=True)
class Finding:
    """One ratio found beside the one kept; None where there is none."""

    name: str
    verdict: Verdict
    found: Ratio | None
    kept: Ratio | None

    def __str__(self) -> str:
        """Say it in words."""
        match self.found, self.kept:
            case None, Ratio() as kept:
                return f"missing: {self.name}: {kept.ratio:.3g} was kept on {kept.date}"
            case Ratio() as found, None:
                return f"new: {self.name}: {found.ratio:.3g}, nothing kept yet"
            case Ratio() as found, Ratio() as kept if self.verdict is Verdict.OTHER_SIZES:
                return f"other sizes: {self.name}: kept for “{kept.sizes}”, now “{found.sizes}”"
            case Ratio() as found, Ratio() as kept:
                times, then = found.ratio / kept.ratio, f"{kept.ratio:.3g} of {kept.date}"
                return f"{self.verdict}: {self.name}: {found.ratio:.3g}, {times:.2f} × the {then}"
        raise AssertionError(self)


def ratios_of(parts: Iterable[Part], *, date: str) -> dict[str, Ratio]:
    """Return the ratios of parts by name."""
    return {
        name: Ratio(ratio, date, part.sizes)
        for part in parts
        for name, ratio in part.ratios().items()
    }


def compare(found: Mapping[str, Ratio], kept: Mapping[str, Ratio]) -> list[Finding]:
    """Return what became of every ratio that was found or kept, by name."""
    return [
        Finding(name, _verdict(found.get(name), kept.get(name)), found.get(name), kept.get(name))
        for name in sorted({*found, *kept})
    ]


def _verdict(found: Ratio | None, kept: Ratio | None) -> Verdict:
    if found is None:
        return Verdict.MISSING
    if kept is None:
        return Verdict.NEW
    if found.sizes != kept.sizes:
        return Verdict.OTHER_SIZES
    if found.ratio > LIMIT * kept.ratio:
        return Verdict.WORSE
    return Verdict.BETTER if LIMIT * found.ratio < kept.ratio else Verdict.SAME


def read_kept(size: str, sections: Collection[str]) -> dict[str, Ratio]:
    """Return the kept ratios of some sections of the bench at one size."""
    of_size = _all_kept().get(size, {})
    return {name: Ratio(**one) for name, one in of_size.items() if section_of(name) in sections}


def write_kept(size: str, sections: Collection[str], found: Mapping[str, Ratio]) -> None:
    """Keep ratios in place of those of the same sections and size."""
    kept = _all_kept()
    others = {
        name: one for name, one in kept.get(size, {}).items() if section_of(name) not in sections
    }
    rounded = {
        name: asdict(one) | {"ratio": float(f"{one.ratio:.4g}")} for name, one in found.items()
    }
    kept[size] = dict(sorted((others | rounded).items()))
    KEPT.write_text(json.dumps(kept, indent=2, ensure_ascii=False) + "\n")


def _all_kept() -> dict[str, dict[str, dict[str, Any]]]:
    return json.loads(KEPT.read_text()) if KEPT.exists() else {}


def section_of(name: str) -> str:
    """Return the section of the bench that a ratio belongs to: the first word of its name."""
    return name.split(":", maxsplit=1)[0].split(",", maxsplit=1)[0]
