"""The worst case: the most extreme that any path of a recipe can do to each part.

Over all paths, settings and numbers of turns, by intervals: what it says can't happen, can't, under
the assumptions that it prints. Two passes where a bench is named: the first finds what each output
is forced to between `on` and `off`, which decides the ranges; the second counts the errors of the
instrument in those ranges. Adds its problems to those of the recipe. Draws nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from drivers.kinds import KINDS
from grammar import tree
from grammar.quantity import CURRENT, TIME, VOLTAGE, write
from sequencer.checker.facts import Checked, PartFacts
from sequencer.checker.naming.walking import steps_of
from sequencer.checker.worst import instrument
from sequencer.checker.worst.abstract import ChannelState, State, gathered
from sequencer.checker.worst.accounts import EMPTY, Account, Ledger, Sums
from sequencer.checker.worst.envelope import Met
from sequencer.checker.worst.evaluation import Evaluation
from sequencer.checker.worst.excess import SOLAR, Excess
from sequencer.checker.worst.followed import followed
from sequencer.checker.worst.imposed import passes
from sequencer.checker.worst.interval import EVERYTHING, Interval, point
from sequencer.checker.worst.power import Forced, Power
from sequencer.checker.worst.seen import columns, readings
from sequencer.checker.worst.terminals import Terminals
from sequencer.checker.worst.transfer import Walk
from sequencer.checker.worst.values import Algebra

if TYPE_CHECKING:
    from drivers.bench_file import BenchFile
    from drivers.specification import Specification

SOURCING = (tree.SourceStep, tree.Output, tree.Sweep, tree.Ramp, tree.PulseStep)
SLOWEST_MAINS_HZ = 50.0
"""Without a bench, no power line cycle is longer (of the two usual mains frequencies)."""


class Row(NamedTuple):
    """One quantity of a part, in SI.

    `low` and `high` are the worst on any path, `rating` what the part bears (an infinity where a
    side is open, None where it isn't rated), `held_by` what holds it, `envelope` what the
    instrument bears. A voltage or current that is never imposed has NaN for both ends.
    """

    low: float
    high: float
    rating: tuple[float, float] | None
    held_by: str
    envelope: tuple[float, float] | None = None


class PartWorst(NamedTuple):
    """The worst for one part: its rows by quantity, and its longest time under power (s).

    Where the person is `asked` under power, what they take is not in that time; energy and charge
    have no bound then. Rows of pulses go by the rating they have alone: "power per pulse".
    """

    name: str
    channel: str
    rows: dict[str, Row]
    under_power_s: float
    asked: bool = False


class Stake(NamedTuple):
    """The most that is at stake on any channel: energy either way (J), voltage (V), power (W)."""

    energy: float
    voltage: float
    power: float


class WorstCase:
    """The worst case of one recipe.

    `instruments` has, by channel, the corner of each quadrant that comes nearest to what the
    instrument bears, where a bench is named. `forced` has, by the id of each `output … on`, the
    largest |voltage| and |current| (V, A) of all levels and limits from there to its `off`.
    `limits` are the spans that a part's name stands for as a limit, by part and quantity.
    `longest_s` bounds the whole run (s), without the time that the person takes; `assumptions` are
    what all of it rests on.
    """

    def __init__(
        self,
        parts: list[PartWorst],
        instruments: Mapping[str, Sequence[Met]],
        forced: dict[int, tuple[float, float]],
        limits: Mapping[str, Mapping[str, tuple[float, float]]],
        stake: Stake,
        longest_s: float,
        assumptions: list[str],
        with_bench: bool,
    ) -> None:
        self.parts = parts
        self.instruments = instruments
        self.forced = forced
        self.limits = limits
        self.stake = stake
        self.longest_s = longest_s
        self.assumptions = assumptions
        self.with_bench = with_bench


def analyse(checked: Checked, bench: BenchFile | None) -> WorstCase:
    """Work out the worst case of a recipe without errors, and add what it has against it."""
    return _Analysis(checked, bench).result()


class _Analysis:
    """What is the same for both passes over one recipe."""

    def __init__(self, checked: Checked, bench: BenchFile | None) -> None:
        self.checked = checked
        self.bench = bench
        self.steps = list(steps_of(checked.recipe.steps + checked.recipe.final))
        self.cycle_s = 1 / (bench.line_frequency_hz if bench is not None else SLOWEST_MAINS_HZ)
        spans = {
            name: Interval(*(facts.low, facts.high))
            if facts.low is not None and facts.high is not None
            else point(facts.value)
            for name, facts in checked.settings.items()
        }
        self.limits = {name: self._limits(part) for name, part in checked.parts.items()}
        self.bounds = readings(checked, self._specification)
        facts = {name: part.facts for name, part in checked.parts.items()}
        known = (checked.relative, self.limits, facts, columns(checked, self.bounds))
        narrowed = self._required(Evaluation(Algebra(spans), *known))
        self.algebra = Algebra(narrowed)
        self.evaluation = Evaluation(self.algebra, *known)
        self._relate()
        self.followed = followed(checked.recipe)

    def _specification(self, channel: str) -> Specification | None:
        return self.bench.specifications.get(channel) if self.bench is not None else None

    def _limits(self, part: PartFacts) -> dict[str, Interval]:
        """What the part's name stands for as a limit of each quantity."""
        specification = self._specification(part.channel)
        named = {"voltage range": 0.0, "current range": 0.0}
        for step in self.steps:
            if isinstance(step, tree.Setup) and step.channel.id == part.channel:
                for item in step.items:
                    if item.name.id in named and isinstance(item.value, tree.Number):
                        value = item.value.quantity.value
                        named[item.name.id] = max(named[item.name.id], value)
        found = {}
        for quantity in ("voltage", "current"):
            rating = Interval(*part.ratings.get(quantity, EVERYTHING))
            error = None
            if specification is not None:
                reach = max(named[f"{quantity} range"], rating.reach)
                error = instrument.errors(specification, reach, reach).of(quantity)
            found[quantity] = instrument.limit_of(rating, error) if rating.bounded else rating
        return found

    def _required(self, evaluation: Evaluation) -> dict[str, Interval]:
        """The settings' spans, narrowed by what is required of them."""
        ranges = dict(evaluation.algebra.ranges)
        values = {name: evaluation.algebra.setting(name) for name in ranges}
        state = State(values, {}, {}, Ledger(0.0, {}))
        for _ in range(2):
            for node in self.checked.recipe.requires:
                narrowed, _ = evaluation.split(node.condition, state)
                state = narrowed if narrowed is not None else state
        return {name: state.names[name].interval for name in ranges}

    def _relate(self) -> None:
        """What is required of several settings together, where it is a plain comparison."""
        algebra = self.algebra
        state = State({n: algebra.setting(n) for n in algebra.ranges}, {}, {}, Ledger(0.0, {}))
        for node in self.checked.recipe.requires:
            condition = node.condition
            if isinstance(condition, tree.Compare):
                left = self.evaluation.value(condition.left, state)
                right = self.evaluation.value(condition.right, state)
                if condition.operator in ("<", "<="):
                    algebra.require(left, right)
                else:
                    algebra.require(right, left)

    def result(self) -> WorstCase:
        """Both passes and what comes of them."""
        forced: Forced | None = None
        if self.bench is not None:
            forced = self._pass(Excess(self.checked), None)[0].power.forced
        excess = Excess(self.checked)
        walk, ledger = self._pass(excess, forced)
        excess.tell()
        terminals = walk.power.terminals
        parts = [
            self._part(place, ledger.accounts.get(name, EMPTY))
            for name, place in terminals.items()
            if place.rows
        ]
        energies = [max(account.total[1:3]) for account in ledger.accounts.values()]
        stake = Stake(
            max(energies, default=0.0),
            max((place.peak[0] for place in terminals.values()), default=0.0),
            max((place.peak[1] for place in terminals.values()), default=0.0),
        )
        return WorstCase(
            parts,
            {
                name: [place.envelope.met[quadrant] for quadrant in sorted(place.envelope.met)]
                for name, place in terminals.items()
                if place.envelope is not None
            },
            dict(walk.power.forced),
            {name: dict(found) for name, found in self.limits.items()},
            stake,
            ledger.time_s,
            self._assumptions(walk),
            self.bench is not None,
        )

    def _pass(self, excess: Excess, forced: Forced | None) -> tuple[Walk, Ledger]:
        checked, terminals = self.checked, {}
        for step in self.steps:
            if isinstance(step, SOURCING):
                name = step.channel.id
                part = checked.part_on(name)
                if part is not None and name not in terminals:
                    terminals[name] = Terminals(
                        part, checked.channels[name], self._specification(name), self.algebra
                    )
        walk = Walk(
            checked,
            self.evaluation,
            Power(terminals, self.algebra, excess, forced),
            excess,
            self.bounds,
            self.followed,
            self.cycle_s,
        )
        sourced = {name: place.begins(self.cycle_s) for name, place in terminals.items()}
        channels = sourced | self._idle(terminals)
        start = State(
            {name: self.algebra.setting(name) for name in self.algebra.ranges},
            {},
            channels,
            Ledger(0.0, dict.fromkeys(channels, EMPTY)),
        )
        ledger = start.ledger
        for final, block in ((False, checked.recipe.steps), (True, checked.recipe.final)):
            walk.final = final
            walk.ended = [[]]
            after = walk.block(block, gathered([start.charged(ledger)]))
            reading_s = {}
            for name, known in start.channels.items():
                found = known.joined(walk.sourcing.set_up.get(name, known))
                reading_s[name] = found.reading_s if self._read_off(name) else 0.0
                start = start.having(name, found._replace(own=known.own))
            for end in (*walk.ended[0], *(state.ledger for state in after)):
                ledger = ledger.joined(_off(end, terminals, reading_s))
            for name in terminals:
                ledger = ledger.switched(name)
        return walk, ledger

    def _read_off(self, name: str) -> bool:
        """Whether a channel with a part is read at the end, when its output is off."""
        known = self._specification(name)
        return known is not None and known.can("measure open")

    def _idle(self, terminals: Mapping[str, Terminals]) -> dict[str, ChannelState]:
        """Channels with a part that nothing sources: all that happens to them is to be read."""
        found = {}
        for part in self.checked.parts.values():
            known = self._specification(part.channel)
            if known is not None and part.channel not in terminals:
                found[part.channel] = ChannelState(
                    aperture_s=self.cycle_s,
                    apertures=known.most_apertures,
                    waits_s=known.longest_waits_s,
                )
        return found

    def _part(self, place: Terminals, account: Account) -> PartWorst:
        part = place.part
        rows = {}
        for quantity in ("voltage", "current"):
            rows[quantity] = self._held(place, quantity, part.ratings.get(quantity))
        power = place.rows.get("power", point(0.0))
        rows["power"] = self._counted(part, "power", power, part.ratings.get("power"))
        counted: Sums = account.total
        if KINDS[part.kind].energy == "stores":
            counted = account.best
        for quantity, k in (("energy", 1), ("charge", 3)):
            span = Interval(-counted[k + 1], counted[k])
            rows[quantity] = self._counted(part, quantity, span, part.ratings.get(quantity))
        for quantity, rating in part.per_pulse.items():
            row = f"{quantity} per pulse"
            if quantity in ("voltage", "current"):
                rows[row] = self._held(place, row, rating)
            elif row in place.rows:
                rows[row] = self._counted(part, row, place.rows[row], rating)
        return PartWorst(part.name, part.channel, rows, account.total[0], place.asked)

    def _held(self, place: Terminals, row: str, rating: tuple[float, float] | None) -> Row:
        """A row of what levels and limits hold; one that is never imposed has no figures."""
        found = place.rows.get(row, Interval(math.nan, math.nan))
        held = _listed(place.held.get(row, set()))
        if rating is not None and _leaves(found.low, found.high, rating):
            held = self._not_held(place.part)
        envelope = instrument.envelope(place.specification, row)
        return Row(found.low, found.high, rating, held, envelope)

    def _counted(
        self, part: PartFacts, row: str, found: Interval, rating: tuple[float, float] | None
    ) -> Row:
        """A row of what is made of level, limit and time; some are held by their guard alone."""
        held = "the levels and limits"
        if row in ("energy", "charge"):
            held = "the levels, limits and times"
        elif row in ("energy per pulse", "charge per pulse"):
            held = "the levels, limits and widths"
        if rating is not None and _leaves(found.low, found.high, rating):
            held = self._not_held(part)
            if row in ("energy", "charge") or (row == "power" and part.kind in SOLAR):
                held = held if part.may_be_destroyed else f"the {row} guard"
        return Row(found.low + 0.0, found.high, rating, held)

    def _not_held(self, part: PartFacts) -> str:
        return "nothing: it may be destroyed" if part.may_be_destroyed else "nothing"

    def _assumptions(self, walk: Walk) -> list[str]:
        found = ["polarity as drawn", "sense leads whole"]
        if self.bench is None:
            found.append("no bench named: instrument error and overshoot not counted")
        if walk.observing.unpaced:
            found.append("readings outside a time grid take their aperture alone")
        if any(p.envelope and p.envelope.single_pulses for p in walk.power.terminals.values()):
            found.append("single pulses as far apart as the instrument needs")
        if self.bench is not None:
            found += self._instruments(walk)
        return found

    def _instruments(self, walk: Walk) -> list[str]:
        """The errors that were counted, and how soon a guard has the output open."""
        found = []
        for name, place in walk.power.terminals.items():
            specification = place.specification
            if specification is None:
                continue
            volts, amperes = place.errors
            over = specification.overshoot
            aperture = place.reading_s
            reaction = math.ceil(100 * instrument.reaction_s(specification, aperture)) / 100
            found.append(
                f"{name}: error {write(volts, VOLTAGE, 3)} and {write(amperes, CURRENT, 3)}, "
                f"overshoot {write(over.voltage, VOLTAGE, 3)} and "
                f"{write(over.current, CURRENT, 3)} counted, guards act within "
                f"{write(reaction, TIME, 3)}"
            )
            if place.takes_back:
                found.append(
                    f"{name}: what an overshoot of a voltage limit has brought into the part is "
                    "taken back, not counted"
                )
            if place.zero_limit > 0:
                found.append(
                    f"{name}: a limit of 0 V may come out {write(place.zero_limit, VOLTAGE, 3)} "
                    "beside zero, what that drives is not counted"
                )
        return found


def _off(end: Ledger, terminals: Mapping[str, Terminals], reading_s: Mapping[str, float]) -> Ledger:
    """An end of the steps, or of `finally`, once every output is off.

    They go off one after the other, and each is read once it is off, whether it was on or not;
    `reading_s` is how long that takes.
    """
    over_s = 0.0
    for name, place in terminals.items():
        others = sum(other.off_s for n, other in terminals.items() if n != name)
        others += sum(seconds for n, seconds in reading_s.items() if n != name)
        over_s = max(over_s, place.off_s + others)
    rates = {name: account.rates for name, account in end.accounts.items()}
    return end.spent(over_s, rates)


def _leaves(low: float, high: float, rating: tuple[float, float]) -> bool:
    return passes(high, rating[1]) or passes(rating[0], low)


def _listed(held: set[str]) -> str:
    """Levels, limits and the look, in this order."""
    words = [word for word in ("levels", "limits", "the look") if word in held]
    text = ", ".join(words[:-1]) + " and " + words[-1] if len(words) > 1 else "".join(words)
    return text if not text or text.startswith("the ") else f"the {text}"


__all__ = ["PartWorst", "Row", "Stake", "WorstCase", "analyse"]
