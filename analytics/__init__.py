"""Creel interviews in, the week by marine area out: estimates with their errors.

The public names load on first use, so that a page that only reads bulletins stays light.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analytics.bulletin.weekly import estimate
    from analytics.data.store import Store
    from analytics.models.counts import fit_counts
    from analytics.models.shares import fit_shares

__all__ = ["Store", "estimate", "fit_counts", "fit_shares"]

_HOMES = {
    "Store": "analytics.data.store",
    "estimate": "analytics.bulletin.weekly",
    "fit_counts": "analytics.models.counts",
    "fit_shares": "analytics.models.shares",
}


def __getattr__(name: str) -> Any:
    """Load a public name from its module."""
    if name not in _HOMES:
        raise AttributeError(f"module 'analytics' has no attribute {name!r}")
    from importlib import import_module  # noqa: PLC0415 - kept out of the start-up

    return getattr(import_module(_HOMES[name]), name)
