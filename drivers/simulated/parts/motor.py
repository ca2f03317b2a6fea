"""A direct-current motor with permanent magnets, and the load on its shaft.

    v = R(T)·i + L·di/dt + k·ω
    J · dω/dt = k·i − b·ω − M_d·tanh(ω/ω_s) − M

`resistance` R (ohm, at 20 °C) and `heating` are described in winding.py; `inductance` L (H),
`constant` k (V·s for each radian, the same number in N·m/A), `inertia` J (kg·m², rotor and load),
`viscous_friction` b (N·m·s), `friction_torque` M_d (N·m): dry friction and any other steady load
that opposes the motion either way. M is the torque of a machine on the shaft, as that of pump.py.
`initial` is the `speed` at the start, in turns (rpm, Hz).

Dry friction is smoothed: ω_s is 0.1 rad/s, so that a motor too weak to start creeps below that
speed in place of standing still.

Damage: the winding burns out, and the rotor turns on; the rotor bursts above `bears_speed`. Source
of the equations: Lorentz' force and Newton's second law, as in any textbook of electrical machines.
Left out: iron losses, brushes and their ripple, demagnetisation, slack.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from drivers.fields import Data, Henries, Hertz, QuantityOf
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.base import AtPort, Break, Changed, Dynamic, PartModel, Static, Vector
from drivers.simulated.parts.ohmic import Ohmic
from drivers.simulated.parts.stateless import OPENED_OHMS
from drivers.simulated.parts.winding import Winding, Wound
from grammar.quantity import ENERGY, LENGTH, MAGNETIC_FLUX, MASS, TIME

VoltSeconds = Annotated[float, BeforeValidator(QuantityOf(MAGNETIC_FLUX, "0.05 V*s"))]
Inertia = Annotated[float, BeforeValidator(QuantityOf(MASS.times(LENGTH.power(2)), "2e-4 kg*m^2"))]
Torque = Annotated[float, BeforeValidator(QuantityOf(ENERGY, "5 mN*m"))]
TorquePerSpeed = Annotated[float, BeforeValidator(QuantityOf(ENERGY.times(TIME), "1e-4 N*m*s"))]

CREEP_RAD_PER_S = 0.1

EXAMPLE = """
[parts.fan]                              # draws air through the thermometer's shield
model = "motor"
resistance = "0.5 ohm"
inductance = "1 mH"
constant = "0.05 V*s"
inertia = "2e-4 kg*m^2"
viscous_friction = "1e-4 N*m*s"
friction_torque = "5 mN*m"
heating = { heat_capacity = "20 J/K", thermal_resistance = "15 K/W", bears = "155 °C" }
bears_speed = "6000 rpm"
initial = { speed = "0 rpm" }
"""


class Turning(Data):
    """The speed at the start, in turns a second."""

    speed: Hertz


class Machine(Wound):
    """What a motor is by itself, alone on the bench or inside a pump."""

    inductance: Henries = Field(gt=0, examples=["1 mH"])
    constant: VoltSeconds = Field(gt=0, examples=["0.05 V*s"])
    inertia: Inertia = Field(gt=0, examples=["2e-4 kg*m^2"])
    viscous_friction: TorquePerSpeed = Field(default=0.0, ge=0, examples=["1e-4 N*m*s"])
    friction_torque: Torque = Field(default=0.0, ge=0, examples=["5 mN*m"])
    bears_speed: Hertz | None = Field(default=None, gt=0, examples=["6000 rpm"])
    initial: Turning | None = None

    @model_validator(mode="after")
    def _begins_whole(self) -> Self:
        speed = abs(self.initial.speed) if self.initial else 0.0
        if self.bears_speed is not None and speed >= self.bears_speed:
            raise ValueError(
                f"begins at {60 * speed:g} rpm, and bears no more than "
                f"{60 * self.bears_speed:g} rpm: write a lower “initial” speed"
            )
        return self


class Motor(Machine, PartModel):
    """A motor's parameters, where nothing but its load is on the shaft."""

    model: Literal["motor"]

    def physics(self, conditions: Conditions) -> Dynamic:
        """The motor at its first speed and the ambient's temperature."""
        return Rotor(self, conditions, standing(self, conditions))


def standing(machine: Machine, conditions: Conditions) -> Vector:
    """The state at the start: ω (rad/s) and the winding's heat."""
    speed = math.tau * machine.initial.speed if machine.initial else 0.0
    return (speed, *Winding(machine, conditions.temperature).initial)


def _burnt(machine: Machine) -> Machine:
    """What a machine is whose winding burnt out: it can't be driven any more, and turns freely.

    Its inductance goes with the winding, whose last energy the arc takes.
    """
    gone = {"resistance": OPENED_OHMS, "inductance": 0.0, "heating": None}
    return machine.model_copy(update=gone)


class Rotor:
    """A motor as physics: its state is ω (rad/s) and the winding's heat."""

    def __init__(self, machine: Machine, conditions: Conditions, initial: Vector) -> None:
        self._winding = Winding(machine, conditions.temperature)
        self.machine, self.initial = machine, initial
        self.magnitudes: Vector = (1.0, *self._winding.magnitudes)
        self.inductances: Vector = (machine.inductance,)
        self.kinks = self._winding.kinks
        self._constant, self._inertia = machine.constant, machine.inertia
        self._viscous, self._dry = machine.viscous_friction, machine.friction_torque
        rest = _burnt(machine)
        breaks = self._winding.breaks(
            lambda state: state[1:], lambda state: Rotor(rest, conditions, state[:1])
        )
        self.breaks: Sequence[Break] = breaks
        if machine.bears_speed is not None:
            limit = math.tau * machine.bears_speed
            stopped = rest.model_copy(update={"bears_speed": None})
            text = f"the rotor burst: it passed the {60 * machine.bears_speed:g} rpm that it bears"
            breaks.append(
                Break(
                    lambda time_s, state, ports: limit * limit - state[0] ** 2,
                    lambda time_s, state: Changed(Rotor(stopped, conditions, (0.0,)), text),
                )
            )

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        """The force k·ω behind the winding's resistance."""
        return Ohmic(self._winding.resistance(state[1:]), self._constant * state[0])

    def turned(
        self, time_s: float, state: Vector, current: float, torque: float
    ) -> tuple[float, ...]:
        """The rates of its state where a torque (N·m) on the shaft opposes the current's."""
        speed, heat = state[0], state[1:]
        driving = self._constant * current - self._friction(speed) - torque
        made = self._winding.resistance(heat) * current * current
        return (driving / self._inertia, *self._winding.warming(time_s, made, heat))

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        """dω/dt, and the winding warms, with nothing else on the shaft."""
        return self.turned(time_s, state, ports[0].current, 0.0)

    def stored(self, state: Vector) -> float:
        """½·J·ω² (J)."""
        return 0.5 * self._inertia * state[0] ** 2

    def lost(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
        """The heat (W) of the winding and of friction, and what the steady load takes."""
        current = ports[0].current
        resistance = self._winding.resistance(state[1:])
        return resistance * current * current + self._friction(state[0]) * state[0]

    def _friction(self, speed: float) -> float:
        return self._viscous * speed + self._dry * math.tanh(speed / CREEP_RAD_PER_S)
