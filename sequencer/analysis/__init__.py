"""From a run's traces to its results: the calculations, their evaluation, the verdicts.

Knows neither the engine that took the readings nor the report that shows the results.
"""
