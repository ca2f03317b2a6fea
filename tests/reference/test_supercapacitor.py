"""A supercapacitor charged, held and discharged by an ideal source, against its closed form.

The expected values are the matrix exponential of the network of `netlists/supercap_cccv.cir`,
worked out twice by independent methods outside this project; a value is compared to within one unit
of its last digit, never worse than 1e-6 of it.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from drivers.bench import open_simulated, read_bench
from drivers.channel import Acquisition, Event, Reading, Setpoint
from drivers.clock import VirtualClock
from drivers.simulated.conditions import Conditions
from drivers.simulated.instruments.instrument import SimulatedChannel
from drivers.simulated.parts.base import Network
from tests.drivers.parts.examples import part_of

BENCH = """
title = "Ridge station workshop"
line_frequency = "50 Hz"

[channels.smu]
specification = "demo-source-measure"
part = "bank"
leads = { per_lead_resistance = "LEAD" }

[parts.bank]
model = "supercapacitor"
capacitance = "10 F"
series_resistance = "10 mohm"
slow_branches = [ { resistance = "5 ohm", capacitance = "2 F" } ]
leakage_resistance = "10 kohm"
initial = { voltages = INITIAL }
"""

SHORT = Acquisition(5.0, 5.0, aperture_s=20e-6, aperture_cycles=None)


def bench(
    lead: str = "0 ohm", initial: str = '["0 V", "0 V"]'
) -> tuple[SimulatedChannel, VirtualClock]:
    text = BENCH.replace("LEAD", lead).replace("INITIAL", initial)
    file, problems = read_bench(Path("workshop.bench.toml"), text)
    assert file is not None, [p.message for p in problems]
    opened = open_simulated(file, ideal=True)
    channel, clock = opened.channels["smu"], opened.clock
    assert isinstance(channel, SimulatedChannel)
    assert isinstance(clock, VirtualClock)
    return channel, clock


def at(channel: SimulatedChannel, clock: VirtualClock, moment: float) -> Reading:
    """A short reading whose middle lies at that moment."""
    clock.wait_until(moment - 10e-6)
    reading = channel.measure()
    assert reading.time == pytest.approx(moment, abs=2e-9)
    return reading


def charge(lead: str) -> tuple[SimulatedChannel, VirtualClock, float]:
    channel, clock = bench(lead)
    channel.configure(SHORT)
    channel.program(Setpoint("voltage", 2.7, -1.0, 1.0))
    channel.switch(True)
    return channel, clock, clock.now()


def level_event(channel: SimulatedChannel) -> Event:
    first, second = channel.poll()
    assert (first.kind, first.text) == ("limit", "the current limit of 1 A took control")
    assert (second.kind, second.text) == ("level", "the voltage level of 2.7 V took control")
    assert first.exact
    assert second.exact
    return second


@pytest.mark.parametrize("looks", [[], [10.0], [30.6, 30.65, 30.7]])
def test_charge_and_hold(looks: list[float]) -> None:
    channel, clock, start = charge("0 ohm")
    for moment in looks:
        at(channel, clock, start + moment)
    later = at(channel, clock, start + 60)
    assert later.current == pytest.approx(9.138300e-3, rel=1e-6)
    assert later.voltage == 2.7
    assert level_event(channel).time - start == pytest.approx(30.6599682, abs=1e-7)
    for moment in (300.0, 600.0, 1800.0):
        held = at(channel, clock, start + moment)
        assert held.current == pytest.approx(0.269999730e-3, rel=1e-6)


def test_charge_through_one_milliohm() -> None:
    """The netlist as it stands: its source has 1 milliohm, here the two leads."""
    channel, clock, start = charge("0.5 mohm")
    assert at(channel, clock, start + 60).current == pytest.approx(9.150792e-3, rel=1e-6)
    assert level_event(channel).time - start == pytest.approx(30.6480252, abs=1e-7)
    assert at(channel, clock, start + 300).current == pytest.approx(0.269999703e-3, rel=1e-6)


def test_remote_sense_takes_the_leads_away() -> None:
    channel, clock = bench("0.5 ohm")
    channel.configure(Acquisition(5.0, 5.0, 20e-6, None, remote_sense=True))
    channel.program(Setpoint("voltage", 2.7, -1.0, 1.0))
    channel.switch(True)
    start = clock.now()
    assert at(channel, clock, start + 60).current == pytest.approx(9.138300e-3, rel=1e-6)
    assert level_event(channel).time - start == pytest.approx(30.6599682, abs=1e-7)


def test_what_it_holds() -> None:
    """10 F and the branch of 2 F at 2.7 V: 43.74 J."""
    part = part_of(BENCH[BENCH.index("[parts.bank]") :].replace("INITIAL", '["2.7 V", "2.7 V"]'))
    network = part.physics(Conditions())
    assert isinstance(network, Network)
    held = sum(c * v * v for c, v in zip(network.storage, network.initial, strict=True)) / 2
    assert held == pytest.approx(43.74, rel=1e-12)


SETTLED = '["2.69999703 V", "2.69999703 V"]'


def discharge() -> tuple[SimulatedChannel, VirtualClock, float]:
    channel, clock = bench(initial=SETTLED)
    channel.configure(SHORT)
    channel.program(Setpoint("current", -1.0, 0.0, 2.7))
    channel.switch(True)
    return channel, clock, clock.now()


@pytest.mark.parametrize(("moment", "voltage"), [(0.01, 2.688997), (1, 2.590932), (5, 2.210548)])
def test_discharge(moment: float, voltage: float) -> None:
    channel, clock, start = discharge()
    reading = at(channel, clock, start + moment)
    assert reading.voltage == pytest.approx(voltage, rel=1e-6)
    assert reading.current == -1.0


def test_discharge_times_from_readings_on_a_grid() -> None:
    """2 ms apertures every 10 ms, interpolated: the 80 % and 40 % points and the capacitance.

    IEC 62391-1: C = I·(t2 − t1)/(U1 − U2) between 80 % and 40 % of the rated voltage.
    """
    channel, clock, start = discharge()
    channel.configure(Acquisition(5.0, 5.0, 2e-3, None))
    clock.begin_grid(start, 0.01)
    readings = []
    for k in range(1900):
        clock.tick(k)
        readings.append(channel.measure())

    def crossing(threshold: float) -> float:
        for before, after in pairwise(readings):
            if before.voltage >= threshold > after.voltage:
                share = (before.voltage - threshold) / (before.voltage - after.voltage)
                return before.time + share * (after.time - before.time) - start
        raise AssertionError("never reached")

    t80, t40 = crossing(2.16), crossing(1.08)
    assert t80 == pytest.approx(5.54820451, rel=1e-6)
    assert t40 == pytest.approx(17.84552042, rel=1e-6)
    assert (t40 - t80) / 1.08 == pytest.approx(11.38640362, rel=1e-6)


def test_open_terminals_recover_and_settle() -> None:
    """After the discharge the slow branch lifts the voltage: charge is kept, but for the leak."""
    channel, clock, start = discharge()
    at(channel, clock, start + 15)
    channel.switch(False)
    before = channel.measure()
    assert before.current == 0.0
    clock.wait_until(start + 200)
    after = channel.measure()
    # Both capacitances meet: (10 F·v0 + 2 F·v1)/12 F, where the charge taken is 1 A·15.01 s less
    # what leaks through 10 kohm at under 2.7 V in 200 s (0.054 C).
    settled = 2.69999703 - (15 + 10e-6 + 5e-3) / 12
    assert settled - 0.054 / 12 < after.voltage < settled
    assert after.voltage > before.voltage + 0.1
