"""The page of the week."""
