"""Models of counts and shares: fitters, the smoother, partial pooling, survival.

The only room that imports statsmodels. Regressions of counts, and the top of a likelihood, are
asked for here, each other model of the module that is named after it.
"""

from analytics.models.censored_catch import fit_censored_catch
from analytics.models.count_fit import CountFit, Diagnosis, diagnose
from analytics.models.count_likelihood import CountLikelihood, Family
from analytics.models.count_regression import fit_counts
from analytics.models.count_warm_start import Coded, coded_rows, fit_warm_start
from analytics.models.maximum_likelihood import maximise

__all__ = [
    "Coded",
    "CountFit",
    "CountLikelihood",
    "Diagnosis",
    "Family",
    "coded_rows",
    "diagnose",
    "fit_censored_catch",
    "fit_counts",
    "fit_warm_start",
    "maximise",
]
