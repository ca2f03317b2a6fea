"""The heat sink of an instrument that takes power: how warm it gets, and when that is too warm.

With the power P that the output takes in, and the air at T_a,

    T = T_a + R_th·y,   dy/dt = (P − y)/τ

which is the first-order lag of a thermal resistance R_th with a heat capacity τ/R_th behind it
(common practice, no source). Between two times

    y(t + d) = y(t)·e^(−d/τ) + 1/τ ∫ P(s)·e^(−(t+d−s)/τ) ds

by Gauss-Legendre panels that double from a motion's begin, so that its fast terms are resolved, up
to an eighth of τ. The module knows no part, no setpoint and no events.
"""

from __future__ import annotations

import math

import numpy as np

from drivers.figures import OverTemperature
from drivers.simulated.circuits.flow import Array
from drivers.simulated.circuits.motion import Moment, Motion
from drivers.simulated.conditions import Profile

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)
_SHORTEST_S = 1e-7
_PANELS_A_LAG = 8
_LAGS_AHEAD = 8
_HALVINGS = 60


class HeatSink:
    """One heat sink from time 0 on, at the temperature of the air."""

    def __init__(self, figures: OverTemperature, air: Profile, motion: Motion) -> None:
        self._figures, self._air = figures, air
        self._motion = motion
        self._at = motion.begin
        self._power_w = 0.0
        self._asked: tuple[Moment, int] | None = None
        self._answer: Moment | None = None

    @property
    def _ahead_s(self) -> float:
        return _LAGS_AHEAD * self._figures.time_constant

    @property
    def known_until_ns(self) -> int:
        """How far `next` can look ahead."""
        return self._at.later(self._ahead_s).ns

    @property
    def temperature(self) -> float:
        """How warm it is (K) at the moment up to which it has been followed."""
        return self._warmth(self._at, self._power_w)

    def _warmth(self, at: Moment, power_w: float) -> float:
        return self._air.at(at.s) + self._figures.rise * power_w

    def follow(self, motion: Motion, output: bool) -> None:
        """Another motion begins, until when the output was on or not."""
        self.advance(motion.begin, output)
        self._motion, self._asked = motion, None

    def advance(self, to: Moment, output: bool) -> None:
        """Follow the present motion up to a moment that is within it."""
        while (left_s := to.since(self._at)) > 0:
            step_s = min(left_s, self._ahead_s)
            if output:
                *_, (_, self._power_w) = self._panels(step_s)
            else:
                self._power_w *= math.exp(-step_s / self._figures.time_constant)
            self._at = self._at.later(step_s)

    def next(self, until_ns: int) -> Moment | None:
        """When it gets too warm with the output on, None where it doesn't by then.

        The present motion lasts as long, and no more than `known_until_ns` is asked for.
        """
        asked = self._at, until_ns
        if self._asked != asked:
            self._asked, self._answer = asked, self._look_ahead(Moment(until_ns).since(self._at))
        return self._answer

    def _look_ahead(self, until_s: float) -> Moment | None:
        begin_s, power_w = 0.0, self._power_w
        for end_s, then_w in self._panels(until_s):
            if self._warmth(self._at.later(end_s), then_w) > self._figures.limit:
                return self._at.later(self._within(begin_s, power_w, end_s))
            begin_s, power_w = end_s, then_w
        return None

    def _within(self, begin_s: float, power_w: float, end_s: float) -> float:
        """The time of a panel at whose end it is too warm."""
        cool_s, warm_s = begin_s, end_s
        for _ in range(_HALVINGS):
            middle_s = (cool_s + warm_s) / 2
            (then_w,) = self._lagged(np.array([begin_s]), np.array([middle_s]), power_w)
            if self._warmth(self._at.later(middle_s), then_w) > self._figures.limit:
                warm_s = middle_s
            else:
                cool_s = middle_s
        return warm_s

    def _panels(self, duration_s: float) -> list[tuple[float, float]]:
        """The ends (s) of the panels of a time to come, and the lagged power (W) at each."""
        longest_s = self._figures.time_constant / _PANELS_A_LAG
        since_s = self._at.since(self._motion.begin)
        ends_s, end_s = [0.0], 0.0
        while end_s < duration_s:
            end_s += min(longest_s, max(since_s + end_s, _SHORTEST_S))
            ends_s.append(min(end_s, duration_s))
        edges = np.array(ends_s)
        lagged = self._lagged(edges[:-1], edges[1:], self._power_w)
        return list(zip(ends_s[1:], lagged, strict=True))

    def _lagged(self, begins_s: Array, ends_s: Array, power_w: float) -> list[float]:
        """The lagged power (W) at the end of each of these panels, which follow one another."""
        tau_s = self._figures.time_constant
        half = (ends_s - begins_s) / 2
        left_s = half[:, None] * (1 - _NODES)
        times_s = ends_s[:, None] - left_s + self._at.since(self._motion.begin)
        volts = self._motion.values("voltage", times_s.ravel())
        amperes = self._motion.values("current", times_s.ravel())
        taken = np.maximum(-volts * amperes, 0.0).reshape(times_s.shape)
        gained = (half / tau_s) * ((taken * np.exp(-left_s / tau_s)) @ _WEIGHTS)
        kept = np.exp(-2 * half / tau_s)
        found = []
        for keeps, gains in zip(kept.tolist(), gained.tolist(), strict=True):
            power_w = power_w * keeps + gains
            found.append(power_w)
        return found
