"""Where to sample next: what a site-day is worth, how many go where, and the drawn schedule."""
