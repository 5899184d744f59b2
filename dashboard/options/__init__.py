"""The page that compares rule changes."""
