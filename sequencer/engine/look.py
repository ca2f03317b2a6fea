"""The first look: what stands on the terminals before power, and the presence push.

Before the first `output on` of each part the runner looks with the output off, or at 0 A where the
channel can't, and refuses what doesn't fit. Then a push that harms nothing proves that the part is
there and the right way round, as far as its kind lets that be seen. Nothing here is judged by what
a simulation knows: only by readings.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drivers.channel import Setpoint
from drivers.kinds import ONE_WAY
from sequencer.engine.ending import Failed
from sequencer.engine.sense_leads import (
    in_amperes,
    in_volts,
    judge_sense,
    sense_leaves_force,
)

if TYPE_CHECKING:
    from drivers.channel import Reading
    from sequencer.engine.port import Port
    from sequencer.engine.run import Run

PICK_UP_V = 0.02
"""What open leads may pick up without a source (common practice, no source)."""
PUSH_SHARE = 0.01
PUSH_V = 0.05
PUSH_S = 0.5
LARGEST_REVERSE_V = 1.0
HOLDS_CHARGE = ("capacitor", "cell")
PASSES = ("resistor", "contact", "resettable fuse", "motor", "coil")


def first_look(port: Port, setpoint: Setpoint, run: Run) -> None:
    """Look at the part of a port and prove its presence. Raises Failed where it doesn't fit.

    Ranges are as before afterwards; what is programmed then is what the look needed last.
    """
    if port.kind is None:
        return
    fixed, widest = port.acquisition, port.channel.specification.voltage_ranges[-1].full_scale
    port.configure(fixed._replace(voltage_range=widest))
    seen = _terminals(port, run)
    if seen is None:
        port.configure(fixed)
        if port.kind.forces == "within its rating":
            raise Failed(
                f"{port.part}: {port.name} can measure neither with its output off nor at 0 A "
                f"under a two-sided limit, so nobody has seen what the {port.kind.name} holds",
                "bench",
            )
        run.say(f"{port.part}: its terminals can't be looked at before power; check them", True)
        return
    volts = seen.voltage
    run.event("look", f"{port.part}: {in_volts(volts)} on the terminals, output off", port)
    judge_sense(port, volts, PICK_UP_V, lambda: _terminals(port, run))
    _judge(port, volts)
    if port.not_pushed:
        run.event("push", f"{port.part}: not pushed, as the recipe says", port)
    elif port.kind.name in HOLDS_CHARGE:
        _push_store(port, volts, run)
    elif port.kind.name in ONE_WAY:
        _push_one_way(port, run)
    elif port.kind.name in PASSES:
        _push_through(port, volts, run)
    else:
        run.event("push", f"{port.part}: no push proves that a {port.kind.name} is there", port)
    if port.acquisition != fixed:
        port.configure(fixed)


def look_before_on(port: Port, setpoint: Setpoint, run: Run) -> None:
    """In current mode the limit must hold what the part brings, or it would take over at once."""
    if port.kind is None or port.kind.forces != "within its rating" or setpoint.mode != "current":
        return
    if port.on:
        volts = port.measure().voltage
    else:
        seen = _terminals(port, run)
        if seen is None:
            return
        volts = seen.voltage
    if not math.isfinite(volts):
        # Its error would be without bound as well, and any limit would seem to hold it.
        raise Failed(
            f"{port.part}: the voltage on the terminals is over the range of {port.name}, so "
            f"nobody can tell whether the limit of {in_volts(setpoint.low)} to "
            f"{in_volts(setpoint.high)} holds it; name a voltage range in `setup` that holds its "
            "rating",
            "recipe",
        )
    reach = port.voltage_error(volts)
    if not setpoint.low - reach <= volts <= setpoint.high + reach:
        raise Failed(
            f"{port.part}: {in_volts(volts)} on the terminals lies outside the limit of "
            f"{in_volts(setpoint.low)} to {in_volts(setpoint.high)}: the limit would take over and "
            f"reverse the current",
            "recipe",
        )


def _terminals(port: Port, run: Run) -> Reading | None:
    """A reading with no power: output off where the channel can, else at 0 A; None if neither."""
    specification = port.channel.specification
    if specification.can("measure open"):
        return port.look()
    if specification.can("two-sided limit") and specification.can("source"):
        before = port.setpoint
        # A limit that the part lies outside would take over and drive it: the widest that there is.
        widest = specification.largest_voltage
        port.program(Setpoint("current", 0.0, -widest, widest))
        run.event("look", f"{port.part}: on at 0 A, for a look", port)
        run.on(port)
        reading = port.look()
        run.off(port)
        if before is not None:
            port.program(before)
        return reading
    return None


def _judge(port: Port, volts: float) -> None:
    assert port.kind is not None
    low, high = port.ratings["voltage"]
    error = port.voltage_error(volts)
    kind = port.kind.name
    if not math.isfinite(volts):
        raise Failed(f"{port.part}: the voltage on the terminals is over range", "person")
    if volts < low - error and low <= -volts <= high:
        raise Failed(
            f"{port.part}: {in_volts(volts)} on the terminals: the {kind} is charged and connected "
            f"the wrong way round; discharge it, then swap its leads",
            "person",
        )
    if not low - error <= volts <= high + error:
        raise Failed(
            f"{port.part}: {in_volts(volts)} on the terminals, outside its rating of "
            f"{in_volts(low)} to {in_volts(high)}: the {kind} is charged beyond what it bears, or "
            "it is another part",
            "person",
        )
    if port.kind.forces == "nothing" and abs(volts) > error + PICK_UP_V:
        raise Failed(
            f"{port.part}: {in_volts(volts)} on the terminals, and a {kind} brings none by itself: "
            f"something else is connected",
            "person",
        )


def _push(
    port: Port, level: float, low: float, high: float, run: Run
) -> tuple[Reading, Reading, float]:
    """A small current for half a second: its first and last reading, and their error (A)."""
    specification = port.channel.specification
    if not specification.can("two-sided limit"):
        high = max(abs(low), abs(high))
        low = -high
    volts = specification.voltage_range(max(abs(low), abs(high)))
    amperes = specification.current_range(abs(level))
    if volts is None or amperes is None:
        raise Failed(f"{port.part}: no range of {port.name} holds the presence push", "bench")
    port.configure(
        port.acquisition._replace(voltage_range=volts.full_scale, current_range=amperes.full_scale)
    )
    port.program(Setpoint("current", level, low, high))
    run.event("look", f"{port.part}: on at {in_amperes(level)}, for the presence push", port)
    run.on(port)
    start = run.now()
    first = port.measure()
    run.wait_until(start + PUSH_S - port.aperture_s)
    last = port.measure()
    error = port.current_error(level)
    unlike = sense_leaves_force(port, level, last, error)
    run.off(port)
    if unlike:
        raise Failed(unlike, "person")
    return first, last, error


def _within_rating(port: Port, bound: float, reach: float = 0.0) -> float:
    """A voltage rating (V) as a limit that neither error nor overshoot carries past it.

    `reach` is the largest voltage that the push's range has to hold besides.
    """
    specification = port.channel.specification
    in_range = (
        specification.voltage_range(max(abs(bound), reach)) or specification.voltage_ranges[-1]
    )
    source = in_range.source
    error = source.of_value * abs(bound) + source.plus + specification.overshoot.voltage
    return math.copysign(max(abs(bound) - error, 0.0), bound)


def _push_store(port: Port, volts: float, run: Run) -> None:
    """A capacitor or cell takes the push; open leads run into its limit and keep nothing."""
    reach = abs(volts) + PUSH_V
    low, high = (_within_rating(port, bound, reach) for bound in port.ratings["voltage"])
    level = PUSH_SHARE * port.ratings["current"][1]
    # It may lose charge by itself meanwhile: outside of the limit the limit would take over, with
    # all that the instrument can push. So all between it and zero lies within, and beyond zero and
    # beyond what was seen there is room; only the side that it is pushed to has to be borne.
    ceiling, floor = max(volts, 0.0) + PUSH_V, min(volts, 0.0) - PUSH_V
    gives = port.channel.specification.can("source")
    if min(ceiling, high) - volts < PUSH_V / 2 or level <= 0 or not gives:
        # Full to the brim, never to be charged, or by nobody here: push the other way.
        level = PUSH_SHARE * port.ratings["current"][0]
        if not port.channel.specification.can("two-sided limit") and low > -ceiling:
            # A limit of one magnitude would let the push empty a small one and reverse it.
            run.say(
                f"{port.part}: it is full, and {port.name} can't push it the other way without "
                f"reversing it: not pushed",
                True,
            )
            return
    if level > 0:
        ceiling = min(ceiling, high)
    else:
        floor = max(floor, low)
    first, last, error = _push(port, level, floor, ceiling, run)
    took = abs(first.current) > abs(level) / 2 and not first.limited
    if not took and abs(last.current) <= max(5 * error, abs(level) / 2):
        after = _terminals(port, run)
        kept = after is not None and abs(after.voltage - volts) > PUSH_V / 4
        if not kept:
            raise Failed(
                f"{port.part}: pushed with {in_amperes(abs(level))}, and the terminals ran to "
                f"{in_volts(last.voltage, 4)} at once and kept nothing: the part is absent, or a "
                f"lead is off",
                "person",
            )
    run.event("push", f"{port.part}: took {in_amperes(abs(level))}: it is there", port)


def _push_one_way(port: Port, run: Run) -> None:
    """A diode passes the push forward; one that passes it backward is reversed."""
    low, high = (_within_rating(port, bound) for bound in port.ratings["voltage"])
    back, level = (PUSH_SHARE * bound for bound in port.ratings["current"])
    _, last, _ = _push(port, level, max(low, -PUSH_V), high, run)
    if last.current > level / 2:
        run.event("push", f"{port.part}: passed {in_amperes(level)} forward: it is there", port)
        return
    if not back < 0:
        raise Failed(
            f"{port.part}: pushed with {in_amperes(level)}, and nothing passed: the {_kind(port)} "
            f"is connected the wrong way round, it is absent, or a lead is off",
            "person",
        )
    _, last, _ = _push(port, back, max(low, -LARGEST_REVERSE_V), min(high, PUSH_V), run)
    if last.current < back / 2:
        raise Failed(
            f"{port.part}: it passes current backward and none forward: the {_kind(port)} is "
            f"connected the wrong way round; swap its leads",
            "person",
        )
    raise Failed(
        f"{port.part}: pushed with {in_amperes(level)}, and nothing passed either way: the part is "
        f"absent, or a lead is off",
        "person",
    )


def _push_through(port: Port, volts: float, run: Run) -> None:
    """What conducts passes the push; where nothing is seen, absence can't be told from ohms."""
    low, high = (_within_rating(port, bound) for bound in port.ratings["voltage"])
    level = PUSH_SHARE * port.ratings["current"][1]
    low, high = max(low, volts - PUSH_V), min(high, volts + PUSH_V)
    _, last, error = _push(port, level, low, high, run)
    if abs(last.current) > 5 * error:
        run.event("push", f"{port.part}: passed {in_amperes(last.current)}: it is there", port)
    else:
        run.say(
            f"{port.part}: no current at {in_volts(last.voltage, 3)}: a high resistance, or "
            "nothing there",
            True,
        )


def _kind(port: Port) -> str:
    return port.kind.name if port.kind is not None else "part"
