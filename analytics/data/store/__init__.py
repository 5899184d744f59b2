"""The store: Delta Lake tables with their whole history."""

from analytics.data.store.cluster import ClusterError, connected
from analytics.data.store.maintain import Maintained, maintain_store
from analytics.data.store.record import (
    LAST_PUBLISHED,
    REASON,
    Batch,
    Counts,
    Event,
    Receipt,
    last_published,
    name_published,
)
from analytics.data.store.remote import MovedOnError, fresh_copy, is_url, located, sent, shown
from analytics.data.store.rows import BATCH
from analytics.data.store.store import Store
from analytics.data.store.verify import Verified, verify_store

__all__ = [
    "BATCH",
    "LAST_PUBLISHED",
    "REASON",
    "Batch",
    "ClusterError",
    "Counts",
    "Event",
    "Maintained",
    "MovedOnError",
    "Receipt",
    "Store",
    "Verified",
    "connected",
    "fresh_copy",
    "is_url",
    "last_published",
    "located",
    "maintain_store",
    "name_published",
    "sent",
    "shown",
    "verify_store",
]
