"""What an instrument asks of what hangs on it: parts, leads and sources solved over time."""
