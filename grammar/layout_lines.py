"""The node of one line as text: its words, its clauses in the order of the reference.

What is made are pieces, as of values; a line that opens a block ends in its colon, and its block is
not known here.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from grammar import tree
from grammar.build_lines import OpenBlock
from grammar.layout_values import (
    OR,
    SUM,
    Element,
    Pieces,
    amount,
    argument,
    bracketed,
    listed,
    names,
    plain,
    span,
    state,
    text,
    value,
)


def line(node: Any) -> Pieces:
    """The pieces of a line, given its node or the line that opens a block."""
    match node:
        case ("recipe" | "about" as word, str(content), _):
            return [f"{word} {plain(content)}"]
        case OpenBlock("else if", _, tree.Node() as condition):
            return ["else if ", *value(condition), ":"]
        case OpenBlock(word):
            return [f"{word}:"]
        case tree.Result() | tree.Expect() | tree.Plot():
            return _result(node)
        case tree.Rating() | tree.Fact():
            return _beneath_part(node)
        case (
            tree.Channel()
            | tree.Digital()
            | tree.Part()
            | tree.Setting()
            | tree.Require()
            | tree.Guard()
            | tree.Procedure()
        ):
            return _declaration(node)
        case tree.Sweep() | tree.Ramp() | tree.PulseStep() | tree.CaptureStep() | tree.Settle():
            return _with_clauses(node)
        case tree.Every() | tree.Repeat() | tree.ForIn() | tree.ForCount() | tree.Arm():
            return [*_opening(node), ":"]
        case _:
            return _step(node)


def _declaration(node: Any) -> Pieces:
    match node:
        case tree.Channel(name, capabilities):
            words = [Element([c.text], c.span.line, c.span.end_line) for c in capabilities]
            return [f"channel {name.id}: ", *listed(words)]
        case tree.Digital(name, output, rests_high):
            head = _head(["digital ", name.id, ": ", "output" if output else "input"], name)
            rests = [] if rests_high is None else [_word(f"rests {state(rests_high)}")]
            return listed([head, *rests])
        case tree.Part(name, kind, channel, not_pushed, may_be_destroyed):
            clauses = ", may be destroyed" * may_be_destroyed + ", not pushed" * not_pushed
            return [f"part {name.id} is {kind.id} on {channel.id}{clauses}:"]
        case tree.Setting(name, given, bounds, title):
            within = [" in ", *span(bounds)] if bounds is not None else []
            return [f"setting {name.id} = ", *amount(given), *within, *_title(title)]
        case tree.Require(condition, why):
            return ["require ", *value(condition), *_title(why)]
        case tree.Guard(condition, why):
            return ["guard ", *value(condition), *_title(why)]
    parameters = [Element([n.id], n.span.line, n.span.end_line) for n in node.parameters]
    return [f"procedure {node.name.id}", *bracketed(parameters, 0), ":"]


def _beneath_part(node: tree.Rating | tree.Fact) -> Pieces:
    if isinstance(node, tree.Fact):
        told: Pieces = amount(node.value) if node.value is not None else []
        if node.word is not None:
            told = [node.word.id]
        return [node.name.id, *([" ", *told] if told else [])]
    ending = " per pulse" if node.per_pulse else ""
    if node.by is not None:
        ending += f" by {node.by.id}"
    return [f"{node.quantity.id} ", *span(node.bounds), *([ending] if ending else [])]


def _opening(node: Any) -> Pieces:
    match node:
        case tree.Every(period, tree.Node() as duration):
            return ["every ", *amount(period), " for ", *amount(duration)]
        case tree.Every(period, None, tree.Node() as until, at_most):
            head = _head(["every ", *amount(period), " until ", *value(until)], until)
            return listed([head, *_clause("at most", at_most)])
        case tree.Repeat(None):
            return ["repeat"]
        case tree.Repeat(tree.Node() as count):
            return ["repeat ", *amount(count), " times"]
        case tree.ForIn(name, values):
            return [f"for {name.id} in ", *amount(values)]
        case tree.ForCount(name, first, last):
            return [f"for {name.id} in ", *amount(first), " to ", *amount(last)]
    return ["if ", *value(node.condition)]


# The clauses after the first comma in their order, by the fields that hold them; `reading` and
# `into` come last in all.
_CLAUSES: dict[type, tuple[tuple[str, str], ...]] = {
    tree.Sweep: (
        ("width", "width"),
        ("period", "period"),
        ("limit", "limit"),
        ("settle", "settle"),
        ("until", "until"),
    ),
    tree.Ramp: (("in steps of", "step"), ("until", "until")),
    tree.PulseStep: (
        ("limit", "limit"),
        ("width", "width"),
        ("period", "period"),
        ("count", "count"),
        ("after countdown", "countdown"),
    ),
    tree.CaptureStep: (("when", "trigger"), ("before", "before")),
    tree.Settle: (("every", "period"), ("at most", "at_most")),
}


def _with_clauses(node: Any) -> Pieces:
    head, last = _before_clauses(node)
    elements = [_head(head, last)]
    for word, name in _CLAUSES[type(node)]:
        elements += _clause(word, getattr(node, name))
    if isinstance(node, tree.Sweep | tree.Ramp):
        elements += _reading(node.reading)
    elements += _clause("into", node.into)
    return [*listed(elements), *([":"] if isinstance(node, tree.CaptureStep) else [])]


def _before_clauses(node: Any) -> tuple[Pieces, tree.Expression]:
    """What stands before the first comma, and the value at its end."""
    match node:
        case tree.Sweep(channel, mode, low, high, points):
            levels = [*amount(low), " to ", *amount(high)]
            # Words alone have no place in the tree by which a break before them could be kept.
            words = ", logarithmic" * node.logarithmic + ", pulsed" * node.pulsed
            counted = [" in ", *amount(points), f" points{words}"]
            return [f"sweep {channel.id} {mode} from ", *levels, *counted], points
        case tree.Ramp(channel, mode, level):
            given: Any = node.duration if node.rate is None else node.rate
            how = [" over " if node.rate is None else " at ", *amount(given)]
            return [f"ramp {channel.id} {mode} to ", *amount(level), *how], given
        case tree.PulseStep(channel, mode, level):
            return [f"pulse {channel.id} {mode} ", *amount(level)], level
        case tree.CaptureStep(channel, rate, duration):
            head = [f"capture {channel.id} at ", *amount(rate), " for ", *amount(duration)]
            return head, duration
    within = [" within ", *amount(node.band), " over ", *amount(node.window)]
    return ["settle ", *value(node.reading), *within], node.window


def _step(node: Any) -> Pieces:
    match node:
        case tree.Setup(channel, items):
            elements = [
                Element([f"{i.name.id} = ", *amount(i.value)], i.span.line, i.span.end_line)
                for i in items
            ]
            return [f"setup {channel.id}: ", *listed(elements)]
        case tree.SourceStep(channel, mode, level, limit):
            head = _head([f"source {channel.id} {mode} ", *amount(level)], level)
            return listed([head, *_clause("limit", limit)])
        case tree.Output(channel, on):
            return [f"output {channel.id} {'on' if on else 'off'}"]
        case tree.Measure(channels, into, columns):
            goes = [f" into {into.id}"] if into is not None else []
            beside = [" with ", *names(columns)] if columns else []
            return ["measure ", *names(channels), *goes, *beside]
        case tree.Wait(duration):
            return ["wait ", *amount(duration)]
        case tree.Leave():
            return ["leave"]
        case tree.Switch(name, high):
            return [f"switch {name.id} {state(high)}"]
        case tree.WaitFor(name, high, at_most):
            head = _head([f"wait for {name.id} {state(high)}"], name)
            return listed([head, *_clause("at most", at_most)])
        case tree.Ask(question, into, bounds):
            head = _head(["ask ", text(question)], question)
            if into is None or bounds is None:
                return head.pieces
            pieces = [f"into {into.id} in ", *span(bounds)]
            return listed([head, Element(pieces, into.span.line, bounds.span.end_line)])
        case tree.ConfirmStep(question):
            return ["confirm ", text(question)]
        case tree.Do(procedure, arguments):
            return [f"do {procedure.id}", *bracketed([argument(a, 1) for a in arguments], 0)]
        case tree.Let(name, given):
            return [f"let {name.id} = ", *value(given)]
        case tree.Set(name, given):
            return [f"set {name.id} = ", *value(given)]
        case tree.Reset(counter):
            return ["reset ", *value(counter)]
        case tree.Say(said) | tree.Note(said) | tree.Fail(said):
            return [f"{type(node).__name__.lower()} ", text(said)]
        case tree.Stop(None):
            return ["stop"]
        case tree.Stop(tree.Text() as said):
            return ["stop ", text(said)]
    raise TypeError(f"a {type(node).__name__} is no line of a recipe")


def _result(node: tree.Result | tree.Expect | tree.Plot) -> Pieces:
    match node:
        case tree.Expect(condition):
            return ["expect ", *value(condition)]
        case tree.Plot(traces, y, y_logarithmic, x, x_logarithmic):
            axes = [*_axis(y, y_logarithmic), " against ", *_axis(x, x_logarithmic)]
            return ["plot ", *names(traces), ": ", *axes]
    each = [" for each ", *value(node.each)] if node.each is not None else []
    unit = [f" as {node.unit}"] if node.unit is not None else []
    return [f"{node.name.id} = ", *value(node.value), *each, *unit, *_title(node.title)]


def _axis(column: tree.Name | tree.Member, logarithmic: bool) -> Pieces:
    return [*value(column), *([" logarithmic"] if logarithmic else [])]


def _title(title: str) -> Pieces:
    return [f" {plain(title)}"] if title else []


def _head(pieces: Pieces, last: tree.Node) -> Element:
    """What stands before the first comma; `last` is the node at its end."""
    end = last.span.end_line  # type: ignore[attr-defined]
    return Element(pieces, end, end)


def _word(word: str) -> Element:
    return Element([word], 0, 0)


def _clause(word: str, given: tree.Expression | None) -> list[Element]:
    if given is None:
        return []
    binding = OR if word in ("until", "when") else SUM
    return [Element([f"{word} ", *span(given, binding)], given.span.line, given.span.end_line)]


def _reading(channels: Sequence[tree.Name]) -> list[Element]:
    if not channels:
        return []
    words = "reading " + " and ".join(name.id for name in channels)
    return [Element([words], channels[0].span.line, channels[-1].span.end_line)]
