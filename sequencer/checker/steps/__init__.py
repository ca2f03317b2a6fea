"""Each kind of step by itself: its names, its units and the amounts that it takes."""
