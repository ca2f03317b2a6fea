"""One pair of terminals of a part that moves by its differential equation, as a circuit."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from drivers.clock import NANOSECONDS
from drivers.faults import SimulationError
from drivers.simulated.circuits.approach import AT_ONCE, Arrival
from drivers.simulated.circuits.circuit import Change, Happening, Means, Source, Watcher
from drivers.simulated.circuits.flow import Integers
from drivers.simulated.circuits.motion import Moment
from drivers.simulated.circuits.piece import Piece
from drivers.simulated.parts.base import Lever

if TYPE_CHECKING:
    from drivers.simulated.circuits.dynamic import Dynamics, Step


class DynamicPort:
    """One pair of terminals of a part as a circuit: see `Circuit` for what its methods give."""

    def __init__(self, dynamics: Dynamics, port: int) -> None:
        self._dynamics, self._port = dynamics, port
        self.stretch = 0
        self.ends_ns = 0
        self.changes: list[Change] = []
        self.happened: list[Happening] = []
        self.watchers: list[Watcher] = []

    def enter(self, piece: Piece, stretch: int, arriving: bool) -> None:
        """A piece begins. While a source arrives, control is nobody's yet."""
        if stretch != self.stretch and not arriving:
            self.changes.append(Change(piece.begin.s, stretch))
            self.stretch = stretch
        self._piece = piece
        self.ends_ns = piece.ends_ns
        for watcher in self.watchers:
            watcher(piece)

    def connect(self, source: Source, at_ns: int, arrival: Arrival = AT_ONCE) -> None:
        """Put another source before the part at that time."""
        self._dynamics.connect(self._port, source, Moment(at_ns), arrival)

    def move(self, lever: Lever, high: bool, at_ns: int) -> None:
        """Move a lever on the part at that time."""
        self._dynamics.move(lever, high, Moment(at_ns))

    def advance(self, to_ns: int) -> None:
        """Let the time up to then pass."""
        self._dynamics.advance(Moment(to_ns))

    look = advance

    def motion(self) -> Piece:
        """What the terminals do at present."""
        return self._piece

    def mean(self, start_ns: int, end_ns: int) -> tuple[float, float, float]:
        """Mean voltage (V), mean current (A), 1.0 where the level wasn't in control throughout."""
        if end_ns > self.ends_ns:
            self._dynamics.advance(Moment(start_ns))
            if end_ns > self.ends_ns:
                answer = self._across(self._dynamics.steps_ahead(), start_ns, end_ns)
                self._dynamics.advance(Moment(end_ns))
                return answer
        piece = self._piece
        ns, rest_s = piece.begin
        from_s, to_s = (start_ns - ns) / NANOSECONDS - rest_s, (end_ns - ns) / NANOSECONDS - rest_s
        return (
            piece.mean("voltage", from_s, to_s),
            piece.mean("current", from_s, to_s),
            piece.limited,
        )

    def _across(
        self, steps: Iterable[Step], start_ns: int, end_ns: int
    ) -> tuple[float, float, float]:
        """As `mean`, of a window that several steps share: the first of them holds its start."""
        start, end = Moment(start_ns), Moment(end_ns)
        duration_s = (end_ns - start_ns) / NANOSECONDS
        shares: list[tuple[Piece, float, float]] = []
        for step in steps:
            piece = step.pieces[self._port]
            from_s = max(start.since(piece.begin), 0.0)
            to_s = min(end.since(piece.begin), piece.duration_s)
            if to_s > from_s:
                shares.append((piece, from_s, to_s))
            if end.since(piece.begin) <= piece.duration_s:
                break
        limited = max(piece.limited for piece, _, _ in shares)
        if len(shares) == 1:
            ((piece, from_s, to_s),) = shares
            voltage = piece.mean("voltage", from_s, to_s)
            return voltage, piece.mean("current", from_s, to_s), limited
        voltage = current = 0.0
        for piece, from_s, to_s in shares:
            share = (to_s - from_s) / duration_s
            voltage += piece.mean("voltage", from_s, to_s) * share
            current += piece.mean("current", from_s, to_s) * share
        return voltage, current, limited

    def means(self, starts_ns: Integers, aperture_ns: int) -> Means:
        """The means of the next windows of one aperture, had nothing else happened meanwhile.

        They end where the part can't be solved any further: whoever comes there is told.
        """
        voltage, current = np.empty(len(starts_ns)), np.empty(len(starts_ns))
        done = 0
        steps: list[Step] = []
        ahead = self._dynamics.steps_ahead()
        while True:
            try:
                step = next(ahead)
            except SimulationError:
                break
            piece = step.pieces[self._port]
            if piece.limited != self._piece.limited or (
                step.happening is not None and piece is not self._piece
            ):
                break
            steps.append(step)
            ends_ns = piece.ends_ns
            if done < len(starts_ns) and starts_ns[done] < piece.begin.ns + 1:
                # Begun before this step: the window is shared with those before.
                end_ns = int(starts_ns[done]) + aperture_ns
                if end_ns > ends_ns:
                    continue
                voltage[done], current[done], _ = self._across(steps, end_ns - aperture_ns, end_ns)
                done += 1
            inside = int(np.searchsorted(starts_ns, ends_ns - aperture_ns, side="right"))
            if inside > done:
                ns, rest_s = piece.begin
                windows_ns = starts_ns[done:inside]
                from_s = (windows_ns - ns) / NANOSECONDS - rest_s
                to_s = (windows_ns + aperture_ns - ns) / NANOSECONDS - rest_s
                voltage[done:inside] = piece.mean("voltage", from_s, to_s)
                current[done:inside] = piece.mean("current", from_s, to_s)
                done = inside
            if done == len(starts_ns):
                break
            if starts_ns[done] > ends_ns:
                steps.clear()
        return Means(voltage[:done], current[:done], self._piece.limited)
