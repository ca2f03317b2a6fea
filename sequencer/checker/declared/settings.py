"""Settings: their values, the spans they may be changed within, and what a command line changes.

Knows no use of them. Problems of the command line are the person's own and carry that fault.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from grammar import tree
from grammar.diagnostic import NOWHERE, Problem, Related
from grammar.quantity import Dimension, Quantity, write
from grammar.wording import listed, near
from sequencer.checker.expressions.units import Expressions
from sequencer.checker.facts import UNKNOWN, SettingFacts, Type
from sequencer.checker.naming.constants import constant, span_ends
from sequencer.checker.naming.scope import Workings
from sequencer.checker.naming.walking import nodes_of
from sequencer.checker.naming.words import a, described, example, several, span_with_unit, with_unit


def check_settings(work: Workings, overrides: Mapping[str, Quantity]) -> None:
    """All settings, and the values that the command line puts in their place."""
    for node in work.checked.recipe.settings:
        _setting(work, node)
    for name, value in overrides.items():
        _override(work, name, value)


def _setting(work: Workings, node: tree.Setting) -> None:
    name = node.name.id
    definition = work.define(node.name, "setting", node=node)
    value = constant(node.value)
    if value is None:
        _not_a_number(work, node)
        if node.bounds is not None:
            Expressions(work, "require").span_of(node.bounds)
        return
    dimension = Expressions(work, "require").quantity(node.value)
    if dimension is None:
        return
    definition.type = Type("quantity", dimension)
    low = high = None
    if node.bounds is not None:
        ends = _bounds(work, node, node.bounds, dimension)
        if ends is not None:
            low, high = ends
        elif dimension.is_plain:
            # Its unit was forgotten: what uses it is right, and not to be blamed.
            definition.type = UNKNOWN
        if low is not None and high is not None and not low <= value <= high:
            work.problems.error(
                "setting-outside-span",
                node.value.span,
                f"`{name}` is {work.text(node.value.span)}, outside its own span",
                "change the value or widen the span",
                [Related(node.bounds.span, "its span")],
            )
    facts = SettingFacts(value, dimension, low, high, node.title, node.name.span)
    work.checked.settings.setdefault(name, facts)


def _not_a_number(work: Workings, node: tree.Setting) -> None:
    work.meant.update(inner.id for inner in nodes_of(node) if isinstance(inner, tree.Name))
    work.problems.error(
        "setting-not-a-number",
        node.value.span,
        f"the setting `{node.name.id}` is an expression, and a setting is a number",
        f"write the number, or work it out in a step: let {node.name.id} = "
        + work.text(node.value.span),
    )


def _bounds(
    work: Workings, node: tree.Setting, bounds: tree.Expression, dimension: Dimension
) -> tuple[float, float] | None:
    found = Expressions(work, "require").span_of(bounds)
    if not found.known or found.dimension is None:
        return None
    text = work.text(bounds.span)
    if found.kind != "span":
        message = f"this is {described(found)}, expected the span that `{node.name.id}` may have"
        if found.dimension == dimension:
            own = work.text(node.value.span)
            hint = f"write both ends, as in {own} to {text}, or up to {text}"
        else:
            hint = f"write both ends, as in {example(dimension)} to {example(dimension)}"
        work.problems.error("not-a-span", bounds.span, message, hint)
        return None
    if found.dimension != dimension:
        slug = "wrong-unit"
        hint = f"write both in one unit, as in {example(dimension)}"
        place = bounds.span
        message = f"`{node.name.id}` is {a(dimension)}, and its span is of "
        message += several(found.dimension)
        if dimension.is_plain:
            slug, place = "missing-unit", node.value.span
            hint = f"write {with_unit(node.value, found.dimension)}"
        elif found.dimension.is_plain:
            slug, hint = "missing-unit", f"write in {span_with_unit(bounds, dimension)}"
        work.problems.error(slug, place, message, hint)
        return None
    ends = span_ends(bounds, id(bounds) in work.checked.relative)
    if ends is None:
        work.problems.error(
            "setting-not-a-number",
            bounds.span,
            f"the span of `{node.name.id}` holds an expression, and its ends are numbers",
            "write the numbers; relate settings to one another with `require`",
        )
    return ends


def _override(work: Workings, name: str, value: Quantity) -> None:
    facts = work.checked.settings.get(name)
    if facts is None:
        if work.find(name) is None and name not in work.lost:
            _unknown(work, name)
        return
    node = next(s for s in work.checked.recipe.settings if s.name.id == name)
    asked = f"the command line sets `{name}` to {write(value.value, value.dimension)}"
    if value.dimension != facts.dimension:
        number = write(value.value, value.dimension)
        hint = f"write --set {name}={write(facts.value, facts.dimension)!r}"
        if value.dimension.is_plain:
            unit = _unit_of(node.value) or facts.dimension.unit
            hint = f"write --set {name}='{number} {unit}'"
        _refuse(
            work,
            "setting-unit",
            f"{asked}, {a(value.dimension)}, expected {a(facts.dimension)}",
            hint,
            Related(facts.span, "the setting"),
        )
    elif facts.low is None or facts.high is None:
        if node.bounds is None:
            _refuse(
                work,
                "setting-fixed",
                f"{asked}, and it has no span to be changed within",
                "leave it as it is, or give it a span in the recipe: setting "
                f"{name} = {work.text(node.value.span)} in … to …",
                Related(facts.span, "the setting"),
            )
    elif not facts.low <= value.value <= facts.high:
        assert node.bounds is not None
        _refuse(
            work,
            "setting-outside-span",
            f"{asked}, outside its span {work.text(node.bounds.span)}",
            "everything that is checked before a run is checked for this span alone",
            Related(node.bounds.span, "its span"),
        )
    else:
        facts.value = value.value


def _unit_of(node: tree.Expression) -> str:
    """The unit that a number is written with, empty where it is no number."""
    return re.sub(r"^[\d.eE+-]+\s*", "", node.text) if isinstance(node, tree.Number) else ""


def _unknown(work: Workings, name: str) -> None:
    names = [setting.name.id for setting in work.checked.recipe.settings]
    wanted = near(name, names)
    hint = f"write --set {wanted}=…" if wanted else f"the recipe has {listed(names, 20)}"
    _refuse(
        work,
        "unknown-setting",
        f"the command line sets `{name}`, and the recipe has no such setting",
        hint if names else "the recipe has no settings",
    )


def _refuse(work: Workings, slug: str, message: str, hint: str, *related: Related) -> None:
    """A problem of the command line: it has no place in the recipe, and is the person's own."""
    source = work.problems.source
    work.problems.found.append(
        Problem(slug, message, NOWHERE, source, hint, related, fault="person")
    )
