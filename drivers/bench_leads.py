"""The leads of a channel as the bench file has them.

What of them the simulation makes stands in `drivers/simulated/circuits/leads.py`; a run only keeps
them on record, and takes their resistance off what a sensor reads.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from pydantic import Field, model_validator

from drivers.fields import Amperes, Data, Farads, Henries, Ohms, Seconds, Volts, VoltsPerSecond

if TYPE_CHECKING:
    from drivers.simulated.circuits.leads import Leads

UNSHIELDED_STRAY_A = 30e-12
UNSHIELDED_PICK_UP_A = 1e-9
"""What long unshielded leads bring where nobody says how much: common practice, no source."""


class Lifted(Data):
    """A span of time (s) in which somebody has lifted a lead, as a recipe asked them to."""

    at: Seconds = Field(ge=0, examples=["0 s"])
    until: Seconds = Field(gt=0, examples=["5 min"])

    @model_validator(mode="after")
    def _lasts(self) -> Lifted:
        if self.until <= self.at:
            raise ValueError("ends before it begins: “until” must be later than “at”")
        return self


class LeadsEntry(Data):
    """The leads between a channel's terminals and its part.

    `per_lead_resistance` (ohm) and `loop_inductance` (H); `thermal_voltage` (V) in series, and its
    `thermal_drift` (V/s); `cable_capacitance` (F) between the leads with `leakage_resistance` (ohm)
    across it. `shield` says whether they are shielded: if not, `stray_current` (A, steady) and
    `pick_up` (A, the amplitude at line frequency) come in, some figures for long leads where they
    are left out; with a shield a hundredth of them. With a `driven_guard` a thousandth is left of
    capacitance and leakage. Left out, `shield` is no question at all. While it is `lifted`, a lead
    touches nothing in a dry run.
    """

    per_lead_resistance: Ohms = Field(default=0.0, ge=0)
    loop_inductance: Henries = Field(default=0.0, ge=0)
    thermal_voltage: Volts = 0.0
    thermal_drift: VoltsPerSecond = 0.0
    cable_capacitance: Farads = Field(default=0.0, ge=0)
    leakage_resistance: Ohms | None = Field(default=None, gt=0)
    stray_current: Amperes | None = None
    pick_up: Amperes | None = Field(default=None, ge=0)
    shield: bool | None = None
    driven_guard: bool = False
    lifted: tuple[Lifted, ...] = Field(default=(), max_length=1000)

    @model_validator(mode="after")
    def _fits_together(self) -> LeadsEntry:
        if self.leakage_resistance is not None and not self.cable_capacitance:
            raise ValueError(
                "has a leakage_resistance and no cable_capacitance: what leaks charges, too; write "
                'one as in cable_capacitance = "100 pF"'
            )
        if self.driven_guard and not self.cable_capacitance:
            raise ValueError(
                "has a driven_guard and no cable_capacitance that it would take away; write one as "
                'in cable_capacitance = "100 pF"'
            )
        if self.shield is None:
            for key in ("stray_current", "pick_up"):
                if getattr(self, key) is not None:
                    raise ValueError(
                        f"has a {key} and doesn't say whether the leads are shielded: write "
                        "shield = false, or true"
                    )
        if self.stray and not self.cable_capacitance:
            raise ValueError(
                "lets a stray current in and has no cable_capacitance that it charges; write one "
                'as in cable_capacitance = "100 pF"'
            )
        return self

    @property
    def _kept(self) -> float:
        from drivers.simulated.circuits.leads import SHIELD_KEEPS_OUT

        return 1 / SHIELD_KEEPS_OUT if self.shield else 1.0

    @property
    def stray(self) -> float:
        """What flows in from around, without the line's field (A)."""
        if self.shield is None:
            return 0.0
        stray = UNSHIELDED_STRAY_A if self.stray_current is None else self.stray_current
        return stray * self._kept

    @property
    def line_pick_up(self) -> float:
        """What is left of the line's field in the current (A, amplitude)."""
        if self.shield is None:
            return 0.0
        return (UNSHIELDED_PICK_UP_A if self.pick_up is None else self.pick_up) * self._kept

    def simulated(self) -> Leads:
        """As the simulation has them, without their resistance."""
        from drivers.simulated.circuits.leads import GUARD_KEEPS_OUT, Leads

        guard = GUARD_KEEPS_OUT if self.driven_guard else 1.0
        leakage = math.inf if self.leakage_resistance is None else self.leakage_resistance
        return Leads(
            inductance=self.loop_inductance,
            thermal_voltage=self.thermal_voltage,
            thermal_drift=self.thermal_drift,
            capacitance=self.cable_capacitance / guard,
            leakage_resistance=leakage * guard,
            stray_current=self.stray,
        )
