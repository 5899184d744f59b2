"""What several files of tests share: stores that are made once a run and copied, or only read.

The product is imported where it is used: what starts the workers of a run reads this file too.
"""

from __future__ import annotations

import os
import shutil
import sys
from typing import TYPE_CHECKING

import pytest
from filelock import FileLock
from hypothesis import settings

from tests.costs import Costs
from tests.sizes import IS_FULL

_MAIN = sys.modules["__main__"]

# Matrices are small: a second thread of linear algebra waits more than it works.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# No test is timed: on a busy machine an example takes long. A commit has the same examples in every
# run, so that what fails came with it; at full size chance looks for new ones.
settings.register_profile("untimed", deadline=None, derandomize=not IS_FULL)
settings.load_profile("untimed")

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from analytics.data.snapshot import Snapshot

    Once = Callable[[str, Callable[[Path], object]], Path]


def pytest_configure(config: pytest.Config) -> None:
    """Count what files cost."""
    config.pluginmanager.register(Costs())


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup() -> None:
    """Give the process its main module back, which a page run in a test left its own as.

    A process that a later test starts would run that page.
    """
    sys.modules["__main__"] = _MAIN


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


@pytest.fixture(scope="session")
def demo_store(once: Once) -> Path:
    """Return the demo store, made by the program from all tables.

    It has the two bulletins of the newest season; at full size, also one of each other season.
    """
    return once("demo", _demo_store) / "store"


def _demo_store(folder: Path) -> None:
    from analytics.cli import demo_store as demo
    from analytics.survey.build import seasons_with_data

    def asked(snapshot: Snapshot) -> list[str]:
        every = seasons_with_data(snapshot)
        return every if IS_FULL else every[-1:]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(demo, "user_cache_path", lambda name: folder / name)
        patch.setattr(demo, "seasons_with_data", asked)
        demo.prepare().rename(folder / "store")


@pytest.fixture
def published(once: Once, tmp_path: Path) -> Path:
    """Return a store of the clean week with the bulletin of its version 1."""
    return shutil.copytree(once("published", publish_week) / "store", tmp_path / "store")


def publish_week(folder: Path) -> None:
    """Fill a folder with the clean week and its store, which has one bulletin."""
    from analytics.bulletin.build import make_bulletin
    from analytics.data.store import Store
    from tests.field_week import field_store

    field_store(folder)
    make_bulletin(Store(folder / "store"))


@pytest.fixture
def field(once: Once, tmp_path: Path) -> Path:
    """Return the clean week as CSV files in ``week`` and as version 1 of a store in ``store``."""
    from tests.field_week import field_store

    return shutil.copytree(once("field", field_store), tmp_path, dirs_exist_ok=True)


@pytest.fixture
def rows_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let bulletins hold rows, changes, strata and areas, and every other table empty.

    Where a test asks when a bulletin is made, kept and compared, the others are most of its cost.
    """
    from types import SimpleNamespace

    from analytics.bulletin import archive, build

    kinds = {name: schema.empty_table() for name, schema in archive.TABLE_SCHEMAS.items()}
    parts = {
        "past": None,
        "alternatives": SimpleNamespace(
            rows=kinds["alternative_estimates"],
            findings=[],
            **{
                name: kinds[name]
                for name in ("coverage", "heaping", "variance_budget", "area_covariance")
            },
        ),
        "released": {},
        "other": kinds["other_basis"],
        "findings": ([], []),
    }
    monkeypatch.setattr(
        build, "_parts", lambda *_: {name: lambda made=made: made for name, made in parts.items()}
    )
    monkeypatch.setattr(build, "rate_tables", lambda *_, **__: {})
    monkeypatch.setattr(build, "limit_tables", lambda *_, **__: {})
