"""The two files of a publication: their names, and how they are read where no store is known."""

from __future__ import annotations

import csv
import json
import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

FIGURES_FILE, ABOUT_FILE = "figures.csv", "about.json"
#: Names the published folder that the public's pages show.
PUBLIC_VARIABLE = "BLACKMOUTH_PUBLIC"


def read_published(folder: Path) -> tuple[dict[str, Any], list[dict[str, str]]]:
    """Return what a publication says about itself, and the cells of its figures.

    Raises
    ------
    OSError, ValueError
        If a file cannot be read.
    """
    about = json.loads((folder / ABOUT_FILE).read_text("utf-8"))
    with (folder / FIGURES_FILE).open(encoding="utf-8", newline="") as file:
        try:
            return about, list(csv.DictReader(file))
        except csv.Error as error:
            raise ValueError(f"{FIGURES_FILE} is no table") from error


def fault_of(folder: Path) -> str:
    """Return what is wrong with a published folder, in words; empty where it can be shown."""
    try:
        about, rows = read_published(folder)
        season, n_figures = about["season"], about["figures"]["all"]
    except (OSError, ValueError, KeyError, TypeError):
        return f"{ABOUT_FILE} or {FIGURES_FILE} cannot be read"
    for at, row in enumerate(rows, 2):
        numbers = [row.get(name) for name in ("estimate", "ci_low", "ci_high")]
        if row.get("season") != season or not all(map(_is_number, numbers)):
            return f"line {at} of {FIGURES_FILE} is damaged"
    if len(rows) != n_figures:
        return f"{FIGURES_FILE} has {len(rows)} figures, {ABOUT_FILE} says {n_figures}"
    return ""


def _is_number(text: str | None) -> bool:
    """Return whether a cell of a published number holds one, or is empty where it is withheld."""
    try:
        return text is not None and math.isfinite(float(text or 0))
    except ValueError:
        return False
