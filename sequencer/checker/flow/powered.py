"""Outputs: what a step needs of them, and what it leaves them like.

Judges one step from the state before it; which paths lead there is the order's matter.
"""

from __future__ import annotations

from grammar import tree
from grammar.diagnostic import Related
from sequencer.checker.flow.states import ChannelState, State
from sequencer.checker.naming.scope import Workings

_DOES = {
    tree.Sweep: ("sweep", "sweeps"),
    tree.Ramp: ("ramp", "ramps"),
    tree.PulseStep: ("pulse", "pulses"),
}


class Powered:
    """The outputs of one recipe's channels."""

    def __init__(self, work: Workings) -> None:
        self.work = work

    def known(self, name: tree.Name, state: State) -> ChannelState | None:
        """What is known of a channel; nothing of one that an unread line may have changed."""
        return state.channels.get(name.id) if name.id not in self.work.lost else None

    def source(self, node: tree.SourceStep, state: State) -> State:
        """Programs the channel; a change of mode under power is worth a word."""
        known = self.known(node.channel, state)
        facts = self.work.checked.channels.get(node.channel.id)
        if known is None or facts is None:
            return state
        other = "current" if node.mode == "voltage" else "voltage"
        if (
            known.on is not None
            and known.modes == {other}
            and not facts.can("mode change under power")
        ):
            name = node.channel.id
            self.work.problems.warning(
                "mode-change-interrupts",
                node.span,
                f"changing from {other} to {node.mode} here switches the output of `{name}` off "
                "and on again, and the part is alone meanwhile",
                f"where a gap will do, write output {name} off before it and on after it; "
                f"else declare: {self.work.declared_with(name, 'mode change under power')}",
                [Related(known.on, "switched on here")],
            )
        return state.having(node.channel.id, known.sourced_in(node.mode))

    def output(self, node: tree.Output, state: State) -> State:
        """Switches the output; there is something to switch on."""
        name = node.channel.id
        known = self.known(node.channel, state)
        if known is None:
            return state
        if not node.on:
            return state.having(name, known.switched(None, node.span))
        if not known.sourced:
            self.work.problems.error(
                "on-before-source",
                node.span,
                f"nothing says what `{name}` is to source "
                + ("on some path to here" if known.modes else "when it is switched on"),
                f"write before it, on every path: source {name} voltage 0 V, limit …",
            )
        return state.having(name, known.switched(node.span, None))

    def needs_open(self, name: tree.Name, state: State) -> None:
        """A reading needs the output on, unless the channel can measure open."""
        known = self.known(name, state)
        facts = self.work.checked.channels.get(name.id)
        if known is None or facts is None or facts.can("measure open") or not known.off:
            return
        if not (facts.can("source") or facts.can("sink")):
            # A meter has no output to switch: it measures whatever is there.
            return
        related = [Related(facts.span, "the channel")]
        if known.off_at is not None:
            related.append(Related(known.off_at, "switched off here"))
        where = "may be off here" if known.on is not None else "is off here"
        self.work.problems.error(
            "measure-with-output-off",
            name.span,
            f"the output of `{name.id}` {where}, and it is not declared to measure then",
            f"write output {name.id} on before it; or, where the instrument can do that, declare: "
            + self.work.declared_with(name.id, "measure open"),
            related,
        )

    def level(self, node: tree.Sweep | tree.Ramp | tree.PulseStep, state: State) -> None:
        """A sweep, ramp or pulse goes on from the last source: its mode, its output on."""
        known = self.known(node.channel, state)
        if known is None:
            return
        name, mode = node.channel.id, node.mode
        noun, verb = _DOES[type(node)]
        unit = "V" if mode == "voltage" else "A"
        if not known.sourced or known.off:
            where = "may be off" if known.on is not None else "is off"
            message = f"the output of `{name}` {where} here, and a {noun} changes the level of one"
            if not known.sourced:
                message = f"nothing has been sourced with `{name}` before this {noun}"
            related = [Related(known.off_at, "switched off here")] if known.off_at else []
            self.work.problems.error(
                "level-with-output-off",
                node.span,
                message,
                f"write before it: source {name} {mode} 0 {unit}, limit …, and output {name} on",
                related,
            )
        elif known.modes != {mode}:
            other = "current" if mode == "voltage" else "voltage"
            self.work.problems.error(
                "level-in-other-mode",
                node.span,
                f"this {verb} the {mode} of `{name}`, whose last source was of its {other}"
                + (" on some path" if mode in known.modes else ""),
                f"write before it: source {name} {mode} 0 {unit}, limit …",
            )

    def on_after(self, node: tree.Sweep | tree.Ramp, state: State) -> State:
        """After a sweep or ramp the output is on: where it wasn't, that has been told of."""
        known = self.known(node.channel, state)
        if known is None:
            return state
        return state.having(node.channel.id, known.switched(known.on or node.span, None))
