"""Following a run through its record while it is written: what there is to see of it now.

Reads the store from outside, only what is new since the last look, so that following costs the run
nothing. Knows nothing of the process that writes, and draws nothing.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, NamedTuple

from grammar import tree
from grammar.parse import parse
from grammar.quantity import CURRENT, VOLTAGE, read, write
from sequencer.analysis.arithmetic import Arithmetic
from sequencer.analysis.verdicts import Missing
from sequencer.checker import Checked
from sequencer.report.counts import Count, Headroom
from sequencer.report.forecast import checked_as_set

if TYPE_CHECKING:
    from sequencer.record import Run

_LINE = re.compile(r"(\w+) (?:is )?(high|low)\b")
_OTHER = {"voltage": CURRENT, "current": VOLTAGE}


class Look(NamedTuple):
    """One channel now: its last reading (SI), what it is set to, how near its guards are.

    `sensed` is the quantity that it reads through a sensor, empty where it reads none, and `value`
    what it has read of it.
    """

    channel: str
    part: str
    on: bool
    time: float
    voltage: float
    current: float
    limited: bool
    level: float
    mode: str
    limit: str
    guards: tuple[Headroom, ...]
    sensed: str = ""
    value: float = math.nan


class Snapshot(NamedTuple):
    """A run now. `elapsed_s` is the time of the newest thing on record; `step` the one in hand.

    `lines` are the digital lines with the state last seen or switched.
    """

    title: str
    run: str
    mode: str
    outcome: str | None
    elapsed_s: float
    at_most_s: float | None
    readings: int
    step: str
    channels: tuple[Look, ...]
    happened: tuple[tuple[float, str], ...]
    lines: tuple[tuple[str, str], ...] = ()


class Following:
    """One run of an opened store, followed. Methods may raise StoreError."""

    def __init__(self, run: Run) -> None:
        self.run = run
        meta = run.meta
        self._title, self._id, self._mode = meta.title or meta.recipe_name, meta.id, meta.mode
        self._checked = _checked_again(meta.recipe, meta.recipe_name, meta.settings)
        self._counts = {
            name: Count(self._checked.part_on(name), facts.sensed)
            for name, facts in self._checked.channels.items()
        }
        self._told: Counter[tuple[float, str]] = Counter()
        self._elapsed = 0.0

    def look(self) -> Snapshot:
        """What there is to see now; what happened since the last look comes once."""
        events = self.run.events()
        on = {e.channel: e.text.endswith(" on") for e in events if e.kind == "output"}
        since = {e.channel: e.time for e in events if e.kind == "output" and e.text.endswith(" on")}
        for name, count in self._counts.items():
            count.begin(since.get(name, -math.inf))
            self._catch_up(name, count)
        steps = self.run.steps()
        latest = max((s.start for s in steps), default=0.0)
        happened = [(e.time, _said(e.channel, e.text)) for e in events if e.kind != "identity"]
        # What the person says need not be told to the person.
        happened += [(n.time, n.text) for n in self.run.notes() if n.author != "person"]
        happened.sort(key=lambda item: item[0])
        new = self._not_told(happened)
        counts = self._counts.values()
        self._elapsed = max(self._elapsed, latest, *(c.time for c in counts if c.rows), 0.0)
        open_steps = [s for s in steps if s.stop is None]
        return Snapshot(
            title=self._title,
            run=self._id,
            mode=self._mode,
            outcome=self.run.meta.outcome,
            elapsed_s=self._elapsed,
            at_most_s=_at_most(self._checked),
            readings=sum(c.rows for c in counts),
            step=f"line {open_steps[-1].line}: {open_steps[-1].text}" if open_steps else "",
            channels=tuple(
                self._seen(name, count, on.get(name, False)) for name, count in self._counts.items()
            ),
            happened=tuple(new),
            lines=_lines(e.text for e in events if e.kind == "line"),
        )

    def _not_told(self, happened: list[tuple[float, str]]) -> list[tuple[float, str]]:
        """What is new; an exact time may lie before what was told already."""
        left, new = self._told.copy(), []
        for item in happened:
            if left[item] > 0:
                left[item] -= 1
            else:
                new.append(item)
        self._told.update(new)
        return new

    def _catch_up(self, name: str, count: Count) -> None:
        stream = self.run.streams().get(name)
        if stream is None:
            return
        for block in self.run.blocks(stream, count.columns, count.rows):
            count.take(block)

    def _seen(self, name: str, count: Count, on: bool) -> Look:
        part = self._checked.part_on(name)
        mode, limit = self._set_to(name, count.line)
        return Look(
            channel=name,
            part=part.name if part is not None else "",
            on=on,
            time=count.time,
            voltage=count.voltage,
            current=count.current,
            limited=count.limited,
            level=count.level,
            mode=mode,
            limit=limit,
            guards=count.headroom() if count.rows else (),
            sensed=count.sensed,
            value=count.value,
        )

    def _set_to(self, channel: str, line: int) -> tuple[str, str]:
        """Mode and limit of the channel's nearest `source` above the step in hand.

        The record holds levels but no limits, and no step of a loop that still goes on.
        """
        begun = max((step.line for step in self.run.steps()), default=0)
        above = [
            n for n in _sources(self._checked.recipe, channel) if n.span.line <= max(line, begun)
        ]
        node = max(above, key=lambda n: n.span.line, default=None)
        if node is None or node.limit is None:
            return "", ""
        return node.mode, _InForce(self._checked).limit(node.limit, node.mode)


class Elapsed:
    """How far a run has come, by its readings' times alone: cheap enough beside a dry run."""

    def __init__(self, run: Run) -> None:
        meta = run.meta
        self._run = run
        self._rows: dict[str, int] = {}
        self.elapsed_s = 0.0
        self.at_most_s = _at_most(_checked_again(meta.recipe, meta.recipe_name, meta.settings))

    def look(self) -> float:
        """The time of the newest reading (s from the run's start)."""
        for name, stream in self._run.streams().items():
            for (times,) in self._run.blocks(stream, ("time",), self._rows.get(name, 0)):
                self._rows[name] = self._rows.get(name, 0) + len(times)
                self.elapsed_s = max(self.elapsed_s, times[-1])
        return self.elapsed_s


class _InForce(Arithmetic):
    """Works a limit out from the settings in force; what depends on more is shown as written."""

    def __init__(self, checked: Checked) -> None:
        super().__init__(checked.dimensions, checked.relative)
        self._checked = checked

    def limit(self, node: tree.Expression, mode: str) -> str:
        """The limit of a source in that mode, in words."""
        dimension = _OTHER[mode]
        try:
            if isinstance(node, tree.Range | tree.Within | tree.Tolerance):
                low, high = self.ends(node)
                return f"{write(low, dimension, 4)} … {write(high, dimension, 4)}"
            return f"±{write(abs(self.number(node)), dimension, 4)}"
        except Missing:
            return self.written(node)

    def named(self, node: tree.Name) -> float:
        """A setting's value; nothing else is known from outside the run."""
        if node.id in self._checked.settings:
            return self._checked.settings[node.id].value
        raise Missing("", f"`{node.id}` is known to the run alone")

    def calculated(self, node: tree.Call) -> float:
        """No calculation stands in a limit."""
        raise Missing("", "a limit is no result")

    def written(self, node: tree.Expression) -> str:
        """The expression as the person wrote it."""
        start, end = node.span.column - 1, node.span.end_column - 1
        line = self._checked.problems.source.line(node.span.line)
        return line[start : end if node.span.end_line == node.span.line else None]


def _lines(told: Iterable[str]) -> tuple[tuple[str, str], ...]:
    """Each line's last state, as events tell it: "lid is high", "pump low, at rest"."""
    matches = (_LINE.match(text) for text in told)
    return tuple({match[1]: match[2] for match in matches if match}.items())


def _said(channel: str, text: str) -> str:
    return text if not channel or text.startswith(channel) else f"{channel}: {text}"


def _checked_again(recipe: str, name: str, settings: dict[str, str]) -> Checked:
    """The recipe of the record, with the settings in force: for its parts, ratings, its length."""
    found, problems = parse(recipe, name)
    return checked_as_set(found, problems, {name: read(text) for name, text in settings.items()})


def _at_most(checked: Checked) -> float | None:
    """The longest that the run can take (s); None where that is not known."""
    return checked.worst.longest_s if checked.worst is not None else None


def _sources(recipe: tree.Recipe, channel: str) -> list[tree.SourceStep]:
    """Every `source` of a channel, wherever it stands."""
    found: list[tree.SourceStep] = []
    waiting: list[Any] = [*recipe.steps, *recipe.final]
    while waiting:
        node = waiting.pop()
        if isinstance(node, tree.SourceStep) and node.channel.id == channel:
            found.append(node)
        for name in ("body", "otherwise", "arms"):
            waiting += getattr(node, name, None) or ()
    return found
