"""The worst case: the most extreme that any path of a recipe can do to each part.

Over all paths, settings and numbers of turns, by intervals: what it says can't happen, can't, under
the assumptions that it prints. Two passes where a bench is named: the first finds what each output
is forced to between `on` and `off`, which decides the ranges; the second counts the errors of the
instrument in those ranges. Adds its problems to those of the recipe. Draws nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

from drivers.kinds import KINDS
from grammar import tree
from grammar.quantity import CURRENT, TIME, VOLTAGE, write
from sequencer.checker import instrument
from sequencer.checker.abstract import ChannelState, State, gathered
from sequencer.checker.accounts import EMPTY, Account, Ledger, Sums
from sequencer.checker.evaluation import Evaluation
from sequencer.checker.excess import SOLAR, Excess
from sequencer.checker.facts import Checked, PartFacts
from sequencer.checker.followed import followed
from sequencer.checker.imposed import passes
from sequencer.checker.interval import EVERYTHING, Interval, point
from sequencer.checker.power import Forced, Power, Terminals
from sequencer.checker.scope import steps_of
from sequencer.checker.transfer import Walk
from sequencer.checker.values import Algebra

if TYPE_CHECKING:
    from drivers.bench import BenchFile
    from drivers.specification import Specification

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
    """The worst for one part: its rows by quantity, and its longest time under power (s)."""

    name: str
    channel: str
    rows: dict[str, Row]
    under_power_s: float


class Stake(NamedTuple):
    """The most that is at stake on any channel: energy either way (J), voltage (V), power (W)."""

    energy: float
    voltage: float
    power: float


class WorstCase:
    """The worst case of one recipe.

    `forced` has, by the id of each `output … on`, the largest |voltage| and |current| (V, A) of all
    levels and limits from there to its `off`. `limits` are the spans that a part's name stands for
    as a limit, by part and quantity. `longest_s` bounds the whole run (s). `assumptions` are what
    all of it rests on.
    """

    def __init__(
        self,
        parts: list[PartWorst],
        forced: dict[int, tuple[float, float]],
        limits: Mapping[str, Mapping[str, tuple[float, float]]],
        stake: Stake,
        longest_s: float,
        assumptions: list[str],
        with_bench: bool,
    ) -> None:
        self.parts = parts
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
        self.cycle_s = 1 / (bench.line_frequency_hz if bench is not None else SLOWEST_MAINS_HZ)
        spans = {
            name: Interval(*(facts.low, facts.high))
            if facts.low is not None and facts.high is not None
            else point(facts.value)
            for name, facts in checked.settings.items()
        }
        self.limits = {name: self._limits(part) for name, part in checked.parts.items()}
        evaluation = Evaluation(Algebra(spans), checked.relative, self.limits)
        narrowed = self._required(evaluation)
        self.algebra = Algebra(narrowed)
        self.evaluation = Evaluation(self.algebra, checked.relative, self.limits)
        self._relate()
        self.readings = {name: self._readings(name) for name in checked.channels}
        self.followed = followed(checked.recipe)

    def _specification(self, channel: str) -> Specification | None:
        return self.bench.specifications.get(channel) if self.bench is not None else None

    def _limits(self, part: PartFacts) -> dict[str, Interval]:
        """What the part's name stands for as a limit of each quantity."""
        specification = self._specification(part.channel)
        named = {"voltage range": 0.0, "current range": 0.0}
        for step in steps_of(self.checked.recipe.steps + self.checked.recipe.final):
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
                narrowed = evaluation.assume(node.condition, state, True)
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

    def _readings(self, channel: str) -> tuple[Interval, Interval]:
        """What a reading can be that trips no guard: V and A."""
        part = self.checked.part_on(channel)
        found = []
        for quantity in ("voltage", "current"):
            rating = Interval(*part.ratings.get(quantity, EVERYTHING)) if part else EVERYTHING
            found.append(instrument.reading(self._specification(channel), quantity, rating))
        return found[0], found[1]

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
            if place.current is not None
        ]
        energies = [max(account.total[1:3]) for account in ledger.accounts.values()]
        voltages = [p.voltage.reach for p in terminals.values() if p.voltage is not None]
        stake = Stake(
            max(energies, default=0.0),
            max(voltages, default=0.0),
            max((max(place.into, place.out) for place in terminals.values()), default=0.0),
        )
        return WorstCase(
            parts,
            dict(walk.power.forced),
            {name: dict(found) for name, found in self.limits.items()},
            stake,
            ledger.time_s,
            self._assumptions(walk),
            self.bench is not None,
        )

    def _pass(self, excess: Excess, forced: Forced | None) -> tuple[Walk, Ledger]:
        checked, terminals = self.checked, {}
        for step in steps_of(checked.recipe.steps + checked.recipe.final):
            if isinstance(step, tree.SourceStep | tree.Output):
                name = step.channel.id
                part = checked.part_on(name)
                if part is not None:
                    terminals[name] = Terminals(
                        part, checked.channels[name], self._specification(name)
                    )
        walk = Walk(
            checked,
            self.evaluation,
            Power(terminals, self.algebra, excess, forced),
            excess,
            self.readings,
            self.followed,
            self.cycle_s,
        )
        start = State(
            {name: self.algebra.setting(name) for name in self.algebra.ranges},
            {},
            {
                name: ChannelState(own=place.own, aperture_s=self.cycle_s)
                for name, place in terminals.items()
            },
            Ledger(0.0, dict.fromkeys(terminals, EMPTY)),
        )
        ledger = start.ledger
        for final, block in ((False, checked.recipe.steps), (True, checked.recipe.final)):
            walk.final = final
            walk.ended = [[]]
            after = walk.block(block, gathered([start.charged(ledger)]))
            for end in (*walk.ended[0], *(state.ledger for state in after.values())):
                ledger = ledger.joined(end)
            for name in terminals:
                ledger = ledger.switched(name)
                known = start.channels[name]
                found = known.joined(walk.set_up.get(name, known))
                start = start.having(name, found._replace(own=known.own))
        return walk, ledger

    def _part(self, place: Terminals, account: Account) -> PartWorst:
        part = place.part
        rows = {}
        for quantity in ("voltage", "current"):
            bounds: Interval = getattr(place, quantity) or Interval(math.nan, math.nan)
            rating = part.ratings.get(quantity)
            held = _listed(place.held[quantity])
            if rating is not None and _leaves(bounds.low, bounds.high, rating):
                held = "nothing"
            envelope = instrument.envelope(place.specification, quantity)
            rows[quantity] = Row(bounds.low, bounds.high, rating, held, envelope)
        rows["power"] = self._counted(part, "power", -place.out, place.into)
        counted: Sums = account.total
        if KINDS[part.kind].energy == "stores":
            counted = account.best
        rows["energy"] = self._counted(part, "energy", -counted[2], counted[1])
        rows["charge"] = self._counted(part, "charge", -counted[4], counted[3])
        return PartWorst(part.name, part.channel, rows, account.total[0])

    def _counted(self, part: PartFacts, quantity: str, low: float, high: float) -> Row:
        """A row of what is made of level, limit and time; some are held by their guard alone."""
        rating = part.ratings.get(quantity)
        held = "the levels and limits" if quantity == "power" else "the levels, limits and times"
        if rating is not None and _leaves(low, high, rating):
            held = f"the {quantity} guard"
            if quantity == "power" and part.kind not in SOLAR:
                held = "nothing"
        return Row(low + 0.0, high, rating, held)

    def _assumptions(self, walk: Walk) -> list[str]:
        found = ["polarity as drawn", "sense leads whole"]
        if self.bench is None:
            found.append("no bench named: instrument error and overshoot not counted")
        if walk.unpaced:
            found.append("readings outside a time grid take their aperture alone")
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
        return found


def _leaves(low: float, high: float, rating: tuple[float, float]) -> bool:
    return passes(high, rating[1]) or passes(rating[0], low)


def _listed(held: set[str]) -> str:
    """Levels, limits and the look, in this order."""
    words = [word for word in ("levels", "limits", "the look") if word in held]
    text = ", ".join(words[:-1]) + " and " + words[-1] if len(words) > 1 else "".join(words)
    return text if not text or text.startswith("the ") else f"the {text}"


__all__ = ["PartWorst", "Row", "Stake", "WorstCase", "analyse"]
