"""Facts of parts: what is stated of one besides what it bears, and which kinds have it.

Knows one part at a time, no rating and no step.
"""

from __future__ import annotations

from typing import NamedTuple

from drivers.kinds import KINDS
from grammar import tree
from grammar.diagnostic import Related, Span
from grammar.quantity import CAPACITANCE, CHARGE, PLAIN, Dimension
from grammar.wording import listed, near
from sequencer.checker.expressions.units import Expressions
from sequencer.checker.naming.constants import constant
from sequencer.checker.naming.scope import Workings
from sequencer.checker.naming.words import a, described

CHEMISTRIES = ("lithium ion", "iron phosphate", "lead acid", "nickel metal hydride", "primary")
FACTS: dict[str, tuple[str, ...]] = {
    "chemistry": ("cell",),
    "in series": ("cell", "solar cell", "solar module"),
    "capacity": ("cell", "capacitor"),
    "own protection": ("cell",),
}
"""The facts, with the kinds of part that have them."""


class Found(NamedTuple):
    """What the lines beneath a part say, as `PartFacts` keeps it."""

    ratings: dict[str, tuple[float, float]]
    per_pulse: dict[str, tuple[float, float]]
    places: dict[str, Span]
    watched_by: dict[str, str]
    facts: dict[str, float | str]


def check_fact(work: Workings, node: tree.Part, fact: tree.Fact, found: Found) -> None:
    """One fact: its kind of part has it, it stands once, and its value is of its kind."""
    name, kinds = fact.name.id, FACTS[fact.name.id]
    if name in found.places:
        work.problems.error(
            "twice",
            fact.name.span,
            f"`{name}` stands here a second time",
            "write it once",
            [Related(found.places[name], "the first")],
        )
        return
    found.places[name] = fact.span
    if node.kind.id in KINDS and node.kind.id not in kinds:
        work.problems.error(
            "fact-of-other-kind",
            fact.name.span,
            f"{a_kind(node.kind.id)} has no `{name}`: it is a fact of {listed(map(a_kind, kinds))}",
            "leave it out, or correct the kind of the part",
            [Related(node.kind.span, "its kind")],
        )
        return
    if fact.word is not None:
        _chemistry(work, fact.word, found)
    elif fact.value is not None:
        value = _value(work, node, name, fact.value)
        if value is not None:
            found.facts[name] = value
    else:
        found.facts[name] = 1.0


def a_kind(kind: str) -> str:
    """A kind of part with its article."""
    return f"{'an' if kind[0] in 'aeiouL' else 'a'} {kind}"


def _chemistry(work: Workings, word: tree.Name, found: Found) -> None:
    if word.id in CHEMISTRIES:
        found.facts["chemistry"] = word.id
        return
    wanted = near(word.id, CHEMISTRIES)
    work.problems.error(
        "unknown-chemistry",
        word.span,
        f"“{word.id}” is no chemistry that is known here",
        f"write {wanted}" if wanted else f"there are {listed(CHEMISTRIES)}",
    )


def _value(work: Workings, node: tree.Part, name: str, value: tree.Expression) -> float | None:
    """The value of a fact in SI; it is a number, as ratings are."""
    expressions = Expressions(work, "require")
    if isinstance(value, tree.Range | tree.Within | tree.Tolerance):
        found = expressions.span_of(value)
    else:
        found = expressions.type_of(value)
    if not found.known:
        return None
    fitting: tuple[Dimension, ...] = (PLAIN,)
    example_of = "4"
    if name == "capacity":
        fitting, example_of = (CHARGE,), "2.5 Ah"
        if node.kind.id == "capacitor":
            fitting, example_of = (CAPACITANCE, CHARGE), "350 F"
    amount = constant(value)
    if found.kind != "quantity" or found.dimension not in fitting:
        plain = found.dimension is not None and found.dimension.is_plain and found.kind != "span"
        work.problems.error(
            "missing-unit" if plain and PLAIN not in fitting else "wrong-unit",
            value.span,
            f"{_what(name)} is {described(found)}, expected {listed(map(a, fitting))}",
            f"write {name} {_with_unit(work, value, example_of) if plain else example_of}",
        )
    elif amount is None:
        work.problems.error(
            "rating-not-a-number",
            value.span,
            f"{_what(name)} is what the maker states: a number, as in {example_of}",
            "write the number; a setting can't move what a part is",
        )
    elif amount <= 0 or (name == "in series" and amount != round(amount)):
        work.problems.error(
            "not-whole" if name == "in series" else "not-positive",
            value.span,
            f"{_what(name)} is {work.text(value.span)}, expected "
            + ("a whole number from 1 up" if name == "in series" else "more than zero"),
            f"write {name} {example_of}",
        )
    else:
        if name == "capacity":
            work.capacities[node.name.id] = found.dimension
        return amount
    return None


def _with_unit(work: Workings, value: tree.Expression, example_of: str) -> str:
    """A number as it should have been written, with the unit of an example."""
    text, unit = work.text(value.span), example_of.rpartition(" ")[2]
    return f"{text} {unit}" if text[-1:].isdigit() and constant(value) is not None else example_of


def _what(name: str) -> str:
    return "the number in series" if name == "in series" else f"the {name}"


def missing_chemistry(work: Workings, node: tree.Part, found: Found) -> None:
    """A cell says its chemistry: what may be done to it hangs on that."""
    if node.kind.id == "cell" and "chemistry" not in found.places and "part" not in work.lost_in:
        work.problems.error(
            "missing-chemistry",
            node.name.span,
            f"nothing says which chemistry the cell `{node.name.id}` has, and its end voltages "
            "depend on it",
            f"write beneath it: chemistry {listed(CHEMISTRIES)}",
        )
