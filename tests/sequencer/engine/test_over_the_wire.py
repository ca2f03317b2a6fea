"""A whole run over each of the four ways, and over a link that fails in its middle.

The served bench lives in this process and its virtual clock is handed to the run, so that readings
can be compared to the printed digit and nothing waits.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import numpy as np
import pytest

from drivers.bench import Bench, open_simulated
from drivers.bench_file import BenchFile
from drivers.channel import Reading, Setpoint
from drivers.simulated.served.misbehaviour import Misbehaviour, Way
from drivers.simulated.served.serve import Server
from drivers.simulated.served.visa_sim import LIBRARY, registered
from sequencer.api import Finished, check, load, perform
from sequencer.record import Run, Store
from sequencer.record.rows import CHANNEL_COLUMNS
from tests.drivers.conformance.conftest import Entry, client
from tests.sequencer.engine.bench_of import CAPACITOR, bench_file

IN_PROCESS, VISA_SIM, SOCKET, SERIAL = WAYS = ("in process", "pyvisa-sim", "socket", "serial")
SIMULATED_RESOURCE = "TCPIP0::192.0.2.20::5025::SOCKET"

RECIPE = """recipe "Charge, rest and discharge"
channel smu: source, sink, measure, measure open
part bank is capacitor on smu:
    voltage -0.05 V to 2.8 V
    current within 1.2 A
    energy up to 100 J
guard smu.voltage < 2.6 V "well below its rating"
setting top = 1.2 V in 0.5 V to 2.5 V
steps:
    setup smu: aperture = 1 PLC
    source smu voltage top, limit 1 A
    output smu on
    every 200 ms until smu.current <= 0.5 A, at most 1 min:
        measure smu into charging
    output smu off
    wait 5 s
    measure smu into rest
    source smu voltage 0 V, limit 1 A
    output smu on
    every 100 ms until smu.voltage <= 0.2 V, at most 1 min:
        measure smu into discharging
finally:
    note "over"
results:
    C = capacitance(discharging, 0.9 V to 0.4 V)
    E = energy(charging)
"""


class Wired:
    """A bench by one of the ways, on the virtual clock of the instrument that is simulated."""

    def __init__(self, stack: ExitStack, way: str, seed: int, margin_s: float = 5.0) -> None:
        self.file: BenchFile = bench_file(CAPACITOR)
        self.simulated = open_simulated(self.file, seed=seed)
        self.bench, self.server = self.simulated, None
        if way == IN_PROCESS:
            return
        self.server = Server(self.simulated, serial=way == SERIAL)
        entry = Entry(self.server.resources["smu"], "@py")
        if way == VISA_SIM:
            entry = Entry(SIMULATED_RESOURCE, LIBRARY)
            front = self.server.instruments["smu"].front
            stack.enter_context(registered({SIMULATED_RESOURCE: front.handle}))
        stack.enter_context(self.server)
        self.bench = Bench(self.simulated.clock, {}, self.file)
        channel = self.simulated.channels["smu"]
        self.bench.channels["smu"] = client(stack, entry, channel, self.simulated.clock, margin_s)  # type: ignore[arg-type]

    def run(self, store: Path, live: bool = False, recipe: str = RECIPE) -> tuple[Finished, Run]:
        """Run the recipe; with `live` each reading is committed as on a real bench."""
        loaded = load(recipe)
        checked = check(loaded, self.file)
        assert not checked.problems.has_errors, [p.message for p in checked.problems]
        finished = perform(
            loaded,
            checked,
            self.bench,
            mode="run" if live else "dry run",
            store=store,
            tell=lambda _: None,
            real_time=live,
        )
        return finished, Store.open(store).run(finished.id)

    @property
    def is_off(self) -> bool:
        """Whether the instrument itself, behind every link, has its output off."""
        return not self.simulated.channels["smu"].read_back().output


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as opened:
        yield opened


def _skip_without_pty(way: str) -> None:
    if way == SERIAL:
        pytest.importorskip("pty", reason="this system has no pseudo-terminals to serve a line on")


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("way", [VISA_SIM, SOCKET, SERIAL])
def test_the_same_recipe_bench_and_seed_give_the_same_readings(
    tmp_path: Path, stack: ExitStack, way: str, seed: int
) -> None:
    _skip_without_pty(way)
    expected, by_hand = Wired(stack, IN_PROCESS, seed).run(tmp_path / "a.sqlite")
    found, over = Wired(stack, way, seed).run(tmp_path / "b.sqlite")
    assert (found.exit_code, found.ending.reason) == (0, "")
    for name in CHANNEL_COLUMNS:
        here, there = (run.columns("smu", [name])[name] for run in (by_hand, over))
        # Answers have twelve digits; what is worked out from them carries their rounding on.
        np.testing.assert_allclose(there, here, rtol=1e-10, atol=1e-10, err_msg=name)
    for a, b in zip(found.results, expected.results, strict=True):
        assert a.value == pytest.approx(b.value, rel=1e-9)
    assert [s[:2] for s in over.steps()] == [s[:2] for s in by_hand.steps()]


BREAKS: dict[Way, str] = {
    "silence": "answer",
    "garbage": "",
    "half": "",
    "late": "",
    "close": "",
    "power-cycle": "",
}


@pytest.mark.parametrize("way", [SOCKET, SERIAL])
@pytest.mark.parametrize("misbehaviour", list(BREAKS))
def test_a_link_that_fails_in_mid_run(
    tmp_path: Path, stack: ExitStack, way: str, misbehaviour: Way
) -> None:
    """Output off, the run on record as failed, the readings kept."""
    _skip_without_pty(way)
    if way == SERIAL and misbehaviour == "close":
        pytest.skip("a serial line has no connection to close; a dead one is tried in conformance")
    wired = Wired(stack, way, seed=1, margin_s=0.3)
    assert wired.server is not None
    # That message falls into the charge; the look and the push come before it.
    wired.server.misbehave(Misbehaviour(misbehaviour, after=75, times=1))
    finished, record = wired.run(tmp_path / "a.sqlite", live=True)
    assert finished.exit_code == 4
    assert finished.ending.fault in ("link", "instrument")
    assert BREAKS[misbehaviour] in finished.ending.reason
    assert wired.is_off
    assert finished.ending.unknown == ()
    assert record.meta.outcome == "failed"
    readings = record.columns("smu", ["time", "voltage"])
    assert len(readings["time"]) > 10
    assert np.isfinite(readings["voltage"]).all()


@pytest.mark.parametrize("misbehaviour", ["silence", "garbage", "half", "late", "babble", "deaf"])
def test_a_link_that_stays_dead_is_told_as_an_unknown_output(
    tmp_path: Path, stack: ExitStack, misbehaviour: Way
) -> None:
    wired = Wired(stack, SOCKET, seed=1, margin_s=0.2)
    assert wired.server is not None
    wired.server.misbehave(Misbehaviour(misbehaviour, after=75, times=None))
    finished, record = wired.run(tmp_path / "a.sqlite", live=True)
    assert finished.exit_code == 4
    assert finished.ending.unknown == ("smu",)
    # One whose answers fail still hears that it is to switch off; that proves nothing, and the
    # program must not say that it is off. One that takes nothing can't be reached.
    assert wired.is_off is (misbehaviour != "deaf")
    assert len(record.columns("smu", ["time"])["time"]) > 10


@pytest.mark.parametrize("guarded", [True, False])
def test_an_overflow_on_the_wire(tmp_path: Path, stack: ExitStack, guarded: bool) -> None:
    """9.9E37 is ±infinity here, a value past its range."""
    wired = Wired(stack, SOCKET, seed=1)
    channel = wired.simulated.channels["smu"]
    measure = channel.measure

    def overflow() -> Reading:
        reading = measure()
        if reading.time < 3 or not channel.read_back().output:
            return reading
        return reading._replace(voltage=math.inf, current=math.inf)

    channel.measure = overflow  # type: ignore[method-assign]
    recipe = RECIPE if guarded else RECIPE.replace("guard", "# guard")
    finished, record = wired.run(tmp_path / "a.sqlite", recipe=recipe)
    columns = record.columns("smu", ["voltage", "energy"])
    assert np.isinf(columns["voltage"]).any()
    assert np.isfinite(columns["energy"]).all()
    assert wired.is_off
    if guarded:
        assert finished.exit_code == 3
        assert finished.ending.reason == (
            "guard `smu.voltage < 2.6 V` no longer holds: well below its rating"
        )
    else:
        # Level and limit hold the ratings, so the part is safe and nothing trips by the reading
        # itself; but what counts in its place is the most that can flow, and that comes to 100 J.
        assert finished.exit_code in (3, 4)
        assert "energy" in finished.ending.reason or "time ran out" in finished.ending.reason


def test_what_is_acted_upon_is_on_disk_before(tmp_path: Path, stack: ExitStack) -> None:
    """`output on` is on record before it is sent, and every reading before what follows from it.

    Looked at with a bare sqlite3 from a connection of its own, at each act on the instrument.
    """
    wired = Wired(stack, IN_PROCESS, seed=1)
    channel = wired.simulated.channels["smu"]
    measure, program, switch = channel.measure, channel.program, channel.switch
    store = tmp_path / "a.sqlite"
    taken: list[Reading] = []
    acts = {"program": 0, "on": 0}

    def kept(sql: str) -> list[tuple[object, ...]]:
        connection = sqlite3.connect(f"file:{store}?mode=ro", uri=True)
        try:
            return connection.execute(sql).fetchall()
        finally:
            connection.close()

    def take() -> Reading:
        taken.append(measure())
        return taken[-1]

    def act(setpoint: Setpoint) -> None:
        rows = kept("SELECT count(*) FROM live")
        assert rows == [(len(taken),)]
        acts["program"] += 1
        program(setpoint)

    def go(on: bool) -> None:
        if on:
            acts["on"] += 1
            told = kept("SELECT text FROM event WHERE kind IN ('output', 'look') ORDER BY key DESC")
            assert "on" in str(told[0][0]).split()
        switch(on)

    channel.measure, channel.program, channel.switch = take, act, go  # type: ignore[method-assign]
    finished, _ = wired.run(store, live=True)
    assert finished.exit_code == 0, finished.ending.reason
    # The push, and two charges: each is programmed by its `source` and again by its `output on`.
    assert acts == {"on": 3, "program": 5}
