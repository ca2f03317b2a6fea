"""The table as a person reads it, and how long it takes to come to it.

The figures of the first table are worked out by hand beside it; the table itself is the one of the
language's description.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from drivers.bench_file import BenchFile, read_bench
from grammar import tree
from grammar.parse import parse
from sequencer.checker import Checked, check
from sequencer.checker.naming.walking import steps_of
from sequencer.checker.worst.table import as_data, render
from sequencer.checker.worst.turns import BODIES_A_RECIPE, Turns
from sequencer.checker.worst.worst_case import WorstCase

EXAMPLE = """recipe "Supercapacitor: capacitance and internal resistance"
about "Empty, charge at constant current, hold at the rated voltage, discharge at constant current."
about "Capacitance from the line between 80 % and 40 % of the rated voltage."

channel smu: source, sink, measure, remote sense, measure open

part bank is capacitor on smu:
    voltage -0.05 V to 2.8 V
    current within 4.2 A
    energy up to 2 kJ

setting rated = 2.7 V in 1 V to 2.7 V "rated voltage"
setting rate = 3 A in 1 A to 4 A "charge and discharge current"
setting hold = 30 min in 10 min to 2 h "time at the rated voltage"

steps:
    setup smu: aperture = 1 PLC, voltage range = 5 V, current range = 5 A
    source smu voltage 0 V, limit rate           # empties it at constant current, cannot reverse it
    output smu on
    every 200 ms until smu.voltage <= 20 mV, at most 30 min:
        measure smu into emptying

    source smu voltage rated, limit rate
    every 200 ms until smu.current <= 5 % * rate, at most 20 min:
        measure smu into charging
    every 5 s for hold:
        measure smu into soak

    source smu voltage 0 V, limit rate
    every 100 ms until smu.voltage <= 0.1 V, at most 20 min:
        measure smu into discharging

results:
    C = capacitance(discharging, 80 % * rated to 40 % * rated) "Capacitance"
    R = internal_resistance(discharging, 80 % * rated to 40 % * rated) as mohm "Internal resistance"
    efficiency = -energy(discharging) / (energy(charging) + energy(soak)) "Energy efficiency"
    expect C in 350 F ± 20 %
    expect R < 20 mohm
"""

CAPACITOR = """recipe "Ridge weather station: buffer"
channel smu: source, sink, measure, measure open, two-sided limit
part bank is capacitor on smu:
    voltage -0.05 V to 2.8 V
    current within 4.2 A
"""


def bench(specification: str = "demo-source-measure") -> BenchFile:
    text = f'line_frequency = "50 Hz"\n[channels.smu]\nspecification = "{specification}"\n'
    found, problems = read_bench(Path("test.bench.toml"), text)
    assert found is not None, list(problems)
    return found


def checked(text: str, on: BenchFile | None = None) -> Checked:
    recipe, problems = parse(text, "test.recipe")
    return check(recipe, problems, None, on)


def worst_of(text: str, on: BenchFile | None = None) -> WorstCase:
    found = checked(text, on)
    assert not found.problems.has_errors, list(found.problems)
    assert found.worst is not None
    return found.worst


def test_the_table_of_the_language_is_printed_as_it_stands_there() -> None:
    """Energy: (20 min + 2 h) × 2.7 V × 4 A = 90.72 kJ; time: 30 min + 20 min + 2 h + 20 min."""
    assert render(worst_of(EXAMPLE), 140) == (
        """\
                 worst on any path      rating             held by
bank voltage     0 V … 2.7 V            -0.05 … 2.8 V      the levels
bank current     -4 A … 4 A             -4.2 … 4.2 A       the limits
bank energy      up to 90.7 kJ          up to 2 kJ         the energy guard
time under power up to 3 h 10 min
assumed          polarity as drawn; sense leads whole; no bench named: instrument error and \
overshoot not counted"""
    )


def test_in_a_narrow_terminal_it_is_folded() -> None:
    drawn = render(worst_of(EXAMPLE), 70)
    assert max(map(len, drawn.split("\n"))) <= 70
    assert "bank current     -4 A … 4 A" in drawn


def test_with_a_bench_the_rows_are_widened_and_the_envelope_is_shown() -> None:
    """The range of 5 V holds 2.7 V: 0.02 % · 2.7 V + 0.5 mV + 5 mV overshoot = 6.04 mV.

    That of 5 A holds 4 A: 0.1 % · 4 A + 2.5 mA + 5 mA = 11.5 mA (figures: the specification).
    Energy: 8400 s of (2.7 V + 6.04 mV) · (4 A + 11.5 mA), and 3000 s in which 0 V may be 5.5 mV:
    91 186 J + 66 J. A reading a second at least, its aperture of 20 ms, 5 ms to switch: 1.025 s,
    rounded up. The instrument sources 2.7 V at 4 A, and takes 4 A back at all that the bank may
    hold: 4 A of 4.5 A is 88.9 %.
    """
    assert render(worst_of(EXAMPLE, bench()), 96) == (
        """\
                 worst on any path       rating             instrument        held by
bank voltage     -4.5 mV … 2.707 V       -0.05 … 2.8 V      -32 … 32 V        the levels
bank current     -4.012 A … 4.012 A      -4.2 … 4.2 A       -4.5 … 4.5 A      the limits
bank energy      up to 91.3 kJ           up to 2 kJ                           the energy guard
time under power up to 3 h 10 min
assumed          polarity as drawn; sense leads whole; smu: error 1.04 mV and 6.5 mA, overshoot
                 5 mV and 5 mA counted, guards act within 1.03 s

                  the instrument sees      share      of what it bears
smu sources +V +A 2.7 V at 4 A             89 %       32 V at 4.5 A continuously
smu sinks +V -A   2.8 V at 4 A             89 %       32 V at 4.5 A continuously
smu sinks -V +A   50 mV at 4 A             89 %       32 V at 4.5 A continuously"""
    )


def test_a_current_source_is_held_by_the_look() -> None:
    steps = """steps:
    source smu current 3 A, limit 0 V to 2.7 V
    output smu on
    wait 10 s
"""
    drawn = render(worst_of(CAPACITOR + steps), 140).split("\n")
    assert drawn[1:3] == [
        "bank voltage     2.7 V                  -0.05 … 2.8 V      the limits and the look",
        "bank current     0 A … 3 A              -4.2 … 4.2 A       the levels and the look",
    ]


def test_data_are_plain_and_say_none_where_there_is_no_bound() -> None:
    """What has no bound is no number in JSON (RFC 8259, section 6)."""
    data = as_data(worst_of(EXAMPLE))
    assert json.loads(json.dumps(data, allow_nan=False)) == data
    row = data["parts"][0]["rows"]["energy"]
    assert row["rating"] == [None, 2000.0]
    assert row["high"] == pytest.approx(2.7 * 4 * 8400, rel=1e-5)
    assert row["held_by"] == "the energy guard"
    assert data["parts"][0]["rows"]["power"]["rating"] is None


def test_what_an_output_is_forced_to_holds_every_level_and_limit_until_it_goes_off() -> None:
    text = (
        CAPACITOR
        + """setting rated = 2 V in 1 V to 2.5 V
steps:
    source smu voltage 1 V, limit 1 A
    output smu on
    wait 1 s
    source smu voltage rated, limit 3 A
    sweep smu voltage from 0 V to 1 V in 3 points, limit 4 A, into t
    output smu off
    source smu current 0.5 A, limit 0 V to 2 V
    output smu on
    wait 1 s
results:
    most = maximum(t, voltage)
"""
    )
    found = checked(text)
    assert found.worst is not None
    steps = [s for s in steps_of(found.recipe.steps) if isinstance(s, tree.Output) and s.on]
    assert [found.worst.forced[id(step)] for step in steps] == [(2.5, 4.0), (2.0, 0.5)]


def test_a_part_stands_for_its_rating_less_a_margin() -> None:
    """Without a bench 1 %; with one 0.1 % · 4.2 A + 2.5 mA + 5 mA and 0.02 % · 2.8 V + 5.5 mV."""
    steps = "steps:\n    source smu voltage 1 V, limit bank\n    output smu on\n    wait 1 s\n"
    plain = worst_of(CAPACITOR + steps).limits["bank"]
    assert plain["current"] == pytest.approx((-4.158, 4.158))
    assert plain["voltage"] == pytest.approx((-0.0495, 2.772))
    real = worst_of(CAPACITOR + steps, bench()).limits["bank"]
    assert real["current"] == pytest.approx((-4.1883, 4.1883))
    assert real["voltage"] == pytest.approx((-0.04449, 2.79394))


def test_the_stake_is_the_most_of_all() -> None:
    """All of both periods: 10 s · 2 V · 1 A, with a reading as each begins and as its wait ends."""
    steps = """steps:
    source smu voltage 2 V, limit 1 A
    repeat 2 times:
        output smu on
        wait 10 s
        output smu off
"""
    worst = worst_of(CAPACITOR.replace("4.2 A\n", "4.2 A\n    energy up to 30 J\n") + steps)
    assert worst.stake.energy == pytest.approx(2 * 10.04 * max(2.0, 2.8))
    assert worst.stake.voltage == 2.0
    assert worst.stake.power == pytest.approx(2.8)
    (part,) = worst.parts
    # A store's rating counts from each time that its output goes on.
    assert part.rows["energy"].high == pytest.approx(10.04 * 2.0)
    assert part.rows["energy"].held_by == "the levels, limits and times"
    assert part.under_power_s == pytest.approx(20.08)


def test_a_count_of_turns_in_settings_bounds_the_energy_of_a_resistor() -> None:
    """What dissipates counts from the run's start: 5 · (1 s + 2 · 20 ms) · 2 W."""
    text = """recipe "Ridge weather station: heater"
channel smu: source, measure
part heater is resistor on smu:
    voltage within 5 V
    current within 3 A
    energy up to 100 J
setting shots = 3 in 1 to 5
steps:
    source smu voltage 2 V, limit 1 A
    repeat shots times:
        output smu on
        wait 1 s
        output smu off
"""
    (part,) = worst_of(text).parts
    assert part.rows["energy"].high == pytest.approx(5 * 1.04 * 2)
    assert part.rows["energy"].low == 0.0


def nest(depth: int, turns: int) -> str:
    """Loops within loops around a level that grows with every turn."""
    lines = ["steps:", "    let level = 0 V", "    source smu voltage 0 V, limit 1 A"]
    lines.append("    output smu on")
    for k in range(depth):
        lines.append("    " * (k + 1) + f"repeat {turns} times:")
    body = "    " * (depth + 1)
    lines += [body + "set level = min(level + 1 mV, 2 V)"]
    lines += [body + "source smu voltage level, limit 1 A", body + "measure smu"]
    return CAPACITOR + "\n".join(lines) + "\n"


def test_a_nest_of_loops_comes_to_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    """Six deep, a million turns: followed within the budget, then taken together."""
    turned = 0
    real = Turns._turn

    def counted(self: Turns, *rest: object) -> object:
        nonlocal turned
        turned += 1
        return real(self, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(Turns, "_turn", counted)
    (part,) = worst_of(nest(6, 10)).parts
    assert turned < BODIES_A_RECIPE
    assert part.rows["voltage"].high == 2.0
    assert part.under_power_s == pytest.approx(10**6 * 0.02 + 0.02)


def test_two_thousand_steps_are_met_once_each(monkeypatch: pytest.MonkeyPatch) -> None:
    from sequencer.checker.worst.transfer import Walk

    met = 0
    real = Walk._step

    def counted(self: Walk, *rest: object) -> object:
        nonlocal met
        met += 1
        return real(self, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(Walk, "_step", counted)
    lines = [f"    source smu voltage {1 + k % 2} V, limit 1 A\n    wait 1 ms" for k in range(1000)]
    text = CAPACITOR + "steps:\n    source smu voltage 1 V, limit 1 A\n    output smu on\n"
    (part,) = worst_of(text + "\n".join(lines) + "\n").parts
    assert met == 2002
    assert (part.rows["voltage"].low, part.rows["voltage"].high) == (1.0, 2.0)
    assert not math.isinf(part.rows["energy"].high)


def test_pulses_beyond_the_continuous_envelope_have_rows_of_their_own() -> None:
    """Of the pulsed envelope of 40 V at 12 A, 10 A take 83.3 % and 35 V 87.5 % (specification)."""
    text = """recipe "Ridge weather station: surge resistor"
channel smu: source, measure, pulse
part surge is resistor on smu:
    voltage within 40 V
    current within 12 A
steps:
    source smu voltage 1 V, limit 0.9 A
    output smu on
    pulse smu voltage -35 V, limit 10 A, width 5 ms, period 100 ms, count 200
    pulse smu voltage 10 V, limit 4 A, width 10 s
"""
    assert render(worst_of(text, bench()), 98).split("\n\n")[1] == (
        """\
                         the instrument sees                           share  of what it bears
smu sources +V +A        10 V at 4 A                                   89 %   32 V at 4.5 A
                                                                              continuously
smu sources pulses -V -A 35 V at 10 A, 5 ms every 100 ms, 200 of them  88 %   40 V at 12 A for 5
                                                                              ms, 5 % of the time,
                                                                              200 in a row"""
    )


def test_without_a_period_single_pulses_are_taken_to_be_far_enough_apart() -> None:
    text = """recipe "Ridge weather station: surge resistor"
channel smu: source, measure, pulse
part surge is resistor on smu:
    voltage within 40 V
    current within 12 A
steps:
    source smu voltage 1 V, limit 0.9 A
    output smu on
    pulse smu voltage 35 V, limit 10 A, width 5 ms
"""
    assert (
        "single pulses as far apart as the instrument needs" in worst_of(text, bench()).assumptions
    )


@pytest.mark.parametrize(
    ("limit", "said"), [("0 V to 2 V", True), ("-2 V to 0 V", True), ("-1 V to 2 V", False)]
)
def test_what_a_limit_of_zero_drives_by_its_offset_is_told_as_left_out(
    limit: str, said: bool
) -> None:
    """500 uV beside zero drive 500 mA through 1 mohm, more than the level of 100 mA."""
    text = (
        'recipe "R"\nchannel smu: source, sink, measure, two-sided limit\n'
        "part joint is contact on smu:\n"
        "    voltage within 3 V\n    current within 1 A\nsteps:\n"
        f"    source smu current 100 mA, limit {limit}\n"
        "    output smu on\n    wait 1 s\n"
    )
    words = "smu: a limit of 0 V may come out 500 uV beside zero, what that drives is not counted"
    assert (words in worst_of(text, bench()).assumptions) == said


@pytest.mark.parametrize(
    ("kind", "source", "said"),
    [
        ("capacitor", "current 100 mA, limit -1 V to 2 V", True),
        ("capacitor", "voltage 1 V, limit 100 mA", False),
        ("contact", "current 100 mA, limit -1 V to 2 V", False),
    ],
)
def test_what_an_overshoot_has_brought_in_is_told_as_taken_back(
    kind: str, source: str, said: bool
) -> None:
    """Only a part that stores keeps it, and only a limit of voltage brings it in."""
    text = (
        'recipe "R"\nchannel smu: source, sink, measure, two-sided limit, measure open\n'
        f"part it is {kind} on smu:\n    voltage within 3 V\n    current within 1 A\n"
        "    energy up to 1 kJ\n"
        f"steps:\n    source smu {source}\n    output smu on\n    wait 1 s\n"
    )
    told = [words for words in worst_of(text, bench()).assumptions if "taken back" in words]
    assert bool(told) == said


def test_an_until_loop_that_never_ends_by_itself_comes_to_rest(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A level that grows with every turn of a day of them: to the next landmark, 2.5 V."""
    turned = 0
    real = Turns._turn

    def counted(self: Turns, *rest: object) -> object:
        nonlocal turned
        turned += 1
        return real(self, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(Turns, "_turn", counted)
    text = (
        CAPACITOR
        + """steps:
    let level = 0 V
    source smu voltage 0 V, limit 1 A
    output smu on
    every 100 ms until smu.current >= 0.9 A, at most 24 h:
        set level = min(level + 1 mV, 2.5 V)
        source smu voltage level, limit 1 A
        measure smu
"""
    )
    (part,) = worst_of(text).parts
    assert turned < 1100
    assert part.rows["voltage"].high == 2.5
