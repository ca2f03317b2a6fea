"""The sensors of a bench file: what each channel reads through one, and whether it can read it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from drivers.located import Path, Places, suggestion, validate
from drivers.sensors import SENSORS, Sensor
from grammar.diagnostic import Problems
from grammar.quantity import CURRENT, VOLTAGE, write

if TYPE_CHECKING:
    from drivers.specification import Specification


def read_sensor(
    name: str, entry: Mapping[str, Any], problems: Problems, places: Places
) -> Sensor | None:
    """The sensor of a channel's entry; None where it has none, or a wrong one, which is told."""
    data = entry.get("sensor")
    path: Path = ("channels", name, "sensor")
    if not isinstance(data, dict):
        return None  # what is no table is told of with the channel's other keys
    kind, known = data.get("kind"), sorted(SENSORS)
    if kind is None:
        problems.error(
            "bench-missing",
            places.key(path),
            f"“channels.{name}.sensor” lacks “kind”",
            f'For example: kind = "platinum". {suggestion("", known)}',
        )
        return None
    if not isinstance(kind, str) or kind not in SENSORS:
        problems.error(
            "bench-sensor",
            places.value((*path, "kind")),
            f"there is no kind “{kind}” of a sensor",
            suggestion(str(kind), known),
        )
        return None
    return validate(SENSORS[kind], data, problems, places, "bench", path)


def judge_sensors(
    sensors: Mapping[str, Sensor],
    specifications: Mapping[str, Specification | None],
    problems: Problems,
    places: Places,
) -> None:
    """Every sensor's channel can read it, and its reference junction is read by another channel."""
    for name, sensor in sensors.items():
        path: Path = ("channels", name, "sensor")
        junction = sensor.counts_from
        if isinstance(junction, str):
            _judge_reference(junction, sensors, (*path, "reference"), problems, places)
        specification = specifications.get(name)
        if specification is not None:
            for key, words, hint in _lacking(sensor, specification):
                problems.error(
                    "bench-sensor",
                    places.value((*path, key)),
                    f"“channels.{name}.sensor”: {words} ({specification.title})",
                    hint,
                )


def _judge_reference(
    junction: str, sensors: Mapping[str, Sensor], path: Path, problems: Problems, places: Places
) -> None:
    read_by = sensors.get(junction)
    words = hint = ""
    if read_by is None:
        words = f"no channel “{junction}” of this bench reads a sensor"
        thermometers = [name for name, s in sensors.items() if s.gives == "temperature"]
        hint = suggestion(junction, thermometers) or 'Write its temperature: reference = "25 °C".'
    elif read_by.gives != "temperature":
        words = f"“{junction}” reads its {read_by.gives}, and a junction is told of in temperatures"
    elif isinstance(read_by.counts_from, str):
        words = f"“{junction}” is a thermocouple itself, whose reference is another channel"
        hint = "Take a sensor that reads by itself: a platinum resistor, a thermistor."
    if words:
        problems.error("bench-sensor", places.value(path), words, hint)


def _lacking(sensor: Sensor, specification: Specification) -> Iterator[tuple[str, str, str]]:
    """What an instrument lacks that a sensor needs: the key, what is wrong, and what to do."""
    excited, another = sensor.excited, "Take another instrument for it."
    if excited is not None and not specification.can("source"):
        yield "kind", "a resistance is measured by a current, and this can't source one", another
    if sensor.reads == "current" and not specification.can("source"):
        words = "a current is read at 0 V, and this can't hold that"
        yield "kind", words, "Read the voltage that it makes across a resistor."
    if excited is not None and excited.wires > 2 and not specification.can("remote sense"):
        words = f"{excited.wires} wires need remote sense, which this has not"
        yield "wires", words, "Wire it on 2, with the resistance of the leads under “leads”."
    for quantity, other in (("voltage", "current"), ("current", "voltage")):
        if sensor.reads != other and not specification.can(f"measure {quantity}"):
            yield "kind", f"its {quantity} is to be measured, which this can't", another
    volts, amperes = largest_signal(sensor)
    for magnitude, range_of, dimension in (
        (volts, specification.voltage_range, VOLTAGE),
        (amperes, specification.current_range, CURRENT),
    ):
        if range_of(magnitude) is None:
            words = (
                f"it gives up to {write(magnitude, dimension)}, more than any range of this holds"
            )
            less = "Write a smaller “excitation”." if excited is not None else another
            yield "excitation", words, less


def largest_signal(sensor: Sensor) -> tuple[float, float]:
    """The largest voltage (V) and current (A) that a channel sees of a sensor within its span."""
    reference = sensor.counts_from
    most = max(
        abs(end) for end in sensor.ends(reference if isinstance(reference, float) else 273.15)
    )
    excited = sensor.excited
    if excited is not None:
        return most * excited.current, excited.current
    return (most, 0.0) if sensor.reads == "voltage" else (0.0, most)
