"""A run whose steps are typed: each is checked, compiled and run by itself, and guards never rest.

Everything but where the steps come from is the run's own: the first look, the guards, the record,
every end. Between two lines time passes as in a `wait`. Knows no terminal.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from grammar import tree
from grammar.diagnostic import Problems
from grammar.quantity import CURRENT, VOLTAGE, write
from sequencer.arming import Asking, NotArmed, Stake, arm
from sequencer.checker.naming.walking import nodes_of
from sequencer.engine.ending import Interrupted
from sequencer.engine.pace import ATTENTION_S
from sequencer.engine.runner import Runner
from sequencer.manual.declaring import HELP, Console, read_piece, wants_help
from sequencer.manual.draft import Draft, is_elsewhere, is_step
from sequencer.manual.state import State

if TYPE_CHECKING:
    from drivers.bench import Bench
    from sequencer.checker import Checked
    from sequencer.record import RunWriter

_BETWEEN_LOOKS_S = 0.1
_TOO_LATE = (
    "Declarations come before the first step: begin anew with them, or write them into the recipe "
    "that this becomes."
)


class ByHand(Runner):
    """Runs what is typed. `first` is the piece that ended the declarations.

    `save` is told the recipe so far; `stake_of` tells what is at stake with it before an output
    goes on, and is None where there is nothing to arm.
    """

    def __init__(
        self,
        checked: Checked,
        bench: Bench,
        record: RunWriter,
        *,
        draft: Draft,
        console: Console,
        first: Sequence[str],
        save: Callable[[str], None],
        stake_of: Callable[[Checked], Stake] | None,
        **rest: Any,
    ) -> None:
        super().__init__(checked, bench, record, **rest)
        self.draft, self.console, self.first = draft, console, first
        self._bench, self._save, self._stake_of = bench, save, stake_of
        self._armed = self._armed_gravely = False
        self._in_question = False
        self._idle_since = 0.0
        self._shown: list[str] = []
        self._states = {
            name: State(port, checked.part_on(name)) for name, port in self.ports.items()
        }

    def do_steps(self) -> None:
        """Piece by piece, to the end of input or a step that ends the run."""
        self._idle_since = self.run.now()
        piece: Sequence[str] | None = self.first
        while piece is not None:
            self._take(piece)
            self._show_states()
            piece = read_piece(self._line)

    # One piece

    def _take(self, piece: Sequence[str]) -> None:
        if not piece or not piece[0].strip() or wants_help(piece[0]):
            self._show_states(anew=True)
            if piece and piece[0].strip():
                for words in HELP:
                    self.console.say(words)
            return
        if piece[0].lstrip().startswith("#"):
            self.draft.comment(piece[0].lstrip("# "))
            return
        if not is_step(piece[0]) or is_elsewhere(piece[0]):
            self.console.say(_TOO_LATE)
            return
        now, waited = self.run.now(), self._waited()
        offer = self.draft.offer(piece, waited)
        if not offer.refused:
            offer.found.found += self.draft.refused_by(self._bench, offer)
            self._refuse_a_wider_range(offer.checked, offer.found)
        if len(offer.found):
            self.console.problems(offer.found)
        if offer.refused or not self._may_switch_on(offer.checked, offer.nodes):
            return
        self.draft.keep(offer)
        if offer.since and waited:
            self._record_wait(offer.checked.recipe.steps[offer.since - 1], now)
        self._keep_text()
        steps = self.made.extend(offer.checked, offer.since)
        self.checked = offer.checked
        before = self.run.now()
        self.run.touched()
        try:
            self.execute_block(steps)
        except Interrupted as wish:
            self.draft.broken_off(self.run.now() - before)
            self._idle_since = self.run.now()
            self._off_and_ask(wish)
        self._idle_since = self.run.now()

    def _waited(self) -> float:
        """What has passed since the last step (s): under power it is something that was done."""
        powered = any(port.on for port in self.ports.values())
        return self.run.now() - self._idle_since if powered and self.run.real_time else 0.0

    def _record_wait(self, node: tree.Step, now: float) -> None:
        """The time between two lines is a step like any other."""
        text = self.draft.text.split("\n")[node.span.line - 1].strip()
        sequence = self.record.begin_step(node.span.line, text, self._idle_since)
        self.record.end_step(sequence, now)

    def _refuse_a_wider_range(self, checked: Checked, found: Problems) -> None:
        """Ranges are fixed when an output goes on, and by hand nobody knows what comes after."""
        worst = checked.worst
        if worst is None:
            return
        for name, port in self.ports.items():
            ons = [
                node
                for node in nodes_of(checked.recipe.steps)
                if isinstance(node, tree.Output) and node.on and node.channel.id == name
            ]
            if not port.on or not ons:
                continue
            forced = worst.forced.get(id(ons[-1]), (0.0, 0.0))
            scales = port.acquisition.voltage_range, port.acquisition.current_range
            kinds = (("voltage", VOLTAGE), ("current", CURRENT))
            for needed, scale, (quantity, dimension) in zip(forced, scales, kinds, strict=True):
                if scale is not None and needed > scale:
                    found.error(
                        "by-hand-range",
                        checked.recipe.steps[-1].span,
                        f"`{name}` was switched on in its range of {write(scale, dimension)}, "
                        "which this goes beyond, and ranges stay as they are under power",
                        f"switch off, then setup {name}: {quantity} range = "
                        f"{write(needed, dimension)}, and on again",
                    )

    def _may_switch_on(self, checked: Checked, nodes: Sequence[tree.Step]) -> bool:
        """Before the first power, and where more is at stake than then, the person is asked."""
        switches = any(isinstance(n, tree.Output) and n.on for n in nodes_of(tuple(nodes)))
        if self._stake_of is None or not switches:
            return True
        stake = self._stake_of(checked)
        if self._armed and (self._armed_gravely or not stake.grave):
            return True
        try:
            kept = arm(stake, Asking(self.console.say, self._answer, self._tick))
        except NotArmed:
            self.console.say("Not armed: the line was not run.")
            if self.person.stop:
                self._off_and_ask(Interrupted())
            return False
        for words in kept:
            self.record.note(self.run.now(), words, "person")
        self._armed, self._armed_gravely = True, stake.grave
        return True

    # The person

    def _line(self, prompt: str) -> str:
        """The next line; time passes under guards meanwhile. Raises EOFError, Interrupted."""
        self.console.prompt(prompt)
        while True:
            try:
                # Where time is only what steps spend, none passes while somebody thinks.
                found = self.console.line(0.0 if self.run.real_time else _BETWEEN_LOOKS_S)
                if found is not None:
                    return found
                if self.run.real_time:
                    self.run.wait_until(self.run.now() + ATTENTION_S)
                else:
                    self.run.attend()
            except Interrupted as wish:
                if self._in_question:
                    raise
                self._off_and_ask(wish)
                self.console.prompt(prompt)

    def _answer(self, question: str) -> str:
        self._in_question = True
        try:
            return self._line(question)
        except Interrupted as wish:
            raise KeyboardInterrupt from wish
        finally:
            self._in_question = False

    def _tick(self) -> None:
        try:
            self.run.wait_until(self.run.now() + 1.0)
        except Interrupted as wish:
            raise KeyboardInterrupt from wish

    def _off_and_ask(self, wish: Interrupted) -> None:
        """Ctrl-C: outputs off, and then whether to go on. Raises Interrupted where not."""
        if wish.at_once:
            raise wish
        self.person.stop = False
        powered = [port for port in self.ports.values() if port.on]
        waited = self._waited()
        for port in powered:
            self.run.switch_off(port)
            self.draft.keep(self.draft.offer([f"output {port.name} off"], waited))
            waited = 0.0
        self._idle_since = self.run.now()
        self._keep_text()
        self._show_states(anew=True)
        said = "Outputs are off. " if powered else "Nothing was on. "
        self._in_question = True
        try:
            answer = self._line(f"{said}Go on? [yes or no] ").strip().casefold()
        except EOFError:
            raise wish from None
        finally:
            self._in_question = False
        if answer not in ("", "y", "yes"):
            raise wish

    # What is shown and kept

    def _keep_text(self) -> None:
        self.record.update(recipe=self.draft.text)
        self._save(self.draft.text)

    def _show_states(self, anew: bool = False) -> None:
        said = [line for state in self._states.values() for line in state.lines()]
        if anew or said != self._shown:
            for line in said:
                self.console.say(line)
        self._shown = said
