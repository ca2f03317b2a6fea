"""Steps that read, wait or ask: what is known after them, and how long they take.

A reading lies where the guards let it be, since they see it before any other step does; one of a
capture may not, which they see too late, and in `finally` nothing is known of any. A person takes
any time: it isn't counted, and what flows meanwhile has no bound.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, NamedTuple

from grammar import tree
from sequencer.checker.worst.abstract import State, States, gathered
from sequencer.checker.worst.followed import channels_in
from sequencer.checker.worst.interval import EVERYTHING, Interval
from sequencer.checker.worst.values import Value

if TYPE_CHECKING:
    from sequencer.checker.worst.transfer import Walk

UNDECIDED = tree.IsState(tree.Name(""), True)
"""A condition that no analysis can decide: it may hold and may not."""


class Bounds(NamedTuple):
    """Where readings lie: by channel and quantity; those of pulses have ratings of their own."""

    plain: Mapping[str, Mapping[str, Interval]]
    pulsed: Mapping[str, Mapping[str, Interval]]


class Observing:
    """The steps of one walk that read, wait or ask."""

    def __init__(self, walk: Walk, bounds: Bounds) -> None:
        self.walk = walk
        self.bounds = bounds
        self.unpaced = False
        """Whether a reading was met that no time grid paces."""
        self._guards = [
            (names.pop(), guard.condition)
            for guard in walk.checked.recipe.guards
            if len(names := channels_in(guard.condition)) == 1
        ]
        self._settling: dict[int, tree.Every] = {}

    def reading_s(self, names: Iterable[tree.Name], state: State) -> float:
        """How long one reading of each of some channels takes (s)."""
        if not self.walk.turns.paced and any(c.on for c in state.channels.values()):
            self.unpaced = True
        return sum(
            state.channels[name.id].reading_s if name.id in state.channels else self.walk.cycle_s
            for name in names
        )

    def overrun_s(self, state: State, any_on: bool = False) -> float:
        """How late a wait may end (s): the runner's own readings begin before its end.

        `any_on` says that by then any output may be on.
        """
        channels = state.channels.values()
        return sum(channel.reading_s for channel in channels if channel.on or any_on)

    def measure(self, node: tree.Measure, state: State) -> State | None:
        """The state after one reading of each channel."""
        reading_s = self.reading_s(node.channels, state)
        if len(state.channels) > 1:
            # The runner may read the others by itself before.
            reading_s += self.overrun_s(state)
        return self.read(node.channels, state.spending(reading_s))

    def read(self, names: Iterable[tree.Name], state: State, pulsed: bool = False) -> State | None:
        """The state with new readings, None where a guard ends every run here."""
        for name in names:
            bounds = (self.bounds.pulsed if pulsed else self.bounds.plain)[name.id]
            if self.walk.final:
                bounds = dict.fromkeys(bounds, EVERYTHING)
            state = state.reading({(name.id, q): Value(span) for q, span in bounds.items()})
            # Only the first channel of a step is pulsed, others are read beside it.
            pulsed = False
            for guarded, condition in self._guards:
                if guarded != name.id or self.walk.final:
                    continue
                kept, _ = self.walk.evaluation.split(condition, state)
                if kept is None:
                    self.walk.ended[-1].append(state.ledger)
                    return None
                state = kept
        return state

    def settle(self, node: tree.Settle, states: States) -> States:
        """The states after a loop of readings that ends when they no longer change."""
        assert node.period is not None
        assert node.at_most is not None
        loop = self._settling.get(id(node))
        if loop is None:
            body = (tree.Measure((node.reading.base,), node.into, (), node.span),)
            times = (node.period, None, UNDECIDED, node.at_most)
            loop = tree.Every(*times, body, node.otherwise, node.span)
            self._settling[id(node)] = loop
        return self.walk.turns.loop(loop, states)

    def wait_for(self, node: tree.WaitFor, states: States) -> States:
        """The states after waiting for a digital line, whether it came or not."""
        assert node.at_most is not None
        waited = [s.spending(self.walk.time(node.at_most, [s]) + self.overrun_s(s)) for s in states]
        if node.otherwise is None:
            self.walk.ended[-1] += (state.ledger for state in waited)
            return gathered(waited)
        late = self.walk.block(node.otherwise, gathered(waited))
        return gathered([*waited, *late])

    def asked(self, state: State) -> State:
        """The state after the person has answered."""
        self.walk.asks = True
        for name, channel in state.channels.items():
            if channel.on:
                self.walk.power.terminals[name].asked = True
        return state.asking()

    def ask(self, node: tree.Ask, state: State) -> State:
        """The state after the person was asked, perhaps for a value anywhere in its span."""
        state = self.asked(state)
        if node.into is None or node.into.id not in self.walk.followed:
            return state
        assert node.bounds is not None
        low, high = self.walk.evaluation.ends(node.bounds, state, "")
        if low.low > high.high:
            return state.naming(node.into.id, Value(EVERYTHING))
        return state.naming(node.into.id, Value(Interval(low.low, high.high)))

    def confirm(self, state: State) -> State:
        """The state after the person said yes; with a no the run ends."""
        state = self.asked(state)
        self.walk.ended[-1].append(state.ledger)
        return state

    def capture(self, node: tree.CaptureStep, states: States) -> States:
        """The states after the steps of a capture, when its record has ended, too.

        It ends with its steps or with its record, whichever is later; one that waits for a trigger
        may have met it at the very end of its steps.
        """
        walk = self.walk
        longest_s = walk.time(node.duration, states)
        before_s = 0.0
        if node.before is not None:
            before_s = min(walk.value(node.before, state).low for state in states)
        walk.leaves.append([])
        began = gathered([s.charged(s.ledger._replace(least_s=0.0)) for s in states])
        after = walk.block(node.body, began)
        left = walk.leaves.pop()
        found = []
        for state in (*after, *left):
            over_s = longest_s - max(before_s, 0.0)
            if node.trigger is None:
                over_s = longest_s - state.ledger.least_s
            over_s = max(over_s, 0.0) + self.overrun_s(state)
            found.append(state.spending(over_s).forgetting(node.channel.id))
        return gathered(found)
