"""What can go wrong on a bench while it is used, sorted by whose it is and what to do about it."""

from __future__ import annotations


class BenchError(Exception):
    """Something on the bench did not go as asked.

    `fault` says whose it is: "bench" (the bench file), "instrument", "link", "person", "program".
    `advice` says what to do now.
    """

    fault = "program"

    def __init__(self, message: str, advice: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.advice = advice


class BenchFileError(BenchError):
    """The bench file, a specification or a dialect does not describe what is asked of it."""

    fault = "bench"


class LinkError(BenchError):
    """The link to an instrument is silent, late, closed or talks nonsense.

    After this the channel's link is suspect: it is cleared and identified again before it is used.
    """

    fault = "link"


class InstrumentError(BenchError):
    """The instrument answered, and reports an error, an unexpected state or another identity."""

    fault = "instrument"


class SimulationError(BenchError):
    """A part can't be simulated any further with its parameters."""

    fault = "bench"
