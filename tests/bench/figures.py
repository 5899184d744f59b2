"""The figures in the bench's README: tables between markers, and the machine of the run."""

from __future__ import annotations

import os
import platform
import re
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.bench.runs import Part

README = Path(__file__).with_name("README.md")
LIBRARIES = ("duckdb", "numpy", "pandas", "pyarrow", "scipy", "statsmodels", "streamlit")


def load() -> str:
    """Return how many processes ran or waited in the last minute, of how many cores."""
    return f"{os.getloadavg()[0]:.1f} of {os.cpu_count()} cores"


def section(parts: Sequence[Part], *, date: str, load_before: str) -> str:
    """Return the tables of one section, and under what they were measured."""
    tables = ["\n".join(part.table()) for part in parts]
    libraries = ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
    machine = (
        f"Measured on {date}; load {load_before} before and {load()} after; "
        f"Python {platform.python_version()}, {libraries}."
    )
    return "\n\n".join([*tables, machine])


def put(name: str, text: str) -> None:
    """Put the tables of a section between its markers.

    Raises
    ------
    ValueError
        If the file has no such markers.
    """
    begin, end = f"<!-- {name}: begin -->", f"<!-- {name}: end -->"
    body = README.read_text()
    if not re.search(f"{begin}.*{end}", body, flags=re.DOTALL):
        raise ValueError(f"no markers of {name} in {README.name}")
    before, rest = body.split(begin, 1)
    after = rest.split(end, 1)[1]
    README.write_text(f"{before}{begin}\n{text}\n{end}{after}")
