"""Field tables: their schema, checks, store, snapshot, calendar and the invented demo season."""
