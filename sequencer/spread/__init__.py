"""Many dry runs of one recipe, each on a bench drawn within its tolerances, and what they come to.

What a run gives depends on the work and on the run's number alone, so that runs may be dealt out in
any way. Nothing real is touched, and nothing is put on record.
"""
