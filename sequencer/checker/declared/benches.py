"""What a recipe asks of its channels, against a bench that is named.

Knows of a bench only which channels it has, what they can do, and which apertures, ranges and
records they have. What an instrument bears is the worst case's matter, how the channels are wired
and what its digital lines can do that of other modules.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from drivers.kinds import KINDS
from grammar import tree
from grammar.quantity import CURRENT, FREQUENCY, LINE_CYCLES, TIME, VOLTAGE, write
from grammar.wording import listed, near
from sequencer.checker.declared.declarations import CAPABILITIES
from sequencer.checker.declared.lines_on_bench import check_lines
from sequencer.checker.declared.wiring import check_joined, check_sensor
from sequencer.checker.facts import PartFacts
from sequencer.checker.naming.scope import Workings

if TYPE_CHECKING:
    from drivers.bench_file import BenchFile


def check_on_bench(work: Workings, steps: Sequence[tree.Step], bench: BenchFile) -> None:
    """The declared channels and lines, and all steps, against a bench."""
    for channel in work.checked.recipe.channels:
        _on_bench(work, channel, bench)
    on = {s.channel.id for s in steps if isinstance(s, tree.Output) and s.on}
    for part in work.checked.parts.values():
        _at_rest(work, part, bench)
        if part.channel in on:
            _can_be_looked_at(work, part, bench)
    check_joined(work, bench)
    check_lines(work, bench)
    for step in steps:
        if isinstance(step, tree.Setup):
            _setup_on_bench(work, step, bench)
        elif isinstance(step, tree.CaptureStep):
            _capture_on_bench(work, step, bench)
        elif isinstance(step, tree.PulseStep | tree.Sweep) and step.width is not None:
            _pulse_on_bench(work, step, step.width, bench)


def _on_bench(work: Workings, node: tree.Channel, bench: BenchFile) -> None:
    name = node.name.id
    specification = bench.specifications.get(name)
    if specification is None:
        if name in bench.channels:
            return
        wanted = near(name, bench.channels)
        hint = f"the bench has {listed(bench.channels, 20)}: take one of these names here, or "
        hint += f"describe [channels.{name}] in the bench file"
        if wanted is not None:
            hint = f"call it {wanted} here, or describe [channels.{name}] in the bench file"
        work.problems.error(
            "bench-lacks-channel", node.name.span, f"the bench has no channel `{name}`", hint
        )
        return
    if check_sensor(work, node, bench):
        return
    for capability in node.capabilities:
        if capability.text in CAPABILITIES and not specification.can(capability.text):
            work.problems.error(
                "bench-lacks-capability",
                capability.span,
                f"the bench's `{name}` ({specification.title}) can't do `{capability.text}`",
                "take another instrument, or leave this out where the recipe can do without it",
            )


def _at_rest(work: Workings, part: PartFacts, bench: BenchFile) -> None:
    """What stores something isn't left on an instrument that is at 0 V with its output off."""
    specification = bench.specifications.get(part.channel)
    kind = KINDS.get(part.kind)
    if specification is None or kind is None:
        return
    if (kind.forces, kind.energy) != ("within its rating", "stores"):
        return
    for state, when in (
        (specification.off_state, "while its output is off"),
        (specification.reset_state, "after a reset"),
        (specification.power_on_state, "after power-on"),
    ):
        if state == "zero volts":
            work.problems.error(
                "bench-shorts-part",
                part.span,
                f"the bench's `{part.channel}` ({specification.title}) stands at 0 V {when}: "
                f"`{part.name}` would discharge into it, past any limit",
                "take an instrument whose output opens",
            )
            return


def _can_be_looked_at(work: Workings, part: PartFacts, bench: BenchFile) -> None:
    """What a part may hold is looked at before power, or its run never begins."""
    specification = bench.specifications.get(part.channel)
    kind = KINDS.get(part.kind)
    if specification is None or kind is None or kind.forces != "within its rating":
        return
    if not (specification.can("measure open") or specification.can("two-sided limit")):
        work.problems.error(
            "bench-cannot-look",
            part.span,
            f"the bench's `{part.channel}` ({specification.title}) measures neither with its "
            f"output off nor at 0 A under a two-sided limit: nobody can see what `{part.name}` "
            "holds before power comes on",
            "take an instrument that can do `measure open` or `two-sided limit`",
        )


def _setup_on_bench(work: Workings, step: tree.Setup, bench: BenchFile) -> None:
    """Apertures and ranges that the instrument has, with the settings in force."""
    specification = bench.specifications.get(step.channel.id)
    if specification is None:
        return
    for item in step.items:
        name, value = item.name.id, work.folding.value(item.value)
        # What is no quantity of its kind, or not above zero, has been told of as such.
        if value is None or value <= 0:
            continue
        if name == "aperture":
            if work.checked.dimensions.get(id(item.value)) == LINE_CYCLES:
                value /= bench.line_frequency_hz
            low, high = specification.shortest_aperture, specification.longest_aperture
            has = f"apertures from {write(low, TIME)} to {write(high, TIME)}"
            fits, shown = low <= value <= high, write(value, TIME)
            hint = f"write aperture = {write(min(max(value, low), high), TIME)}"
        elif name in ("voltage range", "current range"):
            dimension, most = VOLTAGE, specification.voltage_ranges[-1].full_scale
            if name == "current range":
                dimension, most = CURRENT, specification.current_ranges[-1].full_scale
            has = f"ranges up to {write(most, dimension)}"
            fits, shown = value <= most, write(value, dimension)
            hint = f"write {name} = {write(most, dimension)}, or take another instrument"
        else:
            continue
        if not fits:
            work.problems.error(
                "bench-lacks-setup",
                item.value.span,
                f"this {name} is {shown}, and the bench's `{step.channel.id}` "
                f"({specification.title}) has {has}",
                hint,
            )


def _pulse_on_bench(
    work: Workings, step: tree.PulseStep | tree.Sweep, width: tree.Expression, bench: BenchFile
) -> None:
    """A pulse that the instrument can read within, with the settings in force."""
    specification, lasts = bench.specifications.get(step.channel.id), work.folding.value(width)
    if specification is None or not specification.can("pulse") or lasts is None or lasts <= 0:
        return
    shortest = specification.shortest_aperture
    if lasts < shortest:
        work.problems.error(
            "bench-lacks-setup",
            width.span,
            f"this pulse lasts {write(lasts, TIME)}, and the bench's `{step.channel.id}` "
            f"({specification.title}) takes {write(shortest, TIME)} at least for the reading in it",
            f"write width {write(shortest, TIME)} or more, or take another instrument",
        )


def _capture_on_bench(work: Workings, step: tree.CaptureStep, bench: BenchFile) -> None:
    """A rate that the instrument reaches and a record that it holds, with the settings in force."""
    specification = bench.specifications.get(step.channel.id)
    rate, length = work.folding.value(step.rate), work.folding.value(step.duration)
    if specification is None or not specification.can("capture") or rate is None or rate <= 0:
        return
    fastest, memory = specification.fastest_sampling_hz, specification.memory_samples
    has = f"the bench's `{step.channel.id}` ({specification.title})"
    if fastest is not None and rate > fastest:
        work.problems.error(
            "bench-lacks-setup",
            step.rate.span,
            f"this samples at {write(rate, FREQUENCY)}, and {has} at most at "
            f"{write(fastest, FREQUENCY)}",
            f"write at {write(fastest, FREQUENCY)}, or take another instrument",
        )
    elif memory is not None and length is not None and rate * length > memory:
        work.problems.error(
            "bench-lacks-setup",
            step.duration.span,
            f"this record has {rate * length:,.0f} samples, and {has} holds {memory:,}",
            f"write for {write(memory / rate, TIME, 3)}, or sample more slowly",
        )
