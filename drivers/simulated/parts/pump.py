"""An air pump: a motor, the pump on its shaft, the vessel it fills, and a sensor of its pressure.

    Q   = D·η·ω·tanh(ω/ω_s),   η = max(0, 1 − c·p/p_a)           air taken in, as it is outside
    M   = D·η·tanh(ω/ω_s)·p_a·ln(1 + p/p_a)                      torque that the pump takes
    dp/dt = (p_a/V)·(Q − (G + G_v)·p)                            the vessel fills and leaks
    τ · dp_s/dt = p − p_s                                        what the sensor has felt of it

The first pair of terminals, `motor`, is that of the motor (motor.py, its parameters under
`motor`), the second, `sensor`, that of the sensor (pressure_sensor.py, under `sensor`), which feels
p with a `lag` τ (s). p is the pressure above the outside's.

`displacement` is what a turn takes in (m³; D is that for each radian), whichever way it turns,
since valves rectify it. `dead_volume` c is the share of it that is never pushed out: compression
ends where it holds the whole of what was taken in, at p = p_a/c. `volume` V (m³), `leak` G
(m³/(s·Pa), laminar, measured outside), `ambient_pressure` p_a (Pa). `initial` is the vessel's
`pressure` at the start.

A `valve` on the vessel hangs on a digital `line`, through a driver: while it is open (`opens_when`
the line is "low" or "high") it `passes` G_v (m³/(s·Pa), as the leak), else nothing. A line that was
not written to yet is low. The moment of the switch is exact; the valve itself takes no time.

Air is taken as an ideal gas at one temperature (Boyle's law): what a filled vessel could give back
is then V·((p_a + p)·ln(1 + p/p_a) − p), its exergy, and pump, vessel and leak keep the balance.

Damage: what motor.py states of the motor; the vessel bursts above `bears_pressure`. Left out: the
air's warming by compression, choked flow, the pulses of single strokes, the valves' own pressure.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, field_validator, model_validator

from drivers.fields import Data, QuantityOf, Ratio
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.base import (
    AtPort,
    Break,
    Changed,
    Dynamic,
    Lever,
    PartModel,
    Static,
    Vector,
)
from drivers.simulated.parts.motor import CREEP_RAD_PER_S, Machine, Rotor, standing
from drivers.simulated.parts.ohmic import Ohmic
from drivers.simulated.parts.pressure_sensor import Pascals, PressureSensor
from grammar.quantity import LENGTH, PRESSURE, TIME

Volume = Annotated[float, BeforeValidator(QuantityOf(LENGTH.power(3), "250 cm^3"))]
FlowPerPressure = Annotated[
    float,
    BeforeValidator(
        QuantityOf(LENGTH.power(3).over(TIME.times(PRESSURE)), "0.3 cm^3/s/bar"),
    ),
]

EMPTIES_S = 1e-3
"""In about which time a burst vessel is empty."""

EXAMPLE = """
[parts.pump]                             # the air pump of the shielded thermometer
model = "pump"
displacement = "0.6 cm^3"
dead_volume = "20 %"
volume = "250 cm^3"
leak = "0.3 cm^3/s/bar"
ambient_pressure = "895 hPa"
bears_pressure = "4 bar"
valve = { line = "vent", opens_when = "high", passes = "180 cm^3/s/bar" }
initial = { pressure = "0 Pa" }

[parts.pump.motor]
resistance = "1.8 ohm"
inductance = "1.5 mH"
constant = "25 mV*s"
inertia = "8e-6 kg*m^2"
viscous_friction = "4e-6 N*m*s"
friction_torque = "3 mN*m"
heating = { heat_capacity = "18 J/K", thermal_resistance = "14 K/W", bears = "130 °C" }
bears_speed = "9000 rpm"
initial = { speed = "0 rpm" }

[parts.pump.sensor]
reads = "gauge"
zero = "0.5 V"
full = "4.5 V"
full_pressure = "2.5 bar"
lowest = "0.2 V"
highest = "4.8 V"
output_resistance = "100 ohm"
lag = "2 ms"

[digital.vent]                           # through a driver
"""


class Filled(Data):
    """The vessel's pressure above the outside's at the start (Pa)."""

    pressure: Pascals


class Valve(Data):
    """A valve on the vessel: what it hangs on, when it is open, and what it passes then."""

    line: str = Field(min_length=1, examples=["vent"])
    opens_when: Literal["low", "high"] = Field(examples=["low"])
    passes: FlowPerPressure = Field(gt=0, examples=["250 cm^3/s/bar"])

    @field_validator("line")
    @classmethod
    def _is_a_name(cls, value: str) -> str:
        if not value.isidentifier():
            raise ValueError(f'is “{value}”: it must be the name of a digital line, as in "vent"')
        return value


class Pump(PartModel):
    """The parameters of a pump with its vessel and its sensor."""

    model: Literal["pump"]
    motor: Machine
    displacement: Volume = Field(gt=0, examples=["0.6 cm^3"])
    dead_volume: Ratio = Field(default=0.0, ge=0, lt=1, examples=["20 %"])
    volume: Volume = Field(gt=0, examples=["250 cm^3"])
    leak: FlowPerPressure = Field(default=0.0, ge=0, examples=["0.3 cm^3/s/bar"])
    ambient_pressure: Pascals = Field(default=101325.0, gt=0, examples=["895 hPa"])
    bears_pressure: Pascals | None = Field(default=None, gt=0, examples=["4 bar"])
    valve: Valve | None = None
    sensor: PressureSensor
    initial: Filled | None = None

    @model_validator(mode="after")
    def _holds_together(self) -> Pump:
        pressure = self.initial.pressure if self.initial else 0.0
        if pressure <= -self.ambient_pressure:
            raise ValueError(
                f"begins at {pressure:g} Pa against the outside, which is less than nothing: the "
                f"outside has {self.ambient_pressure:g} Pa"
            )
        if self.bears_pressure is not None and pressure >= self.bears_pressure:
            raise ValueError(
                f"begins at {pressure:g} Pa, and bears no more than {self.bears_pressure:g} Pa: "
                "write a lower “initial” pressure"
            )
        return self

    @property
    def ports(self) -> tuple[str, ...]:
        """The motor's terminals, then the sensor's."""
        return "motor", "sensor"

    @property
    def lines(self) -> Mapping[str, str]:
        """That of the valve."""
        return {} if self.valve is None else {"valve": self.valve.line}

    def physics(self, conditions: Conditions) -> Dynamic:
        """The pump at its first speed and pressure; its sensor has felt the latter."""
        return self.on_lines(conditions, {})

    def on_lines(self, conditions: Conditions, levers: Mapping[str, Lever]) -> Dynamic:
        """The same, with a lever on its valve; one that nothing moves is low."""
        pressure = self.initial.pressure if self.initial else 0.0
        initial = (pressure, pressure, *standing(self.motor, conditions))
        lever = levers.get(self.valve.line) if self.valve else None
        return FilledVessel(self, conditions, initial, lever or Lever())


class FilledVessel:
    """A pump as physics: its state is p and p_s (Pa), then the motor's."""

    def __init__(self, part: Pump, conditions: Conditions, initial: Vector, lever: Lever) -> None:
        self.initial = initial
        self._rotor = Rotor(part.motor, conditions, initial[2:])
        ambient = part.ambient_pressure
        self.magnitudes: Vector = (ambient, ambient, *self._rotor.magnitudes)
        self.inductances: Vector = (*self._rotor.inductances, 0.0)
        self.kinks = self._rotor.kinks
        self._displacement = part.displacement / math.tau
        self._dead, self._ambient = part.dead_volume, part.ambient_pressure
        self._volume, self._leak = part.volume, part.leak
        self._lever, self._passes, self._opens_high = lever, 0.0, False
        if part.valve is not None:
            self._passes, self._opens_high = part.valve.passes, part.valve.opens_when == "high"
        self._sensor, self._lag = part.sensor, part.sensor.lag
        self._outside = ambient if part.sensor.reads == "absolute" else 0.0
        self.breaks: Sequence[Break] = [
            *_of_motor(part, conditions, self._rotor, lever),
            *_of_vessel(part, conditions, lever),
        ]

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        """The motor's law, and the sensor's voltage behind its resistance."""
        if port == 0:
            return self._rotor.law(0, time_s, state[2:], before)
        return Ohmic(self._sensor.output_resistance, self._sensor.says(self._outside + state[1]))

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        """dp/dt, dp_s/dt, and the motor's."""
        pressure, felt, speed = state[:3]
        stroke = self._stroke(speed, pressure)
        torque = stroke * self._ambient * self._head(pressure)
        turned = self._rotor.turned(time_s, state[2:], ports[0].current, torque)
        filling = (stroke * speed - self._leaks() * pressure) * self._ambient / self._volume
        return (filling, (pressure - felt) / self._lag, *turned)

    def stored(self, state: Vector) -> float:
        """What the rotor's speed and the vessel's air could give back (J)."""
        pressure = state[0]
        air = (self._ambient + pressure) * self._head(pressure) - pressure
        return self._rotor.stored(state[2:]) + self._volume * air

    def lost(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
        """Heat of the motor, air that leaks, and what the sensor takes or gives (W)."""
        pressure = state[0]
        leaking = self._leaks() * pressure * self._ambient * self._head(pressure)
        sensor = ports[1].voltage * ports[1].current
        return self._rotor.lost(time_s, state[2:], ports) + leaking + sensor

    def _leaks(self) -> float:
        """What leak and valve pass together (m³/(s·Pa))."""
        is_open = self._lever.high == self._opens_high
        return self._leak + self._passes if is_open else self._leak

    def _stroke(self, speed: float, pressure: float) -> float:
        """Air moved for each radian (m³), its sign that of the speed."""
        share = max(0.0, 1 - self._dead * pressure / self._ambient)
        return self._displacement * share * math.tanh(speed / CREEP_RAD_PER_S)

    def _head(self, pressure: float) -> float:
        """ln(1 + p/p_a): the work of compression for each joule of p_a·Q."""
        return math.log1p(max(pressure / self._ambient, -0.999999))


def _of_motor(part: Pump, conditions: Conditions, rotor: Rotor, lever: Lever) -> list[Break]:
    """The motor's breaks, in which the pump remains around what is left of the motor."""

    def lifted(one: Break) -> Break:
        def then(time_s: float, state: Vector) -> Changed:
            changed = one.then(time_s, state[2:])
            rest = changed.physics
            assert isinstance(rest, Rotor)
            around = part.model_copy(update={"motor": rest.machine})
            pump = FilledVessel(around, conditions, (*state[:2], *rest.initial), lever)
            return changed._replace(physics=pump)

        return Break(lambda time_s, state, ports: one.margin(time_s, state[2:], ports), then)

    return [lifted(one) for one in rotor.breaks]


def _of_vessel(part: Pump, conditions: Conditions, lever: Lever) -> list[Break]:
    """The vessel bursts: from then on it holds next to nothing."""
    limit = part.bears_pressure
    if limit is None:
        return []
    open_air = part.volume / (part.ambient_pressure * EMPTIES_S)
    rest = part.model_copy(update={"bears_pressure": None, "leak": open_air})
    text = f"the vessel burst: its pressure passed the {limit / 1e5:g} bar that it bears"
    return [
        Break(
            lambda time_s, state, ports: limit - state[0],
            lambda time_s, state: Changed(FilledVessel(rest, conditions, state, lever), text),
        )
    ]
