"""Every end leaves the outputs off: whichever operation fails, whatever the person does."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from drivers.bench import Bench
from drivers.faults import InstrumentError, LinkError
from sequencer.engine.ending import Outcome
from sequencer.engine.run import Person
from tests.sequencer.engine.bench_of import dry

RECIPE = """recipe "Look and top up"
channel smu: source, sink, measure, measure open, two-sided limit
part bank is capacitor on smu:
    voltage -0.05 V to 2.8 V
    current within 1.2 A
    energy up to 1 kJ
steps:
    setup smu: aperture = 20 ms
    source smu voltage 2 V, limit 1 A
    output smu on
    every 1 s until smu.current < 0.1 A, at most 5 min:
        measure smu into charging
    output smu off
    say "charged"
    wait 10 s
    measure smu into rest
finally:
    note "finally"
"""

OPERATIONS = ("identify", "reset", "configure", "program", "switch", "read_back", "measure", "poll")


class FailsTheNth:
    """A channel whose n-th operation fails, once or from then on for good."""

    def __init__(self, channel: Any, nth: int, for_good: bool, error: type[Exception]) -> None:
        self._channel, self._nth, self._for_good, self._error = channel, nth, for_good, error
        self.count = 0
        self.failed = 0

    def __getattr__(self, name: str) -> Any:
        real = getattr(self._channel, name)
        if name not in OPERATIONS:
            return real

        def operation(*arguments: Any) -> Any:
            self.count += 1
            if self.count == self._nth or (self._for_good and self.count > self._nth):
                self.failed += 1
                raise self._error("the instrument does not answer", "see its cable")
            return real(*arguments)

        return operation

    def recover(self) -> None:
        """A link that is dead for good can't be recovered."""
        if self._for_good:
            raise self._error("the instrument does not answer", "see its cable")


def put_between(holder: list[FailsTheNth], nth: int, for_good: bool, error: type[Exception]) -> Any:
    def change(bench: Bench) -> None:
        fails = FailsTheNth(bench.channels["smu"], nth, for_good, error)
        holder.append(fails)
        bench.channels["smu"] = fails  # type: ignore[assignment]

    return change


def count_of_operations(store: Path) -> int:
    holder: list[FailsTheNth] = []
    ran = dry(RECIPE, store, change=put_between(holder, 0, False, LinkError))
    assert ran.finished.exit_code == 0, ran.ending
    return holder[0].count


@pytest.mark.parametrize("error", [LinkError, InstrumentError, RuntimeError])
def test_whichever_operation_fails_once_the_output_is_off_afterwards(
    tmp_path: Path, error: type[Exception]
) -> None:
    # Fault model: any one operation of the channel raises, of the bench or of the program itself;
    # the next ones work. Survived must be: output off, reason on record, readings kept.
    total = count_of_operations(tmp_path / "whole")
    # The first hundred one by one cover every phase up to the loop; then the loop in strides.
    for nth in [*range(1, 60), *range(60, total + 1, 37), total]:
        holder: list[FailsTheNth] = []
        ran = dry(RECIPE, tmp_path / str(nth), change=put_between(holder, nth, False, error))
        assert holder[0].failed == 1
        assert ran.outputs_off, nth
        if ran.finished.exit_code != 0:
            assert ran.ending.outcome is Outcome.FAILED
            assert "the instrument does not answer" in ran.ending.reason
        assert ran.record.meta.outcome == ran.ending.outcome.word
        times = ran.record.columns("smu", ["time"])["time"]
        assert list(times) == sorted(times)


def test_a_link_that_is_dead_for_good_is_told_as_an_unknown_output(tmp_path: Path) -> None:
    total = count_of_operations(tmp_path / "whole")
    for nth in range(12, total, 41):
        holder: list[FailsTheNth] = []
        ran = dry(RECIPE, tmp_path / str(nth), change=put_between(holder, nth, True, LinkError))
        assert ran.finished.exit_code == 4
        assert ran.ending.unknown == ("smu",)
        assert any("`finally` is skipped" in said for said in ran.told)


def test_the_alarm_itself_works(tmp_path: Path) -> None:
    """The canary: a run whose end switches nothing off is seen by the very check used above."""

    def never_off(bench: Bench) -> None:
        bench.channels["smu"].switch = _only_on(bench.channels["smu"].switch)  # type: ignore[method-assign]

    ran = dry(RECIPE, tmp_path, change=never_off)
    assert not ran.outputs_off
    assert ran.finished.exit_code == 4
    assert ran.ending.unknown == ("smu",)


def _only_on(switch: Callable[[bool], None]) -> Callable[[bool], None]:
    return lambda on: switch(on) if on else None


def test_the_first_wish_to_stop_goes_through_finally(tmp_path: Path) -> None:
    person = Person()

    def ask_to_stop(words: str) -> None:
        person.stop = True

    ran = dry(RECIPE, tmp_path, person=person, tell=ask_to_stop)
    assert ran.finished.exit_code == 5
    assert ran.ending.outcome is Outcome.STOPPED
    assert [note.text for note in ran.record.notes()] == ["charged", "finally"]
    assert ran.outputs_off


def test_the_second_wish_switches_off_at_once(tmp_path: Path) -> None:
    person = Person()

    def ask_to_stop(words: str) -> None:
        person.stop = person.stop_at_once = True

    ran = dry(RECIPE, tmp_path, person=person, tell=ask_to_stop)
    assert ran.finished.exit_code == 5
    assert [note.text for note in ran.record.notes()] == ["charged"]
    assert ran.outputs_off


def test_an_output_that_drops_by_itself_ends_the_run_and_is_never_switched_on_again(
    tmp_path: Path,
) -> None:
    def interlock(bench: Bench) -> None:
        channel = bench.channels["smu"]
        measure = channel.measure

        def until_it_drops() -> Any:
            reading = measure()
            if reading.time > 5 and channel.read_back().output:
                channel.drop_output("interlock open")  # type: ignore[attr-defined]
            return reading

        channel.measure = until_it_drops  # type: ignore[method-assign]

    ran = dry(RECIPE, tmp_path, change=interlock)
    assert ran.finished.exit_code == 4
    assert ran.ending.fault == "instrument"
    assert "interlock open" in ran.ending.reason
    assert ran.events("output") == ["smu on"]
    assert ran.outputs_off


def test_what_is_left_on_the_terminals_is_told(tmp_path: Path) -> None:
    ran = dry(RECIPE.replace("    output smu off\n", ""), tmp_path)
    # Charged to 2 V and opened: only leakage and the slow branch take from it in so short a time.
    assert ran.finished.left["smu"] == pytest.approx(2.0, abs=0.05)
