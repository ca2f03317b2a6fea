"""The record of runs: one store file, written while a run goes on, read at any time by anybody."""

from sequencer.record.export import export_run
from sequencer.record.failures import StoreError
from sequencer.record.reader import Run
from sequencer.record.rows import GuardRow, PlotRow, ResultRow, RunInfo, RunRow
from sequencer.record.store import Store, default_path, open_record
from sequencer.record.streams import StreamWriter
from sequencer.record.writer import RunWriter

__all__ = [
    "GuardRow",
    "PlotRow",
    "ResultRow",
    "Run",
    "RunInfo",
    "RunRow",
    "RunWriter",
    "Store",
    "StoreError",
    "StreamWriter",
    "default_path",
    "export_run",
    "open_record",
]
