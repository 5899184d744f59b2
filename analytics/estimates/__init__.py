"""A season's survey made ready, and its result rows."""
