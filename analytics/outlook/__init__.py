"""Limits of a season: totals so far, the days to come as joint draws, past projections."""
