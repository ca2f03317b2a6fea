"""The worst case: the most extreme that any path of a recipe can do to its parts and instruments.

`worst_case` begins the work and `table` draws what comes of it; the other files are the inside.
Knows the checked recipe and the instruments' figures, no engine, and loads no numbers library.
"""
