"""Checks, dry-runs and runs bench tests written as recipes: what the commands do, from Python.

from sequencer import load, check, dry_run, run, open_record
"""

from __future__ import annotations

from typing import Any

__all__ = ["Refused", "check", "dry_run", "load", "open_record", "run"]


def __getattr__(name: str) -> Any:
    # Loaded where it is used: `fusewire check` needs neither the record nor numpy.
    if name in __all__:
        from sequencer import api

        return getattr(api, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
