"""A capacitor with slow branches, moved by hand: its linear network, solved by eigenvalues.

The states are the voltages of the main capacitance and of each branch; a series resistance feeds
the main one, a leakage lies across it. It is driven by a current, held at a voltage through a
resistance, or left open.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

Floats = NDArray[np.float64]


class Bank:
    """The network and where it stands.

    Args:
        series: series resistance (ohm).
        main: main capacitance (F).
        branches: resistance (ohm) and capacitance (F) of each slow branch.
        leakage: resistance across the main capacitance (ohm).
        voltage: what all of them are at in the beginning (V).
        leads: resistance between the terminals of the source and the part's (ohm).
    """

    def __init__(
        self, series: float, main: float, branches: Sequence[tuple[float, float]], leakage: float,
        voltage: float, leads: float = 0.0,
    ) -> None:  # fmt: skip
        size = 1 + len(branches)
        self._series, self._main, self._leads = series, main, leads
        self._open = np.zeros((size, size))
        self._open[0, 0] = -1 / (leakage * main)
        for k, (ohm, farad) in enumerate(branches, start=1):
            self._open[0, 0] -= 1 / (ohm * main)
            self._open[0, k] = 1 / (ohm * main)
            self._open[k, 0], self._open[k, k] = 1 / (ohm * farad), -1 / (ohm * farad)
        self.state: Floats = np.full(size, voltage)

    def _affine(self, current: float | None, voltage: float) -> Floats:
        """x' = A x + b, with a row of zeros beneath."""
        size = len(self.state)
        law = np.zeros((size + 1, size + 1))
        law[:size, :size] = self._open
        if current is not None:
            law[0, size] = current / self._main
        else:
            through = self._series + self._leads
            law[0, 0] -= 1 / (through * self._main)
            law[0, size] = voltage / (through * self._main)
        return law

    def _after(self, law: Floats, seconds: float) -> Floats:
        rates, ways = np.linalg.eig(law)
        moved: Floats = np.real(ways @ (np.exp(rates * seconds) * self._weights(ways)))
        return moved[:-1]

    def _weights(self, ways: Floats) -> Floats:
        found: Floats = np.linalg.solve(ways, np.append(self.state, 1.0))
        return found

    def drive(self, current: float, seconds: float) -> None:
        """Pass a current (A, into the part; 0 for open) for a time (s)."""
        self.state = self._after(self._affine(current, 0.0), seconds)

    def hold(self, voltage: float, seconds: float) -> None:
        """Hold a voltage (V) at the source's terminals for a time (s)."""
        self.state = self._after(self._affine(None, voltage), seconds)

    def terminal(self, current: float = 0.0) -> float:
        """The part's own voltage (V) while a current (A) flows in."""
        return float(self.state[0]) + self._series * current

    def current(self, voltage: float) -> float:
        """What flows (A) from a voltage (V) at the source's terminals."""
        return (voltage - float(self.state[0])) / (self._series + self._leads)

    def lost_in_leads(self, currents: Floats) -> Floats:
        """The voltage (V) that the leads take at currents (A)."""
        return self._leads * currents

    def leak_at(self, voltage: float) -> float:
        """What flows (A) into a bank that has settled at a voltage (V)."""
        leak = -float(self._open[0].sum()) * self._main
        return voltage * leak / (1 + leak * self._series)

    def voltages(self, current: float, times: Floats) -> Floats:
        """The part's voltage (V) at times (s) from now on while a current (A) flows."""
        law = self._affine(current, 0.0)
        rates, ways = np.linalg.eig(law)
        main = np.real(np.exp(np.outer(times, rates)) @ (ways[0] * self._weights(ways)))
        found: Floats = main + self._series * current
        return found

    def currents(self, voltage: float, times: Floats) -> Floats:
        """What flows (A) at times (s) from now on while a voltage (V) is held at the source."""
        law = self._affine(None, voltage)
        rates, ways = np.linalg.eig(law)
        main = np.real(np.exp(np.outer(times, rates)) @ (ways[0] * self._weights(ways)))
        found: Floats = (voltage - main) / (self._series + self._leads)
        return found

    def until(self, voltage: float, current: float, longest: float) -> float:
        """How long (s) a current (A) flows until the source's terminals are at a voltage (V)."""
        rates, ways = np.linalg.eig(self._affine(current, 0.0))
        weights = ways[0] * self._weights(ways)
        drop = (self._series + self._leads) * current

        def away(seconds: float) -> float:
            return float(np.real(np.exp(rates * seconds) @ weights)) + drop - voltage

        return float(brentq(away, 0.0, longest, xtol=1e-12, rtol=1e-15))
