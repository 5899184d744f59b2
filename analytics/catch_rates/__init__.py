"""Catch rates by area and week: regressions, the standardised index, its trend and timing."""
