"""What several files of tests share: stores that are made once a run and copied, or only read."""

from __future__ import annotations

import os
import shutil
from typing import TYPE_CHECKING

import pytest
from filelock import FileLock

from tests.field_week import field_store

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    Once = Callable[[str, Callable[[Path], object]], Path]


@pytest.fixture(scope="session")
def once(tmp_path_factory: pytest.TempPathFactory) -> Once:
    """Return a function that gives a folder of a name, which its maker fills once a run.

    All workers of a run share the folder: tests only read it, or copy it.
    """
    base = tmp_path_factory.getbasetemp()
    shared = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base

    def folder(name: str, make: Callable[[Path], object]) -> Path:
        target = shared / f"shared-{name}"
        with FileLock(f"{target}.lock"):
            if not target.exists():
                draft = shared / f"draft-{name}"
                shutil.rmtree(draft, ignore_errors=True)  # of a worker that failed to make it
                draft.mkdir()
                make(draft)
                draft.rename(target)
        return target

    return folder


@pytest.fixture
def field(once: Once, tmp_path: Path) -> Path:
    """Return the clean week as CSV files in ``week`` and as version 1 of a store in ``store``."""
    return shutil.copytree(once("field", field_store), tmp_path, dirs_exist_ok=True)
