"""The week in result rows, and the shelf of kept bulletins."""
