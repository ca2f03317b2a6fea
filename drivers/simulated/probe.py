"""What truly happens at the terminals of a simulated bench, told to whoever wants to judge it.

A probe follows every motion of a circuit, whatever is measured: so a test can hold what was
promised of voltage, current and power against all of the time, not only against the readings.
Nothing of it costs anything where no probe is asked for. It never changes a run.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from drivers.simulated.circuits.circuit import Circuit
from drivers.simulated.circuits.motion import Moment, Motion, Span


class TrueInterval(NamedTuple):
    """What the terminals of a channel did from one switching or passing of control to the next.

    Times are those of the bench clock (s). The extremes of voltage (V), current (A) and power (W,
    positive into the part) are exact. `energy_j` and `charge_c` are what has gone into the part, at
    the terminals and net, from the bench's opening to the interval's end. `output` says whether the
    output was on. An interval of no length is a state that was passed through, as between the
    programming of a level and that of its limit.
    """

    channel: str
    begin_s: float
    end_s: float
    output: bool
    voltage: Span
    current: Span
    power: Span
    energy_j: float
    charge_c: float


Tell = Callable[[TrueInterval], None]


class Probe:
    """Tells of one circuit's intervals as they end; the instrument says how its output is."""

    def __init__(self, channel: str, circuit: Circuit, tell: Tell) -> None:
        self._output = self._next_output = False
        self._channel = channel
        self._tell = tell
        self._motion = circuit.motion()
        self._energy_j = self._charge_c = 0.0
        circuit.watchers.append(self._follow)

    def switched(self, output: bool) -> None:
        """The output is on or off from the next motion on."""
        self._next_output = output

    def _follow(self, motion: Motion) -> None:
        self.tell_until(motion.begin)
        self._motion, self._output = motion, self._next_output

    def tell_until(self, moment: Moment) -> None:
        """Tell of the interval that ends now; the next one goes on from here."""
        motion = self._motion
        duration_s = max(0.0, moment.since(motion.begin))
        over = motion.over(duration_s)
        self._charge_c += over.charge_c
        self._energy_j += over.energy_j
        self._tell(
            TrueInterval(
                self._channel,
                motion.begin.s,
                moment.s,
                self._output,
                over.voltage,
                over.current,
                over.power,
                self._energy_j,
                self._charge_c,
            )
        )
        self._motion = motion.after(duration_s)
