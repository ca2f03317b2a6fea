"""The law of a junction: Shockley's equation, a breakdown, and a resistance in series.

    v ≥ 0:  i = I_s · (exp(v_j/a) − 1)
    v < 0:  i = I_s · (exp(v_j/a) − 1) − I_b · (exp((−v_j − V_b)/b) − exp(−V_b/b))
    v = v_j + R_s · i,   a = n·k·T/q,   b = n_b·k·T/q

Where it clamps both ways, it is two such junctions back to back, of which one blocks: the first
term is I_s · tanh(v_j/2a) and the breakdown's holds in both directions. The breakdown's term is
that of SPICE (ngspice's manual, chapter on diodes, "BV", "IBV", "NBV"), there without its last
part, which makes the current 0 at 0 V. Over temperature, as there (XTI, EG):

    I_s(T) = I_s · (T/T_0)^(x/n) · exp(E_g/(n·k·T/q) · (T/T_0 − 1))
    V_b(T) = V_b · (1 + β·(T − T_0))

Source of the first term: W. Shockley, "The theory of p-n junctions in semiconductors and p-n
junction transistors", Bell System Technical Journal 28 (1949); k and q are exact in the SI since
2019.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

from drivers.simulated.parts.roots import rising_root

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Array = npt.NDArray[np.float64]

BOLTZMANN_J_PER_K = 1.380649e-23
ELEMENTARY_CHARGE_C = 1.602176634e-19

_ITERATIONS = 200
# Fewer are worked out one by one in less time than all at once.
_FEW = 50
_ROUNDING = 4e-16
_LARGEST_EXPONENT = 700.0
# No junction carries what follows from it; a solver that tries it should still have room.
_ENOUGH = 200.0
# Beyond them the equations above no longer hold, and leave what a float can hold.
_COLDEST_K, _HOTTEST_K = 50.0, 1e4
_LEAST_LOGARITHM = -500.0


class Knee(NamedTuple):
    """A breakdown: `current` I_b (A) at `voltage` V_b (V, above zero); `slope_voltage` b (V)."""

    voltage: float
    current: float
    slope_voltage: float


class Junction:
    """The law at a temperature; `slope_voltage` is a (V), `both` clamps both ways.

    `polarity` is 1.0 where positive currents flow from anode to cathode, -1.0 where they flow from
    cathode to anode.
    """

    __slots__ = ("_both", "_knee", "_polarity", "_resistance", "_rest", "_saturation", "_slope")

    def __init__(
        self,
        saturation_current: float,
        slope_voltage: float,
        series_resistance: float,
        knee: Knee | None = None,
        both: bool = False,
        polarity: float = 1.0,
    ) -> None:
        self._saturation = saturation_current
        self._slope = slope_voltage
        self._resistance = series_resistance
        self._knee = knee
        # The breakdown's term at 0 V.
        self._rest = math.exp(-knee.voltage / knee.slope_voltage) if knee else 0.0
        self._both = both
        self._polarity = polarity

    def voltage_at(self, current: float) -> float:
        """The voltage (V) at a current (A).

        -inf where no voltage can drive it, as without breakdown at and below -I_s; inf where
        the junction's forward direction is that of negative currents.
        """
        current *= self._polarity
        if self._both or (current < 0 and self._knee is not None):
            across = math.copysign(self._blocking_at(abs(current)), current)
        else:
            ratio = current / self._saturation
            across = self._slope * math.log1p(ratio) if ratio > -1 else -math.inf
        return self._polarity * (across + self._resistance * current)

    def current_through(self, voltage: float, series_resistance: float) -> float:
        """The current (A) from a voltage (V) through a resistance in series (ohm)."""
        voltage *= self._polarity
        resistance = self._resistance + series_resistance
        if self._both or (voltage < 0 and self._knee is not None):
            return self._polarity * math.copysign(
                self._blocking_through(abs(voltage), resistance), voltage
            )
        return self._polarity * self._shockley_through(voltage, resistance)

    def currents_through(self, voltages: Array, series_resistance: float) -> Array:
        """As `current_through`, of many voltages at once, to the same bits."""
        import numpy as np

        resistance, forward = self._resistance + series_resistance, self._polarity * voltages
        blocks = self._both or (self._knee is not None and forward.min() < 0)
        if resistance == 0 or blocks or len(voltages) < _FEW:
            each = [self.current_through(v, series_resistance) for v in voltages.tolist()]
            return np.array(each)
        return self._polarity * self._shockley_through_many(forward, resistance)

    def current_at(self, across: float) -> float:
        """The current (A) at a voltage across the junction alone (V)."""
        across *= self._polarity
        if self._both or (across < 0 and self._knee is not None):
            return self._polarity * math.copysign(self._blocking(abs(across))[0], across)
        exponent = min(across / self._slope, _ENOUGH)
        return self._polarity * self._saturation * math.expm1(exponent)

    def _shockley_through(self, voltage: float, resistance: float) -> float:
        """As `current_through`, without breakdown.

        With u = v_j/a, w = v/a and β = R·I_s/a, f(u) = u + β·(exp(u) − 1) − w is convex and rises,
        so that Newton's method comes down on its root from the right of it without passing it.
        """
        slope, saturation = self._slope, self._saturation
        if resistance == 0:
            return saturation * math.expm1(min(voltage / slope, _LARGEST_EXPONENT))
        w, beta = voltage / slope, resistance * saturation / slope
        # All of the voltage across the junction, or where it blocks the first step from 0.
        u = w if w > 0 else w / (1 + beta)
        risen = math.expm1(min(u, _LARGEST_EXPONENT))
        most = w / beta
        if w > 0 and risen > most:
            # All of it across the resistance: that is nearer, and no less than the true one either.
            u, risen = math.log1p(most), most
        for _ in range(_ITERATIONS):
            passed = beta * risen
            step = (u + passed - w) / (passed + (1 + beta))
            u -= step
            # The next step would be half the square of this one, or less.
            if step * step <= _ROUNDING * abs(u):
                break
            risen = math.expm1(u)
        # exp(u) − 1 after so small a step.
        return saturation * (risen - (1 + risen) * (step - step * step / 2))

    def _shockley_through_many(self, voltages: Array, resistance: float) -> Array:
        """The same, of many: only what gives the same bits as for one by itself."""
        import numpy as np

        w, beta = voltages / self._slope, resistance * self._saturation / self._slope
        u: Array = np.where(w > 0, w, w / (1 + beta))
        risen = _each(math.expm1, np.minimum(u, _LARGEST_EXPONENT))
        most = w / beta
        nearer = ((w > 0) & (risen > most)).nonzero()[0]
        if len(nearer):
            risen[nearer] = most[nearer]
            u[nearer] = _each(math.log1p, most[nearer])
        last, steps, moving = risen, np.empty(len(w)), np.arange(len(w))
        for _ in range(_ITERATIONS):
            passed = beta * risen
            step = (u + passed - w) / (passed + (1 + beta))
            u = u - step
            steps[moving] = step
            moves = (step * step > _ROUNDING * np.abs(u)).nonzero()[0]
            if not len(moves):
                break
            moving, u, w = moving[moves], u[moves], w[moves]
            last[moving] = risen = _each(math.expm1, u)
        return self._saturation * (last - (1 + last) * (steps - steps * steps / 2))

    def _blocking(self, x: float) -> tuple[float, float]:
        """Current (A) and slope (S) at a voltage against which a junction blocks (V, from 0)."""
        assert self._knee is not None
        voltage, current, width = self._knee
        knee = current * math.exp(min((x - voltage) / width, _ENOUGH))
        # Near 0 V the difference of two exponentials would lose its digits.
        rest = current * self._rest
        broken = rest * math.expm1(x / width) if x < width else knee - rest
        left = math.exp(-x / self._slope)
        taken = self._saturation * -math.expm1(-x / self._slope)
        steepness = self._saturation * left / self._slope
        if self._both:
            taken /= 1 + left
            steepness *= 2 / (1 + left) ** 2
        return taken + broken, steepness + knee / width

    def _blocking_at(self, current: float) -> float:
        """The blocked voltage at a current from 0 on."""
        highest = self._knee_at(current)
        ratio = current / self._saturation
        if ratio < 1:
            if self._both:
                highest = min(highest, 2 * self._slope * math.atanh(ratio))
            else:
                highest = min(highest, -self._slope * math.log1p(-ratio))

        def excess(x: float) -> tuple[float, float]:
            taken, steepness = self._blocking(x)
            return taken - current, steepness

        return rising_root(excess, 0.0, highest, highest)

    def _blocking_through(self, voltage: float, resistance: float) -> float:
        """The current from a voltage from 0 on through a resistance and a junction that blocks."""
        if resistance == 0:
            return self._blocking(voltage)[0]
        # All of the voltage across the resistance, all of its current in the breakdown; or what is
        # left of it beyond the knee, where the junction is there.
        assert self._knee is not None
        highest = min(voltage, self._knee_at(voltage / resistance))
        beyond = (voltage - self._knee.voltage) / resistance
        if beyond > self._knee.current:
            highest = min(highest, self._knee_at(beyond))

        def excess(x: float) -> tuple[float, float]:
            taken, steepness = self._blocking(x)
            return x + resistance * taken - voltage, 1 + resistance * steepness

        x = rising_root(excess, 0.0, highest, highest)
        taken, steepness = self._blocking(x)
        # Of the two ways to the same current, the one in which an error of x counts less.
        return (voltage - x) / resistance if steepness * resistance > 1 else taken

    def _knee_at(self, current: float) -> float:
        """The blocked voltage with all of a current in the breakdown: never below the true one."""
        assert self._knee is not None
        voltage, at, width = self._knee
        share = current / at
        if share < self._rest:
            return width * math.log1p(share / self._rest)
        return max(0.0, voltage + width * math.log(share + self._rest)) if share > 0 else 0.0


def _each(function: Callable[[float], float], values: Array) -> Array:
    """A function of each value: numpy's own of that name may differ from it in the last bit."""
    import numpy as np

    return np.fromiter(map(function, values.tolist()), float, len(values))


class Material(NamedTuple):
    """How a junction goes with temperature; currents in A, voltages in V, temperatures in K.

    `knee` holds the breakdown at `nominal` temperature, its slope as a multiple n_b of k·T/q, and
    `knee_coefficient` β (1/K).
    """

    saturation_current: float
    ideality: float
    series_resistance: float
    nominal: float
    band_gap: float
    saturation_exponent: float
    knee: Knee | None = None
    knee_coefficient: float = 0.0
    both: bool = False
    polarity: float = 1.0

    def at(self, temperature: float) -> Junction:
        """The law at a temperature (K), taken as between 50 K and 10,000 K."""
        saturation, ideality, series, nominal, gap, exponent, knee, drift, both, polarity = self
        temperature = min(max(temperature, _COLDEST_K), _HOTTEST_K)
        thermal = BOLTZMANN_J_PER_K * temperature / ELEMENTARY_CHARGE_C
        ratio = temperature / nominal
        logarithm = (exponent * math.log(ratio) + gap / thermal * (ratio - 1)) / ideality
        saturation *= math.exp(max(logarithm, _LEAST_LOGARITHM))
        if knee is not None:
            factor = max(1 + drift * (temperature - nominal), 0.01)
            knee = Knee(knee.voltage * factor, knee.current, knee.slope_voltage * thermal)
        return Junction(saturation, ideality * thermal, series, knee, both, polarity)
