"""Signs of a lost part or lead: which readings show one, which don't; by one and in columns."""

from __future__ import annotations

import copy
import random

import numpy as np
import pytest

from drivers.channel import Setpoint
from drivers.kinds import KINDS
from drivers.specification import Specification, load_specification
from sequencer.engine.guards import Uncertainty
from sequencer.engine.signs import Signs

VOLTS, AMPERES = Uncertainty(1e-4, 3e-4), Uncertainty(1e-3, 2e-3)


def specification(name: str = "demo-source-measure") -> Specification:
    found, _ = load_specification(name)
    assert found is not None
    return found


def signs(
    kind: str, setpoint: Setpoint | None, instrument: str = "demo-source-measure", **ratings: float
) -> Signs:
    """Of a part that bears 5 V and 4 A either way, and what else is said; from 0 s on."""
    bears = {"voltage": (-5.0, 5.0), "current": (-4.0, 4.0)}
    bears |= {quantity: (-np.inf, high) for quantity, high in ratings.items()}
    made = Signs("it", KINDS[kind], bears, specification(instrument))
    made.work_out(VOLTS, AMPERES)
    made.anew(setpoint, 0.0)
    return made


def told(watch: Signs, *readings: tuple[float, float, float]) -> str:
    """The first sign of readings a second apart: voltage, current, limited."""
    charge = 0.0
    for second, (voltage, current, limited) in enumerate(readings, start=1):
        charge += current
        words = watch.look(float(second), voltage, current, limited, charge)
        if words:
            return f"{second} s: {words}"
    return ""


AT_1_A = Setpoint("current", 1.0, -4.0, 4.0)
AT_3_V = Setpoint("voltage", 3.0, -1.0, 1.0)


def test_a_current_that_is_gone() -> None:
    watch = signs("resistor", AT_1_A)
    assert told(watch, (2.0, 1.0, 0.0), (4.0, 0.001, 1.0)) == (
        "2 s: it: lead off? 1 A flowed, and now nothing does, though nothing less was programmed"
    )


@pytest.mark.parametrize("kind", ["motor", "solar cell", "photodiode", "insulator", "other"])
def test_a_current_may_be_gone_where_something_else_can_stop_it(kind: str) -> None:
    assert told(signs(kind, AT_1_A), (2.0, 1.0, 0.0), (4.0, 0.0, 1.0)) == ""


def test_a_current_that_is_less_or_never_flowed_is_not_gone() -> None:
    assert told(signs("resistor", AT_1_A), (2.0, 1.0, 0.0), (4.0, 0.01, 1.0)) == ""
    assert told(signs("resistor", AT_1_A), (4.0, 0.03, 1.0), (4.0, 0.001, 1.0)) == ""


@pytest.mark.parametrize(
    ("level", "gone"), [(3.5, True), (3.0, True), (2.9, False), (-3.5, False), (0.0, False)]
)
def test_nothing_may_flow_at_a_lower_level(level: float, gone: bool) -> None:
    watch = signs("diode", AT_3_V)
    assert told(watch, (3.0, 0.5, 0.0)) == ""
    watch.anew(AT_3_V._replace(level=level), 1.5)
    assert ("lead off?" in told(watch, (level, 0.0, 0.0))) == gone


def test_a_resistor_that_gives_power() -> None:
    watch = signs("resistor", AT_3_V)
    assert told(watch, (-2.0, 1.0, 1.0)) == (
        "1 s: it: sense leads the wrong way round? -2 V at 1 A is power that a resistor can't give"
    )
    assert told(signs("resistor", AT_3_V), (-2.0, 0.01, 1.0), (-5e-3, 1.0, 1.0)) == ""
    assert told(signs("capacitor", AT_3_V), (-2.0, 1.0, 1.0)) == ""


def test_a_level_that_is_not_held() -> None:
    """3 V may be off by 0.0001·3 + 0.3 mV, the source's 0.0002·3 + 0.5 mV, 1 %, and 5 mV."""
    watch = signs("other", AT_3_V)
    held = 3.0 * (1e-4 + 2e-4 + 0.01) + 3e-4 + 5e-4 + 5e-3
    assert told(watch, *[(3.0 - 0.999 * held, 0.2, 0.0)] * 5) == ""
    assert told(watch, *[(3.0 - 1.001 * held, 0.2, 0.0)] * 5) == (
        "2 s: it: sense lead off? 2.963 V are read where 3 V should be, and no limit is in control"
    )
    assert told(signs("other", AT_3_V), *[(1.0, 0.2, 1.0)] * 5) == ""
    assert told(signs("other", AT_3_V), (1.0, 0.2, 0.0), (1.0, 1.0, 1.0), (1.0, 0.2, 0.0)) == ""
    assert told(signs("other", AT_1_A), *[(0.0, 0.0, 0.0)] * 2) == (
        "2 s: it: lead off? 0 A is read where 1 A should be, and no limit is in control"
    )


def test_a_level_is_as_near_as_its_range_lets_it_be() -> None:
    """0 A from the range of 5 A may be off by the source's 2.5 mA, the reading's 2 mA, and 5 mA."""
    readings = [(2.0, 0.009, 0.0)] * 5
    at_rest = Setpoint("current", 0.0, -4.0, 4.0)
    watch = signs("cell", at_rest)
    assert told(watch, *readings) != ""
    watch.anew(at_rest, 0.0, 5.0)
    assert told(watch, *readings) == ""
    assert told(watch, *[(2.0, 0.0096, 0.0)] * 5) != ""


def test_a_level_that_is_on_its_way_is_not_held_yet() -> None:
    """The supply's level may take twice its largest range at its slew rate."""
    supply = specification("demo-supply")
    assert supply.slew.voltage is not None
    way_s = 2 * supply.voltage_ranges[-1].full_scale / supply.slew.voltage
    watch = signs("other", AT_3_V, "demo-supply")
    for moment in np.linspace(0.0, way_s, 9):
        assert watch.look(float(moment), 1.0, 0.2, 0.0, 0.0) == ""
    late = [watch.look(way_s + 1.0 + k, 1.0, 0.2, 0.0, 0.0) for k in range(2)]
    assert late[0] == ""
    assert "sense lead off?" in late[1]


def test_what_cant_pull_down_or_up_says_nothing_of_it() -> None:
    assert told(signs("cell", AT_3_V, "demo-supply"), *[(4.0, 0.0, 0.0)] * 5) == ""
    assert told(signs("cell", AT_3_V, "demo-supply"), *[(2.0, 0.0, 0.0)] * 5) != ""
    at_0_V = Setpoint("voltage", 0.0, -1.0, 1.0)
    assert told(signs("cell", at_0_V, "demo-supply"), *[(4.0, 0.0, 0.0)] * 5) == ""
    assert told(signs("cell", AT_3_V, "demo-load"), *[(2.0, 0.0, 0.0)] * 5) == ""
    assert told(signs("cell", AT_3_V, "demo-load"), *[(4.0, 0.0, 0.0)] * 5) != ""


CHARGING = [(1.0 + 0.01 * k, 1.0, 1.0) for k in range(4)]


def test_a_store_whose_voltage_jumps() -> None:
    """10 mV a second: more than a twentieth of 10 V, ten times the slope, and the error are far."""
    far = 0.05 * 10 + 10 * 0.01 + 3e-4 + 5e-4
    for kind in ("capacitor", "cell"):
        assert told(signs(kind, AT_3_V), *CHARGING, (1.03 + 0.999 * far, 1.0, 1.0)) == ""
        assert told(signs(kind, AT_3_V), *CHARGING, (1.03 + 1.001 * far, 1.0, 1.0)) == (
            "5 s: it: lead off? its voltage jumped from 1.03 V to 1.631 V within 1 s, and nothing "
            "else was programmed"
        )
    assert told(signs("other", AT_3_V), *CHARGING, (2.9, 1.0, 1.0)) == ""
    # Where nothing flows any more three times the slope is far.
    assert told(signs("capacitor", AT_3_V), *CHARGING, (1.06, 0.0, 1.0)) == ""
    assert "lead off?" in told(signs("capacitor", AT_3_V), *CHARGING, (1.062, 0.0, 1.0))


def test_a_store_at_rest_whose_voltage_jumps() -> None:
    resting = [(2.5 - 0.001 * k, 0.0, 0.0) for k in range(4)]
    assert told(signs("capacitor", None), *resting, (2.4, 0.0, 0.0)) == ""
    assert "from 2.497 V to 0 V" in told(signs("capacitor", None), *resting, (0.0, 0.0, 0.0))
    watch = signs("capacitor", None)
    assert told(watch, *resting) == ""
    watch.anew(None, 10.0)
    assert told(watch, (0.0, 0.0, 0.0)) == ""


def test_a_part_of_a_jump_hides_nothing_of_it() -> None:
    """A bounce within a window moves its mean a little; the next reading is far off."""
    assert "jumped" in told(signs("capacitor", AT_3_V), *CHARGING, (1.2, 0.9, 1.0), (2.9, 0.0, 0.0))


def test_a_capacitor_whose_voltage_stands_still() -> None:
    """125 J at 5 V are 10 F at most: 0.1 V for 1 C. A fiftieth of it is beyond the error at 0.4 C.

    0.8 mV are the error; standing is within a quarter of it.
    """
    still = [(1e-4, 0.11, 1.0)] * 20
    assert told(signs("capacitor", AT_3_V, energy=125.0), *still) == (
        "5 s: it: sense lead off? 440 mC have flowed, and its voltage stands at 100 uV"
    )
    moving = [(2.5e-4 * k, 0.11, 1.0) for k in range(20)]
    assert told(signs("capacitor", AT_3_V, energy=125.0), *moving) == ""
    assert told(signs("capacitor", AT_3_V), *still) == ""
    assert told(signs("cell", AT_3_V, energy=125.0), *still) == ""
    # Held at its level it takes what it loses.
    held = [(3.0, 0.1, 0.0)] * 20
    assert told(signs("capacitor", AT_3_V, energy=125.0), *held) == ""


def test_control_that_passes_to_and_fro() -> None:
    watch = signs("other", AT_3_V)
    slow = [watch.passed(0.25 * k) for k in range(20)]
    assert slow == [""] * 20
    watch.anew(AT_3_V, 6.0)
    assert [watch.passed(6.0 + 0.02 * k) for k in range(6)] == [""] * 6
    assert watch.passed(6.12) == (
        "it: lead off? control passed to and fro 6 times within 100 ms, as where a contact "
        "bounces, and nothing else was programmed"
    )


@pytest.mark.parametrize("seed", range(300))
def test_columns_never_pass_over_a_sign(seed: int) -> None:
    """Random readings after a few: what `within` lets pass shows none, and leaves the same."""
    dice = random.Random(seed)
    setpoint = dice.choice([AT_1_A, AT_3_V, None])
    watch = signs(dice.choice(list(KINDS)), setpoint, energy=dice.choice([1.0, 125.0]))
    limited = float(setpoint is not None and dice.random() < 0.5)
    level = setpoint.level if setpoint is not None else 2.0

    def reading() -> tuple[float, float]:
        voltage = dice.choice([level, level, level * dice.random(), -level, 0.0, 1e-4])
        current = dice.choice([1.0, 1.0, 0.1, 0.0, 1e-3, -1.0])
        return voltage, current

    charge = 0.0
    for second in range(dice.randrange(5)):
        voltage, current = reading()
        charge += current
        watch.look(float(second), voltage, current, limited, charge)
    count = dice.randrange(1, 30)
    usual = reading()
    rows = [usual if dice.random() < 0.8 else reading() for _ in range(count)]
    voltages, currents = np.array(rows).T
    charges = charge + np.cumsum(currents)
    moments = np.arange(10.0, 10.0 + count)
    whole = watch.within(voltages, currents, limited, charges)
    passed = count if whole.all() else int(whole.argmin())
    stated = vars(watch)["_specification"]
    one_by_one = copy.deepcopy(watch, {id(stated): stated})
    for k in range(passed):
        said = one_by_one.look(
            float(moments[k]), float(voltages[k]), float(currents[k]), limited, float(charges[k])
        )
        assert said == ""
    if passed:
        first = slice(0, passed)
        watch.follow(moments[first], voltages[first], currents[first], limited, charges[first])
    assert vars(watch) == vars(one_by_one)


@pytest.mark.parametrize("kind", ["diode", "LED", "laser diode", "suppressor"])
def test_a_junction_that_carries_a_current_has_a_voltage(kind: str) -> None:
    assert told(signs(kind, AT_1_A), (0.7, 1.0, 0.0), (1e-5, 1.0, 0.0)) == (
        f"2 s: it: sense lead off, or shorted? 1 A flows, and only 10 uV is read across the {kind}"
    )
    assert told(signs(kind, AT_1_A), (0.012, 1.0, 0.0)) == ""


def test_a_small_current_may_need_hardly_a_voltage() -> None:
    """Less than a hundredth of 4 A: as a power rectifier, whose saturation current is large."""
    assert told(signs("diode", AT_1_A), (1e-5, 0.039, 0.0)) == ""
    assert told(signs("resistor", AT_1_A), (1e-5, 1.0, 0.0)) == ""


def test_control_that_passed_before_a_level_or_by_it_is_no_sign_of_a_lead() -> None:
    """What passes within a second is told at once, when other levels have been programmed since."""
    setpoint = Setpoint("voltage", 2.0, -1.0, 1.0)
    watch = signs("insulator", setpoint)
    for k in range(8):
        watch.anew(setpoint, 0.02 * k)
    late = [watch.passed(0.02 * k) for k in range(8)]
    assert late == [""] * 8
    # Two of a level's own are not yet six.
    assert [watch.passed(0.15), watch.passed(0.16)] == ["", ""]
    assert [watch.passed(0.17 + 0.01 * k) != "" for k in range(4)] == [False, False, False, True]
