"""Random recipes over all constructs, made so that most of them check.

Every value is drawn with the span that it can't leave, by the ratings of the part less what an
instrument may be off; so that what is refused is refused for a reason that is rare. Times are
short, so that a run is quick. Knows nothing of how a recipe is analysed.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence

from tests.soundness.block_steps import BlockSteps
from tests.soundness.making import LARGER, MOST_DEPTH, SMALLER, Made
from tests.soundness.recipe_text import Block, Recipe, Step, line

BESIDE = 0.15
"""How often two steps stand side by side that are drawn alike from all that may stand there."""
RARE = {
    **dict.fromkeys(("pulsed_sweep", "stop", "fail"), 2.0),
    **dict.fromkeys(("output", "pulse", "set"), 3.0),
    "leave": 6.0,
}
"""How often the second of them is one that is rare otherwise, or that only few may come after."""


class Programs(BlockSteps):
    """One random recipe; `made` is what came of it."""

    def __init__(self, dice: random.Random) -> None:
        super().__init__(dice)
        self.budget = dice.randint(4, 26)
        steps = self._top(dice.randint(2, 11))
        plain = list(self.traces)
        self._forget()
        self.budget = dice.randint(3, 9)
        final = self._top(dice.randint(1, 5)) if dice.random() < 0.4 else ()
        results = tuple(
            f"r_{k} = {dice.choice(['mean', 'maximum'])}({trace}, current)"
            for k, trace in enumerate(plain[:2])
        )
        recipe = Recipe(self.head, tuple(self.procedures), steps, final, results)
        specifications = {
            "smu": self.specification,
            "aux": LARGER if self.aux and self.aux_pulses else SMALLER,
        }
        self.made = Made(recipe, self.parts, specifications, tuple(self.asks), self.settings)

    def _top(self, size: int) -> Block:
        """The outermost block: it sets up and goes on first, most often."""
        dice, found = self.dice, []
        if dice.random() < 0.3:
            found.append(self._setup())
        if dice.random() < 0.4:
            # So that there is something to set.
            found.append(self._let())
        if self.aux and dice.random() < 0.8:
            found += [self._source_aux(), line("output aux on")]
            self.aux_on = True
        found.append(self._source())
        if dice.random() < 0.93:
            found.append(line("output smu on"))
            self.on = True
        for _ in range(size):
            found += self._some()
            if self._ends(found):
                break
        return tuple(found)

    def _inner(self, first: Block = (), most: int = 3) -> Block:
        """A block within a step, which leaves output and mode as they were at its beginning."""
        on, mode, reading, aux_on = self.on, self.mode, self.values.reading, self.aux_on
        known, settable = list(self.values.known), list(self.values.settable)
        traces = list(self.traces)
        found = list(first)
        if first:
            self.values.reading = True
        for _ in range(self.dice.randint(0 if first else 1, most)):
            found += self._some()
            if self._ends(found):
                break
        if not self._ends(found):
            found += self._as_before(on, mode)
            if aux_on != self.aux_on:
                found += self._output_aux()
        self.aux_on = aux_on
        self.on, self.mode, self.values.reading = on, mode, reading
        self.values.known, self.values.settable, self.traces = known, settable, traces
        return tuple(found)

    def _ends(self, block: Sequence[Step], leave: bool = True) -> bool:
        """Whether nothing can come after a block; with `leave`, within its loop."""
        if not block:
            return False
        lines = block[-1].lines
        word, blocks = lines[0][0].split()[0], [inner or () for _, inner in lines]
        match word:
            case "stop" | "fail":
                return True
            case "leave":
                return leave
            case "if":
                return lines[-1][0] == "else:" and all(self._ends(b, leave) for b in blocks)
            case "repeat" | "for" | "every" | "capture":
                return self._ends(blocks[0], False)
            case "do":
                return lines[0][0][3:].split("(")[0] in self.ending
        return False

    def _as_before(self, on: bool, mode: str) -> list[Step]:
        found: list[Step] = []
        if on and (mode != self.mode or not self.on):
            found.append(self._source(mode))
            if not self.on:
                found.append(line("output smu on"))
        elif mode and mode != self.mode:
            found.append(self._source(mode))
        if self.on and not on:
            found.append(line("output smu off"))
        return found

    def _some(self) -> list[Step]:
        """A step, or the few that belong together; none where nothing more is wanted."""
        self.budget -= 1
        if self.budget < 0:
            return []
        dice = self.dice
        weights = self._possible()
        if dice.random() < BESIDE:
            found = self._one_of(dict.fromkeys(weights, 1.0))
            if self._ends(found):
                return found
            second = {name: RARE.get(name, 1.0) for name in self._possible()}
            return found + self._one_of(second)
        if dice.random() < 0.4:
            weights = dict.fromkeys(weights, 1.0)
        return self._one_of(weights)

    def _one_of(self, weights: dict[str, float]) -> list[Step]:
        """What one of these makes, each drawn as often as its weight says."""
        chosen = self.dice.choices(list(weights), list(weights.values()))[0]
        make: Callable[[], Step | list[Step]] = getattr(self, f"_{chosen}")
        made = make()
        return made if isinstance(made, list) else [made]

    def _possible(self) -> dict[str, float]:
        """The steps that may stand here, by how often they are to."""
        able = {
            "source": 4,
            "wait": 2,
            "let": 2,
            "say": 0.6,
            "note": 0.6,
            "setup": 0.6,
            "reset": 0.8,
            "switch": 0.8,
            "ask": 0.7,
            "confirm": 0.5,
            "output": 2,
            "wait_for": 1.0,
        }
        depth = self.depth
        if self.values.settable:
            able |= {"set": 3}
        if self.aux_on and not self.aux_busy:
            able |= {"aux_measure": 0.5, "aux_settle": 0.3, "aux_sweep": 0.5, "aux_ramp": 0.5}
            able |= {"source_aux": 1}
            if self.aux_pulses:
                able |= {"aux_pulsed_sweep": 0.4, "aux_pulse": 0.3}
                if depth < MOST_DEPTH:
                    able |= {"aux_capture": 0.4}
        if self.aux and not self.aux_busy:
            able |= {"output_aux": 0.6}
        if (self.on or self.opens) and not self.capturing:
            able |= {"measure": 4, "settle": 1.5}
        if self.on and self.mode and not self.capturing:
            able |= {"sweep": 2.5, "ramp": 2.5}
            if self.pulses:
                able |= {"pulsed_sweep": 1.2}
        if self.on and self.mode and self.pulses:
            able |= {"pulse": 3.0}
        if depth < MOST_DEPTH:
            able |= {"if": 2, "every": 1.5, "until": 1.5, "repeat": 1.5, "for_in": 1.5}
            able |= {"for_count": 1, "do": 2, "if_confirm": 0.4}
            if self.values.reading:
                able |= {"refined": 1.5}
            if self.pulses and not self.capturing and (self.on or self.opens):
                able |= {"capture": 1.5}
        if self.loops:
            able |= {"leave": 0.8 * depth}
        ends = 0.2 if depth else 0.05
        return able | {"stop": ends, "fail": ends}

    def _below(self, first: Block = (), most: int = 3) -> Block:
        self.depth += 1
        block = self._inner(first, most)
        self.depth -= 1
        return block
