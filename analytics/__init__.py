"""Creel interviews in, the week by marine area out: estimates with their errors.

The public names load on first use, so that a page that only reads bulletins stays light.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analytics.bulletin.build import bulletin_tables
    from analytics.data.importing import import_files
    from analytics.data.store import Store
    from analytics.estimates.estimate import estimate
    from analytics.models import fit_counts
    from analytics.models.share_regression import fit_shares

__all__ = ["Store", "bulletin_tables", "estimate", "fit_counts", "fit_shares", "import_files"]

_HOMES = {
    "Store": "analytics.data.store",
    "bulletin_tables": "analytics.bulletin.build",
    "estimate": "analytics.estimates.estimate",
    "fit_counts": "analytics.models",
    "fit_shares": "analytics.models.share_regression",
    "import_files": "analytics.data.importing",
}


def __getattr__(name: str) -> Any:
    """Load a public name from its module."""
    if name not in _HOMES:
        raise AttributeError(f"module 'analytics' has no attribute {name!r}")
    from importlib import import_module  # noqa: PLC0415 - kept out of the start-up

    return getattr(import_module(_HOMES[name]), name)
