"""What leaks: an insulator or a very high resistance, the capacitance across it, and its soak.

    i = v/R·(1 + |β|·|v|) + (v − v_0)/R_s + Σ (v − v_k)/R_k + i_o + d·t + i_m(t)
    C · dv_0/dt = (v − v_0)/R_s,   C_k · dv_k/dt = (v − v_k)/R_k

`resistance` R (ohm). `voltage_coefficient` β (1/V, not above zero): such resistances fall with the
voltage, R(v) ≈ R·(1 + β·|v|) as data sheets have it. `capacitance` C (F) is what lies across, with
its cable; `series_resistance` R_s (ohm) is what its charge passes through, 100 kohm where it is
left out. `offset_current` i_o (A) and `offset_drift` d (A/s, from time 0) are what flows by itself,
from humidity and the like.

`absorption` is the dielectric's soak: a `share` of C that follows slowly, spread evenly over the
logarithm of time from `shortest` to `longest` (s), as branches R_k, C_k with two time constants a
decade. After a step V of the voltage, in between, its current is close to V·share·C/(ln(longest/
shortest)·t), the 1/t law of J. Curie and E. von Schweidler; two a decade keep to it within 0.3 %.

`movement` are moments `at` (s) when somebody or the wind moves the cable: each frees a `charge` q
(C), whose current q/(τ − ρ)·(exp(−(t − at)/τ) − exp(−(t − at)/ρ)) rises with ρ = τ/20 and falls
with the time constant `decay` τ.

Johnson noise, 4·k·T/R in A²/Hz, is no matter of the circuit but of the reading. Where the voltage
is free, R and C hold it back: k·T/C in V² is all of it.

Damage: above `bears_voltage` the insulation is punctured: `PUNCTURED_SHARE` of its resistance, and
no soak, is left. Left out: resistance against temperature and humidity.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, field_validator, model_validator

from drivers.fields import Amperes, Data, Farads, Ohms, QuantityOf, Ratio, Seconds, Volts
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.across import Across
from drivers.simulated.parts.base import (
    AtPort,
    Break,
    Changed,
    Dynamic,
    Network,
    Noise,
    PartModel,
    Static,
    Vector,
)
from grammar.quantity import CHARGE, CURRENT, PLAIN, TIME, VOLTAGE

Coulombs = Annotated[float, BeforeValidator(QuantityOf(CHARGE))]
AmperesPerSecond = Annotated[float, BeforeValidator(QuantityOf(CURRENT.over(TIME)))]
PerVolt = Annotated[float, BeforeValidator(QuantityOf(PLAIN.over(VOLTAGE), "-20 ppm/V"))]

A_DECADE = 2
MOST_DECADES = 7
PUNCTURED_SHARE = 1e-6
"""What is left of a punctured insulator's resistance (common practice, no source)."""
_RISE = 1 / 20
_OVER = 40.0
"""After how many of the longest time constants a movement is forgotten: e^-40 is 4e-18."""

EXAMPLE = """
[parts.stand_off]                        # one of the mast's insulators, a little wet
model = "insulator"
resistance = "100 Gohm"
voltage_coefficient = "-20 ppm/V"
capacitance = "100 pF"
series_resistance = "1 Mohm"
absorption = { share = "2 %", shortest = "1 s", longest = "1000 s" }
offset_current = "2 pA"
offset_drift = "-1 fA/s"
movement = [ { at = "90 s", charge = "5 pC", decay = "0.4 s" } ]
bears_voltage = "1 kV"
"""


class Absorption(Data):
    """A share of the capacitance that follows slowly, and in which times (s)."""

    share: Ratio = Field(gt=0, le=1, examples=["2 %"])
    shortest: Seconds = Field(gt=0, examples=["1 s"])
    longest: Seconds = Field(gt=0, examples=["1000 s"])

    @model_validator(mode="after")
    def _lasts(self) -> Absorption:
        if not 1 < self.longest / self.shortest <= 10**MOST_DECADES:
            raise ValueError(
                f"lasts from {self.shortest:g} s to {self.longest:g} s: “longest” must be above "
                f"“shortest”, by {MOST_DECADES} decades at most"
            )
        return self


class Movement(Data):
    """A moment (s) when the cable is moved, the charge (C) freed, and how slowly it flows (s)."""

    at: Seconds = Field(ge=0, examples=["90 s"])
    charge: Coulombs = Field(examples=["5 pC"])
    decay: Seconds = Field(gt=0, examples=["0.4 s"])


class Insulator(PartModel):
    """An insulator's parameters."""

    model: Literal["insulator"]
    resistance: Ohms = Field(gt=0, examples=["100 Gohm"])
    voltage_coefficient: PerVolt = Field(default=0.0, le=0, examples=["-20 ppm/V"])
    capacitance: Farads = Field(gt=0, examples=["100 pF"])
    series_resistance: Ohms = Field(default=1e5, gt=0, examples=["1 Mohm"])
    absorption: Absorption | None = None
    offset_current: Amperes = 0.0
    offset_drift: AmperesPerSecond = 0.0
    movement: tuple[Movement, ...] = Field(default=(), max_length=10_000)
    bears_voltage: Volts | None = Field(default=None, gt=0, examples=["1 kV"])

    @field_validator("movement")
    @classmethod
    def _in_order(cls, value: tuple[Movement, ...]) -> tuple[Movement, ...]:
        times = [movement.at for movement in value]
        if times != sorted(set(times)):
            raise ValueError("has times that don't rise: the earliest first, each time once")
        return value

    def noise(self, port: str) -> Noise:
        """That of the resistance, as the capacitance across it lets it be seen."""
        return Noise(self.resistance, self.resistance * self.capacitance)

    def branches(self) -> list[tuple[float, float]]:
        """Resistance (ohm) and capacitance (F) of each branch: the bare capacitance, then soak."""
        found = [(self.series_resistance, self.capacitance)]
        soak = self.absorption
        if soak is not None:
            span = math.log(soak.longest / soak.shortest)
            count = max(1, round(A_DECADE * span / math.log(10)))
            size = soak.share * self.capacitance / count
            for k in range(count):
                # In the middle of each equal piece of the logarithm.
                time_constant = soak.shortest * math.exp(span * (k + 0.5) / count)
                found.append((time_constant / size, size))
        return found

    def physics(self, conditions: Conditions) -> Network | Dynamic:
        """A network where all of it is linear and quiet."""
        quiet = not (self.offset_current or self.offset_drift or self.movement)
        if quiet and self.voltage_coefficient == 0 and self.bears_voltage is None:
            return _network(self.resistance, self.branches())
        return Leak(self, (0.0,) * len(self.branches()))


def _network(resistance: float, branches: Sequence[tuple[float, float]]) -> Network:
    """A resistance with branches of resistance and capacitance beside it: state k is v_k."""
    d = 1 / (1 / resistance + sum(1 / r for r, _ in branches))
    c = tuple(d / r for r, _ in branches)
    return Network(
        a=tuple(
            tuple((c[j] - (j == k)) / (r * size) for j in range(len(branches)))
            for k, (r, size) in enumerate(branches)
        ),
        b=tuple(d / (r * size) for r, size in branches),
        c=c,
        d=d,
        storage=tuple(size for _, size in branches),
        initial=(0.0,) * len(branches),
    )


class Leak:
    """An insulator that is not linear, or not quiet; its state is the voltage of every branch."""

    def __init__(self, part: Insulator, initial: Vector) -> None:
        self.initial = initial
        self.magnitudes: Vector = (1.0,) * len(initial)
        self.inductances: Vector = (0.0,)
        self._conductance = 1 / part.resistance
        self._bend = -part.voltage_coefficient / part.resistance
        self._offset, self._drift = part.offset_current, part.offset_drift
        self._moved = [m.at for m in part.movement]
        self._freed = [
            (m.at, m.charge / (m.decay - m.decay * _RISE), m.decay) for m in part.movement
        ]
        self._remembers_s = _OVER * max((m.decay for m in part.movement), default=0.0)
        # Where each is over, too: a long step of the solver, whose states may not feel the current,
        # would pass over it.
        over = [m.at + _OVER * m.decay for m in part.movement]
        self.kinks: Sequence[float] = sorted({*self._moved, *over})
        branches = part.branches()
        self._branches = [(1 / resistance, 1 / (resistance * c)) for resistance, c in branches]
        self._sizes = [c for _, c in branches]
        self.breaks: Sequence[Break] = []
        limit = part.bears_voltage
        if limit is not None:
            rest = part.model_copy(
                update={
                    "bears_voltage": None,
                    "absorption": None,
                    "resistance": PUNCTURED_SHARE * part.resistance,
                }
            )
            text = f"the insulation was punctured: more than the {limit:g} V that it bears"
            self.breaks = [
                Break(
                    lambda time_s, state, ports: limit * limit - ports[0].voltage ** 2,
                    lambda time_s, state: Changed(Leak(rest, state[:1]), text),
                )
            ]

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        """The resistance, every branch as it is charged, and what flows by itself."""
        parts = [(g, held) for (g, _), held in zip(self._branches, state, strict=True)]
        return Across(self._conductance, self._bend, self._free(time_s), parts)

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        """dv_k/dt."""
        voltage = ports[0].voltage
        return [
            (voltage - held) * rate for (_, rate), held in zip(self._branches, state, strict=True)
        ]

    def stored(self, state: Vector) -> float:
        """The energy of all capacitances (J)."""
        return sum(c * held * held for c, held in zip(self._sizes, state, strict=True)) / 2

    def lost(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
        """The heat (W) of all resistances, and what the current that flows by itself takes."""
        voltage = ports[0].voltage
        heat = voltage * voltage * (self._conductance + self._bend * abs(voltage))
        for (conductance, _), held in zip(self._branches, state, strict=True):
            heat += conductance * (voltage - held) ** 2
        return heat + voltage * self._free(time_s)

    def _free(self, time_s: float) -> float:
        """The current (A) that flows without any voltage."""
        current = self._offset + self._drift * time_s
        if self._moved:
            since_s = time_s - self._remembers_s
            recent = slice(bisect_left(self._moved, since_s), bisect_right(self._moved, time_s))
            for at, first, decay in self._freed[recent]:
                since = (time_s - at) / decay
                current += first * (math.exp(-since) - math.exp(-since / _RISE))
        return current
