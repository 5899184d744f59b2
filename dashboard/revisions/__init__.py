"""The page of revisions."""
