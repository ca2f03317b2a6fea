"""Text and tree of the recipe language. Knows nothing of instruments, time or files."""
