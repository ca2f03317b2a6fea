"""A recipe's results, typed as far as these tests need it, so that they rest on no checker."""

from __future__ import annotations

from dataclasses import dataclass, field

from grammar import tree
from grammar.diagnostic import Problems
from grammar.parse import parse
from grammar.quantity import CURRENT, PLAIN, VOLTAGE, Dimension
from sequencer.analysis.arithmetic import FUNCTIONS
from sequencer.analysis.signatures import SIGNATURES

HEAD = """recipe "Results"
setting rated = 2.7 V in 1 V to 2.7 V
setting nominal = 10 F in 5 F to 20 F

steps:
    wait 1 s

results:
"""


@dataclass
class InForce:
    value: float
    dimension: Dimension


@dataclass
class Declared:
    facts: dict[str, float | str]


@dataclass
class Typed:
    recipe: tree.Recipe
    problems: Problems
    settings: dict[str, InForce] = field(default_factory=dict)
    parts: dict[str, Declared] = field(default_factory=dict)
    dimensions: dict[int, Dimension] = field(default_factory=dict)
    columns: dict[str, tuple[str, ...]] = field(default_factory=dict)
    answers: dict[int, dict[str, Dimension]] = field(default_factory=dict)
    relative: set[int] = field(default_factory=set)


def typed(results: str, lets: dict[str, Dimension] | None = None) -> Typed:
    """The recipe whose results are these lines; `lets` are the dimensions of its other names."""
    lines = "\n".join("    " + line for line in results.strip().split("\n"))
    recipe, problems = parse(HEAD + lines + "\n", "results.recipe")
    assert not list(problems)
    made = Typed(recipe, problems)
    known = dict(lets or {})
    for setting in recipe.settings:
        assert isinstance(setting.value, tree.Number)
        quantity = setting.value.quantity
        made.settings[setting.name.id] = InForce(quantity.value, quantity.dimension)
        known[setting.name.id] = quantity.dimension
    for line in recipe.results:
        if isinstance(line, tree.Result):
            known[line.name.id] = _type(line.value, known, made)
        elif isinstance(line, tree.Expect):
            _type(line.condition, known, made)
    return made


def _type(node: tree.Expression, known: dict[str, Dimension], made: Typed) -> Dimension:
    dimension = _dimension(node, known, made)
    made.dimensions[id(node)] = dimension
    return dimension


def _dimension(node: tree.Expression, known: dict[str, Dimension], made: Typed) -> Dimension:
    def of(inner: tree.Expression) -> Dimension:
        return _type(inner, known, made)

    match node:
        case tree.Number():
            return node.quantity.dimension
        case tree.Name():
            return known.get(node.id, {"current": CURRENT, "voltage": VOLTAGE}.get(node.id, PLAIN))
        case tree.Member():
            return {"current": CURRENT, "voltage": VOLTAGE}[node.field.id]
        case tree.Negative() | tree.Not():
            return of(node.operand)
        case tree.Binary("*"):
            return of(node.left).times(of(node.right))
        case tree.Binary("/"):
            return of(node.left).over(of(node.right))
        case tree.Binary() | tree.Compare() | tree.Logic():
            left, _ = of(node.left), of(node.right)
            return left
        case tree.Inside():
            of(node.bounds)
            return of(node.operand)
        case tree.Range():
            ends = [of(end) for end in (node.low, node.high) if end is not None]
            return ends[0]
        case tree.Within():
            return of(node.half)
        case tree.Tolerance():
            centre, half = of(node.centre), of(node.half)
            if half.is_plain and not centre.is_plain:
                made.relative.add(id(node))
            return centre
        case tree.Call():
            arguments = [of(argument.value) for argument in node.arguments]
            if node.function.id in FUNCTIONS:
                return arguments[0]
            parameters = [p.name for p in SIGNATURES[node.function.id].parameters]
            named = dict(zip(parameters, arguments, strict=False))
            return SIGNATURES[node.function.id].answer(named)
    raise TypeError(type(node).__name__)
