"""Design-based estimates: strata, reduction, totals, ratios, intervals."""
