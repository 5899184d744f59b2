"""The store: Delta Lake tables with their whole history."""

from analytics.data.store.store import Store

__all__ = ["Store"]
