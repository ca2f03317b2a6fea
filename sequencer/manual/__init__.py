"""By hand: the recipe's own steps typed one at a time, under the same check, guards and record.

What was typed and done is a recipe again, which checks and can be run. Knows no terminal: a console
is handed in.
"""
