"""Ticks of a loop that only measures, many at a time, where the channels can be foreseen.

A block does what so many ticks would do, to the same bits, and stops before the first at which
anything else comes: a guard, a condition, another reading that is due, a change of control. That
tick runs by itself. Whether a channel is simulated is not asked: only whether it can look ahead.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, cast

import numpy as np

from drivers.clock import NANOSECONDS
from sequencer.engine.share import Share
from sequencer.engine.totals import first, first_of

if TYPE_CHECKING:
    import numpy.typing as npt

    from drivers.clock import ForeseeingClock
    from sequencer.engine.forms import ColumnCondition, Value
    from sequencer.engine.run import Run
    from sequencer.engine.steps import Measure

    Array = npt.NDArray[np.float64]
    Integers = npt.NDArray[np.int64]
    Mask = npt.NDArray[np.bool_]

LEAST, MOST = 16, 4096
"""Ticks of a block: it doubles as long as nothing happens."""
LONGEST_PAUSE = 256
"""Ticks that run by themselves where blocks keep coming to nothing."""


class Blocks:
    """The ticks of one run of a loop; `until` ends the loop at the tick after which it holds.

    The first tick runs by itself, so that every reading of a block follows one like it.
    """

    def __init__(self, run: Run, body: Sequence[Measure], until: ColumnCondition | None) -> None:
        self._run, self._body, self._until = run, body, until
        self._clock = cast("ForeseeingClock", run.clock)
        self._shares = [Share(port, step) for step in body for port in step.ports]
        self._size = LEAST
        self._pause = 1
        self.next = 0
        """The tick at which it is worth while to try."""

    def take(self, k: int, last: int) -> int:
        """Take tick k and what follows it up to the last, as far as that goes; how many."""
        first_tick = k
        while self.next <= k <= last:
            wanted = self._size
            taken = self._block(k, last)
            k += taken
            if taken < wanted:
                break
        return k - first_tick

    def _block(self, k: int, last: int) -> int:
        """One block from tick k on, of the size that is due."""
        count = min(self._size, last - k + 1)
        if count < LEAST:
            self.next = last + 1
            return 0
        self._run.attend()
        try:
            taken = self._safe(k, count)
        except ArithmeticError:
            # Some tick among them divides by zero, or the like: it has to meet that by itself.
            taken = 0
        if taken:
            self._keep(taken)
        if taken < LEAST // 2:
            self.next = k + taken + self._pause
            self._pause = min(2 * self._pause, LONGEST_PAUSE)
        else:
            self._pause = 1
        self._size = max(LEAST, min(2 * taken, MOST))
        return taken

    def _safe(self, k: int, count: int) -> int:
        """How many ticks pass without anything else happening; worked out, and not yet taken."""
        shares = self._shares
        begins_ns = self._begins(k, count + 1)
        if self._clock.now_ns > begins_ns[0]:
            return 0
        moments = begins_ns[:-1]
        for share in shares:
            moments = share.peek(moments)
        count = len(moments)
        # One that would come at another time is not among them; the one that it comes from is.
        count = min(count, first(self._displaces(moments, begins_ns[1 : count + 1])) + 1)
        for share in shares:
            if count:
                count = share.work_out(count)
        if count:
            count = self._before_due(k, count)
        if count:
            count = self._while_guards_hold(count)
        if count and self._until is not None:
            memory: list[Value] = [*self._run.memory]
            for share in shares:
                share.show(memory, count)
            held = self._until.holds(memory, shares[-1].ends(count))
            count = first_of(held, count)
        return count

    def _begins(self, k: int, count: int) -> Integers:
        """When ticks begin, from tick k on (ns)."""
        return self._clock.ticks(k, count)

    def _displaces(self, ends_ns: Integers, next_ns: Integers) -> Mask:
        """Where the end of a tick makes the next one come at another time."""
        return ends_ns > next_ns

    def _is_due(self, next_due: Array, k: int) -> Mask:
        """Where a reading is due (s) before a tick, of those from tick k on."""
        grid = self._run.grid
        return next_due < grid.start + np.arange(k, k + len(next_due)) * grid.period

    def _before_due(self, k: int, count: int) -> int:
        """How many ticks pass before a reading is due that the body doesn't take in time."""
        run = self._run
        if not run.watched:
            return count
        due = {share.port.name: share.due(count) for share in self._shares}
        for port in run.watched:
            own = due.get(port.name)
            next_due = own[:count] if own is not None else np.full(count, port.next_due)
            count = first(self._is_due(next_due, k))
        if run.several:
            count = self._before_looking_round(due, count)
        return count

    def _before_looking_round(self, due: dict[str, Array], count: int) -> int:
        """As `Measure.run` looks round before its own readings."""
        read: set[str] = set()
        shares = iter(self._shares)
        for step in self._body:
            own = [next(shares) for _ in step.ports]
            moment = own[0].begins(count) + sum(port.aperture_s for port in step.ports)
            for port in self._run.watched:
                if port in step.ports:
                    continue
                if port.name not in due:
                    next_due = np.full(count, port.next_due)
                elif port.name in read:
                    next_due = due[port.name][1 : count + 1]
                else:
                    next_due = due[port.name][:count]
                count = first(next_due <= moment)
                moment = moment[:count]
            read.update(port.name for port in step.ports)
        return count

    def _while_guards_hold(self, count: int) -> int:
        """How many ticks pass before a guard of the recipe no longer holds."""
        for turn, share in enumerate(self._shares):
            if not count:
                break
            if share.port.judge.conditions:
                count = share.guards_hold(self._seen_by_guards(turn, count), count)
        return count

    def _follow_guards(self, count: int) -> None:
        """Let guards note how near they came, at the ticks that are about to be taken."""
        for turn, share in enumerate(self._shares):
            if any(condition.nearest for condition in share.port.judge.conditions):
                share.follow_guards(self._seen_by_guards(turn, count), count)

    def _seen_by_guards(self, turn: int, count: int) -> list[Value]:
        """The memory as the guards of one share see it in the turn of its reading."""
        memory: list[Value] = [*self._run.memory]
        for other_turn, other in enumerate(self._shares):
            other.show_guards(memory, count, before=other_turn > turn)
        return memory

    def _keep(self, count: int) -> None:
        """Take the ticks that were worked out."""
        self._follow_guards(count)
        for share in self._shares:
            share.keep(count)
        for step in self._body:
            if step.further is not None:
                moments = next(s.moments for s in self._shares if s.port is step.ports[0])
                step.further.rows(moments[:count])
            step.count += count


class Turns(Blocks):
    """The turns of a loop without a grid: each begins when the one before it is over."""

    def __init__(self, run: Run, body: Sequence[Measure]) -> None:
        super().__init__(run, body, None)

    def _begins(self, k: int, count: int) -> Integers:
        """If a turn takes what the apertures say; where it doesn't, `_displaces` says so."""
        apertures_ns = (round(share.port.aperture_s * NANOSECONDS) for share in self._shares)
        return self._clock.now_ns + np.arange(count) * sum(apertures_ns)

    def _displaces(self, ends_ns: Integers, next_ns: Integers) -> Mask:
        displaced: Mask = ends_ns != next_ns
        return displaced

    def _is_due(self, next_due: Array, k: int) -> Mask:
        due: Mask = next_due <= self._shares[0].begins(len(next_due))
        return due
