"""Waiting: for a quantity to settle, for a digital line, and for the person; never blind."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from drivers.bench import Bench, open_simulated
from grammar.quantity import read
from sequencer.api import Refused, check, load, perform
from sequencer.engine.ending import Outcome
from sequencer.engine.run import Person
from tests.sequencer.engine.bench_of import CAPACITOR, Ran, bench_file, dry
from tests.sequencer.engine.scripted import Line

HEAD = """recipe "A test"
channel smu: source, sink, measure, measure open, two-sided limit
{more}part bank is capacitor on smu, not pushed:
    voltage -0.05 V to 2.8 V
    current within 1.2 A
steps:
    setup smu: aperture = 20 ms
    source smu voltage 1 V, limit 1 A
    output smu on
"""


def run(body: str, store: Path, more: str = "", **rest: Any) -> Ran:
    return dry(HEAD.format(more=more) + body, store, bench_file(CAPACITOR), **rest)


# Settling


def test_settle_waits_for_a_full_window_within_its_band(tmp_path: Path) -> None:
    ran = run(
        "    settle smu.voltage within 10 mV over 2 s, every 500 ms, at most 5 min, into t\n",
        tmp_path,
    )
    assert ran.ending.outcome is Outcome.FINISHED, ran.ending
    voltage, time = ran.column("t", "smu.voltage"), ran.column("t", "time")
    assert [b - a for a, b in itertools.pairwise(time)] == pytest.approx([0.5] * (len(time) - 1))
    # Five readings are 2 s apart, both ends in: the first such window that is narrow enough.
    spans = [max(voltage[k - 4 : k + 1]) - min(voltage[k - 4 : k + 1]) for k in range(4, len(time))]
    assert spans[-1] <= 0.01
    assert all(span > 0.01 for span in spans[:-1])


def test_settle_takes_at_least_a_window_though_nothing_moves(tmp_path: Path) -> None:
    ran = run(
        "    wait 2 min\n"
        "    settle smu.voltage within 1 V over 1.2 s, every 500 ms, at most 1 min, into t\n",
        tmp_path,
    )
    # 1.2 s are over with the fourth reading, after 1.5 s.
    assert len(ran.column("t", "time")) == 4


def test_settle_that_runs_out_of_time_fails_or_does_otherwise(tmp_path: Path) -> None:
    step = "    settle smu.voltage within 1 uV over 2 s, every 500 ms, at most 5 s, into t\n"
    ran = run(step, tmp_path / "a")
    assert ran.ending.outcome is Outcome.FAILED
    assert ran.ending.reason == (
        "line 10: the time ran out before the condition of `settle smu.voltage within 1 uV over "
        "2 s, every 500 ms, at most 5 s, into t` held"
    )
    other = run(step + '    otherwise:\n        say "still moving"\n', tmp_path / "b")
    assert other.told == ["still moving"]
    assert other.ending.outcome is Outcome.FINISHED
    assert len(other.column("t", "time")) == 11


# The person


class Typing:
    """A person who answers each question after some looks; `said` are the lines that they type."""

    def __init__(self, *said: str, after: int = 3) -> None:
        self.said: Iterator[str] = iter(said)
        self.asked: list[str] = []
        self.withdrawn = 0
        self._after = after
        self._looks = 0

    def ask(self, text: str) -> None:
        """A question is shown."""
        self.asked.append(text)
        self._looks = 0

    def answer(self) -> str | None:
        """The next line, when it is time."""
        self._looks += 1
        if self._looks <= self._after:
            return None
        try:
            return next(self.said)
        except StopIteration:
            raise EOFError from None

    def withdraw(self) -> None:
        """The question is over."""
        self.withdrawn += 1


ASK = '    ask "How warm is it?", into warm in 10 degC to 30 degC\n    say "{warm}"\n'
RESULT = "results:\n    shown = warm\n"


def test_a_rehearsal_answers_with_the_middle_or_as_it_is_told(tmp_path: Path) -> None:
    middle = run(ASK + RESULT, tmp_path / "a")
    assert middle.told == ["20 °C"]
    assert middle.record.meta.conditions == {"warm": "20 °C"}
    assert [r.value for r in middle.record.results()] == [pytest.approx(293.15)]
    given = run(ASK, tmp_path / "b", answers={"warm": read("12.5 degC")})
    assert given.told == ["12.5 °C"]
    wrong = run(ASK, tmp_path / "c", answers={"warm": read("5 degC")})
    assert wrong.ending.reason == (
        "the answer given for `warm` doesn't fit: 5 °C is not from 10 °C to 30 °C"
    )
    assert wrong.ending.fault == "person"


def test_a_rehearsal_says_yes_to_confirm_and_no_to_a_branch(tmp_path: Path) -> None:
    ran = run(
        '    confirm "Is it wired?"\n    if confirm "Again?":\n        say "again"\n'
        '    else:\n        say "once"\n',
        tmp_path,
    )
    assert ran.told == ["once"]
    assert [(n.author, n.text) for n in ran.record.notes()] == [
        ("person", "Is it wired? yes (rehearsed)"),
        ("person", "Again? no (rehearsed)"),
        ("recipe", "once"),
    ]


def test_a_typed_value_is_asked_for_until_it_fits(tmp_path: Path) -> None:
    person = Typing("warm", "20", "3 V", "50 degC", "21.5 degC")
    ran = run(ASK, tmp_path, asker=person)
    assert ran.told == ["21.5 °C"]
    assert len(person.asked) == 5
    first = "How warm is it? (from 10 °C to 30 °C)"
    assert person.asked[0] == first
    assert all(asked.endswith(first) for asked in person.asked)
    assert person.asked[2].startswith("the unit is missing: it takes a temperature")
    assert person.asked[3].startswith("this is a voltage, and it takes a temperature")
    assert person.asked[4].startswith("50 °C is not from 10 °C to 30 °C. ")
    assert "How warm is it? warm = 21.5 °C" in [n.text for n in ran.record.notes()]
    assert person.withdrawn == 0


def test_no_ends_the_run_as_stopped_by_the_person(tmp_path: Path) -> None:
    person = Typing("perhaps", "N")
    ran = run('    confirm "Is it wired?"\nfinally:\n    note "finally"\n', tmp_path, asker=person)
    assert ran.finished.exit_code == 5
    assert ran.ending.reason == "stopped by the person, who said no to “Is it wired?”"
    assert person.asked[1].startswith("“perhaps” is neither: answer yes or no.")
    assert ran.record.notes()[-1].text == "finally"
    assert ran.outputs_off


def test_guards_go_on_while_the_person_thinks(tmp_path: Path) -> None:
    # Looked at each 50 ms: 400 looks are 20 s.
    ran = run('    ask "Ready?"\n', tmp_path, asker=Typing("", after=400))
    times = ran.record.columns("smu", ["time"])["time"]
    assert times[-1] > 20
    assert max(b - a for a, b in itertools.pairwise(times)) <= 1.03


def test_a_guard_trips_while_the_person_thinks(tmp_path: Path) -> None:
    person = Typing("", after=10**6)
    ran = run('    ask "Ready?"\n', tmp_path, "guard smu.voltage < 0.5 V\n", asker=person)
    assert ran.ending.outcome is Outcome.TRIPPED
    assert ran.outputs_off
    assert person.withdrawn == 1


def test_a_person_who_stops_instead_of_answering(tmp_path: Path) -> None:
    person = Person()

    class Stops(Typing):
        def answer(self) -> str | None:
            person.stop = True
            return None

    stops = Stops()
    ran = run('    ask "Ready?"\n', tmp_path, asker=stops, person=person)
    assert ran.finished.exit_code == 5
    assert stops.withdrawn == 1


def test_nobody_there_ends_the_run(tmp_path: Path) -> None:
    ran = run('    ask "Ready?"\n', tmp_path, asker=Typing())
    assert ran.ending.outcome is Outcome.FAILED
    assert (ran.ending.reason, ran.ending.fault) == (
        "nobody is there to answer “Ready?”",
        "person",
    )


# Digital lines


DIGITAL = "digital lid: input\ndigital valve: output, rests low\n"


class Bells:
    """A bench's two lines; `at` are the moments (s, from the run's start) where the lid changes."""

    def __init__(self, *at: float) -> None:
        self.at = at
        self.valve = Line("valve")
        self.bench: Any = None

    def __call__(self, bench: Bench) -> None:
        self.bench = bench
        bench.lines = {"lid": Line("lid", self.is_high), "valve": self.valve}

    def is_high(self) -> bool:
        """Whether the lid is high now: low first, changed at each moment."""
        return sum(moment <= self.bench.clock.now() for moment in self.at) % 2 == 1


def test_a_line_that_is_waited_for_is_seen_when_it_comes(tmp_path: Path) -> None:
    ran = run(
        "    wait for lid high, at most 10 s\n    measure smu into t\n",
        tmp_path,
        DIGITAL,
        change=Bells(4.321),
    )
    assert ran.ending.outcome is Outcome.FINISHED, ran.ending
    (seen,) = [e for e in ran.record.events() if e.text == "lid is high"]
    assert not seen.exact
    # It is looked at each 10 ms, and a guard reading of 20 ms may stand between.
    assert 4.321 <= seen.time <= 4.321 + 0.031
    times = ran.record.columns("smu", ["time"])["time"]
    assert max(b - a for a, b in itertools.pairwise(times)) <= 1.03


def test_a_line_that_does_not_come(tmp_path: Path) -> None:
    step = "    wait for lid high, at most 10 s\n"
    ran = run(step, tmp_path / "a", DIGITAL, change=Bells())
    assert ran.ending.outcome is Outcome.FAILED
    assert ran.ending.reason == (
        "line 12: the time ran out before `wait for lid high, at most 10 s` came true"
    )
    other = run(
        step + '    otherwise:\n        say "no"\n', tmp_path / "b", DIGITAL, change=Bells()
    )
    assert other.told == ["no"]
    (row,) = [s for s in other.record.steps() if s.text.startswith("wait for")]
    assert row.stop is not None
    assert row.stop - row.start == pytest.approx(10, abs=1e-6)


def test_outputs_are_switched_read_as_conditions_and_rest_at_every_end(tmp_path: Path) -> None:
    bells = Bells(3.0)
    ran = run(
        "    switch valve high\n    wait 2 s\n    if lid is low:\n        switch valve low\n"
        '    wait 2 s\n    if lid is high and not lid is low:\n        say "open"\n'
        "        switch valve high\n",
        tmp_path,
        DIGITAL,
        change=bells,
    )
    assert ran.told == ["open"]
    # At rest to begin with, as switched, at rest in the end, and again after there is no `finally`.
    assert bells.valve.written == [False, True, False, True, False]
    assert ran.events("line") == [
        "valve low, at rest", "valve high", "valve low", "valve high", "valve low, at rest",
    ]  # fmt: skip


def test_lines_rest_before_finally_and_after_it(tmp_path: Path) -> None:
    bells = Bells()
    ran = run(
        '    switch valve high\n    fail "leaks"\nfinally:\n    switch valve high\n    wait 1 s\n',
        tmp_path,
        DIGITAL,
        change=bells,
    )
    assert ran.ending.reason == "leaks"
    assert bells.valve.written == [False, True, False, True, False]
    kinds = [(e.kind, e.text) for e in ran.record.events() if e.kind in ("output", "line")]
    assert kinds[2:4] == [("line", "valve high"), ("output", "smu off")]


def test_a_line_that_can_not_be_brought_to_rest_is_told_as_unknown(tmp_path: Path) -> None:
    bells = Bells()

    def stuck(words: str) -> None:
        bells.valve.fails = True

    ran = run('    switch valve high\n    say "now"\n', tmp_path, DIGITAL, change=bells, tell=stuck)
    assert ran.ending.unknown == ("valve",)
    assert ran.finished.exit_code == 4
    assert ran.outputs_off
    assert ran.events("rest failed") == ["valve: the line doesn't move"]


def test_a_guard_on_a_line_trips_with_the_next_reading(tmp_path: Path) -> None:
    ran = run(
        "    switch valve high\n    wait 1 min\n",
        tmp_path,
        DIGITAL + 'guard lid is low "lid open"\n',
        change=Bells(7.5),
    )
    assert ran.ending.outcome is Outcome.TRIPPED
    assert ran.ending.reason == "guard `lid is low` no longer holds: lid open"
    (trip,) = [e for e in ran.record.events() if e.kind == "trip"]
    assert 7.5 <= trip.time <= 7.5 + 1.05
    assert ran.events("line")[-1] == "valve low, at rest"


def test_nothing_goes_on_where_a_guard_on_a_line_does_not_hold(tmp_path: Path) -> None:
    ran = run("", tmp_path, DIGITAL + 'guard lid is low "lid open"\n', change=Bells(0.0))
    assert ran.ending.outcome is Outcome.FAILED
    assert ran.ending.reason == (
        "smu is not switched on: guard `lid is low` doesn't hold: lid open"
    )
    assert ran.ending.fault == "person"
    assert ran.events("output") == []


# What can't run here is refused before anything is on


def test_what_a_bench_or_nobody_can_do_is_refused_all_at_once(tmp_path: Path) -> None:
    text = HEAD.format(more=DIGITAL) + '    switch valve high\n    confirm "Is it wired?"\n'
    file = bench_file(CAPACITOR, lines=())
    loaded = load(text)
    with pytest.raises(Refused) as caught:
        perform(
            loaded, check(loaded, file), open_simulated(file), mode="run", real_time=True,
            store=tmp_path / "test.sqlite", answers={"warmth": read("20 degC")},
        )  # fmt: skip
    (problems,) = caught.value.problems
    assert [(p.slug, p.fault, p.span.line) for p in problems] == [
        ("unknown-answer", "person", 0),
        ("bench-lacks-line", "bench", 3),
        ("bench-lacks-line", "bench", 4),
        ("nobody-to-ask", "person", 13),
    ]
    assert not (tmp_path / "test.sqlite").exists()
