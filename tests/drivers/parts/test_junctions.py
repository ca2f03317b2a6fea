"""Diodes, LEDs and suppressors: laws that undo themselves, balances of energy, and what breaks."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator

import numpy as np
import pytest
from scipy.integrate import quad

from drivers.channel import Acquisition, Setpoint
from drivers.clock import NANOSECONDS
from drivers.simulated.conditions import Conditions, Profile
from drivers.simulated.parts import diode, led, suppressor
from drivers.simulated.parts.base import AtPort
from drivers.simulated.parts.depletion import Depletion
from drivers.simulated.parts.junction import Junction, Knee
from drivers.simulated.parts.junction_part import JunctionPart, JunctionPhysics
from drivers.simulated.parts.stateless import OPENED_OHMS, SHORTED_OHMS
from tests.drivers.parts.driven import driven
from tests.drivers.parts.driving import at, pushing
from tests.drivers.parts.energy import balance, wandering
from tests.drivers.parts.examples import dynamic_of, keys, part_of, refusal
from tests.drivers.parts.laws import assert_undoes_itself
from tests.drivers.simulated_bench import on_part

EXAMPLES = {"diode": diode.EXAMPLE, "LED": led.EXAMPLE, "suppressor": suppressor.EXAMPLE}
MAGNITUDES = [0.0, 1e-9, 1e-3, 0.3, 0.7, 2.0, 11.9, 12.0, 12.5, 40.0, 1e3, 1e6]
VOLTAGES = sorted({sign * size for size in MAGNITUDES for sign in (-1, 1)})


def junctions() -> Iterator[Junction]:
    draw = random.Random(1)
    for _ in range(300):
        knee = Knee(
            10 ** draw.uniform(-0.3, 2.5),
            10 ** draw.uniform(-6, 0),
            0.0257 * draw.choice([1, 1, 3, 20]),
        )
        yield Junction(
            10 ** draw.uniform(-15, -5),
            0.0257 * draw.uniform(1, 2),
            draw.choice([0, 1e-3, 0.05, 5]),
            knee,
            both=draw.random() < 0.5,
            polarity=draw.choice([-1.0, 1.0]),
        )


def test_laws_undo_themselves() -> None:
    for junction in junctions():
        assert_undoes_itself(junction, VOLTAGES, (0.0, 1e-6, 1e-3, 1.0, 1e3, 1e9))


def test_many_at_once_are_each_by_itself() -> None:
    """To the bit: a sweep that is looked ahead over has to be the one that is measured."""
    draw = random.Random(2)
    plain = [
        Junction(
            10 ** draw.uniform(-15, -5), 0.0257 * draw.uniform(1, 2), draw.choice([0, 0.05, 5])
        )
        for _ in range(50)
    ]
    voltages = np.array([*VOLTAGES, *(draw.uniform(-2, 2) for _ in range(100))])
    for junction in [*plain, *junctions()]:
        for resistance in (0.0, 1e-3, 1.0, 1e6):
            for several in (voltages, np.abs(voltages)):
                found = junction.currents_through(several, resistance)
                each = [junction.current_through(v, resistance) for v in several.tolist()]
                assert found.tobytes() == np.array(each).tobytes()


def test_nothing_overflows_where_all_is_across_the_resistance() -> None:
    """1 mA in 1 Gohm are 1 MV: at 30 V, over a thousand slope voltages, it is a resistance."""
    junction = Junction(1e-3, 0.0257, 1e9)
    voltages = np.linspace(-30.0, 30.0, 200)
    with np.errstate(all="raise"):
        found = junction.currents_through(voltages, 0.1)
    assert found.tolist() == [junction.current_through(v, 0.1) for v in voltages.tolist()]
    assert found == pytest.approx(voltages / 1e9, rel=1e-4, abs=0)


def test_both_ways_are_alike() -> None:
    junction = Junction(1e-8, 0.03, 0.1, Knee(12.0, 1e-3, 0.04), both=True)
    for voltage in VOLTAGES:
        current = junction.current_through(voltage, 0.5)
        assert junction.current_through(-voltage, 0.5) == -current


def test_two_junctions_back_to_back() -> None:
    """Of two that pass the same current, one forward and one against it: v = a·ln((1+r)/(1−r)).

    r is the current over I_s; the breakdown is far away.
    """
    junction = Junction(1e-8, 0.03, 0.0, Knee(12.0, 1e-3, 0.04), both=True)
    for ratio in (-0.99, -0.5, -1e-6, 1e-6, 0.3, 0.99):
        volts = 0.03 * math.log((1 + ratio) / (1 - ratio))
        assert junction.current_at(volts) == pytest.approx(ratio * 1e-8, rel=1e-9, abs=0)


def test_a_soft_breakdown_keeps_its_digits_near_nothing() -> None:
    """At nanovolts: the sum of the two terms' slopes at 0 V times the voltage (closed form)."""
    junction = Junction(1e-12, 0.03, 0.0, Knee(2.0, 1e-2, 0.5))
    slope = 1e-12 / 0.03 + 1e-2 * math.exp(-4) / 0.5
    for volts in (1e-9, 1e-12):
        assert junction.current_at(-volts) == pytest.approx(-volts * slope, rel=1e-8, abs=0)


def test_current_at_is_the_junction_alone() -> None:
    for junction in junctions():
        if junction.voltage_at(1.0) - junction.voltage_at(0.999999) > 1e-9:
            continue  # one with a resistance of its own
        for voltage in (-5.0, -0.5, -1e-6, 0.0, 1e-6, 0.3):
            expected = junction.current_through(voltage, 0.0)
            assert junction.current_at(voltage) == pytest.approx(expected, rel=1e-12, abs=0)


@pytest.mark.parametrize("both", [True, False])
@pytest.mark.parametrize("grading", [0.0, 0.33, 0.5, 0.9])
def test_energy_of_a_depletion_layer(grading: float, both: bool) -> None:
    """scipy's quadrature of C·v; and the capacitance has no step where the straight line begins."""
    depletion = Depletion(3e-9, 0.7, grading, both)
    for voltage in (-200.0, -3.0, -0.01, 0.2, 0.35, 0.5, 5.0):
        expected, _ = quad(
            lambda v: depletion.capacitance(v) * v, 0, voltage, points=[0.35], epsabs=0, limit=200
        )
        assert depletion.energy(voltage) == pytest.approx(expected, rel=1e-9, abs=0)
    for v in (0.35, 0.0):
        below, above = depletion.capacitance(v - 1e-9), depletion.capacitance(v + 1e-9)
        assert below == pytest.approx(above, rel=1e-7, abs=0)


@pytest.mark.parametrize("model", EXAMPLES)
def test_examples(model: str) -> None:
    """Every key of a model stands in its example, and reads as what it says."""
    part = part_of(EXAMPLES[model])
    assert isinstance(part, JunctionPart)
    assert part.model == model
    if model != "LED":
        assert set(keys(EXAMPLES[model])) >= {"breakdown", "capacitance", "grading", "heating"}
    if model == "diode":
        assert set(keys(diode.EXAMPLE)) == set(diode.Diode.model_fields)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("model", EXAMPLES)
def test_energy(model: str, seed: int) -> None:
    """Forward and into the breakdown, while the ambient's temperature bends."""
    weather = Conditions(temperature=Profile((0.0, 2e-3, 1.0), (290.0, 291.0, 320.0)))
    part = dynamic_of(part_of(EXAMPLES[model]), weather)
    size = {"diode": 120.0, "LED": 25.0, "suppressor": 18.0}[model]
    found = balance(part, [(wandering(seed, size, 4e-3), size / 3)], 3e-3)
    assert found.error < 1e-6
    assert found.lost > 1e-4


def test_energy_of_a_charge_alone() -> None:
    """The capacitance's own energy is a share that would be missed."""
    text = diode.EXAMPLE.replace('"45 pF"', '"4 uF"')
    drive = wandering(3, 3.0, 5e-3, -4.0)
    found = balance(dynamic_of(part_of(text)), [(drive, 200.0)], 2.3e-3)
    assert found.error < 1e-6
    assert abs(found.gained) > 0.1 * found.lost


@pytest.mark.parametrize("light", [0.0, 0.4])
def test_light_does_not_warm(light: float) -> None:
    """2 V·20 mA of an LED without ohms: what isn't light is heat, and all of it is lost."""
    text = f"""
[parts.lamp]
model = "LED"
forward = {{ voltage = "2 V", current = "20 mA" }}
light_share = {light}
heating = {{ heat_capacity = "1 mJ/K" }}
"""
    part = dynamic_of(part_of(text), Conditions(temperature=Profile.constant(298.15)))
    law = part.law(0, 0.0, part.initial, ())
    assert law.voltage_at(0.02) == pytest.approx(2.0, rel=1e-12, abs=0)
    ports = [AtPort(2.0, 0.02)]
    assert part.rates(0.0, part.initial, ports)[0] == pytest.approx(
        40 * (1 - light), rel=1e-9, abs=0
    )
    assert part.lost(0.0, part.initial, ports) == pytest.approx(0.04, rel=1e-12, abs=0)


def test_static_where_nothing_moves() -> None:
    text = '[parts.d]\nmodel = "diode"\nsaturation_current = "1 pA"\n'
    assert isinstance(part_of(text).physics(Conditions()), Junction)
    assert isinstance(part_of(diode.EXAMPLE).physics(Conditions()), JunctionPhysics)


def test_polarity_of_a_suppressor() -> None:
    """It breaks down at positive voltages, and conducts at negative ones in one direction only."""
    text = """
[parts.clamp]
model = "suppressor"
direction = "one"
saturation_current = "1 nA"
breakdown = { voltage = "14 V", current = "1 mA" }
"""
    for direction, negative in (("one", -0.35), ("both", -14.0)):
        law = part_of(text.replace('"one"', f'"{direction}"')).physics(Conditions())
        assert isinstance(law, Junction)
        assert law.voltage_at(1e-3) == pytest.approx(14.0, rel=1e-6, abs=0)
        assert law.voltage_at(-1e-3) == pytest.approx(negative, abs=0.01)


HEATED = """
[parts.clamp]
model = "suppressor"
direction = "one"
saturation_current = "1 nA"
breakdown = { voltage = "14 V", current = "1 mA" }
heating = { heat_capacity = "1 mJ/K"BEARS }
"""


@pytest.mark.parametrize(
    ("bears", "more", "text"),
    [
        (
            ', bears = "150 °C"',
            "",
            "the junction was punctured and is a short: it reached 150 °C, the most that it bears",
        ),
        (
            "",
            'bears_energy = "100 mJ"\nfails = "open"',
            "the junction burnt open: it held 100 mJ of heat, the most that it bears, and was at "
            "123 °C",
        ),
    ],
)
def test_too_much_heat(bears: str, more: str, text: str) -> None:
    """At a constant current into a breakdown: v·i/C a second, C being 1 mJ/K and nothing lost.

    V(T) = V_b + b·ln(i/I_b), b rising with T: the moment is that of ∫ v·i dt = C·ΔT, by scipy.
    """
    part = HEATED.replace("BEARS", bears) + more
    model = part_of(part)
    assert isinstance(model, JunctionPart)
    material, warmed = model.material(), 127.0 if bears else 100.0
    lasts_s, _ = quad(
        lambda t: 1e-3 / (0.1 * material.at(t).voltage_at(0.1)), 296.15, 296.15 + warmed
    )
    port = driven(part, pushing(0.1, 20.0))
    port.advance(NANOSECONDS)
    (happened,) = port.happened
    assert happened.time_s == pytest.approx(lasts_s, rel=1e-9, abs=0)
    assert (happened.text, happened.damage) == (text, True)
    left = (0.1 * SHORTED_OHMS, 0.1) if bears else (20.0, 20.0 / OPENED_OHMS)
    assert at(port, 1.0) == pytest.approx(left, rel=1e-9, abs=0)


DIODE, LED, CLAMP = EXAMPLES.values()


@pytest.mark.parametrize(
    ("text", "before", "after", "said"),
    [
        (DIODE, '"45 pF"', '"-45 pF"', "“parts.blocking.capacitance” is -45 pF: it must be greate"),
        (DIODE, 'series_resistance = "35 mohm"\n', "", "“parts.blocking” has a “capacitance” and "),
        (DIODE, 'capacitance = "45 pF"\n', "", "“parts.blocking” has a “grading” and no “capacit"),
        (DIODE, "grading = 0.45", "grading = 1.2", "“parts.blocking.grading” is 1.2: it must be a"),
        (DIODE, '"0.6 mJ/K"', '"0.6 mJ"', "“parts.blocking.heating.heat_capacity”: “0.6 mJ” is a"),
        (DIODE, '"0.1 %/K"', '"20000 ppm/K"',
         "“parts.blocking.breakdown.temperature_coefficient” is 20000 ppm/K: it must be at most "
         "10000 ppm/K"),
        (DIODE, '"0.1 %/K"', '"0.1 %"', "“parts.blocking.breakdown.temperature_coefficient”: the "),
        (DIODE, '"12 K/W", ', '"0 K/W", ', "“parts.blocking.heating.thermal_resistance” is 0 K/W:"),
        (DIODE, 'thermal_resistance = "12 K/W", ', "", "“parts.blocking.heating” lacks “thermal_r"),
        (DIODE, 'temperature = "25 °C"', 'temperature = "-300 °C"',
         "“parts.blocking.temperature” is -300 °C: it must be greater than absolute zero"),
        (DIODE, '"short"', '"glow"', "“parts.blocking.fails” is “glow”: it can be"),
        (LED, 'forward = { voltage = "1.9 V"', 'forward = { voltage = "50 mV"', "“parts.lamp” dro"),
        (LED, '"1.9 V"', '"90 V"', "“parts.lamp” has a forward voltage of 90 V, too much for one"),
        (LED, '"15 %"', '"100 %"', "“parts.lamp.light_share” is 100 %: it must be less than 100 %"),
        (CLAMP, 'direction = "one"\n', "", "“parts.clamp” lacks “direction”"),
        (CLAMP, 'breakdown.voltage = "14 V"\n', "", "“parts.clamp.breakdown” lacks “voltage”"),
    ],
)  # fmt: skip
def test_what_contradicts_itself(text: str, before: str, after: str, said: str) -> None:
    assert said in refusal(text, before, after)


def test_energy_that_nothing_holds() -> None:
    text = '[parts.d]\nmodel = "diode"\nsaturation_current = "1 pA"\nbears_energy = "1 J"\n'
    assert "“parts.d” has “bears_energy” and no “heating”" in refusal(text, "1 pA", "2 pA")


def test_any_state_has_a_law() -> None:
    """Wherever a solver looks: no NaN, no error, at temperatures and voltages that can't be."""
    for text in EXAMPLES.values():
        part = dynamic_of(part_of(text))
        for rise in (-1e6, -296.0, 0.0, 1e3, 1e6):
            for across in (-1e6, -100.0, 0.0, 1.0, 1e6):
                state = (*[rise] * (len(part.initial) - 1), across)
                law = part.law(0, 0.0, state, ())
                for voltage in VOLTAGES:
                    flows = law.current_through(voltage, 0.1)
                    rates = part.rates(0.0, state, [AtPort(law.voltage_at(flows), flows)])
                    assert np.isfinite([flows, *rates]).all(), (text, state, voltage)


def test_an_led_on_the_bench() -> None:
    """What a person meets: 1.9 V at 20 mA, by which it is known, before it warms."""
    text = 'model = "LED"\nforward = { voltage = "1.9 V", current = "20 mA" }\nideality = 1.8\n'
    channel, _, _ = on_part(text + 'series_resistance = "3 ohm"', ideal=True)
    channel.configure(Acquisition(5.0, 0.05, 1e-3, None))
    channel.program(Setpoint("current", 20e-3, -5.0, 5.0))
    channel.switch(True)
    assert channel.measure().voltage == pytest.approx(1.9, rel=1e-9, abs=0)
