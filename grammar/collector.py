"""The garbage collector kept out of the way while a tree is made or gone through. Knows no tree."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def collector_paused() -> Iterator[None]:
    """No collection meanwhile: trees live on, and looking through them finds nothing to free."""
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()
