"""Models of counts and shares: fitters, the smoother, partial pooling, survival.

The only room that imports statsmodels.
"""
