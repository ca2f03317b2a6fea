"""Names of a recipe to places in the memory, block within block."""

from __future__ import annotations

import math
from collections.abc import Mapping


class Scope:
    """Names to places in the memory, block within block."""

    def __init__(self, memory: list[float], names: Mapping[str, int]) -> None:
        self.memory = memory
        self.blocks: list[dict[str, int]] = [dict(names)]

    def place(self, name: str) -> int:
        """Where a name's value is kept; the checker has seen to it that it is known."""
        for block in reversed(self.blocks):
            if name in block:
                return block[name]
        raise KeyError(name)

    def new(self, name: str) -> int:
        """A place for a new name, seen to the end of its block."""
        self.memory.append(math.nan)
        self.blocks[-1][name] = len(self.memory) - 1
        return len(self.memory) - 1

    def __enter__(self) -> Scope:
        self.blocks.append({})
        return self

    def __exit__(self, *_: object) -> None:
        self.blocks.pop()
