"""The digital lines of a recipe against those of a bench that is named, and against their boxes.

What a line drives or is driven by has been judged with the bench file; here it is which way the
recipe uses it, and how fast. Only what is surely too fast is told: what can't be known beforehand
the box waits for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from grammar import tree
from grammar.diagnostic import Related, Span
from grammar.quantity import TIME, write
from grammar.wording import near
from sequencer.checker.naming.scope import Workings
from sequencer.checker.naming.walking import blocks_in

if TYPE_CHECKING:
    from drivers.bench_file import BenchFile

_TIMELESS = (tree.Let, tree.Set, tree.Note, tree.Say, tree.Reset)
"""Steps that take no time worth to count."""


def check_lines(work: Workings, bench: BenchFile) -> None:
    """Every declared line, and every block of steps that switches one."""
    for line in work.checked.recipe.digital:
        _on_bench(work, line, bench)
    intervals = {name: box.shortest_interval for name, box in bench.boxes.items()}
    if any(intervals.values()):
        recipe = work.checked.recipe
        for block in (recipe.steps, recipe.final):
            _Pace(work, intervals).block(block)


def _on_bench(work: Workings, node: tree.Digital, bench: BenchFile) -> None:
    name, error = node.name.id, work.problems.error
    entry, box = bench.digital.get(name), bench.boxes.get(name)
    if entry is None:
        wanted = near(name, bench.digital)
        hint = f"describe [digital.{name}] in the bench file"
        if wanted is not None:
            hint = f"call it {wanted} here, or {hint}"
        error("bench-lacks-line", node.name.span, f"the bench has no digital line `{name}`", hint)
        return
    way, other = ("output", "input") if node.output else ("input", "output")
    fits = box is None or entry.line in (box.outputs if node.output else box.inputs)
    if box is not None and not fits:
        error(
            "bench-lacks-capability",
            node.name.span,
            f"the bench's `{name}` is line {entry.line} of its box ({box.title}), which can't be "
            f"an {way}",
            f"take another line of the box in the bench file, or declare an {other}",
        )
    elif (entry.driven_by if node.output else entry.drives) is not None:
        key = "driven_by" if node.output else "drives"
        error(
            "bench-lacks-capability",
            node.name.span,
            f"this is an {way}, and the bench file says with “{key}” that `{name}` is an {other}",
            f"declare an {other}, or put right what stands under [digital.{name}]",
        )


class _Pace:
    """Goes through blocks of steps and tells where a line is switched sooner than its box can.

    `intervals` has the shortest time (s) between two writes to each line.
    """

    def __init__(self, work: Workings, intervals: dict[str, float]) -> None:
        self._work, self._intervals = work, intervals

    def block(self, block: tree.Block) -> None:
        """One block, from its begin to its end, and the blocks within it each for itself."""
        # Of each line that was just switched: where, and the time (s) since then.
        since: dict[str, tuple[Span, float]] = {}
        for step in block:
            if isinstance(step, tree.Switch):
                self._switched(step, since)
            elif isinstance(step, tree.Wait):
                waited_s = self._work.folding.value(step.duration)
                if waited_s is None:
                    since.clear()
                else:
                    since = {name: (span, s + waited_s) for name, (span, s) in since.items()}
            elif not isinstance(step, _TIMELESS):
                since.clear()
            if isinstance(step, tree.Called):
                with self._work.problems.called_from(step.do.span):
                    self.block(step.body)
                continue
            if isinstance(step, tree.Every):
                self._every(step)
            for inner in blocks_in(step):
                self.block(inner)

    def _switched(self, step: tree.Switch, since: dict[str, tuple[Span, float]]) -> None:
        name = step.line.id
        interval_s = self._intervals.get(name, 0.0)
        before = since.get(name)
        if before is not None and before[1] < interval_s * (1 - 1e-9):
            span, passed_s = before
            later = f"{write(passed_s, TIME)} later" if passed_s else "at once"
            self._tell(
                step.line,
                f"`{name}` is switched again {later}",
                interval_s,
                f"write wait {write(interval_s, TIME)} between the two",
                Related(span, "switched before"),
            )
        since[name] = (step.line.span, 0.0)

    def _every(self, step: tree.Every) -> None:
        """A loop's body that switches a line more often than its period has room for."""
        period_s = self._work.folding.value(step.period)
        if period_s is None or period_s <= 0:
            return
        switches = [s for s in step.body if isinstance(s, tree.Switch)]
        for name in dict.fromkeys(s.line.id for s in switches):
            lines = [s.line for s in switches if s.line.id == name]
            interval_s = self._intervals.get(name, 0.0)
            needed_s = len(lines) * interval_s
            if period_s < needed_s * (1 - 1e-9):
                often = "once" if len(lines) == 1 else f"{len(lines)} times"
                self._tell(
                    lines[0],
                    f"`{name}` is switched {often} in every {write(period_s, TIME)}",
                    interval_s,
                    f"write every {write(needed_s, TIME)}, or longer",
                    Related(step.period.span, "the time of one round"),
                )

    def _tell(
        self, at: tree.Name, what: str, interval_s: float, hint: str, related: Related
    ) -> None:
        self._work.problems.error(
            "bench-line-too-fast",
            at.span,
            f"{what}, and its box takes {write(interval_s, TIME)} from one write to the next",
            hint,
            [related],
        )
