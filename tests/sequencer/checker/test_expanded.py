"""What the engine is handed of a recipe with procedures, parts with facts, lines and sensors."""

from __future__ import annotations

import math
from collections.abc import Iterator

from grammar import tree
from grammar.parse import parse
from grammar.quantity import CHARGE, PLAIN, TEMPERATURE_POINT
from sequencer.checker import Checked, check
from sequencer.checker.naming.walking import arguments_and_steps, nodes_of, steps_of

HEAD = """recipe "Ridge weather station: store"
channel smu: source, sink, measure, measure open, two-sided limit
channel skin: measure temperature
digital lid: input
digital fan: output, rests high
part store is cell on smu, not pushed:
    voltage 2.5 V to 4.25 V
    current -5.5 A to 2.7 A
    temperature up to 45 °C by skin
    energy up to 10 J per pulse
    chemistry lithium ion
    capacity 2.5 Ah
    in series 1
    own protection
guard lid is low "open"
"""
STEPS = HEAD + (
    "procedure rest(where, record, duration):\n"
    "    let half = duration / 2\n"
    "    for k in 1 to 2:\n"
    "        every 1 s for half:\n"
    "            measure where into record with half\n"
    "steps:\n"
    "    switch fan low\n"
    "    measure skin\n"
    "    let half = 4 s\n"
    "    for turn in 1 to 2:\n"
    "        do rest(smu, resting, half)\n"
    "    do rest(smu, resting, duration = 10 s)\n"
)


def checked(text: str) -> Checked:
    recipe, problems = parse(text, "test.recipe")
    found = check(recipe, problems)
    assert [str(p.message) for p in problems] == []
    return found


def calls(found: Checked) -> list[tree.Called]:
    return [s for s in steps_of(found.recipe.steps) if isinstance(s, tree.Called)]


def intos(call: tree.Called) -> Iterator[tree.Name]:
    return (s.into for s in steps_of(call.body) if isinstance(s, tree.Measure) if s.into)


def test_a_call_is_a_block_with_the_values_of_its_parameters_first() -> None:
    first, second = calls(checked(STEPS))
    given, body = arguments_and_steps(first)
    assert [(let.name.id, let.value) for let in given] == [("rest.duration", tree.Name("half"))]
    assert isinstance(body[0], tree.Let)
    assert body[0].name.id == "rest.half"
    assert {n.id for n in nodes_of(body) if isinstance(n, tree.Name)} == {
        *("rest.half", "rest.duration", "rest.k", "smu", "resting"),
    }
    assert arguments_and_steps(second)[0][0].name.id == "rest.duration"


def test_columns_are_called_as_written_and_know_what_fills_them_in_each_call() -> None:
    found = checked(STEPS)
    first, second = calls(found)
    trace = found.traces["resting"]
    assert trace.channels == ("smu",)
    assert trace.columns == ("half",)
    assert set(trace.extra) == {"half", "k", "turn"}
    assert trace.extra["turn"] == trace.extra["k"] == PLAIN
    everything = {"half": "rest.half", "k": "rest.k", "turn": "turn"}
    assert [found.filled[id(into)] for into in intos(first)] == [everything]
    del everything["turn"]
    assert [found.filled[id(into)] for into in intos(second)] == [everything]


def test_facts_of_a_part() -> None:
    part = checked(STEPS).parts["store"]
    assert part.facts == {
        "chemistry": "lithium ion",
        "capacity": 9000.0,  # 2.5 Ah in C: 1 Ah is 3600 C
        "in series": 1.0,
        "own protection": 1.0,
    }
    assert part.watched_by == {"temperature": "skin"}
    assert part.ratings["temperature"] == (-math.inf, 318.15)
    assert part.per_pulse == {"energy": (-math.inf, 10.0)}
    assert "energy" not in part.ratings
    assert {"energy per pulse", "temperature", "capacity"} <= part.places.keys()
    assert (part.not_pushed, part.may_be_destroyed) == (True, False)


def test_a_capacity_is_a_charge_where_it_is_read() -> None:
    text = STEPS + '    let slow = store.capacity\n    note "{slow}"\n'
    found = checked(text)
    (node,) = [
        n
        for n in nodes_of(found.recipe.steps)
        if isinstance(n, tree.Member) and n.base.id == "store"
    ]
    assert found.dimensions[id(node)] == CHARGE


def test_lines_and_sensors() -> None:
    found = checked(STEPS)
    assert (found.digital["fan"].output, found.digital["fan"].rests_high) == (True, True)
    assert (found.digital["lid"].output, found.digital["lid"].rests_high) == (False, None)
    assert found.channels["skin"].sensed == "temperature"
    assert found.channels["smu"].sensed == ""
    text = STEPS + '    note "{skin.temperature}"\n'
    found = checked(text)
    members = [n for n in nodes_of(found.recipe.steps) if isinstance(n, tree.Member)]
    assert [found.dimensions[id(n)] for n in members] == [TEMPERATURE_POINT]


def test_a_call_that_cannot_be_expanded_stays_a_call() -> None:
    recipe, problems = parse(STEPS + "    do rest(smu)\n", "test.recipe")
    found = check(recipe, problems)
    assert [p.slug for p in problems] == ["argument-count"]
    assert any(isinstance(step, tree.Do) for step in found.recipe.steps)


def test_the_depth_of_calls_is_bounded() -> None:
    chain = "".join(f"procedure p{k}(n):\n    do p{k + 1}(n)\n" for k in range(100))
    text = HEAD + chain + "procedure p100(n):\n    wait n\nsteps:\n    switch fan low\n"
    recipe, problems = parse(text + "    measure skin\n    do p0(1 s)\n", "test.recipe")
    check(recipe, problems)
    assert [p.slug for p in problems] == ["too-deep"]


def test_the_steps_of_all_calls_are_bounded() -> None:
    """Ten calls in each of eight procedures would be a hundred million steps."""
    chain = "".join(f"procedure p{k}(n):\n" + f"    do p{k + 1}(n)\n" * 10 for k in range(8))
    text = HEAD + chain + "procedure p8(n):\n    wait n\nsteps:\n    switch fan low\n"
    recipe, problems = parse(text + "    measure skin\n    do p0(1 s)\n", "test.recipe")
    check(recipe, problems)
    assert [p.slug for p in problems] == ["too-many-steps"]
