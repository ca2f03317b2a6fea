"""The order of steps against every path walked one by one, on small recipes made at random.

The judge is a plain walk: it takes each way through the steps, with no, one, two and three turns of
a loop that may be set to none, and notes at which lines something was missing. What the checker
says must be exactly what some path shows, no more and no less. Two turns suffice for what is
tracked: each fact of a channel is gained or lost in one step and depends on no other.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator
from typing import NamedTuple

import pytest

from grammar.parse import parse
from sequencer.checker.declared.declarations import check_declarations
from sequencer.checker.facts import Checked
from sequencer.checker.flow import order
from sequencer.checker.flow.order import check_order
from sequencer.checker.naming.scope import Workings
from sequencer.checker.steps.steps import check_steps

HEAD = """recipe "Paths"
channel smu: source, measure, pulse, capture
digital lid: input
part load is resistor on smu:
    voltage within 5 V
    current within 1 A
setting turns = 1 in 0 to 3
steps:
"""
FOOT = """finally:
    source smu voltage 1 V, limit 1 A
    output smu on
    measure smu into looks
"""
FIRST_LINE = HEAD.count("\n") + 1
SLUGS = {
    *("reading-before-measure", "on-before-source", "measure-with-output-off"),
    *("level-with-output-off", "trace-before-measure"),
}
PLAIN = {
    "measure": "measure smu",
    "use": 'note "{smu.voltage}"',
    "source": "source smu voltage 1 V, limit 1 A",
    "on": "output smu on",
    "off": "output smu off",
    "stop": "stop",
    "leave": "leave",
    "ramp": "ramp smu voltage to 2 V at 1 V/s",
    "pulse": "pulse smu voltage 2 V, width 1 ms",
    "fill": "measure smu into looks",
    "look": 'note "{mean(looks, voltage, 1 s)}"',
}
LOOPS = {
    "maybe": "repeat turns times:",
    "surely": "every 1 s for 2 s:",
    "capture": "capture smu at 1 kHz for 1 s, into wave:",
    "trigger": "capture smu at 1 kHz for 1 s, when smu.voltage > 1 V, before 0 s, into wave:",
}
WAITS = {
    "settle": "settle smu.voltage within 1 mV over 10 s, every 1 s, at most 1 min",
    "wait": "wait for lid low, at most 1 min",
}


class Node(NamedTuple):
    """A step with its line; `blocks` are the branches of an `if` or the body of a loop.

    The block of a wait is its `otherwise`.
    """

    kind: str
    line: int
    blocks: tuple[tuple[Node, ...], ...] = ()


class Maker:
    """Makes a recipe's steps at random, as text and as nodes."""

    def __init__(self, seed: int) -> None:
        self.random = random.Random(seed)
        self.lines: list[str] = []
        self.budget = 12

    def block(self, depth: int, in_loop: bool) -> tuple[Node, ...]:
        nodes: list[Node] = []
        for _ in range(self.random.randint(1, 4)):
            kinds = ["measure", "use", "source", "on", "off", "ramp", "pulse", "fill", "look"]
            if depth < 3 and self.budget > 0:
                kinds += ["if", "if", *LOOPS, *WAITS]
            node = self.step(self.random.choice(kinds), depth, in_loop)
            nodes.append(node)
        if self.random.random() < 0.15:
            nodes.append(self.step("leave" if in_loop else "stop", depth, in_loop))
        return tuple(nodes)

    def write(self, depth: int, text: str) -> int:
        self.lines.append("    " * (depth + 1) + text)
        return FIRST_LINE + len(self.lines) - 1

    def step(self, kind: str, depth: int, in_loop: bool) -> Node:
        self.budget -= 1
        if kind == "if":
            line = self.write(depth, "if turns > 1:")
            first = self.block(depth + 1, in_loop)
            if self.random.random() < 0.5:
                return Node("if", line, (first, ()))
            self.write(depth, "else:")
            return Node("if", line, (first, self.block(depth + 1, in_loop)))
        if kind in LOOPS:
            line = self.write(depth, LOOPS[kind])
            return Node(kind, line, (self.block(depth + 1, True),))
        if kind in WAITS:
            line = self.write(depth, WAITS[kind])
            if self.random.random() < 0.5:
                return Node(kind, line)
            self.write(depth, "otherwise:")
            return Node(kind, line, (self.block(depth + 1, in_loop),))
        return Node(kind, self.write(depth, PLAIN[kind]))


class Facts(NamedTuple):
    """What holds on one path."""

    measured: bool = False
    sourced: bool = False
    on: bool = False
    filled: bool = False


def walk(
    nodes: tuple[Node, ...], facts: Facts, found: set[tuple[int, str]]
) -> Iterator[tuple[str, Facts]]:
    """Every way through some steps: how it ends ("on", "leave", "stop") and what holds then."""
    ways: set[tuple[str, Facts]] = {("on", facts)}
    for node in nodes:
        after: set[tuple[str, Facts]] = set()
        for end, now in ways:
            if end == "on":
                after.update(one_step(node, now, found))
            else:
                after.add((end, now))
        ways = after
    yield from ways


def one_step(node: Node, facts: Facts, found: set[tuple[int, str]]) -> Iterator[tuple[str, Facts]]:
    match node.kind:
        case "if":
            for block in node.blocks:
                yield from walk(block, facts, found)
        case "maybe" | "surely":
            yield from turns(node, facts, found)
        case "capture" | "trigger":
            for end, now in walk(node.blocks[0], facts, found):
                sampled = now.measured or node.kind == "capture"
                yield ("stop" if end == "stop" else "on"), now._replace(measured=sampled)
        case "settle" | "wait":
            if node.kind == "settle":
                if not facts.on:
                    found.add((node.line, "measure-with-output-off"))
                facts = facts._replace(measured=True)
            yield "on", facts
            for block in node.blocks:
                yield from walk(block, facts, found)
        case "ramp" | "pulse":
            if not facts.on or not facts.sourced:
                found.add((node.line, "level-with-output-off"))
            on = facts.on or node.kind == "ramp"
            yield "on", facts._replace(measured=True, on=on)
        case "look":
            if not facts.filled:
                found.add((node.line, "trace-before-measure"))
            yield "on", facts
        case "stop" | "leave":
            yield node.kind, facts
        case "use":
            if not facts.measured:
                found.add((node.line, "reading-before-measure"))
            yield "on", facts
        case "measure" | "fill":
            if not facts.on:
                found.add((node.line, "measure-with-output-off"))
            filled = facts.filled or node.kind == "fill"
            yield "on", facts._replace(measured=True, filled=filled)
        case "source":
            yield "on", facts._replace(sourced=True)
        case "on":
            if not facts.sourced:
                found.add((node.line, "on-before-source"))
            yield "on", facts._replace(on=True)
        case "off":
            yield "on", facts._replace(on=False)


def turns(node: Node, facts: Facts, found: set[tuple[int, str]]) -> Iterator[tuple[str, Facts]]:
    ways = {facts}
    if node.kind == "maybe":
        yield "on", facts
    for _ in range(3):
        after: set[Facts] = set()
        for now in ways:
            for end, then in walk(node.blocks[0], now, found):
                if end == "stop":
                    yield end, then
                elif end == "leave":
                    yield "on", then
                else:
                    after.add(then)
                    yield "on", then
        ways = after


def made(seed: int) -> tuple[str, tuple[Node, ...]]:
    """A recipe and its steps as nodes."""
    maker = Maker(seed)
    nodes = maker.block(0, False)
    return HEAD + "\n".join(maker.lines) + "\n" + FOOT, nodes


def shown_by_paths(nodes: tuple[Node, ...]) -> set[tuple[int, str]]:
    found: set[tuple[int, str]] = set()
    list(walk(nodes, Facts(), found))
    return found


def said_by_checker(text: str) -> set[tuple[int, str]]:
    recipe, problems = parse(text)
    work = Workings(Checked(recipe, problems))
    check_declarations(work, {})
    check_steps(work)
    check_order(work, None)
    return {(p.span.line, p.slug) for p in problems if p.slug in SLUGS}


@pytest.mark.parametrize("first", range(0, 1000, 100))
def test_says_exactly_what_some_path_shows(first: int) -> None:
    for seed in range(first, first + 100):
        text, nodes = made(seed)
        assert said_by_checker(text) == shown_by_paths(nodes), f"seed {seed}\n{text}"


def test_the_recipes_show_each_mistake_and_its_absence_in_every_construct() -> None:
    shown: Counter[str] = Counter()
    kinds: Counter[str] = Counter()
    clean = 0
    for seed in range(1000):
        _, nodes = made(seed)
        found = shown_by_paths(nodes)
        clean += not found
        shown.update(slug for _, slug in found)
        waiting = list(nodes)
        while waiting:
            node = waiting.pop()
            kinds[node.kind] += 1
            waiting += [inner for block in node.blocks for inner in block]
    assert clean >= 20
    assert min(shown[slug] for slug in SLUGS) >= 200
    assert min(kinds[kind] for kind in ("if", *PLAIN, *LOOPS, *WAITS)) >= 50


@pytest.mark.parametrize(
    ("where", "name", "wrong"),
    [
        (order, "join", lambda first, second: first or second),
        (order.Paths, "_turns_once", lambda self, node: True),
        (order.Paths, "_fixed", lambda self, node, state: self.block(node.body, state)),
        (order.Paths, "_leave", lambda self, node, state: None),
        (order.Paths, "_otherwise", lambda self, block, after: after),
        (order.Paths, "_capture", lambda self, node, state: self._read(node, state)),
    ],
    ids=[
        "a path forgotten where two meet",
        "a loop that surely turns",
        "one turn only",
        "no leave",
        "a wait that never runs out",
        "a capture without its steps",
    ],
)
def test_a_mistake_in_the_analysis_is_found(
    monkeypatch: pytest.MonkeyPatch, where: object, name: str, wrong: object
) -> None:
    monkeypatch.setattr(where, name, wrong)
    assert any(
        said_by_checker(text) != shown_by_paths(nodes) for text, nodes in map(made, range(200))
    )


def test_nested_loops_are_walked_a_bounded_number_of_times(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Each loop of a nest loses certainty in its turn; the rounds must add up, not multiply."""
    depth = 30
    lines = []
    for level in range(depth):
        lines.append("    " * (level + 1) + "repeat turns times:")
    lines.append("    " * (depth + 1) + "source smu voltage 1 V, limit 1 A")
    lines.append("    " * (depth + 1) + "output smu on")
    for level in reversed(range(depth)):
        lines.append("    " * (level + 2) + "measure smu")
        lines.append("    " * (level + 2) + "output smu off")
    blocks = 0
    block = order.Paths.block

    def counted(self: order.Paths, *rest: object) -> object:
        nonlocal blocks
        blocks += 1
        return block(self, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(order.Paths, "block", counted)
    said_by_checker(HEAD + "\n".join(lines) + "\n" + FOOT)
    assert blocks < 10 * depth * depth
