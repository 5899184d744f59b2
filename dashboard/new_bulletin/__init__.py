"""The page New bulletin: making one in a process of its own, and its note."""
