"""What a run is put together from: memory, ports, lines, and the compiled recipe over them.

From a checked recipe, an opened bench and a record. Nothing is read, switched or run here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import TYPE_CHECKING

from drivers.kinds import KINDS
from drivers.sensed import SENSED
from sequencer.engine.asking import Asker
from sequencer.engine.columns import (
    captured_traces,
    facts_in_numbers,
    looked_at,
    only_channel,
)
from sequencer.engine.compile import Compiler
from sequencer.engine.expressions import READINGS, Expressions, Scope
from sequencer.engine.judging import Rated
from sequencer.engine.lines import Lines
from sequencer.engine.newest import Newest
from sequencer.engine.port import Port
from sequencer.engine.run import Beat, Person, Run
from sequencer.engine.sensing import SensorPort
from sequencer.record.rows import CHANNEL_COLUMNS, SAMPLE_COLUMNS, capture_stream, extra_stream

if TYPE_CHECKING:
    from drivers.bench import Bench
    from grammar.quantity import Quantity
    from sequencer.checker import Checked, PartFacts
    from sequencer.engine.guards import Condition
    from sequencer.engine.steps import Step
    from sequencer.record import RunWriter, StreamWriter

LATENESS_S = 0.05
"""What a run in real time may come too late by, beyond the apertures, without being called so."""


class Assembly:
    """The parts of one run.

    `steps` and `final` are compiled, `requires` what has to hold before, `names` the places of the
    recipe's own names in the memory. Where it `follows_guards`, the recipe's own guards note how
    near they came to not holding.
    """

    def __init__(
        self,
        checked: Checked,
        bench: Bench,
        record: RunWriter,
        *,
        tell: Callable[[str], None],
        person: Person,
        beat: Beat | None = None,
        real_time: bool = False,
        ideal: bool = False,
        asker: Asker | None = None,
        answers: Mapping[str, Quantity] | None = None,
        follows_guards: bool = False,
    ) -> None:
        self.checked = checked
        self._follows_guards = follows_guards
        self._ideal = ideal
        self._real_time = real_time
        self.record = record
        self.memory: list[float] = []
        names = self._place_settings()
        bases = self._place_channels()
        self.ports: dict[str, Port] = {}
        used = [channel.name.id for channel in checked.recipe.channels]
        self.run = Run(
            bench.clock,
            record,
            self.memory,
            self.ports,
            tell=tell,
            person=person,
            beat=beat,
            real_time=real_time,
            remote_sense={n: self._declares(n, "remote sense") for n in used},
            can_switch_mode={n: self._declares(n, "mode change under power") for n in used},
            lines=self._lines(bench),
            asker=asker,
            answers=answers,
        )
        for name in used:
            self.ports[name] = self._port(name, bench, bases[name])
        for port in self.ports.values():
            if isinstance(port, SensorPort):
                port.reference = self._reference(port)
        self._compile(Scope(self.memory, names), bases)

    def _compile(self, scope: Scope, bases: Mapping[str, tuple[int, int]]) -> None:
        """The recipe's steps, guards and requirements, over the memory and the ports."""
        checked = self.checked
        self._scope, self._bases = scope, bases
        self._announced: set[str] = set()
        newest, streams = _newest_of(checked), self._traces(checked)
        compiler = self._compiler(checked, newest, streams)
        self.requires = [
            (compiler.expressions.condition(node.condition), node)
            for node in checked.recipe.requires
        ]
        guards = self._compiler(checked, newest, streams, of_guards=True)
        for node in checked.recipe.guards:
            guard = guards.guard(node)
            if self._follows_guards:
                guard.nearest = guards.nearest(node)
            self._add_guard(guard)
        self.steps, self.names = compiler.top(checked.recipe.steps)
        self.final = compiler.block(checked.recipe.final)

    def extend(self, checked: Checked, since: int) -> list[Step]:
        """The steps behind the first `since` of a recipe that has grown at its end, and only there.

        They share the memory, the ports and the names with those that were compiled before.
        """
        self.checked = checked
        compiler = self._compiler(checked, _newest_of(checked), self._traces(checked))
        self._scope.blocks.append(self.names)
        try:
            return [compiler.step(node) for node in checked.recipe.steps[since:]]
        finally:
            self._scope.blocks.pop()

    def _compiler(
        self,
        checked: Checked,
        newest: Mapping[str, Newest],
        streams: tuple[Mapping[str, StreamWriter], Mapping[str, StreamWriter]],
        *,
        of_guards: bool = False,
    ) -> Compiler:
        expressions = Expressions(
            self._scope,
            {name: places[of_guards] for name, places in self._bases.items()},
            checked.dimensions,
            self.run.now,
            {} if of_guards else {part: partial(self._limit_of, part) for part in checked.parts},
            checked.relative,
            facts=facts_in_numbers(checked),
            line=self.run.lines.reader,
            newest=newest,
            only=partial(only_channel, checked),
        )
        return Compiler(checked, expressions, self.run, *streams)

    def _add_guard(self, guard: Condition) -> None:
        """A guard is judged with each reading of the channels it names, or of all without any."""
        for name in guard.channels or self.ports:
            self.ports[name].judge.conditions.append(guard)
        if not guard.channels:
            self.run.lines.guard(guard)

    def _declares(self, channel: str, capability: str) -> bool:
        return self.checked.channels[channel].can(capability)

    def _place_settings(self) -> dict[str, int]:
        names = {}
        for name, facts in self.checked.settings.items():
            names[name] = len(self.memory)
            self.memory.append(facts.value)
        return names

    def _place_channels(self) -> dict[str, tuple[int, int]]:
        """Where each channel's readings are kept: as steps see them, and as guards do."""
        bases = {}
        for channel in self.checked.recipe.channels:
            first = len(self.memory)
            bases[channel.name.id] = (first, first + len(READINGS))
            self.memory += [float("nan")] * (2 * len(READINGS))
            for base in bases[channel.name.id]:
                self.memory[base + 2] = 0.0
                self.memory[base + 4 : base + 8] = [0.0] * 4
        return bases

    def _port(self, name: str, bench: Bench, bases: tuple[int, int]) -> Port:
        facts = self.checked.part_on(name)
        sensed = self.checked.channels[name].sensed
        stream = self.record.stream(name, (*CHANNEL_COLUMNS, *filter(None, [sensed])))
        make: Callable[..., Port] = SensorPort if sensed else Port
        return make(
            bench.channels[name],
            bench.clock,
            self.run.start,
            self.memory,
            *bases,
            stream,
            self.run.happened,
            part=facts.name if facts is not None else "",
            kind=KINDS[facts.kind] if facts is not None else None,
            ratings=facts.ratings if facts is not None else {},
            rated=self._rated(name),
            per_pulse=self._per_pulse(facts),
            not_pushed=facts.not_pushed if facts is not None else False,
            may_be_destroyed=facts.may_be_destroyed if facts is not None else False,
            line_frequency_hz=bench.file.line_frequency_hz,
            ideal=self._ideal,
            lateness_s=LATENESS_S if self._real_time else 0.0,
        )

    def _reference(self, port: SensorPort) -> SensorPort | None:
        """What reads the junction that a sensor's signal counts from; the check has it declared."""
        junction = port.channel.sensor.counts_from
        read_by = self.ports[junction] if isinstance(junction, str) else None
        return read_by if isinstance(read_by, SensorPort) else None

    def _rated(self, channel: str) -> list[Rated]:
        """The ratings that a channel's readings are held against: its part's, and those it watches.

        Those of a part that may be destroyed are none.
        """
        rated = []
        for part in self.checked.parts.values():
            if part.may_be_destroyed:
                continue
            for quantity, (low, high) in part.ratings.items():
                if part.channel == channel and quantity not in SENSED:
                    rated.append(Rated(part.name, quantity, low, high))
                if part.watched_by.get(quantity) == channel:
                    rated.append(Rated(part.name, quantity, low, high, by=channel))
        return rated

    def _per_pulse(self, part: PartFacts | None) -> list[Rated]:
        if part is None or part.may_be_destroyed:
            return []
        spans = part.per_pulse.items()
        return [Rated(part.name, quantity, *ends, per_pulse=True) for quantity, ends in spans]

    def _lines(self, bench: Bench) -> Lines:
        facts = self.checked.digital.values()
        known = bench.lines
        return Lines(
            {line.name: known[line.name] for line in facts if line.name in known},
            {line.name: bool(line.rests_high) for line in facts if line.output},
        )

    def _limit_of(self, part: str, quantity: str) -> tuple[float, float]:
        worst = self.checked.worst
        assert worst is not None
        return worst.limits[part][quantity]

    def _traces(self, checked: Checked) -> tuple[dict[str, StreamWriter], dict[str, StreamWriter]]:
        """The streams of the traces' further columns, and those of captured samples."""
        extras: dict[str, StreamWriter] = {}
        captures: dict[str, StreamWriter] = {}
        captured = captured_traces(checked)
        for name, facts in checked.traces.items():
            units = {column: dimension.unit for column, dimension in facts.extra.items()}
            if name not in self._announced:
                self._announced.add(name)
                self.record.trace(facts.number, name, facts.channels, units)
            if name in captured:
                columns = (*SAMPLE_COLUMNS, *facts.extra)
                captures[name] = self.record.stream(capture_stream(name), columns, at_once=True)
            elif facts.extra:
                columns = ("time", *facts.extra)
                extras[name] = self.record.stream(extra_stream(name), columns)
        return extras, captures


def _newest_of(checked: Checked) -> dict[str, Newest]:
    return {trace: Newest() for trace in looked_at(checked)}
