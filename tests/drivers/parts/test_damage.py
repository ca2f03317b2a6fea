"""Every limit that a part model can state, passed in a dry run: what, when, where, what is left.

The exact moments are those of `test_stores_give_way.py`, `test_sources.py` and their neighbours;
here a recipe drives each part past each limit on a bench, as a person would meet it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple, get_args

import pytest
from pydantic import BaseModel

from drivers.bench import BenchFile, read_bench
from drivers.simulated.parts import MODELS
from sequencer.engine.ending import Outcome
from tests.sequencer.engine.bench_of import dry

After = Callable[[float, float], bool]
"""Whether voltage (V) and current (A) are those of what is left."""


def opens(volts: float, amperes: float) -> bool:
    return abs(amperes) < 1e-6 < abs(volts)


def shorts(volts: float, amperes: float) -> bool:
    return abs(volts) < 0.1 * abs(amperes)


def anything(volts: float, amperes: float) -> bool:
    """Another test tells what is left of it."""
    return True


class Case(NamedTuple):
    """A part that bears little, what takes it past that, and how it says so."""

    kind: str
    part: str
    source: str
    words: str
    left: After = opens
    wait: str = "5 s"
    pair: str = ""


HOT = 'heating = { heat_capacity = "1 mJ/K", bears = "100 °C" }\n'
REACHED = "it reached 100 °C, the most that it bears"
FULL = "it held 50 mJ of heat, the most that it bears"
CELL = """open_circuit = [ ["0 %", "3 V"], ["100 %", "4 V"] ]
capacity = "4 C"
series_resistance = "100 mohm"
"""
BANK = 'capacitance = "50 mF"\nseries_resistance = "100 mohm"\n'
SUN = 'photocurrent = "1 A"\nsaturation_current = "1 nA"\n'
MODULE = SUN + "cells = 10\n"
DIODE = 'saturation_current = "1 nA"\nideality = 1.5\n'
LED = 'forward = { voltage = "2 V", current = "20 mA" }\n'
CLAMP = """direction = "one"
saturation_current = "1 nA"
breakdown = { voltage = "12 V", current = "1 mA" }
"""
FUSE = """resistance = "1 ohm"
switching_temperature = "60 °C"
decades = 1
heating.heat_capacity = "10 mJ/K"
"""
BEAM = """wavelength = "650 nm"
threshold_current = "20 mA"
slope_efficiency = "0.8 W/A"
threshold_width = "1 mA"
saturation_current = "1e-18 A"
series_resistance = "4 ohm"
band_gap = "1.9 V"
coupling = "5 %"
photodiode = { responsivity = "0.4 A/W", dark_current = "1 nA" }
"""
EYE = """wavelength = "850 nm"
area = "7.5e-6 m^2"
responsivity = "0.5 A/W"
dark_current = "1 nA"
"""
TURNING = """resistance = "1 ohm"
inductance = "1 mH"
constant = "0.02 V*s"
inertia = "1e-6 kg*m^2"
"""
PUMP = """displacement = "0.6 cm^3"
volume = "50 cm^3"
sensor.zero = "0.5 V"
sensor.full = "4.5 V"
sensor.full_pressure = "2.5 bar"
sensor.output_resistance = "1 kohm"
sensor.lag = "2 ms"
"""
COIL = 'resistance = "2 ohm"\ninductance = "10 mH"\n'
BURNT = "the junction burnt open: "
PUNCTURED = "the junction was punctured and is a short: "

CASES: dict[tuple[str, str], Case] = {
    ("resistor", "heating.bears"): Case(
        "resistor", 'resistance = "2 ohm"\n' + HOT, "voltage 4 V, limit 4 A",
        f"the element opened by a punctured spot: {REACHED}",
    ),
    ("resistor", "pulse_failure_energy"): Case(
        "resistor",
        'resistance = "2 ohm"\nheating.heat_capacity = "1 mJ/K"\npulse_failure_energy = "50 mJ"\n',
        "voltage 4 V, limit 4 A", f"the element opened by a punctured spot: {FULL}",
    ),
    ("supercapacitor", "bears_voltage"): Case(
        "capacitor", BANK + 'bears_voltage = "1 V"\n', "voltage 2 V, limit 1 A",
        "the electrolyte gassed: more than the 1 V that it bears", anything,
    ),
    ("supercapacitor", "puncture_voltage"): Case(
        "capacitor", BANK + 'puncture_voltage = "1 V"\n', "voltage 2 V, limit 1 A",
        "the separator was punctured at 1 V: it is shorted inside", lambda v, i: 0 < v < 0.3 * i,
    ),
    ("supercapacitor", "bears_reversal"): Case(
        "capacitor", BANK + 'bears_reversal = "0.2 V"\n', "voltage -1 V, limit 1 A",
        "it was reversed by more than the 0.2 V that it bears", anything,
    ),
    ("cell", "bears_voltage"): Case(
        "other", CELL + 'bears_voltage = "4.2 V"\n', "current 1 A, limit 5 V",
        "the cell was overcharged, vented and is open now",
    ),
    ("cell", "bears_reversal"): Case(
        "other", CELL + 'bears_reversal = "1 V"\n', "current -1 A, limit -2 V to 5 V",
        "the cell was driven in reverse and is a short now", lambda v, i: abs(v) < 0.15 * abs(i),
    ),
    ("cell", "heating.bears"): Case(
        "other", CELL.replace('"4 C"', '"40 C"') + HOT, "current 1 A, limit 5 V",
        f"the cell vented and is open now: {REACHED}",
    ),
    ("solar cell", "bears_current"): Case(
        "solar cell", SUN + 'bears_current = "2 A"\n', "voltage 2 V, limit 3 A",
        "the solar cell burnt open: more than the 2 A that it bears",
    ),
    ("solar cell", "bears_reverse_voltage"): Case(
        "solar cell", SUN + 'bears_reverse_voltage = "10 V"\n', "voltage -12 V, limit 1 A",
        "the solar cell was punctured and is a short now", shorts,
    ),
    ("solar module", "bears_current"): Case(
        "solar module", MODULE + 'bears_current = "2 A"\n', "voltage 12 V, limit 3 A",
        "the solar module burnt open: more than the 2 A that it bears",
    ),
    ("solar module", "bears_reverse_voltage"): Case(
        "solar module", MODULE + 'bears_reverse_voltage = "10 V"\n', "voltage -12 V, limit 1 A",
        "the solar module was punctured and is a short now", shorts,
    ),
    ("diode", "heating.bears"): Case(
        "diode", DIODE + HOT, "current 1 A, limit 5 V", PUNCTURED + REACHED, shorts,
    ),
    ("diode", "bears_energy"): Case(
        "diode",
        DIODE + 'heating.heat_capacity = "1 mJ/K"\nbears_energy = "50 mJ"\nfails = "open"\n',
        "current 1 A, limit 5 V", BURNT + FULL,
    ),
    ("LED", "heating.bears"): Case(
        "LED", LED + HOT + 'fails = "open"\n', "current 100 mA, limit 5 V", BURNT + REACHED,
    ),
    ("LED", "bears_energy"): Case(
        "LED", LED + 'heating.heat_capacity = "1 mJ/K"\nbears_energy = "50 mJ"\n',
        "current 100 mA, limit 5 V", PUNCTURED + FULL, shorts,
    ),
    ("suppressor", "heating.bears"): Case(
        "suppressor", CLAMP + HOT, "current 1 A, limit 20 V", PUNCTURED + REACHED, shorts,
    ),
    ("suppressor", "bears_energy"): Case(
        "suppressor", CLAMP + 'heating.heat_capacity = "1 mJ/K"\nbears_energy = "50 mJ"\n',
        "current 1 A, limit 20 V", PUNCTURED + FULL, shorts,
    ),
    ("resettable fuse", "heating.bears"): Case(
        "resettable fuse", FUSE + 'heating.bears = "100 °C"\n', "voltage 10 V, limit 4 A",
        f"the fuse burnt: {REACHED}",
    ),
    ("resettable fuse", "bears_voltage"): Case(
        "resettable fuse", FUSE + 'bears_voltage = "16 V"\n', "voltage 20 V, limit 4 A",
        "the fuse burnt and is open: it bears 16 V at most",
    ),
    ("resettable fuse", "bears_current"): Case(
        "resettable fuse", FUSE + 'bears_current = "2 A"\n', "voltage 10 V, limit 4 A",
        "the fuse burnt and is open: it bears 2 A at most",
    ),
    ("laser diode", "bears_power"): Case(
        "laser diode", BEAM + 'bears_power = "20 mW"\n', "current 60 mA, limit 4 V",
        "the laser's facet was destroyed by its own light", anything, pair=".laser",
    ),
    ("laser diode", "bears_current"): Case(
        "laser diode", BEAM + 'bears_current = "50 mA"\n', "current 60 mA, limit 4 V",
        "the laser's facet was destroyed by its own light", anything, pair=".laser",
    ),
    ("laser diode", "bears_reverse_voltage"): Case(
        "laser diode", BEAM + 'bears_reverse_voltage = "2 V"\n', "voltage -3 V, limit 100 mA",
        "the laser's junction was punctured and is a short now", shorts, pair=".laser",
    ),
    ("laser diode", "heating.bears"): Case(
        "laser diode", BEAM + HOT, "current 60 mA, limit 4 V",
        f"the laser burnt open: {REACHED}", pair=".laser",
    ),
    ("photodiode", "bears_current"): Case(
        "photodiode", EYE + 'bears_current = "10 mA"\n', "voltage 2 V, limit 20 mA",
        "the photodiode burnt open: more than the 10 mA that it bears",
    ),
    ("photodiode", "bears_reverse_voltage"): Case(
        "photodiode", EYE + 'bears_reverse_voltage = "10 V"\n', "voltage -12 V, limit 10 mA",
        "the photodiode was punctured and is a short now", shorts,
    ),
    ("insulator", "bears_voltage"): Case(
        "insulator", 'resistance = "1 Gohm"\ncapacitance = "1 nF"\nbears_voltage = "10 V"\n',
        "voltage 20 V, limit 1 uA", "the insulation was punctured: more than the 10 V",
        lambda v, i: v == pytest.approx(1e3 * i, rel=1e-6),
    ),
    ("contact", "welding"): Case(
        "contact",
        'resistance = "1 ohm"\nwelding = { temperature = "900 °C", resistance = "0.1 ohm" }\n',
        "voltage 400 mV, limit 1 A", "the contact welded: its spots reached 900 °C",
        lambda v, i: v == pytest.approx(0.1 * i, rel=1e-6),
    ),
    ("motor", "heating.bears"): Case(
        "motor", TURNING + 'friction_torque = "1 N*m"\n' + HOT, "voltage 4 V, limit 4 A",
        "the winding burnt out: it reached 100 °C", lambda v, i: abs(i) < 1e-6,
    ),
    ("motor", "bears_speed"): Case(
        "motor", TURNING + 'bears_speed = "3000 rpm"\n', "voltage 10 V, limit 4 A",
        "the rotor burst: it passed the 3000 rpm that it bears", lambda v, i: abs(i) < 1e-6,
    ),
    ("pump", "motor.heating.bears"): Case(
        "motor",
        PUMP + f"[parts.it.motor]\n{TURNING}friction_torque = \"1 N*m\"\n{HOT}",
        "voltage 4 V, limit 4 A", "the winding burnt out: it reached 100 °C",
        lambda v, i: abs(i) < 1e-6, pair=".motor",
    ),
    ("pump", "motor.bears_speed"): Case(
        "motor", PUMP + f"[parts.it.motor]\n{TURNING}bears_speed = \"1000 rpm\"\n",
        "voltage 10 V, limit 4 A", "the rotor burst: it passed the 1000 rpm that it bears",
        lambda v, i: abs(i) < 1e-6, pair=".motor",
    ),
    ("pump", "bears_pressure"): Case(
        "motor", PUMP + f'bears_pressure = "10 kPa"\n[parts.it.motor]\n{TURNING}',
        "voltage 10 V, limit 4 A", "the vessel burst: its pressure passed the 0.1 bar",
        anything, pair=".motor",
    ),
    ("coil", "heating.bears"): Case(
        "coil", COIL + HOT, "voltage 4 V, limit 4 A", "the winding burnt out: it reached 100 °C",
    ),
    ("coil", "bears_voltage"): Case(
        "coil", COIL + 'parallel_resistance = "1 kohm"\nbears_voltage = "10 V"\n',
        "voltage 15 V, limit 4 A", "the winding's insulation was punctured at 10 V", anything,
    ),
}  # fmt: skip


NAMES = [" ".join(case) for case in CASES]


def limits(model: type[BaseModel], before: str = "") -> Iterator[str]:
    """The keys by which a model states what it doesn't bear, those of its tables, too."""
    for name, field in model.model_fields.items():
        if re.match("bears|puncture_voltage|pulse_failure|welding", name):
            yield before + name
            continue
        for inner in (field.annotation, *get_args(field.annotation)):
            if isinstance(inner, type) and issubclass(inner, BaseModel):
                yield from limits(inner, f"{before}{name}.")


def test_no_limit_of_any_model_is_left_out() -> None:
    """And no model is without one."""
    known = {(name, key) for name, model in MODELS.items() for key in limits(model)}
    assert known == set(CASES)
    assert {name for name, _ in known} == set(MODELS)


RECIPE = """recipe "Past what it bears"
channel smu: source, sink, measure, two-sided limit
part it is {kind} on smu{clause}, not pushed:
    voltage within 32 V
    current within 4.5 A
    energy up to 100 kJ
    power up to 200 W
steps:
    source smu {source}
    output smu on
    wait {wait}
    measure smu into after
    output smu off
"""


def bench(model: str, case: Case) -> BenchFile:
    text = f"""line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
part = "it{case.pair}"
[parts.it]
model = "{model}"
{case.part}"""
    file, problems = read_bench(Path("ridge.bench.toml"), text)
    assert file is not None, [p.message for p in problems]
    return file


@pytest.mark.parametrize(("model", "limit"), CASES, ids=NAMES)
def test_passed_in_a_dry_run(model: str, limit: str, tmp_path: Path) -> None:
    case = CASES[model, limit]
    recipe = RECIPE.replace("{kind}", case.kind).replace("{source}", case.source)
    recipe = recipe.replace("{wait}", case.wait)
    ran = dry(recipe.replace("{clause}", ""), tmp_path, bench(model, case))
    assert (ran.ending.outcome, ran.ending.fault) == (Outcome.FAILED, "part")
    assert ran.ending.reason.startswith(f"it: {case.words}")
    (event,) = [e for e in ran.record.events() if e.kind == "destroyed"]
    assert event.exact
    # It goes by the source from `output smu on` in line 10 on, or in the wait after that.
    line = [step.line for step in ran.record.steps() if step.start <= event.time][-1]
    assert line in (10, 11)
    assert ran.ending.line == line
    assert re.search(rf"; at [\d.]+ \w*s, line {line}$", ran.ending.reason)
    assert ran.outputs_off


@pytest.mark.parametrize(("model", "limit"), CASES, ids=NAMES)
def test_where_it_may_be_destroyed(model: str, limit: str, tmp_path: Path) -> None:
    """The run goes on with what is left of it, and says at the end that it was destroyed."""
    case = CASES[model, limit]
    recipe = RECIPE.replace("{kind}", case.kind).replace("{source}", case.source)
    recipe = recipe.replace("{wait}", case.wait).replace("{clause}", ", may be destroyed")
    ran = dry(recipe, tmp_path, bench(model, case))
    assert ran.ending.outcome is Outcome.FINISHED
    assert ran.ending.reason.startswith(f"it was destroyed, as it may be: {case.words}")
    (volts,), (amperes,) = (ran.column("after", f"smu.{q}") for q in ("voltage", "current"))
    assert case.left(volts, amperes), (volts, amperes)
