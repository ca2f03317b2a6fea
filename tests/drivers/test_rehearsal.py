"""Faults on command: how they are asked for, and what they do to a bench."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.bench import open_simulated, read_bench
from drivers.channel import Acquisition, Setpoint
from drivers.faults import BenchFileError
from drivers.simulated.rehearsal import Fault, asked, wiring

BENCH = """line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
part = "load"
leads = { thermal_voltage = "0.3 V" }
[parts.load]
model = "resistor"
resistance = "10 ohm"
"""


def currents(*faults: str) -> list[float]:
    """Readings of a second each, at 5 V from the start on."""
    bench, problems = read_bench(Path("ridge.bench.toml"), BENCH)
    assert bench is not None, list(problems)
    opened = open_simulated(bench, ideal=True, faults=faults)
    smu = opened.channels["smu"]
    smu.configure(Acquisition(5.0, 5.0, aperture_s=1.0, aperture_cycles=None))
    smu.program(Setpoint("voltage", 5.0, -1.0, 1.0))
    smu.switch(True)
    return [smu.measure().current for _ in range(4)]


def test_leads_that_are_whole() -> None:
    assert currents() == pytest.approx([0.47] * 4)


def test_a_part_the_wrong_way_round() -> None:
    # A resistor doesn't mind.
    assert currents("reversed") == pytest.approx([0.47] * 4)


def test_a_lead_that_drops_off() -> None:
    assert currents("smu:lead-off@2.005s") == pytest.approx([0.47, 0.47, 0.0, 0.0], abs=1e-9)


def test_a_lead_that_bounces() -> None:
    before, bounced, after, _ = currents("bounce@1.5s")
    assert before == after == pytest.approx(0.47)
    assert 0.47 * 0.9 < bounced < 0.47 * 0.9999
    assert currents("bounce@1.5s")[1] == bounced


def test_what_is_asked_is_read() -> None:
    assert asked(["smu:lead-off@1.5min", "bounce", "reversed"], ["smu"]) == [
        Fault("lead-off", "smu", 90.0),
        Fault("bounce"),
        Fault("reversed"),
    ]
    assert wiring([Fault("reversed", "aux")], "smu", 0) == wiring([], "smu", 0)


@pytest.mark.parametrize(
    ("text", "message", "advice"),
    [
        ("led-off", "--fault led-off: there is no fault “led-off”", "Did you mean “lead-off”?"),
        (
            "sm:bounce",
            "--fault sm:bounce: there is no channel “sm” in this recipe",
            "Did you mean “smu”?",
        ),
        ("bounce@90", "--fault bounce@90: “90” is no time", "Write it as in bounce@90s."),
        ("bounce@-1s", "--fault bounce@-1s: “-1s” is no time", "Write it as in bounce@90s."),
        ("bounce@3 V", "--fault bounce@3 V: “3 V” is no time", "Write it as in bounce@90s."),
        ("reversed@3s", "--fault reversed@3s: “reversed” is so from the start", "Leave @3s out."),
    ],
)
def test_what_makes_no_sense_is_refused(text: str, message: str, advice: str) -> None:
    with pytest.raises(BenchFileError) as refused:
        asked([text], ["smu"])
    assert (refused.value.message, refused.value.advice) == (message, advice)
