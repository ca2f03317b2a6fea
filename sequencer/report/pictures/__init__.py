"""Pictures of a run or of a check: what is on them, and how they are drawn."""
