"""Catch rates, their trend and the timing of the run, as a bulletin keeps them."""
