"""The page Data desk: uploads, their findings and corrections, batches, templates."""
