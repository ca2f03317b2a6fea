"""The commands of a simulated source-measure instrument: each header, what it takes and answers.

Headers and forms are those of IEEE 488.2 and SCPI-1999 (volume 2, from memory). The module knows
the front's panel, no physics and no link.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.channel import Mode
from drivers.simulated.served.scpi_message import Datum, ScpiError
from drivers.simulated.served.scpi_parameters import (
    Arguments,
    Maker,
    boolean,
    integer,
    keyword,
    nothing,
    number,
    query,
    setting,
    written,
)
from drivers.simulated.served.scpi_status import Register

if TYPE_CHECKING:
    from drivers.simulated.served.front import Front, Panel

SCPI_VERSION = "1999.0"
LARGEST_AVERAGE = 1000
LONGEST_APERTURE_CYCLES = 1e6
OTHER: dict[Mode, Mode] = {"voltage": "current", "current": "voltage"}
_UNITS: dict[Mode, str] = {"voltage": "V", "current": "A"}
_FUNCTIONS = {
    "VOLT",
    "VOLTAGE",
    "VOLT:DC",
    "VOLTAGE:DC",
    "CURR",
    "CURRENT",
    "CURR:DC",
    "CURRENT:DC",
}


def commands(front: Front) -> dict[str, Maker]:
    """All headers in the standard's notation."""
    table = _common(front) | _status(front) | _acquisition(front)
    quantities: tuple[Mode, Mode] = ("voltage", "current")
    for quantity in quantities:
        table |= _source(front, quantity) | _sense(front, quantity)
    return table


def _common(front: Front) -> dict[str, Maker]:
    status = front.status

    def enable_events(value: int) -> None:
        status.event_enable = value

    def enable_service(value: int) -> None:
        # The master summary can't ask for service about itself (IEEE 488.2 11.3.2).
        status.service_enable = value & ~64

    return {
        "*CLS": setting(nothing, status.clear),
        "*ESE": setting(integer(255), enable_events, lambda: str(status.event_enable)),
        "*ESR": query(lambda: str(status.take_events())),
        "*IDN": query(lambda: front.identity),
        "*OPC": setting(nothing, status.operation_complete, lambda: "1"),
        "*RST": setting(nothing, front.reset),
        "*SRE": setting(integer(255), enable_service, lambda: str(status.service_enable)),
        "*STB": query(lambda: str(status.byte())),
        "*TST": query(lambda: "0"),
        "*WAI": setting(nothing, lambda: None),
    }


def _status(front: Front) -> dict[str, Maker]:
    status = front.status
    table = {
        "SYSTem:ERRor[:NEXT]": query(status.errors.pop),
        "SYSTem:ERRor:ALL": query(status.errors.pop_all),
        "SYSTem:ERRor:COUNt": query(lambda: str(len(status.errors))),
        "SYSTem:VERSion": query(lambda: SCPI_VERSION),
        "STATus:PRESet": setting(nothing, status.preset),
    }
    for name, register in (
        ("QUEStionable", status.questionable),
        ("OPERation", status.operation),
    ):
        table |= _register(f"STATus:{name}", register)
    return table


def _register(header: str, register: Register) -> dict[str, Maker]:
    def mask(attribute: str) -> Maker:
        return setting(
            integer(0x7FFF),
            lambda value: setattr(register, attribute, value),
            lambda: str(getattr(register, attribute)),
        )

    return {
        f"{header}[:EVENt]": query(lambda: str(register.take_event())),
        f"{header}:CONDition": query(lambda: str(register.condition)),
        f"{header}:ENABle": mask("enable"),
        f"{header}:PTRansition": mask("positive"),
        f"{header}:NTRansition": mask("negative"),
    }


def _acquisition(front: Front) -> dict[str, Maker]:
    def function(panel: Panel, value: str) -> None:
        panel.mode = "voltage" if value == "VOLT" else "current"

    def sense(panel: Panel, value: str) -> None:
        panel.remote_sense = value == "EXT"

    def count(panel: Panel, value: int) -> None:
        panel.count = value

    def averaging(panel: Panel, value: bool) -> None:
        panel.averaging = value

    edit = front.edit
    return {
        "[SOURce]:FUNCtion:MODE": setting(
            keyword("VOLTage", "CURRent"),
            lambda v: edit(function, v),
            lambda: "VOLT" if front.panel.mode == "voltage" else "CURR",
        ),
        "[SOURce]:VOLTage:ALC:SOURce": setting(
            keyword("INTernal", "EXTernal"),
            lambda v: edit(sense, v),
            lambda: "EXT" if front.panel.remote_sense else "INT",
        ),
        "OUTPut[:STATe]": setting(boolean, front.switch, lambda: "1" if front.on else "0"),
        "SENSe:FUNCtion[:ON]": setting(_functions, lambda _: None, lambda: '"VOLT:DC","CURR:DC"'),
        "SENSe:AVERage:COUNt": setting(
            integer(LARGEST_AVERAGE, 1),
            lambda v: edit(count, v),
            lambda: str(front.panel.count),
        ),
        "SENSe:AVERage[:STATe]": setting(
            boolean,
            lambda v: edit(averaging, v),
            lambda: "1" if front.panel.averaging else "0",
        ),
        "READ": query(front.read),
        "FETCh": query(front.fetch),
    }


def _source(front: Front, quantity: Mode) -> dict[str, Maker]:
    unit, largest, most = _UNITS[quantity], front.largest(quantity), front.most(quantity)
    signed, unsigned = number(unit, -most, most, 0.0), number(unit, 0.0, most, most)
    ranges = number(unit, -largest, largest, largest)

    def level(panel: Panel, value: float) -> None:
        panel.level[quantity] = value

    def high(panel: Panel, value: float) -> None:
        front.expect_two_sided()
        panel.high[quantity] = value

    def low(panel: Panel, value: float) -> None:
        front.expect_two_sided()
        panel.low[quantity] = value

    def symmetric(panel: Panel, value: float) -> None:
        panel.high[quantity], panel.low[quantity] = value, -value

    def fixed(panel: Panel, value: float) -> None:
        panel.source_range[quantity] = front.full_scale(quantity, value)

    def automatic(panel: Panel, value: bool) -> None:
        panel.source_range[quantity] = None if value else front.range_in_force(quantity)

    header, edit = f"[SOURce]:{_standard(quantity)}", front.edit
    return {
        f"{header}[:LEVel][:IMMediate][:AMPLitude]": setting(
            signed, lambda v: edit(level, v), lambda: written(front.level(quantity)), signed
        ),
        f"{header}:LIMit:HIGH": setting(
            signed, lambda v: edit(high, v), lambda: written(front.panel.high[quantity]), signed
        ),
        f"{header}:LIMit:LOW": setting(
            signed, lambda v: edit(low, v), lambda: written(front.panel.low[quantity]), signed
        ),
        f"{header}:LIMit[:AMPLitude]": setting(
            unsigned,
            lambda v: edit(symmetric, v),
            lambda: written(front.panel.high[quantity]),
            unsigned,
        ),
        f"{header}:RANGe": setting(
            ranges,
            lambda v: edit(fixed, v),
            lambda: written(front.panel.source_range[quantity] or front.range_in_force(quantity)),
            ranges,
        ),
        f"{header}:RANGe:AUTO": setting(
            boolean,
            lambda v: edit(automatic, v),
            lambda: "1" if front.panel.source_range[quantity] is None else "0",
        ),
    }


def _sense(front: Front, quantity: Mode) -> dict[str, Maker]:
    largest = front.largest(quantity)
    range_number = number(_UNITS[quantity], -largest, largest, largest)
    specification = front.channel.specification

    def fixed(panel: Panel, value: float) -> None:
        panel.measure_range[quantity] = front.full_scale(quantity, value)

    def automatic(panel: Panel, value: bool) -> None:
        panel.measure_range[quantity] = None if value else front.range_in_force(quantity)

    # Voltage and current are taken in the same aperture, so there is but one.
    def cycles(panel: Panel, value: float) -> None:
        panel.aperture_cycles, panel.aperture_s = value, None

    def seconds(panel: Panel, value: float) -> None:
        panel.aperture_cycles, panel.aperture_s = None, value

    header = f"SENSe:{_standard(quantity)}[:DC]"
    edit = front.edit
    return {
        f"{header}:RANGe[:UPPer]": setting(
            range_number,
            lambda v: edit(fixed, v),
            lambda: written(front.range_in_force(quantity)),
            range_number,
        ),
        f"{header}:RANGe:AUTO": setting(
            boolean,
            lambda v: edit(automatic, v),
            lambda: "1" if front.panel.measure_range[quantity] is None else "0",
        ),
        f"{header}:NPLCycles": setting(
            number("", 0.0, LONGEST_APERTURE_CYCLES, 1.0),
            lambda v: edit(cycles, v),
            lambda: written(front.aperture_cycles()),
        ),
        f"{header}:APERture": setting(
            number("S", specification.shortest_aperture, specification.longest_aperture, 0.02),
            lambda v: edit(seconds, v),
            lambda: written(front.aperture_s()),
        ),
    }


def _standard(quantity: Mode) -> str:
    return "VOLTage" if quantity == "voltage" else "CURRent"


def _functions(data: tuple[Datum, ...]) -> Arguments:
    for datum in data:
        if datum.kind != "string":
            raise ScpiError(-104)
        if datum.text.upper() not in _FUNCTIONS:
            raise ScpiError(-151, datum.text)
    if not data:
        raise ScpiError(-109)
    return lambda: (data,)
