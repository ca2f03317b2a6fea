"""A circuit around a part that moves by a differential equation, at one pair of terminals or more.

Between two events the state moves smoothly: an error-controlled integrator (`integrator.py`) takes
steps as long as they can be, whatever is measured meanwhile; each becomes pieces of polynomials,
from which readings, samples and energies are taken. Events end a smooth stretch of time: control
that passes along a source's staircase, a part that gives way, a condition that bends.

The solver may be ahead of the bench's time; when a source changes, what it had foreseen is dropped.
"""

from __future__ import annotations

import itertools
from bisect import bisect_left
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

import numpy as np

from drivers.faults import SimulationError
from drivers.simulated.circuits.approach import Approach, Arrival, approach
from drivers.simulated.circuits.circuit import OPEN, Happening, Source
from drivers.simulated.circuits.dynamic_port import DynamicPort
from drivers.simulated.circuits.equations import NO_TIME_S, Equations
from drivers.simulated.circuits.flow import Array
from drivers.simulated.circuits.integrator import Integrator
from drivers.simulated.circuits.motion import Moment
from drivers.simulated.circuits.piece import POINTS, Piece, curve_of, fit
from drivers.simulated.parts.base import Break, Dynamic, Lever

_HORIZON_S = 1e9
# A margin counts as used up only where it is so far below zero. The way back along which control
# has just come takes more: both sides of a corner are the same but for rounding, which a small
# current through a small resistance magnifies.
_SAME = 1e-11
_SAME_BACK = 1e-8
_HALVINGS = 100
_MOST_EVENTS = 100
# Steps so much shorter than the time since the last event, so often, don't come to anything.
_SMALL = 1e-13
_MOST_SMALL = 20
_STEPS_TOGETHER = 8

START = Moment(0)
StateAt = Callable[[float], Array]


class Step(NamedTuple):
    """A piece of time: what each port does in it, and the state at any time after its begin (s).

    `happening` is what the part does at its begin, where it gives way there.
    """

    begin: Moment
    duration_s: float
    pieces: tuple[Piece, ...]
    state_at: StateAt
    equations: Equations
    happening: Happening | None = None


class _Event(NamedTuple):
    """The last moment (s) before a margin is used up, the first after it, and which one it is.

    What follows begins after it, in the state before: on the very corner a law may be at its end,
    as a junction is at the current that it blocks with.
    """

    time_s: float
    after_s: float
    which: int


class Dynamics:
    """A part with its sources, moved by its differential equation; `ports` are its circuits.

    It begins with nothing at its terminals unless there are `sources`; `name` is the part's on the
    bench, for messages.
    """

    def __init__(
        self,
        part: Dynamic,
        name: str = "the part",
        begin: Moment = START,
        sources: Sequence[Source | Approach] = (),
    ) -> None:
        self._name = name
        count = len(part.inductances)
        self._sources = list(sources) or [OPEN] * count
        coils = sum(henries > 0 for henries in part.inductances)
        self._steps: deque[Step] = deque()
        self._events = 0
        self.ports = tuple(DynamicPort(self, port) for port in range(count))
        self._begin(part, begin, [*part.initial, *[0.0] * coils])
        self._enter()

    # What has been foreseen, and where the bench's time is in it.

    def advance(self, moment: Moment) -> None:
        """Let the time up to a moment pass; what begins on the way is told as it begins."""
        while moment.since(self._steps[0].begin) > self._steps[0].duration_s:
            self._foresee_to(2)
            self._steps.popleft()
            self._enter()

    def steps_ahead(self) -> Iterator[Step]:
        """The present step and those after it, solved as they are asked for; spends nothing."""
        for number in itertools.count():
            self._foresee_to(number + 1)
            yield self._steps[number]

    def connect(self, port: int, source: Source, moment: Moment, arrival: Arrival) -> None:
        """Put another source before a pair of terminals at a moment."""
        self.advance(moment)
        step = self._steps[0]
        state = step.state_at(moment.since(step.begin)).tolist()
        equations = step.equations
        at = equations.at_ports(moment.since(equations.origin), state)[port]
        self._sources[port] = approach(source, moment, arrival, at.at_source, at.current)
        self._begin(equations.part, moment, state)
        self._enter(port)

    def move(self, lever: Lever, high: bool, moment: Moment) -> None:
        """Move a lever on the part at a moment: what had been foreseen is dropped."""
        self.advance(moment)
        step = self._steps[0]
        z = step.state_at(moment.since(step.begin)).tolist()
        lever.high = high
        self._begin(step.equations.part, moment, z)
        self._enter()

    def _enter(self, connected: int | None = None) -> None:
        """The first step begins; at one port because another source was connected there."""
        step = self._steps[0]
        for number, port in enumerate(self.ports):
            if step.happening is not None:
                port.happened.append(step.happening)
            if number == connected:
                port.stretch = self._expected(number)
            arriving = isinstance(step.equations.sources[number], Approach)
            port.enter(step.pieces[number], step.equations.stretches[number], arriving)

    def _expected(self, port: int) -> int:
        """The stretch that a port is to come to, were its source at its goal at once."""
        equations = self._steps[0].equations
        goals = [s if isinstance(s, Source) else s.goal for s in equations.sources]
        z = self._steps[0].state_at(0.0).tolist()
        stretches, _ = Equations(equations.part, goals, (), equations.origin).settled(z)
        return stretches[port]

    # Solving.

    def _begin(self, part: Dynamic, moment: Moment, z: list[float]) -> None:
        """Begin anew, with a state that may have jumped; the steps foreseen are void."""
        stretches, z = Equations(part, self._sources, (), moment).settled(z)
        self._steps.clear()
        self._events = 0
        self._go_on(part, stretches, moment, z)
        self._foresee_to(1)

    def _go_on(
        self,
        part: Dynamic,
        stretches: Sequence[int],
        moment: Moment,
        z: list[float],
        happening: Happening | None = None,
    ) -> None:
        """A smooth stretch of time begins at a moment with a state."""
        kinks_s: list[float] = []
        for port, source in enumerate(self._sources):
            if isinstance(source, Approach):
                since_s = moment.since(source.begin)
                left_s = [kink_s - since_s for kink_s in source.kinks]
                kinks_s += left_s
                if left_s[-1] <= NO_TIME_S:
                    self._sources[port] = source.goal
        self._equations = Equations(part, self._sources, stretches, moment)
        self._origin, self._done_s, self._z = moment, 0.0, z
        self._happening, self._small, self._back = happening, 0, -1
        kinks_s.append(self._equations.until_kink_s)
        self._bound_s = min([s for s in kinks_s if s > NO_TIME_S] + [_HORIZON_S])
        self._solver = self._make_solver() if z else None

    def _make_solver(self) -> Integrator:
        equations = self._equations
        sizes = [*equations.part.magnitudes, *[1e-3] * len(equations.place_of)]
        first_s = min(equations.first_step(self._z, sizes), self._bound_s)
        return Integrator(
            lambda t, z: equations.rates(t, z.tolist()), self._z, self._bound_s, first_s, sizes
        )

    def _foresee_to(self, count: int) -> None:
        """Solve on until so many steps are known."""
        while len(self._steps) < count:
            self._foresee()

    def _foresee(self) -> None:
        """Solve on from what is known, by a few steps of the solver or to an event."""
        equations, origin = self._equations, self._origin
        begin_s = self._done_s
        end_s, state_at = self._solved()
        margins_at: dict[float, list[float]] = {}
        seen_at: dict[float, Array] = {}

        def seen(time_s: float) -> Array:
            if time_s not in seen_at:
                z = state_at(time_s).tolist()
                found = equations.at_ports(time_s, z)
                margins_at[time_s] = equations.margins(time_s, z, found)
                values = [value for at in found for value in (at.seen, at.current)]
                seen_at[time_s] = np.array(values)
            return seen_at[time_s]

        for point in POINTS:
            seen(begin_s + point * (end_s - begin_s))
        event = self._first_event(margins_at, seen, begin_s, end_s)
        # What comes after an event needn't make sense: it is left alone.
        for left_s, right_s, values in fit(seen, begin_s, event.time_s if event else end_s):
            sooner = self._first_event(margins_at, seen, left_s, right_s)
            if sooner is None:
                self._add(left_s, right_s, values, state_at)
                continue
            if sooner.time_s > left_s:
                span_s = sooner.time_s - left_s
                values = np.array([seen(left_s + point * span_s) for point in POINTS])
                self._add(left_s, sooner.time_s, values, state_at)
            event = sooner
            break
        if event is not None:
            z = state_at(event.time_s).tolist()
            self._happens(event.which, origin.later(event.after_s), z)
            return
        self._events = 0
        if end_s >= self._bound_s:
            z = state_at(end_s).tolist()
            self._go_on(equations.part, equations.stretches, origin.later(end_s), z)

    def _solved(self) -> tuple[float, StateAt]:
        """The end of the next steps of the solver (s after the origin), and the state until then.

        A polynomial piece is good for several of its steps.
        """
        solver = self._solver
        if solver is None:
            self._done_s = self._bound_s
            return self._bound_s, lambda _: np.empty(0)
        if solver.status == "failed":
            raise self._stuck("the solver doesn't come any further")
        ends_s: list[float] = []
        dense: list[StateAt] = []
        while solver.status == "running" and len(dense) < _STEPS_TOGETHER:
            begin_s = solver.t
            if not solver.step():
                if dense:
                    break  # perhaps beyond an event: to be met when it is come to
                raise self._stuck("the solver doesn't come any further")
            self._small = self._small + 1 if solver.t - begin_s < _SMALL * solver.t else 0
            if self._small > _MOST_SMALL:
                raise self._stuck("its steps shrink to nothing")
            ends_s.append(solver.t)
            dense.append(solver.dense_output())
        self._done_s = ends_s[-1]
        return self._done_s, lambda t: dense[min(bisect_left(ends_s, t), len(dense) - 1)](t)

    def _stuck(self, why: str) -> SimulationError:
        time_s = self._origin.s + self._done_s
        where = f"{time_s:.9g} s"
        state = self._solver.y if self._solver is not None else self._z
        if len(state):
            where += f", in the state ({', '.join(f'{value:.6g}' for value in state)})"
        return SimulationError(
            f"“{self._name}” can't be simulated past {where}: {why}",
            "Look at its parameters in the bench file: two of them may contradict each other.",
        )

    def _add(self, left_s: float, right_s: float, values: Array, state_at: StateAt) -> None:
        stretches = self._equations.stretches
        begin = self._origin.later(left_s)
        pieces = tuple(
            Piece(
                begin,
                right_s - left_s,
                curve_of(values[:, 2 * port]),
                curve_of(values[:, 2 * port + 1]),
                float(stretch != self._level(port)),
            )
            for port, stretch in enumerate(stretches)
        )
        happening, self._happening = self._happening, None
        self._steps.append(
            Step(
                begin,
                right_s - left_s,
                pieces,
                lambda time_s: state_at(left_s + time_s),
                self._equations,
                happening,
            )
        )

    def _level(self, port: int) -> int:
        """The stretch in which a port's level is in control."""
        source = self._sources[port]
        return source.level if isinstance(source, Source) else source.goal.level

    def _first_event(
        self,
        margins_at: dict[float, list[float]],
        seen: Callable[[float], Array],
        left_s: float,
        right_s: float,
    ) -> _Event | None:
        """When the first margin is used up within a time, and which; None where none is."""
        times = sorted(t for t in margins_at if left_s <= t <= right_s)
        good_s = left_s
        for time_s in times:
            used = [
                k
                for k, margin in enumerate(margins_at[time_s])
                if margin < -(_SAME_BACK if k == self._back else _SAME)
            ]
            if not used:
                good_s = time_s
                continue
            bad_s = time_s
            for _ in range(_HALVINGS):
                middle_s = (good_s + bad_s) / 2
                if not good_s < middle_s < bad_s:
                    break
                seen(middle_s)
                now = [k for k in used if margins_at[middle_s][k] < 0]
                if now:
                    bad_s, used = middle_s, now
                else:
                    good_s = middle_s
            return _Event(good_s, bad_s, used[0])
        return None

    def _happens(self, which: int, moment: Moment, z: list[float]) -> None:
        """Control passes at a port, or the part gives way."""
        self._events += 1
        if self._events > _MOST_EVENTS:
            raise self._stuck("control passes to and fro without end")
        part, stretches = self._equations.part, list(self._equations.stretches)
        port, way = divmod(which, 2)
        if port < len(stretches):
            stretches[port] += 1 if way else -1
            self._go_on(part, stretches, moment, z)
            self._back = 2 * port + (1 - way)
            return
        changed = self._break(which).then(moment.s, tuple(z[: self._equations.size]))
        coils = {p: z[place] for p, place in self._equations.place_of.items()}
        new = changed.physics
        z = [*new.initial]
        z += [coils.get(p, 0.0) for p, henries in enumerate(new.inductances) if henries > 0]
        stretches, z = Equations(new, self._sources, (), moment).settled(z)
        happening = Happening(moment.s, changed.text, changed.damage)
        self._go_on(new, stretches, moment, z, happening)

    def _break(self, which: int) -> Break:
        return self._equations.part.breaks[which - 2 * len(self._sources)]
