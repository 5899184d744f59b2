"""Models of counts and shares: the only room that imports statsmodels."""
