"""What an instrument is told and what it tells of its settings, as lines and as values.

Pure functions from acquisitions and setpoints to the lines of a dialect, and from what is read back
to a judgement. The module sends nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.channel import Acquisition, Mode, Setpoint
from drivers.faults import InstrumentError
from drivers.scpi.dialect import Dialect
from drivers.scpi.order import OTHER, changes
from grammar.quantity import CURRENT, VOLTAGE, write

if TYPE_CHECKING:
    from drivers.specification import Specification

# An instrument may round what it was programmed to by this much of the value, beside the
# resolution of its range (common practice, no source).
_ROUNDING = 1e-6
QUANTITIES: tuple[Mode, Mode] = ("voltage", "current")
_DIMENSIONS = {"voltage": VOLTAGE, "current": CURRENT}


def asked_range(acquisition: Acquisition, quantity: Mode) -> float | None:
    """The range that an acquisition asks for (V or A), None for an automatic one."""
    return acquisition.voltage_range if quantity == "voltage" else acquisition.current_range


def range_units(dialect: Dialect, acquisition: Acquisition, mode: Mode) -> list[str]:
    """The lines that set both ranges: the forced quantity's is the source's, the other the meter's.

    Where the dialect has no ranges of the source, they are the meter's too.
    """
    units: list[str] = []
    for quantity in QUANTITIES:
        asked = asked_range(acquisition, quantity)
        role = "source" if quantity == mode else "measure"
        if not dialect.knows(f"{role}_{quantity}_{'autorange' if asked is None else 'range'}"):
            role = "measure"
        if asked is None:
            units += dialect.units(f"{role}_{quantity}_autorange")
        else:
            units += dialect.units(f"{role}_{quantity}_range", range=asked)
    return units


def acquisition_units(
    dialect: Dialect,
    specification: Specification,
    acquisition: Acquisition,
    line_frequency_hz: float,
) -> list[str]:
    """The lines that set aperture, averaging and sensing.

    Raises InstrumentError for what the instrument or its dialect hasn't.
    """
    if (acquisition.aperture_s is None) == (acquisition.aperture_cycles is None):
        raise InstrumentError("an aperture is given either in seconds or in line cycles")
    if acquisition.aperture_s is None:
        units = dialect.units("aperture_cycles", cycles=acquisition.aperture_cycles or 0.0)
    elif dialect.knows("aperture_seconds"):
        units = dialect.units("aperture_seconds", seconds=acquisition.aperture_s)
    else:
        cycles = acquisition.aperture_s * line_frequency_hz
        units = dialect.units("aperture_cycles", cycles=cycles)
    if dialect.knows("average"):
        units += dialect.units("average", count=acquisition.average)
    elif acquisition.average != 1:
        raise InstrumentError("the instrument's dialect has no averaging")
    sense = "remote_sense" if acquisition.remote_sense else "local_sense"
    if specification.can("remote sense") and dialect.knows(sense):
        units += dialect.units(sense)
    elif acquisition.remote_sense:
        raise InstrumentError("the instrument has no remote sense")
    return units


def setpoint_units(
    dialect: Dialect, specification: Specification, before: Setpoint | None, after: Setpoint
) -> list[str]:
    """The lines that lead from one setpoint, None where it isn't known, to another."""
    two_sided = specification.can("two-sided limit")
    if not two_sided and after.low != -after.high:
        raise InstrumentError(
            f"limits of {after.low:g} and {after.high:g} were asked for, but this instrument has "
            "one symmetric limit",
            "State the same magnitude for both sides.",
        )
    units: list[str] = []
    for action, values in changes(before, after, two_sided):
        units += dialect.units(action, **values)
    return units


def compare(specification: Specification, told: Setpoint, programmed: Setpoint) -> None:
    """Raise InstrumentError where an instrument tells another setpoint than was programmed."""
    if told.mode != programmed.mode:
        raise InstrumentError(
            f"the instrument sources a {told.mode}, but was programmed to source a "
            f"{programmed.mode}",
            "Switch it off and check it: it doesn't hold what it is told.",
        )
    other = OTHER[told.mode]
    for what, quantity, is_now, was_sent in (
        ("level", told.mode, told.level, programmed.level),
        ("low limit", other, told.low, programmed.low),
        ("high limit", other, told.high, programmed.high),
    ):
        if abs(is_now - was_sent) > _rounding(specification, quantity, was_sent):
            dimension = _DIMENSIONS[quantity]
            raise InstrumentError(
                f"the instrument reads back a {what} of {write(is_now, dimension)} where "
                f"{write(was_sent, dimension)} was programmed",
                "Switch it off and check it: it doesn't hold what it is told.",
            )


def _rounding(specification: Specification, quantity: Mode, value: float) -> float:
    if quantity == "voltage":
        voltage_range = specification.voltage_range(abs(value))
        resolution = voltage_range.resolution if voltage_range else 0.0
    else:
        current_range = specification.current_range(abs(value))
        resolution = current_range.resolution if current_range else 0.0
    return max(_ROUNDING * abs(value), resolution)
