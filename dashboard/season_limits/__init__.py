"""The page of season limits."""
