"""Steps one after another: what comes before which on every path, and how often."""
