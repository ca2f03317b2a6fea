"""Calls of procedures: what is given to each, and the procedure's steps put in its place."""
