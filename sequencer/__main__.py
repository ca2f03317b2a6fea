"""`python -m sequencer` is the command `fusewire`."""

import sys

from sequencer.cli import main

if __name__ == "__main__":
    sys.exit(main())
