"""When a process of this program's own looks for garbage: not while it loads, nor at its end.

What is loaded stays. To look through it again and again takes a sixth of a short command's time,
and once more at the end, when all of it goes, another fifth. In a process of somebody else's, as in
a notebook, the collector is theirs.
"""

from __future__ import annotations

import atexit
import gc

_loading = False


def begin() -> None:
    """This process is our own: nothing is looked for until `loaded`, and nothing at the end."""
    global _loading
    _loading = True
    gc.disable()
    atexit.register(gc.freeze)


def loaded() -> None:
    """From here on garbage is looked for, first in what comes new. Does nothing but after `begin`.

    A run keeps the collector from all that is there before it, and lets it go at its end.
    """
    global _loading
    if _loading:
        _loading = False
        gc.freeze()
        gc.enable()
