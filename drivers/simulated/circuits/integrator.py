"""An integrator that doesn't get stuck: LSODA, and where that comes to nothing, an implicit method.

LSODA tells by itself whether the equations are stiff, as long as its error estimate is above
rounding: once a fast state is at rest to rounding it may stay with its explicit method, whose steps
then are all of one length, the longest that is stable. Behind junctions it also fails at times
where nothing is wrong but the first guess of a step. In both cases backward differences (scipy's
BDF), implicit throughout, go on from where it stands.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from drivers.simulated.circuits.flow import Array

RELATIVE = 1e-12
"""What one step may err by, of a state or of a tenth of its magnitude."""
_ALIKE = 1e-6  # steps that differ by no more are of one length
_MOST_ALIKE = 100
_LEAST_FIRST_S = 1e-18
_FIRST = 1e-3  # of the last step of LSODA: what backward differences begin with


class Integrator:
    """One smooth stretch, step by step: `t` (s), `y`, `status` and `dense_output` as scipy's."""

    def __init__(
        self,
        rates: Callable[[float, Array], Sequence[float]],
        y: Sequence[float],
        bound_s: float,
        first_s: float,
        sizes: Sequence[float],
    ) -> None:
        from scipy.integrate import LSODA

        self._rates, self._bound_s = rates, bound_s
        self._tolerance = RELATIVE * 0.1 * np.array(sizes)
        self._implicit = False
        self._before, self._alike = 0.0, 0
        self._solver: Any = LSODA(
            rates,
            0.0,
            np.array(y),
            bound_s,
            first_step=max(first_s, _LEAST_FIRST_S),
            rtol=RELATIVE,
            atol=self._tolerance,
        )

    @property
    def t(self) -> float:
        """How far it has come."""
        return float(self._solver.t)

    @property
    def y(self) -> Array:
        """The state there."""
        found: Array = self._solver.y
        return found

    @property
    def status(self) -> str:
        """ "running", "finished" or "failed"."""
        return str(self._solver.status)

    def step(self) -> bool:
        """Go on by a step; False where it can't."""
        t, y = self.t, self.y.copy()
        if not self._implicit and self._alike > _MOST_ALIKE:
            self._go_on_implicitly(t, y)
        if self._step():
            length = self.t - t
            alike = abs(length - self._before) < _ALIKE * length
            self._alike = self._alike + 1 if alike else 0
            self._before = length
            return True
        if self._implicit:
            return False
        self._go_on_implicitly(t, y)
        return self._step()

    def _step(self) -> bool:
        with warnings.catch_warnings():
            # What they warn of is told by the status, too.
            warnings.simplefilter("ignore", (UserWarning, RuntimeWarning))
            try:
                self._solver.step()
            except (ValueError, np.linalg.LinAlgError):
                # How scipy tells that what it is to solve holds no numbers any more.
                self._solver.status = "failed"
        return self.status != "failed" and bool(np.isfinite(self.y).all())

    def _go_on_implicitly(self, t: float, y: Array) -> None:
        from scipy.integrate import BDF

        left_s = self._bound_s - t
        first_s = min(left_s, max(self._before * _FIRST, _LEAST_FIRST_S, 4 * np.spacing(t)))
        self._implicit = True
        self._solver = BDF(
            self._rates,
            t,
            y,
            self._bound_s,
            first_step=first_s,
            rtol=RELATIVE,
            atol=self._tolerance,
        )

    def dense_output(self) -> Callable[[float], Array]:
        """The state within the last step."""
        found: Callable[[float], Array] = self._solver.dense_output()
        return found
