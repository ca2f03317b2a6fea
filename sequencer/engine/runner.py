"""A whole run: from the checked recipe and an opened bench to its ending, outputs off at every end.

The order is fixed: settings in force against `require`, who answers, a reset to a known off, the
steps, then outputs off by kind, `finally`, and off again. An exception of the program itself is no
exception to this.
"""

from __future__ import annotations

import gc
import traceback
from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from operator import itemgetter
from typing import TYPE_CHECKING, Any

from drivers.faults import BenchError, InstrumentError
from grammar.quantity import CURRENT, TIME, write
from sequencer.engine.assembly import Assembly
from sequencer.engine.ending import (
    Destroyed,
    Ending,
    Failed,
    Interrupted,
    LeaveLoop,
    Outcome,
    RunEnds,
    Tripped,
)
from sequencer.engine.port import Port
from sequencer.engine.run import Beat, Person
from sequencer.engine.steps import Step, all_steps
from sequencer.record.failures import StoreError

if TYPE_CHECKING:
    from drivers.bench import Bench
    from sequencer.checker import Checked
    from sequencer.record import RunWriter

FAULTS_OF_A_LINK = ("link", "instrument")
MOST_INTERRUPTIONS = 10
"""How often a person who leans on Ctrl-C starts the switching off anew, where no signal handler
takes it up (in a notebook)."""
LONGEST_AFTERWARDS_S = 600.0
"""What working out the results may take while an output's state is unknown."""


class Runner:
    """Runs one checked recipe once on one opened bench; `rest` is as in `Assembly`."""

    def __init__(
        self,
        checked: Checked,
        bench: Bench,
        record: RunWriter,
        *,
        person: Person | None = None,
        beat: Beat | None = None,
        **rest: Any,
    ) -> None:
        self.checked = checked
        self._beat = beat
        self.record = record
        self.person = person or Person()
        made = Assembly(checked, bench, record, person=self.person, beat=beat, **rest)
        self.made = made
        self.run, self.ports, self.memory = made.run, made.ports, made.memory
        self.requires, self.steps, self.final = made.requires, made.steps, made.final
        self._lets = made.names
        self.left: dict[str, float] = {}
        self._untold: list[tuple[float, str, str, str]] = []
        # When each step began (s), and its line.
        self._begun: list[tuple[float, int]] = []

    def execute(self) -> Ending:
        """Run it to its end. Never raises: whatever happens ends with outputs off and a reason."""
        gc.collect()
        gc.freeze()
        try:
            return self.run_to_end()
        finally:
            gc.unfreeze()

    def run_to_end(self) -> Ending:
        """As `execute`, where the collector has been seen to for many runs at once."""
        try:
            return self._ended(self._guarded(self._whole))
        except BaseException as error:  # between two lines of what guards against it
            return self._ended(_broken_off(error))

    def _ended(self, ending: Ending) -> Ending:
        """The safe end, begun anew where something comes between; bounded."""
        self._note_end(ending)
        at_once = False
        for _ in range(MOST_INTERRUPTIONS):
            try:
                return self._safe_end(ending, at_once)
            except BaseException as error:
                at_once = True
                if ending.outcome is Outcome.FINISHED:
                    ending = _broken_off(error)
                    self._note_end(ending)
        return self._safe_end(ending, at_once)

    def _whole(self) -> None:
        for holds, node in self.requires:
            if not holds():
                why = f": {node.why}" if node.why else ""
                raise Failed(f"line {node.span.line}: a requirement is not met{why}", "recipe")
        for port in self.ports.values():
            port.alive = self.run.alive if self._beat is not None else None
            identity = port.channel.identify()
            self.run.event("identity", " ".join(f for f in identity if f), port)
            port.channel.reset()
            port.begin()
        stuck = self._rest()
        self._put_notes_on_record()
        if stuck:
            raise Failed(f"{', '.join(stuck)} can't be brought to rest", "instrument")
        self.do_steps()

    def do_steps(self) -> None:
        """What the run is for: the recipe's steps. By hand they come one at a time."""
        self.execute_block(self.steps)

    def execute_block(self, steps: Sequence[Step]) -> None:
        """Steps in their order, each on record with its time; a loop is one row with its counts."""
        run, record = self.run, self.record
        for step in steps:
            run.attend()
            run.line = step.line
            run.executed += 1
            start = run.now()
            self._begun.append((start, step.line))
            sequence = record.begin_step(step.line, step.text, start)
            step.count += 1
            try:
                branch = step.branch(run)
                if branch is None:
                    step.run(run)
                else:
                    self.execute_block(branch)
            except StoreError:
                # Nor can this be written, and a locked store would be waited for once more.
                raise
            except BaseException:
                # Whatever ends the run is what has to be told, and outputs wait to go off.
                with suppress(StoreError):
                    self._end_step(step, sequence, start)
                raise
            self._end_step(step, sequence, start)

    def _end_step(self, step: Step, sequence: int, start: float) -> None:
        now, record = self.run.now(), self.record
        record.end_step(sequence, now, step.count)
        step.count = 0
        for inner in all_steps(step.inner()):
            if inner.count:
                within = record.begin_step(inner.line, inner.text, start)
                record.end_step(within, now, inner.count)
                inner.count = 0

    def _guarded(self, act: Callable[[], None]) -> Ending:
        """Do it and say how it ended; whose fault, and where."""
        try:
            act()
        except Destroyed as end:
            return self._of_damage(end)
        except RunEnds as end:
            return Ending(end.outcome, end.reason, end.fault, self.run.line, end)
        except BenchError as error:
            told = self._told() if isinstance(error, InstrumentError) else None
            if isinstance(told, Destroyed):
                return self._of_damage(told)
            if told is not None:
                return Ending(told.outcome, told.reason, told.fault, self.run.line, told)
            return Ending(Outcome.FAILED, _advised(error), error.fault, self.run.line, error)
        except StoreError as error:
            return Ending(Outcome.FAILED, _advised(error), error.fault, self.run.line, error)
        except KeyboardInterrupt as error:
            return replace(_broken_off(error), line=self.run.line)
        except LeaveLoop:
            return Ending(Outcome.FINISHED)
        except (ArithmeticError, ValueError) as error:
            reason = f"line {self.run.line}: a value could not be worked out ({_why(error)})"
            return Ending(Outcome.FAILED, reason, "recipe", self.run.line, error)
        except Exception as error:  # the outputs go off whatever it is
            self._note("program error", traceback.format_exc())
            reason = f"the program itself failed: {type(error).__name__}: {error}"
            return Ending(Outcome.FAILED, reason, "program", self.run.line, error)
        return Ending(Outcome.FINISHED)

    def _of_damage(self, damage: Destroyed) -> Ending:
        """What happened, when and at which line: that may have been some steps ago."""
        line, words = self._place(damage.time_s)
        reason = f"{damage.reason}; {words}"
        return Ending(damage.outcome, reason, damage.fault, line, damage)

    def _place(self, time_s: float) -> tuple[int, str]:
        """The line that was in hand at a time (s), and time and line in words."""
        number = bisect_right(self._begun, time_s, key=itemgetter(0))
        line = self._begun[number - 1][1] if number else self.run.line
        return line, f"at {write(max(time_s, 0.0), TIME, 4)}, line {line}"

    def _told(self) -> RunEnds | None:
        """What an instrument that refused something has to tell of itself: that is why."""
        for port in self.ports.values():
            try:
                port.poll(self.run.now())
            except RunEnds as end:
                return end
            except BenchError:
                continue
        return None

    def _note_end(self, ending: Ending) -> None:
        """Why comes before what was done about it, though both are written afterwards."""
        cause = ending.cause
        if isinstance(cause, Tripped):
            self._note("trip", cause.reason, cause.channel)
        elif ending.outcome is not Outcome.FINISHED:
            self._note("end", ending.reason or ending.outcome.word)

    def _safe_end(self, ending: Ending, at_once: bool) -> Ending:
        """Outputs off by kind, `finally`, and off again, whatever led here.

        Nothing stands before switching off: neither a record that can't be written, nor a watchdog
        that is gone, nor a terminal that has gone away.
        """
        unknown = self._all_off(ending)
        cause = ending.cause
        at_once = at_once or (isinstance(cause, Interrupted) and cause.at_once)
        if self.final and (ending.fault in FAULTS_OF_A_LINK or unknown):
            self._say("`finally` is skipped: an instrument or its link is not to be trusted")
        elif self.final and not at_once:
            with self.run.undisturbed():
                final = self._guarded(lambda: self.execute_block(self.final))
            if ending.outcome is Outcome.FINISHED:
                ending = final
                self._note_end(final)
            elif final.outcome is not Outcome.FINISHED:
                self._note("end", f"in `finally`: {final.reason}")
            unknown = self._all_off(final)
        if ending.fault not in FAULTS_OF_A_LINK and not unknown:
            # What gave way last, or by the switching off itself, nobody has heard of yet.
            told = self._told()
            if isinstance(told, Destroyed) and ending.outcome is Outcome.FINISHED:
                ending = self._of_damage(told)
                self._note_end(ending)
        lost = [(port.part, port.destroyed) for port in self.ports.values() if port.destroyed]
        if lost and ending.outcome is Outcome.FINISHED and not ending.reason:
            what = "; ".join(
                f"{part} was destroyed, as it may be: {event.text}; {self._place(event.time)[1]}"
                for part, event in lost
            )
            ending = replace(ending, reason=what)
        if unknown:
            ending = replace(ending, outcome=Outcome.FAILED, unknown=unknown)
        return ending

    def _all_off(self, ending: Ending) -> tuple[str, ...]:
        """Every output off, the tripping channel first; those that can't be shown to be off."""
        cause = ending.cause
        trip = isinstance(cause, Tripped)
        first = cause.channel if isinstance(cause, Tripped) else ""
        unknown = []
        with self.run.switching_off():
            for name in sorted(self.ports, key=lambda name: name != first):
                port = self.ports[name]
                try:
                    self._off(port, trip)
                except Exception as error:  # whatever it was, the output has to go off
                    self._note("off failed", str(error), name)
                    try:
                        self.run.alive()
                        port.channel.recover()
                        self._off(port, trip)
                    except Exception as again:
                        self._note("off failed", str(again), name)
                        unknown.append(name)
                        self._let_nothing_flow(port)
            unknown += self._rest()
        self._put_notes_on_record()
        return tuple(unknown)

    def _let_nothing_flow(self, port: Port) -> None:
        """An output that doesn't open may still be told to carry nothing: no proof that it does."""
        if port.setpoint is None:
            return
        nothing = port.setpoint._replace(low=0.0, high=0.0)
        if port.setpoint.mode == "current":
            nothing = port.setpoint._replace(level=0.0)
        with suppress(Exception):
            self.run.alive()
            port.channel.program(nothing)
            self._note("off failed", f"{port.name} is told to carry no current", port.name)

    def _rest(self) -> tuple[str, ...]:
        """Digital outputs to their state of rest; those that could not be brought there."""
        return self.run.lines.rest(self._note)

    def _off(self, port: Port, trip: bool) -> None:
        was_on = port.on
        self.run.go_off(port, trip)
        if was_on:
            self._note("output", f"{port.name} off", port.name)
        if port.part and port.can_measure_off:
            reading = port.peek()
            with suppress(StoreError):
                port.keep(reading)
            if abs(reading.current) > 10 * port.current_error(0.0) + 1e-6:
                flows = write(reading.current, CURRENT, 3)
                raise BenchError(f"{port.name}: {flows} flow with the output off")
            self.left[port.name] = reading.voltage

    def _note(self, kind: str, text: str, channel: str = "") -> None:
        """Remember what happened now; it goes on record when outputs are off."""
        self._untold.append((self.run.now(), kind, text, channel))

    def _put_notes_on_record(self) -> None:
        with suppress(StoreError):
            while self._untold:
                self.record.event(*self._untold[0])
                self._untold.pop(0)

    def _say(self, words: str) -> None:
        """Tell the person, as far as there is still somebody and something to tell it on."""
        with suppress(StoreError, OSError):
            self.run.say(words, True)

    def dismiss_watchdog(self, ending: Ending) -> None:
        """The outputs are off, and what follows may take its time.

        Where they can't be shown to be off, the watchdog goes on watching this process.
        """
        if self._beat is None:
            return
        with suppress(BenchError):
            if ending.unknown:
                self._beat.beat(self.run.executed, LONGEST_AFTERWARDS_S)
            else:
                self._beat.close()

    def values(self) -> Mapping[str, float]:
        """The recipe's own `let`s at the end, for the results."""
        return {name: self.memory[place] for name, place in self._lets.items()}


def _why(error: ArithmeticError | ValueError) -> str:
    """Why a value could not be worked out; Python's own words are none of the trade."""
    if isinstance(error, ZeroDivisionError):
        return "this would divide by zero"
    if isinstance(error, OverflowError):
        return "it would be larger than any number"
    return str(error)


def _advised(error: BenchError | StoreError) -> str:
    """What went wrong, and what to do now: behind it, or a sentence of its own."""
    if not error.advice:
        return error.message
    return f"{error.message}{'.' if error.advice[0].isupper() else ';'} {error.advice}"


def _broken_off(error: BaseException) -> Ending:
    """How a run ends that something outside its own endings has broken off."""
    if isinstance(error, KeyboardInterrupt):
        now = Interrupted(at_once=True)
        return Ending(now.outcome, now.reason, now.fault, cause=now)
    reason = f"the program itself failed: {type(error).__name__}: {error}"
    return Ending(Outcome.FAILED, reason, "program", cause=error)
