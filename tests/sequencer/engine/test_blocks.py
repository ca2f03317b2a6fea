"""Readings taken in blocks are those taken one at a time, to the last byte of the record."""

from __future__ import annotations

import sqlite3
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from drivers.bench import Bench
from drivers.channel import Block, Reading
from sequencer.engine.blocks import Blocks
from tests.sequencer.engine.bench_of import Ran, dry
from tests.sequencer.engine.measuring_loops import Loops, Made

RECIPES = 100


class OneAtATime:
    """A channel that does all that the one behind it does but look ahead."""

    def __init__(self, channel: Any) -> None:
        self._channel = channel

    def __getattr__(self, name: str) -> Any:
        if name in ("peek_many", "take"):
            raise AttributeError(name)
        return getattr(self._channel, name)


class Creeping:
    """A channel that shows more and more than there is."""

    def __init__(self, channel: Any, rate: float) -> None:
        self._channel, self._rate = channel, rate

    def __getattr__(self, name: str) -> Any:
        return getattr(self._channel, name)

    def _crept(self, shown: Any) -> Any:
        more = 1.0 + self._rate * shown.time
        return shown._replace(voltage=shown.voltage * more, current=shown.current * more)

    def measure(self) -> Reading:
        """One reading."""
        return self._crept(self._channel.measure())  # type: ignore[no-any-return]

    def peek_many(self, begins_ns: Any) -> Block:
        """Readings to come."""
        return self._crept(self._channel.peek_many(begins_ns))  # type: ignore[no-any-return]


def kept(store: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Every table of a store but what tells one run from another: its start, its process."""
    with sqlite3.connect(store / "test.sqlite") as connection:
        return {
            table: connection.execute(f"SELECT * FROM {table}").fetchall()  # noqa: S608
            for table in ("block", "live", "step", "event", "note", "guard", "result", "trace")
        }


def both_ways(made: Made, folder: Path) -> tuple[Ran, Ran]:
    """The same run in blocks and one at a time."""
    ways = []
    for way in ("blocks", "single"):
        store = folder / way
        store.mkdir()

        def change(bench: Bench, way: str = way) -> None:
            for name, channel in bench.channels.items():
                crept: Any = Creeping(channel, made.creeps)
                bench.channels[name] = OneAtATime(crept) if way == "single" else crept

        ways.append(
            dry(made.recipe, store, made.bench, ideal=made.ideal, seed=made.seed, change=change)
        )
    return ways[0], ways[1]


class Watched:
    """How blocks ended, and how many ticks they took."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.blocks: Counter[str] = Counter()
        take = Blocks._block

        def counted(blocks: Blocks, k: int, last: int) -> int:
            wanted = min(blocks._size, last - k + 1)
            taken = take(blocks, k, last)
            self.blocks["ticks"] += taken
            self.blocks["whole" if taken == wanted else "cut" if taken else "none"] += 1
            return taken

        patch.setattr(Blocks, "_block", counted)


@pytest.mark.parametrize("part", range(4))
def test_blocks_give_the_same_bytes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, part: int
) -> None:
    watched, endings = Watched(monkeypatch), Counter[str]()
    for seed in range(part, RECIPES, 4):
        made = Loops(seed).made
        folder = tmp_path / str(seed)
        folder.mkdir()
        ran, single = both_ways(made, folder)
        assert ran.ending.reason == single.ending.reason, made.recipe
        assert ran.ending.outcome is single.ending.outcome
        assert ran.bench.clock.now() == single.bench.clock.now()
        found, expected = kept(folder / "blocks"), kept(folder / "single")
        for table in expected:
            assert found[table] == expected[table], f"{table} of\n{made.recipe}"
        endings[ran.ending.outcome.word] += 1
    # Where nothing comes in blocks nothing is compared; and they are to end in every way.
    assert watched.blocks["ticks"] > 1000
    assert min(watched.blocks[way] for way in ("whole", "cut", "none")) > 3
    assert {"finished", "tripped"} <= endings.keys()


WATCHED = """recipe "A second channel is watched"
channel smu: source, sink, measure, measure open
channel aux: source, sink, measure, measure open
part dut is capacitor on smu, not pushed:
    voltage -0.05 V to 2.8 V
    current within 1.2 A
part load is capacitor on aux, not pushed:
    voltage within 3 V
    current within 0.9 A
steps:
    setup smu: aperture = 30 ms, voltage range = 5 V, current range = 5 A
    source aux voltage 2 V, limit 0.3 A
    output aux on
    source smu voltage 1 V, limit 1 A
    output smu on
    {loop}:
        measure smu into taken
"""


@pytest.mark.parametrize("loop", ["every 31.7 ms for 6 s", "repeat 150 times"])
def test_a_channel_that_is_only_watched_has_its_turn(tmp_path: Path, loop: str) -> None:
    """A reading that falls due while the body is busy comes before it, not a tick later."""
    bench = next(
        made.bench
        for made in (Loops(seed).made for seed in range(99))
        if "aux" in made.bench.channels and made.bench.parts["dut"].model == "supercapacitor"
    )
    both_ways(Made(WATCHED.format(loop=loop), bench, 1, False, 0.0), tmp_path)
    found, expected = kept(tmp_path / "blocks"), kept(tmp_path / "single")
    assert found == expected
