"""Cells, panels, photodiodes and lasers: examples, forms, what they don't bear, what is refused."""

from __future__ import annotations

import math
import random

import pytest

from drivers.simulated.conditions import Conditions, Profile
from drivers.simulated.parts import cell, laser, photodiode, solar
from drivers.simulated.parts.base import AtPort
from drivers.simulated.parts.lit import Lit
from drivers.simulated.parts.stateless import OPENED_OHMS
from tests.drivers.parts.driving import at, driven, holding, pushing
from tests.drivers.parts.examples import dynamic_of, keys, part_of, refusal
from tests.drivers.parts.laws import assert_undoes_itself

FULL = [cell.EXAMPLE, laser.EXAMPLE, photodiode.EXAMPLE, solar.EXAMPLE]
NOON = Conditions(irradiance=Profile.constant(1000.0))
# One of several ways to say the same.
LEFT_OUT = {"open_circuit", "responsivity", "quantum_efficiency"}


@pytest.mark.parametrize("example", FULL)
def test_examples_name_every_parameter(example: str) -> None:
    named, known = set(keys(example)), set(type(part_of(example)).model_fields)
    assert known - named <= LEFT_OUT
    assert named <= known


def test_pairs_of_terminals() -> None:
    assert part_of(laser.EXAMPLE).ports == ("laser", "photodiode")
    for example in (*FULL, solar.EXAMPLE_CELL, cell.EXAMPLE_TABLE):
        part = part_of(example)
        changing = NOON._replace(temperature=Profile((0.0, 9.0), (290.0, 300.0)))
        assert len(dynamic_of(part, changing).inductances) == len(part.ports)


@pytest.mark.parametrize("example", FULL)
@pytest.mark.parametrize("seed", range(5))
def test_laws_are_inverse(example: str, seed: int) -> None:
    """At states beyond all sense, and at their rates: all are numbers."""
    draw = random.Random(seed)
    part = dynamic_of(part_of(example), NOON)
    state = tuple(draw.uniform(-3, 3) * (1 + abs(x)) for x in part.initial)
    before: list[AtPort] = []
    for port in range(len(part.inductances)):
        law = part.law(port, 1.0, state, before)
        voltages = [s * 10.0**e for s in (-1, 1) for e in range(-6, 7, 3)]
        assert_undoes_itself(law, voltages, [0.0, 0.05, 1e3])
        before.append(AtPort(law.voltage_at(0.0), 0.0))
    for size in (-1e6, 1e6):
        ports = [AtPort(size, size)] * len(before)
        assert all(map(math.isfinite, part.rates(1.0, state, ports)))
        assert math.isfinite(part.lost(1.0, state, ports))


def test_the_simplest_form() -> None:
    """Light that stays and nothing stored: a law without memory."""
    small = part_of(solar.EXAMPLE_CELL)
    assert not hasattr(small.physics(NOON), "rates")
    setting = Conditions(irradiance=Profile((0.0, 60.0), (1000.0, 0.0)))
    moving = small.physics(setting)
    assert isinstance(moving, Lit)
    assert moving.kinks == [0.0, 60.0]
    assert moving.initial == ()
    humid = NOON._replace(humidity=Profile((0.0, 60.0), (0.3, 0.9)))
    assert not hasattr(small.physics(humid), "rates")


def test_colder_than_anything() -> None:
    """At 0.1 K and in light all laws give numbers."""
    cold = NOON._replace(temperature=Profile.constant(0.1))
    for example in (*FULL, solar.EXAMPLE_CELL, cell.EXAMPLE_TABLE):
        part = dynamic_of(
            part_of(example), cold._replace(irradiance=Profile((0.0, 1.0), (9.0, 9.0)))
        )
        before: list[AtPort] = []
        for port in range(len(part.inductances)):
            law = part.law(port, 0.5, part.initial, before)
            assert math.isfinite(law.current_through(1.0, 0.1))
            before.append(AtPort(1.0, 0.01))
        assert all(map(math.isfinite, part.rates(0.5, part.initial, before)))


def test_a_capacitance_is_that_of_the_whole() -> None:
    """Three equal substrings charge as one: 4 µF, however it is divided."""
    text = solar.EXAMPLE.replace('shade = "40 %"', "shade = 0")
    text = "\n".join(line for line in text.split("\n") if not line.startswith("bypass"))
    lines = [line for line in text.split("\n") if not line.startswith("substrings")]
    whole = dynamic_of(part_of("\n".join(lines)), NOON)
    (u,) = whole.initial
    third = dynamic_of(part_of(text), NOON)
    assert third.initial == pytest.approx((u / 3,) * 3, rel=1e-12)
    assert third.stored((1.0,) * 3) == pytest.approx(whole.stored((3.0,)), rel=1e-12, abs=0)
    ports = [AtPort(0.0, -1.0)]
    (rate,) = whole.rates(0.0, (u,), ports)
    assert third.rates(0.0, third.initial, ports) == pytest.approx((rate / 3,) * 3, rel=1e-9)


LINE = """
[parts.it]
model = "cell"
open_circuit = [ ["0 %", "3 V"], ["100 %", "4 V"] ]
capacity = "3600 C"
series_resistance = "20 mohm"
"""


def test_a_cell_is_overcharged() -> None:
    """1 A from 50 %: 4 V + x + 20 V·x² + 20 mV is at 4.2 V with x of the capacity beyond full."""
    (port,) = driven(dynamic_of(part_of(LINE + 'bears_voltage = "4.2 V"')), pushing(1.0, 20.0))
    beyond = (math.sqrt(1 + 80 * 0.18) - 1) / 40
    port.advance(3_000_000_000_000)
    (vented,) = port.happened
    assert vented.time_s == pytest.approx(3600 * (0.5 + beyond), rel=1e-9)
    assert vented.damage
    assert vented.text == (
        "the cell was overcharged, vented and is open now: it stood at more than the 4.2 V that "
        "it bears"
    )
    # Open: what pushed the current stands at its voltage limit.
    voltage, current = at(port, 3100.0)
    assert (voltage, current) == pytest.approx((20.0, 20.0 / OPENED_OHMS), rel=1e-9, abs=0)


def test_the_weakest_of_several_cells_is_reversed() -> None:
    """Two in series, one with a tenth less: empty after 1440 s, 1 V the wrong way soon after.

    3 V − x − 400 V·x² − 20 mV = −1 V with x of the capacity beyond empty; then the other cell is
    left, and the resistance of both.
    """
    text = LINE + 'in_series = 2\ncells = [ {}, { charge = "-10 %" } ]\nbears_reversal = "1 V"'
    (port,) = driven(dynamic_of(part_of(text)), pushing(-1.0, 20.0))
    port.advance(1_790_000_000_000)
    assert port.happened == []
    beyond = (math.sqrt(1 + 4 * 400 * 3.98) - 1) / (2 * 400)
    port.advance(1_799_000_000_000)
    (shorted,) = port.happened
    assert shorted.time_s == pytest.approx(3600 * (0.4 + beyond), rel=1e-9)
    assert shorted.text.startswith("cell 2 of 2 was driven in reverse and is a short now: ")
    left = 3 + 0.5 - 1799 / 3600 - 0.04
    assert at(port, 1799.0)[0] == pytest.approx(left, rel=1e-9)
    # The other one goes the same way, and a resistance is left of them.
    port.advance(2_200_000_000_000)
    assert [h.text[:11] for h in port.happened] == ["cell 2 of 2", "cell 1 of 2"]
    assert at(port, 2200.0)[0] == pytest.approx(-0.04, rel=1e-9)


def test_a_cell_gets_too_hot() -> None:
    """10 A through 20 milliohm into 10 J/K without a way out: 60 K after 300 s."""
    text = LINE.replace("3600 C", "36000 C")
    text += 'heating = { heat_capacity = "10 J/K", bears = "83 °C" }'
    (port,) = driven(dynamic_of(part_of(text)), pushing(10.0, 20.0))
    port.advance(310_000_000_000)
    (vented,) = port.happened
    assert vented.time_s == pytest.approx(300.0, rel=1e-9)
    assert vented.text.startswith("the cell vented and is open now: it reached 83 °C")


def test_a_photodiode_gives_way() -> None:
    light = """
    [parts.it]
    model = "photodiode"
    wavelength = "850 nm"
    area = "1e-6 m^2"
    quantum_efficiency = 1
    dark_current = "1 nA"
    bears_current = "10 mA"
    bears_reverse_voltage = "30 V"
    """
    for source, text, ohms in (
        (holding(2.0), "the photodiode burnt open: more than the 10 mA", OPENED_OHMS),
        (holding(-31.0), "the photodiode was punctured and is a short now: it stood in", 0.01),
    ):
        (port,) = driven(dynamic_of(part_of(light)), source)
        port.advance(1_000_000)
        (happened,) = port.happened
        assert happened.text.startswith(text)
        voltage, current = at(port, 0.01)
        assert voltage / current == pytest.approx(ohms, rel=1e-9)
    (port,) = driven(dynamic_of(part_of(light)), holding(-29.0))
    port.advance(1_000_000)
    assert port.happened == []


BEAM = """
[parts.it]
model = "laser diode"
wavelength = "650 nm"
threshold_current = "20 mA"
slope_efficiency = "0.8 W/A"
threshold_width = "1 mA"
saturation_current = "1e-18 A"
series_resistance = "4 ohm"
band_gap = "1.9 V"
coupling = "5 %"
photodiode = { responsivity = "0.4 A/W", dark_current = "1 nA", shunt_resistance = "300 Mohm" }
"""


@pytest.mark.parametrize(
    ("limit", "why"),
    [
        ('bears_power = "30 mW"', "it gave more than the 30 mW of light that it bears"),
        ('bears_current = "50 mA"', "it carried more than the 50 mA that it bears"),
    ],
)
def test_a_laser_facet_is_destroyed(limit: str, why: str) -> None:
    """At 60 mA, 32 mW: a hundredth is left, while its voltage stays."""
    sources = pushing(0.06, 4.0), holding(0.0)
    whole = driven(dynamic_of(part_of(BEAM)), *sources)
    before = [at(port, 1e-3) for port in whole]
    ports = driven(dynamic_of(part_of(BEAM + limit)), *sources)
    after = [at(port, 1e-3) for port in ports]
    assert whole[0].happened == []
    happened = [h for port in ports for h in port.happened]
    assert {h.text for h in happened} == {
        f"the laser's facet was destroyed by its own light, little of which is left: {why}"
    }
    assert after[0] == pytest.approx(before[0], rel=1e-12, abs=0)
    assert after[1][1] == pytest.approx(before[1][1] / 100, rel=1e-9, abs=0)


def test_a_laser_is_reversed() -> None:
    """-3 V where 2 V are borne: a short, and no light from then on."""
    part = dynamic_of(part_of(BEAM + 'bears_reverse_voltage = "2 V"'))
    laser_port, receiver = driven(part, holding(-3.0, 0.1), holding(0.0))
    assert at(laser_port, 1e-3) == pytest.approx((-0.1 * 0.01, -0.1), rel=1e-9, abs=0)
    assert [h.text for port in (laser_port, receiver) for h in port.happened][:1] == [
        "the laser's junction was punctured and is a short now: it stood in reverse at more than "
        "the 2 V that it bears"
    ]
    laser_port.connect(pushing(0.06, 4.0), 2_000_000)
    assert at(receiver, 3e-3)[1] == 0.0


def test_a_laser_gets_too_hot() -> None:
    """0.12 W and more into 1 mJ/K: within the second it burns open."""
    text = BEAM + 'heating = { heat_capacity = "1 mJ/K", bears = "100 °C" }'
    ports = driven(dynamic_of(part_of(text)), pushing(0.06, 4.0), holding(0.0))
    for port in ports:
        port.advance(2_000_000_000)
    (burnt,) = {h.text: h for port in ports for h in port.happened}.values()
    assert 0.5 < burnt.time_s < 1.0
    assert burnt.text == "the laser burnt open: it reached 100 °C, the most that it bears"
    assert at(ports[0], 3.0)[0] == pytest.approx(4.0)


@pytest.mark.parametrize(
    ("example", "before", "after", "said"),
    [
        (cell.EXAMPLE, '"2.6 Ah"', '"-2.6 Ah"',
         "8:12: error: “parts.store.capacity” is -2.6 Ah: it must be greater than 0"),
        (cell.EXAMPLE, '"2.6 Ah"', '"2.6 A"',
         "“2.6 A” is a current, expected a charge as in “2.6 Ah”"),
        (cell.EXAMPLE, 'reference_temperature = "25 °C"', 'reference_temperature = "-200 °C"',
         "“parts.store.reference_temperature” is -200 °C: it must be at least -173.15 °C"),
        (cell.EXAMPLE, "in_series = 4", "in_series = 3.5",
         "“parts.store.in_series” is 3.5: it must be a whole number"),
        (cell.EXAMPLE_TABLE, '["0 %", ', '["120 %", ',
         "“parts.clock.open_circuit[0][0]” is 120 %: it must be at most 100 %"),
        (photodiode.EXAMPLE, '["650 nm", ', '["1 nm", ',
         "“parts.light.responsivity_curve[1][0]” is 1 nm: it must be greater than 10 nm"),
        (photodiode.EXAMPLE, '["650 nm", ', '["2 mm", ',
         "“parts.light.responsivity_curve[1][0]” is 2 mm: it must be less than 1 mm"),
        (cell.EXAMPLE, '"lithium-ion"', '"lithium"', "“parts.store.chemistry”"),
        (cell.EXAMPLE, 'chemistry = "lithium-ion"', "", "must have either a chemistry ="),
        (cell.EXAMPLE, "in_series = 4", "in_series = 3",
         "says how 4 “cells” deviate, and has 3 “in_series”: one entry for each"),
        (cell.EXAMPLE, 'charge = "-3 %"', 'charge = "-50 %"',
         "begins with -10 % of charge in its cell 3: it can hold 0 % to 100 %"),
        (cell.EXAMPLE, '"4.35 V"', '"4.1 V"',
         "bears 4.1 V and has 4.2 V in each cell when it is full"),
        (cell.EXAMPLE, 'time_constant = "0.8 s"', 'time_constant = "0 s"',
         "“parts.store.branches[0].time_constant” is 0 s: it must be greater than 0"),
        (cell.EXAMPLE_TABLE, '["0 %", "2.0 V"], ', "",
         "has an “open_circuit” from 10 % to 100 %: begin with 0 % and end with 100 %"),
        (cell.EXAMPLE_TABLE, '"2.95 V"', '"2.6 V"',
         "has an “open_circuit” that doesn't rise from 10 %, 2.7 V to 90 %, 2.6 V"),
        (solar.EXAMPLE, '"0.35 ohm"', '"0 ohm"',
         "has a “capacitance” and no “series_resistance”: nothing would limit the current"),
        (solar.EXAMPLE, '"900 ohm"', '"100 ohm"',
         "has a “dark_shunt_resistance” below its “shunt_resistance”"),
        (solar.EXAMPLE, "cells = 36", "cells = 35", "has 35 cells in 3 substrings"),
        (solar.EXAMPLE, '"40 %"', '"140 %"', "“parts.panel.substrings[1].shade” is 140 %"),
        (solar.EXAMPLE, '"2.1 A"', '"-2.1 A"', "“parts.panel.photocurrent” is -2.1 A"),
        (photodiode.EXAMPLE, 'wavelength = "850 nm"', 'wavelength = "1550 nm"',
         "is lit at 1.55 um, which its “responsivity_curve” doesn't reach: it goes from 400 nm to"),
        (photodiode.EXAMPLE, '"0.58 A/W"', '"0.7 A/W"',
         "gives 0.7 A/W at 850 nm, more than one electron for each photon: at most 0.6856 A/W"),
        (photodiode.EXAMPLE, '["650 nm", ', '["300 nm", ',
         "has a “responsivity_curve” whose wavelengths don't rise from 400 nm to 300 nm"),
        (photodiode.EXAMPLE, "ideality = 1.1", "quantum_efficiency = 0.5",
         "must say what light gives in one of three ways"),
        (photodiode.EXAMPLE, '"25 ohm"', '"0 ohm"',
         "has a “capacitance” and no “series_resistance”"),
        (laser.EXAMPLE, '"0.8 W/A"', '"2 W/A"',
         "has a “slope_efficiency” of 2 W/A, more than one photon for each electron: at 650 nm at "
         "most 1.907 W/A"),
        (laser.EXAMPLE, '"0.8 W/A"', '"0.8 A"', "“0.8 A” is a current, expected a"),
        (laser.EXAMPLE, '"1 mA"', '"20 mA"', "has a “threshold_width” that is no narrower"),
        (laser.EXAMPLE, 'responsivity = "0.4 A/W"', 'responsivity = "0.6 A/W"',
         "gives 0.6 A/W at 650 nm, more than one electron for each photon"),
        (laser.EXAMPLE, 'coupling = "5 %"', 'coupling = "500 %"', "“parts.beam.coupling” is 500 %"),
    ],
)  # fmt: skip
def test_what_can_not_be(example: str, before: str, after: str, said: str) -> None:
    message = refusal(example, before, after)
    assert said in message
    assert message.startswith("ridge.bench.toml:")
