"""Which names the worst case follows, and after which step nothing looks at one any more."""

from __future__ import annotations

from grammar.parse import parse
from sequencer.checker import check
from sequencer.checker.naming.walking import steps_of
from sequencer.checker.worst.followed import followed

RECIPE = """recipe "Names that come and go"
channel smu: source, sink, measure, measure open
part bank is capacitor on smu, not pushed:
    voltage -0.05 V to 2.8 V
    current within 1.2 A
guard smu.voltage < 2.79 V "well below its rating"
steps:
    measure smu
    let told = smu.voltage
    let level = min(max(smu.voltage, 0 V), 2.5 V)
    let lower = level / 2
    source smu voltage level, limit 1 A
    output smu on
    repeat 3 times:
        measure smu
        let inner = smu.voltage
        if inner > 1 V:
            source smu voltage lower, limit 1 A
        set lower = lower / 2
        let part_of_it = lower
        wait max(part_of_it / 1 V * 1 s, 1 s)
    say "It began at {told}."
    output smu off
"""
HANDED_OVER = """    ask "How much?", into wanted in 0 V to 2 V
    let level = wanted
    source smu voltage level, limit 1 A
"""


def gone_after(text: str) -> dict[str, list[str]]:
    """The names that are let go, by the line of the step after which they are."""
    recipe, problems = parse(text)
    found = check(recipe, problems)
    assert not problems.has_errors, list(problems)
    gone = followed(found.recipe).gone
    lines = text.split("\n")
    return {
        lines[step.span.line - 1].strip(): sorted(gone[id(step)])
        for step in steps_of(found.recipe.steps)
        if id(step) in gone
    }


def test_a_name_is_let_go_after_the_last_step_that_looks_at_it() -> None:
    """One of an outer block lasts to the end of a loop, which comes back to where it stands."""
    assert gone_after(RECIPE) == {
        "source smu voltage level, limit 1 A": ["level"],
        "repeat 3 times:": ["lower"],
        "if inner > 1 V:": ["inner"],
        "wait max(part_of_it / 1 V * 1 s, 1 s)": ["part_of_it"],
    }


def test_a_typed_value_is_let_go_where_it_is_handed_over() -> None:
    text = RECIPE.partition("    measure smu\n")[0] + HANDED_OVER
    assert gone_after(text) == {
        "let level = wanted": ["wanted"],
        "source smu voltage level, limit 1 A": ["level"],
    }


def test_only_names_that_something_imposed_hangs_on_are_followed() -> None:
    found = check(*parse(RECIPE))
    assert followed(found.recipe).names >= {"level", "lower", "inner", "part_of_it"}
    assert "told" not in followed(found.recipe).names
