from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.app.sample_bulletin import fill_shelf

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="session")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two invented seasons, and an older bulletin of the second."""
    return fill_shelf(tmp_path_factory.mktemp("store") / "bulletins")
