"""The store: Delta Lake tables with their whole history."""

from analytics.data.store.cluster import ClusterError, connected
from analytics.data.store.history import REASON, Batch, Counts, Event, Receipt
from analytics.data.store.maintain import Maintained, maintain_store
from analytics.data.store.rows import BATCH
from analytics.data.store.store import DESK, Store
from analytics.data.store.verify import Verified, verify_store

__all__ = [
    "BATCH",
    "DESK",
    "REASON",
    "Batch",
    "ClusterError",
    "Counts",
    "Event",
    "Maintained",
    "Receipt",
    "Store",
    "Verified",
    "connected",
    "maintain_store",
    "verify_store",
]
