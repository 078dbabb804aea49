"""A candidate for the through-focus estimator, measured beside the one in force; see README.md."""
