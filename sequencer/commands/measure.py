"""`measure`: one reading of a channel as it is set now, and how far it may be off."""

from __future__ import annotations

import math
from argparse import Namespace
from typing import TYPE_CHECKING, Any

from drivers.sensed import SENSED, difference
from grammar.quantity import CURRENT, VOLTAGE, write
from sequencer.checker.facts import RATED
from sequencer.commands.shared import Exit, Mistake, put_data, talk

if TYPE_CHECKING:
    from drivers.bench import BenchFile
    from drivers.channel import Reading
    from drivers.sensed_channel import SensedChannel


def measure(arguments: Namespace) -> int:
    """Take one reading; nothing is set, and no output is switched."""
    from sequencer import api

    terminal = talk(arguments)
    file = api.load_bench(arguments.bench)
    if arguments.channel not in file.channels:
        from grammar.wording import near

        close = near(arguments.channel, file.channels)
        raise Mistake(
            f"there is no channel {arguments.channel} on this bench",
            f"did you mean {close}?" if close else f"it has {', '.join(file.channels)}",
        )
    found = _read(file, arguments.channel)
    if arguments.json:
        put_data(found)
        return Exit.MET
    state = "on" if found["output"] else "off"
    terminal.say(terminal.heading(f"{found['channel']}, output {state}"))
    rows = []
    for name in ("voltage", "current", "power"):
        value, error, dimension = found[name], found[f"{name}_error"], RATED[name]
        rows.append([name, write(value, dimension, 6), f"± {write(error, dimension, 2)}"])
    if found["sensor"]:
        rows.append(_sensed(found))
    terminal.say(terminal.table(rows))
    if found["limited"]:
        terminal.say(terminal.paint("The limit is in control.", "yellow"))
    volts, amperes = found["voltage_range"], found["current_range"]
    terminal.say(
        terminal.paragraph(
            f"± is the largest error by the specification in the ranges {write(volts, VOLTAGE)} "
            f"and {write(amperes, CURRENT)}, with three standard deviations of the noise at the "
            "shortest aperture. Nothing was set.",
            "  ",
            "",
        )
    )
    return Exit.MET


def _read(file: BenchFile, name: str) -> dict[str, Any]:
    """The reading as plain data in SI. Raises BenchError, and Mistake where it can't be taken."""
    from drivers.bench import open_bench
    from drivers.scpi.channel import ScpiChannel
    from drivers.sensed_channel import SensedChannel
    from sequencer.engine.guards import reading_uncertainties

    opened = open_bench(file, [name])
    try:
        channel, sensed = opened.instruments[name], opened.channels[name]
        assert isinstance(channel, ScpiChannel)
        identity = channel.identify()
        state = channel.read_back()
        if not state.output and not channel.specification.can("measure open"):
            # Some instruments would switch their output on for a reading.
            raise Mistake(
                f"{name} is off, and can't measure with its output off",
                "`fusewire manual` switches on, under guards",
            )
        reading = channel.measure()
        ranges = channel.ranges()
    finally:
        opened.close()
    specification = file.specifications[name]
    volts, amperes = reading_uncertainties(
        specification, *ranges, specification.shortest_aperture, file.line_frequency_hz
    )
    voltage, current = reading.voltage, reading.current
    errors = (
        volts.of_value * abs(voltage) + volts.plus,
        amperes.of_value * abs(current) + amperes.plus,
    )
    found = {
        "channel": name,
        "instrument": " ".join(field for field in identity if field),
        "output": state.output,
        "voltage": voltage,
        "voltage_error": errors[0],
        "current": current,
        "current_error": errors[1],
        "power": voltage * current,
        # Of a product of two that are each off by so much at most.
        "power_error": abs(voltage) * errors[1] + abs(current) * errors[0] + errors[0] * errors[1],
        "limited": bool(reading.limited),
        "voltage_range": ranges[0],
        "current_range": ranges[1],
        "sensor": "",
    }
    if isinstance(sensed, SensedChannel):
        found |= _of_sensor(sensed, reading, errors, driven=state.output)
    return found


def _of_sensor(
    channel: SensedChannel, reading: Reading, errors: tuple[float, float], *, driven: bool
) -> dict[str, Any]:
    """What a sensor's reading means, None where the instrument isn't set for it as it is now.

    Nor is it known what another channel's sensor is to say first.
    """
    sensor = channel.sensor
    readable = (driven or sensor.reads == "voltage") and not isinstance(sensor.counts_from, str)
    value = channel.value(reading) if readable else None
    return {
        "sensor": sensor.gives,
        "method": sensor.method,
        "value": value,
        "value_error": channel.error(reading, errors) if readable else None,
    }


def _sensed(found: dict[str, Any]) -> list[str]:
    name, value = found["sensor"], found["value"]
    if value is None:
        return [name, "not to be read as the instrument is set now", ""]
    dimension, error = SENSED[name], found["value_error"]
    said = (
        write(value, dimension, 5) if math.isfinite(value) else "outside of what the sensor gives"
    )
    return [name, said, f"± {write(error, difference(dimension), 2)}" if error < math.inf else ""]
