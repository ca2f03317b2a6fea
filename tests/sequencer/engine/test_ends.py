"""Every end leaves the outputs off: whichever operation fails, whatever the person does."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from drivers.bench import Bench
from drivers.faults import InstrumentError, LinkError
from drivers.watchdog import WatchdogError
from sequencer.engine.ending import Outcome
from sequencer.engine.run import Person
from tests.sequencer.engine.bench_of import bench_file, dry

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

COIL = """recipe "A coil"
channel smu: source, sink, measure, measure open, two-sided limit
part relay is {kind} on smu, not pushed:
    voltage -12 V to 12 V
    current within 2 A
steps:
    source smu {source}
    output smu on
    measure smu
"""
RELAY = """
[parts.relay]
model = "resistor"
resistance = "10 ohm"
"""
GUARDED = """recipe "A guard"
channel smu: source, sink, measure, measure open, two-sided limit
part bank is capacitor on smu, not pushed:
    voltage -0.05 V to 2.8 V
    current within 1.2 A
guard smu.voltage < {bound}
steps:
    source smu voltage 1 V, limit 1 A
    output smu on
    every 1 s for 20 s:
        measure smu
finally:
    source smu voltage {last}, limit 1 A
    output smu on
    every 1 s for 20 s:
        measure smu
"""
OPERATIONS = ("identify", "reset", "configure", "program", "switch", "read_back", "measure", "poll")


class FailsTheNth:
    """A channel whose n-th operation fails, once or from then on for good.

    It doesn't look ahead: each of its readings is an operation of its own.
    """

    def __init__(self, channel: Any, nth: int, for_good: bool, error: type[Exception]) -> None:
        self._channel, self._nth, self._for_good, self._error = channel, nth, for_good, error
        self.count = 0
        self.failed = 0

    def __getattr__(self, name: str) -> Any:
        if name == "peek_many":
            raise AttributeError(name)
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


class Between:
    """Something between the runner and a channel that takes the place of some operations.

    It doesn't look ahead: each of its readings is an operation of its own.
    """

    def __init__(self, channel: Any, **operations: Any) -> None:
        self._channel = channel
        self._operations = operations

    def __getattr__(self, name: str) -> Any:
        if name == "peek_many":
            raise AttributeError(name)
        return self._operations.get(name) or getattr(self._channel, name)


@pytest.mark.parametrize(
    ("kind", "source"),
    [
        ("coil", "current 0.5 A, limit 11 V"),
        ("coil", "voltage 5 V, limit 1 A"),
        ("insulator", "voltage 5 V, limit 1 A"),
        ("laser diode", "current 0.5 A, limit 11 V"),
    ],
)
def test_an_instrument_that_refuses_the_way_down_is_opened_all_the_same(
    tmp_path: Path, kind: str, source: str
) -> None:
    refused = []

    def change(bench: Bench) -> None:
        channel = bench.channels["smu"]

        def program(setpoint: Any) -> None:
            if channel.read_back().output:
                refused.append(setpoint)
                raise InstrumentError("the instrument doesn't take that level")
            channel.program(setpoint)

        bench.channels["smu"] = Between(channel, program=program)  # type: ignore[assignment]

    ran = dry(COIL.format(kind=kind, source=source), tmp_path, bench_file(RELAY), change=change)
    # Every kind's way down begins with a level: a coil's current must die away in either mode.
    assert len(refused) == 1
    assert ran.outputs_off
    assert ran.ending.unknown == ()
    assert ran.events("off failed") == ["the instrument doesn't take that level"]


def test_a_watchdog_that_is_gone_does_not_keep_the_output_on(tmp_path: Path) -> None:
    """Switching off is the thing to do then, and needs no watchdog; nothing goes on again."""
    total = count_of_operations(tmp_path / "whole")
    for nth in range(1, total, 29):
        beats = Beats(nth)
        ran = dry(RECIPE, tmp_path / str(nth), beat=beats)
        assert ran.outputs_off, nth
        assert ran.ending.unknown == ()
        if beats.count >= nth:
            assert ran.ending.reason.startswith("the watchdog is gone")
            assert ran.finished.exit_code == 4
            assert not beats.closed or ran.ending.unknown == ()


class Beats:
    """A watchdog's side that fails for good from the n-th beat on."""

    def __init__(self, nth: int) -> None:
        self.nth, self.count, self.closed = nth, 0, 0

    def beat(self, step: int, seconds: float) -> None:
        """Count it, or fail."""
        self.count += 1
        if self.count >= self.nth:
            raise WatchdogError("the watchdog is gone", "switch the outputs off and start again")

    def close(self) -> None:
        """The run is over."""
        self.closed += 1


def test_the_watchdog_is_dismissed_before_results_that_may_take_long(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Outputs are off by then; a day of readings to merge must not look like a run that hangs."""
    beats = Beats(10**9)
    seen = []
    monkeypatch.setattr(
        "sequencer.engine.afterwards.work_out", lambda *_: seen.append(beats.closed) or []
    )
    assert dry(RECIPE, tmp_path, beat=beats).finished.exit_code == 0
    assert seen == [1]


def test_the_watchdog_stays_where_an_output_is_unknown(tmp_path: Path) -> None:
    holder: list[FailsTheNth] = []
    beats = Beats(10**9)
    ran = dry(RECIPE, tmp_path, change=put_between(holder, 60, True, LinkError), beat=beats)
    assert ran.ending.unknown == ("smu",)
    assert beats.closed == 0


def test_a_person_who_leans_on_ctrl_c_where_no_handler_takes_it_up(tmp_path: Path) -> None:
    """As in a notebook: KeyboardInterrupt comes out of any operation, and of the next ones too."""
    total = count_of_operations(tmp_path / "whole")
    for nth in [*range(1, 50), *range(50, total, 41)]:
        count = 0

        def change(bench: Bench, nth: int = nth) -> None:
            channel = bench.channels["smu"]

            def interrupted(name: str) -> Any:
                real = getattr(channel, name)

                def operation(*arguments: Any) -> Any:
                    nonlocal count
                    count += 1
                    if nth <= count < nth + 3:
                        raise KeyboardInterrupt
                    return real(*arguments)

                return operation

            between = Between(channel, **{name: interrupted(name) for name in OPERATIONS})
            bench.channels["smu"] = between  # type: ignore[assignment]

        ran = dry(RECIPE, tmp_path / str(nth), change=change)
        assert ran.outputs_off, nth
        assert ran.finished.exit_code == 5, (nth, ran.ending)
        assert ran.record.meta.outcome == "stopped by the person"


def test_a_guard_of_the_recipe_guards_finally_too(tmp_path: Path) -> None:
    ran = dry(GUARDED.format(bound="1.5 V", last="2 V"), tmp_path)
    assert ran.finished.exit_code == 3
    assert ran.outputs_off
    assert ran.events("trip") == ["guard `smu.voltage < 1.5 V` no longer holds"]
    assert max(ran.record.columns("smu", ["voltage"])["voltage"]) < 1.65


def test_a_guard_that_has_tripped_lets_finally_bring_it_back(tmp_path: Path) -> None:
    ran = dry(GUARDED.format(bound="0.8 V", last="0.2 V"), tmp_path)
    assert ran.finished.exit_code == 3
    # It ended by itself after its 20 s, and the part is discharged.
    assert ran.events("trip") == ["guard `smu.voltage < 0.8 V` no longer holds"]
    assert ran.finished.left["smu"] < 0.3


def test_a_guard_that_holds_again_in_finally_trips_again(tmp_path: Path) -> None:
    text = GUARDED.format(bound="0.8 V", last="0.2 V").rstrip()
    text += "\n    source smu voltage 1 V, limit 1 A\n    wait 20 s\n"
    ran = dry(text, tmp_path)
    assert ran.finished.exit_code == 3
    assert "in `finally`: guard `smu.voltage < 0.8 V` no longer holds" in ran.events("end")
    assert ran.outputs_off
