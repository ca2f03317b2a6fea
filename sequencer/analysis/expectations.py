"""The words of an expectation: the values that its verdict rests on.

"R = 25 mohm is not < 20 mohm": a person sees how near it was without a second look.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from grammar import tree
from grammar.quantity import PLAIN, write
from sequencer.analysis.arithmetic import Arithmetic
from sequencer.analysis.verdicts import Missing


class Facts:
    """Puts conditions in words, with their values; `units` are those that results are shown in."""

    def __init__(self, arithmetic: Arithmetic, units: Mapping[str, str]) -> None:
        self.arithmetic = arithmetic
        self.units = units

    def of(self, node: tree.Expression) -> str:
        """What a condition compares and how it came out; a missing value in the words of why."""
        if isinstance(node, tree.Logic):
            return f"{self.of(node.left)}; {self.of(node.right)}"
        if isinstance(node, tree.Not):
            return self.of(node.operand)
        try:
            if isinstance(node, tree.Compare):
                return self._compared(node)
            if isinstance(node, tree.Inside):
                return self._inside(node)
        except Missing as missing:
            return missing.reason
        raise TypeError(f"{type(node).__name__} is no condition")

    def _compared(self, node: tree.Compare) -> str:
        unit = self._unit(node.left) or self._unit(node.right)
        left, right = self._operand(node.left, unit), self._operand(node.right, unit)
        verb = node.operator if self.arithmetic.truth(node) else f"is not {node.operator}"
        return f"{left} {verb} {right}"

    def _inside(self, node: tree.Inside) -> str:
        unit = self._unit(node.operand)
        dimension = self.arithmetic.dimensions.get(id(node.operand), PLAIN)
        low, high = self.arithmetic.ends(node.bounds)
        if math.isinf(low):
            bounds = f"up to {write(high, dimension, unit=unit)}"
        elif math.isinf(high):
            bounds = f"at least {write(low, dimension, unit=unit)}"
        else:
            bounds = " to ".join(write(end, dimension, unit=unit) for end in (low, high))
        verb = "is in" if self.arithmetic.truth(node) else "is not in"
        return f"{self._operand(node.operand, unit)} {verb} {bounds}"

    def _operand(self, node: tree.Expression, unit: str | None) -> str:
        if isinstance(node, tree.Number):
            return node.text
        dimension = self.arithmetic.dimensions.get(id(node), PLAIN)
        value = write(self.arithmetic.number(node), dimension, unit=unit)
        if isinstance(node, tree.Name | tree.Member):
            return f"{self.arithmetic.written(node)} = {value}"
        return value

    def _unit(self, node: tree.Expression) -> str | None:
        return (isinstance(node, tree.Name) and self.units.get(node.id)) or None
