"""Dry runs of shipped recipes that several tests look at, each made once."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import mkdtemp

from sequencer import dry_run, open_record
from sequencer.record import Run


@cache
def run_of(recipe: str) -> Run:
    """The record of a recipe's dry run."""
    store = Path(mkdtemp(prefix="shipped-run-")) / "records.sqlite"
    finished = dry_run(recipe, store=store, tell=lambda text: None)
    return open_record(store).run(finished.id)
