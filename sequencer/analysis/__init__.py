"""From a run's traces to its results: the calculations, their evaluation, the verdicts.

Knows neither the engine that took the readings nor the report that shows the results. From Python
each calculation is a function of arrays, under its name in `results:`:

    from sequencer.analysis import capacitance

    capacitance(time, voltage, current, limited, (2.16, 1.08)).value

What the data can't carry is refused with `NotWorkedOut`.
"""

from __future__ import annotations

from typing import Any


def _public() -> list[str]:
    # The names are known without numpy.
    from sequencer.analysis.signatures import SIGNATURES

    return sorted([*SIGNATURES, "NotWorkedOut"])


def __getattr__(name: str) -> Any:
    # Loaded where it is used: `fusewire check` needs no numpy.
    if name == "__all__":
        return _public()
    if not name.startswith("_"):
        from sequencer.analysis.calculations import BY_NAME, NotWorkedOut

        if name == "NotWorkedOut":
            return NotWorkedOut
        if name in BY_NAME:
            return BY_NAME[name]
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *_public()})
