"""One pulse on one channel: judged before it is made, then counted, put on record and judged.

An instrument's own pulse is blind while it lasts: what it could carry is counted beforehand as the
most that its level and limit let through. Knows no train of pulses and no clock's grid.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from drivers.channel import Pulse, PulsingChannel, Setpoint
from sequencer.engine.counting import most_flow
from sequencer.engine.judging import Bounds

if TYPE_CHECKING:
    from sequencer.engine.port import Port


def fire(port: Port, pulse: Pulse, share: float | None, trace: int, line: int) -> None:
    """Make one pulse; its one reading goes the way of every reading. Raises Failed or Tripped.

    `share` is the part of the time that a train of them is at its level, None for a single one.
    """
    setpoint, judge, counters = port.setpoint, port.judge, port.counters
    assert setpoint is not None
    held = Setpoint(setpoint.mode, pulse.level, pulse.low, pulse.high)
    flow = most_flow(held, port.ratings.get("voltage", (0.0, 0.0)))
    judge.before_pulse(port.part, flow, pulse.width_s, counters.tallies)
    port.pulse_lines.add(line)
    port.say_alive()
    began = port.now()
    counters.close_for_pulse(began, port.on)
    reading = cast("PulsingChannel", port.channel).pulse(pulse)
    ended = port.now()
    moment, voltage, current, limited, voltage_range, current_range = reading
    moment -= port.start
    power = voltage * current
    counted = counters.countable(current, power)
    near = counters.add_pulse(ended, pulse.width_s, *counted, flow)
    counters.uncounted_since = min(ended, began + pulse.width_s)
    port.last_time = moment
    port.show(voltage, current, limited)
    port.put(
        (
            moment, voltage, current, limited, pulse.level, voltage_range, current_range,
            counters.charge, counters.energy, trace, line,
        )
    )  # fmt: skip
    port.look_again()
    port.watch_anew()
    bounds = judge.per_pulse if share is None else judge.in_train
    if pulse.width_s < port.aperture_s:
        # Its aperture is no longer than the pulse, and so its noise is larger.
        bounds = Bounds(bounds.rated)
        bounds.work_out(*port.errors_over(pulse.width_s))
    if port.capturing is not None:
        port.capturing.pulse(began, pulse, setpoint.level, bounds)
    if not bounds.hold(voltage, current, power):
        judge.reading(bounds, voltage, current, power, held)
    if share is not None:
        judge.mean_power(power * share)
    if near:
        port.judge_tallies()
    if judge.conditions:
        port.hold_conditions(voltage, current, limited, pulse.level)
    if limited or ended >= port.next_poll:
        port.poll(ended)
