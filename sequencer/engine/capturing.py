"""The step that captures: fast samples of one channel while the steps within it go on.

It is over when its steps and its record are. The samples are a trace of their own times.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING

from drivers.channel import Capture, Mode, Trigger
from sequencer.engine.ending import Failed, LeaveLoop
from sequencer.engine.expressions import Number
from sequencer.engine.flow import run_all
from sequencer.engine.sampling import Sample, Sampling
from sequencer.engine.steps import Step, lasting

if TYPE_CHECKING:
    from sequencer.engine.port import Port
    from sequencer.engine.run import Run

MOST_SAMPLES = 10_000_000


class CaptureStep(Step):
    """`capture … :`; `trigger` is the quantity, whether it is to rise, and the threshold."""

    takes_time = True

    def __init__(
        self,
        line: int,
        text: str,
        port: Port,
        rate: Number,
        duration: Number,
        trigger: tuple[Mode, bool, Number] | None,
        before: Number | None,
        body: Sequence[Step],
        keep: Callable[[Iterable[Sample]], None],
    ) -> None:
        super().__init__(line, text)
        self.port, self.rate, self.duration = port, rate, duration
        self.trigger, self.before = trigger, before
        self.body, self.keep = tuple(body), keep

    def inner(self) -> Sequence[Step]:
        """The steps within this one."""
        return self.body

    def run(self, run: Run) -> None:
        """Do it."""
        duration = lasting(self.duration(), self.line)
        sampling = Sampling(self.port)
        sampling.begin(self._capture(duration))
        try:
            with suppress(LeaveLoop):
                run_all(self.body, run)
            if self.trigger is None:
                run.wait_until(sampling.began + duration)
            # Should the trigger have come just now, the record takes all its time yet.
            left = 0.0 if self.trigger is None else duration
            run.look_round(left, (self.port,))
            with run.busy(left):
                samples = sampling.end(self.keep)
        except BaseException:
            if self.port.capturing is not None:
                sampling.drop()
            raise
        if not samples:
            run.event("capture", f"line {self.line}: the trigger did not come", self.port)

    def _capture(self, duration: float) -> Capture:
        rate = self.rate()
        samples = round(rate * duration)
        if not 1 <= samples <= MOST_SAMPLES:
            raise Failed(
                f"line {self.line}: {rate:g} samples a second for {duration:g} s are {samples}: a "
                f"capture holds 1 to {MOST_SAMPLES}",
                "recipe",
            )
        trigger = None
        if self.trigger is not None:
            quantity, above, threshold = self.trigger
            before = lasting(self.before(), self.line) if self.before is not None else 0.0
            trigger = Trigger(quantity, above, threshold(), before)
        return Capture(rate, samples, trigger)
