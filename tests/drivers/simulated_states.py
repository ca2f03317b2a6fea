"""The demo instrument with some figures changed, on a part, as tests of its states have it."""

from __future__ import annotations

from typing import Any

from drivers.channel import Acquisition, Setpoint
from drivers.clock import VirtualClock
from drivers.figures import Protections
from drivers.simulated.conditions import Conditions, Profile
from drivers.simulated.instruments.instrument import SimulatedChannel
from drivers.simulated.instruments.mishaps import Mishap
from drivers.simulated.parts.resistor import Resistor
from drivers.simulated.parts.supercapacitor import Supercapacitor
from drivers.simulated.wiring import circuit_of
from drivers.specification import load_specification

AT_1_MS = Acquisition(5.0, 5.0, 1e-3, None)
ROOM = Conditions().temperature


def resistor(ohms: float) -> Resistor:
    return Resistor.model_validate({"model": "resistor", "resistance": f"{ohms} ohm"})


def bank(volts: float = 0.0, ohms: float = 0.01) -> Supercapacitor:
    """10 F behind a resistance, without leakage."""
    return Supercapacitor.model_validate(
        {
            "model": "supercapacitor",
            "capacitance": "10 F",
            "series_resistance": f"{ohms} ohm",
            "initial": {"voltage": f"{volts} V"},
        }
    )


def channel(
    part: Resistor | Supercapacitor,
    ideal: bool = True,
    lead_resistance: float = 0.0,
    mishaps: tuple[Mishap, ...] = (),
    air: Profile = ROOM,
    **changes: Any,
) -> tuple[SimulatedChannel, VirtualClock]:
    """The demo instrument with some figures changed, on a part."""
    specification, _ = load_specification("demo-source-measure")
    assert specification is not None
    clock = VirtualClock()
    made = SimulatedChannel(
        "smu",
        specification.model_copy(update=changes),
        circuit_of(part.physics(Conditions())),
        clock,
        line_frequency_hz=50.0,
        lead_resistance=lead_resistance,
        ideal=ideal,
        conditions=Conditions(temperature=air),
        mishaps=mishaps,
    )
    made.configure(AT_1_MS)
    return made, clock


def on(made: SimulatedChannel, *setpoint: Any) -> None:
    made.program(Setpoint(*setpoint))
    made.switch(True)


def protected(volts: float | None = None, amperes: float | None = None) -> dict[str, Any]:
    bounds = Protections.model_construct(over_voltage=volts, over_current=amperes)
    return {"protections": bounds}
