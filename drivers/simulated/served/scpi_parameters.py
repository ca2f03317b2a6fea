"""What SCPI commands take: data turned into values, or refused by the standard's numbers.

A decoder looks at the data of one unit. Data of the wrong type are command errors and are refused
while a message is taken apart; a value out of range is an execution error, so a decoder gives back
the check that is to be done when the command is (SCPI-1999 volume 2, 21.8). The module knows no
command and no instrument.
"""

from __future__ import annotations

from collections.abc import Callable

from drivers.simulated.served.scpi_message import Datum, ScpiError, Unit

Deed = Callable[[], str | None]
Maker = Callable[[Unit], Deed]
Arguments = Callable[[], tuple[object, ...]]
Decoder = Callable[[tuple[Datum, ...]], Arguments]

# IEEE 488.2 table 7-2, as far as a bench needs it: M is milli, MA mega.
_MULTIPLIERS = {
    "": 1.0, "G": 1e9, "MA": 1e6, "K": 1e3, "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12,
}  # fmt: skip


def written(value: float) -> str:
    """A value as NR3 with twelve digits; past all ranges as the standard's infinity."""
    if value in (float("inf"), float("-inf")):
        return "9.9E37" if value > 0 else "-9.9E37"
    return f"{value:.11E}"


def setting(
    decode: Decoder,
    change: Callable[..., None],
    ask: Callable[[], str] | None = None,
    limits: Decoder | None = None,
) -> Maker:
    """A command that sets; with `ask` also a query, with `limits` one that takes MIN, MAX, DEF."""

    def make(unit: Unit) -> Deed:
        if not unit.query:
            arguments = decode(unit.data)
            return lambda: change(*arguments())
        if ask is None:
            raise ScpiError(-113, ":".join(unit.header) + "?")
        if not unit.data:
            return ask
        if limits is None or unit.data[0].kind != "keyword":
            raise ScpiError(-108)
        bound = limits(unit.data)
        return lambda: written(float(bound()[0]))  # type: ignore[arg-type]

    return make


def query(ask: Callable[[], str]) -> Maker:
    """A command that only asks."""

    def make(unit: Unit) -> Deed:
        if not unit.query:
            raise ScpiError(-113, ":".join(unit.header))
        if unit.data:
            raise ScpiError(-108)
        return ask

    return make


def nothing(data: tuple[Datum, ...]) -> Arguments:
    """No data at all."""
    if data:
        raise ScpiError(-108)
    return tuple


def _one(data: tuple[Datum, ...], *kinds: str) -> Datum:
    if not data:
        raise ScpiError(-109)
    if len(data) > 1:
        raise ScpiError(-108)
    if data[0].kind not in kinds:
        raise ScpiError(-104)
    return data[0]


def number(unit: str, low: float, high: float, default: float) -> Decoder:
    """A number in SI or with a unit, within bounds; MIN, MAX and DEF stand for numbers."""
    named = {"MIN": low, "MAX": high, "DEF": default}
    named |= {"MINIMUM": low, "MAXIMUM": high, "DEFAULT": default}

    def decode(data: tuple[Datum, ...]) -> Arguments:
        datum = _one(data, "number", "keyword")
        if datum.kind == "keyword":
            if datum.text not in named:
                raise ScpiError(-141, datum.text)
            value = named[datum.text]
        else:
            value = datum.value * _factor(datum.suffix, unit)

        def checked() -> tuple[object, ...]:
            if not low <= value <= high:
                raise ScpiError(-222, f"{value:g} is outside {low:g} to {high:g} {unit}".rstrip())
            return (value,)

        return checked

    return decode


def _factor(suffix: str, unit: str) -> float:
    if not suffix:
        return 1.0
    if not unit:
        raise ScpiError(-138, suffix)
    factor = _MULTIPLIERS.get(suffix.removesuffix(unit)) if suffix.endswith(unit) else None
    if factor is None:
        raise ScpiError(-131, suffix)
    return factor


def integer(high: int, low: int = 0) -> Decoder:
    """A whole number within bounds."""

    def decode(data: tuple[Datum, ...]) -> Arguments:
        datum = _one(data, "number")
        if datum.suffix:
            raise ScpiError(-138, datum.suffix)

        def checked() -> tuple[object, ...]:
            # NRf data are rounded where an integer is wanted (IEEE 488.2 7.7.2.4).
            if not low - 0.5 <= datum.value < high + 0.5:
                raise ScpiError(-222, f"{datum.value:g} is outside {low} to {high}")
            return (round(datum.value),)

        return checked

    return decode


def boolean(data: tuple[Datum, ...]) -> Arguments:
    """ON, OFF, or a number that is off where it rounds to 0."""
    datum = _one(data, "number", "keyword")
    if datum.suffix:
        raise ScpiError(-138, datum.suffix)
    if datum.kind == "keyword" and datum.text not in ("ON", "OFF"):
        raise ScpiError(-141, datum.text)
    value = datum.text == "ON" if datum.kind == "keyword" else abs(datum.value) >= 0.5
    return lambda: (value,)


def keyword(*choices: str) -> Decoder:
    """One of some keywords, written as the standard prints them; gives the short form."""
    shorts = ["".join(c for c in choice if not c.islower()) for choice in choices]
    forms = {choice.upper(): short for choice, short in zip(choices, shorts, strict=True)}
    forms |= {short: short for short in shorts}

    def decode(data: tuple[Datum, ...]) -> Arguments:
        datum = _one(data, "keyword")

        def checked() -> tuple[object, ...]:
            if datum.text not in forms:
                raise ScpiError(-224, datum.text)
            return (forms[datum.text],)

        return checked

    return decode
