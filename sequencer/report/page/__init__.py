"""The report: one page of a run that needs nothing else, no network either."""
