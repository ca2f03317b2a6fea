"""Guards: what trips, when, and that no rating is passed by more than was said."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drivers.bench import Bench
from drivers.channel import Reading
from sequencer.engine.ending import Outcome
from tests.sequencer.engine.bench_of import Ran, dry

CHARGE = """recipe "A charge"
channel smu: source, sink, measure, measure open, two-sided limit
part bank is capacitor on smu, not pushed:
    voltage -0.05 V to 2.8 V
    current within 1.2 A
    {rating}
{more}
steps:
    setup smu: aperture = 20 ms
    source smu voltage 2.7 V, limit 1 A
    output smu on
    every {period} for 10 min:
        measure smu into t
finally:
    note "finally"
"""


def charge(store: Path, rating: str = "", more: str = "", period: str = "1 s", **rest: Any) -> Ran:
    text = CHARGE.format(rating=rating, more=more, period=period)
    return dry(text.replace("    \n", ""), store, **rest)


class Altered:
    """A channel whose readings are altered on their way: what an instrument might say."""

    def __init__(self, channel: Any, alter: Any) -> None:
        self._channel = channel
        self._alter = alter

    def __getattr__(self, name: str) -> Any:
        return getattr(self._channel, name)

    def measure(self) -> Reading:
        return self._alter(self._channel.measure())  # type: ignore[no-any-return]


def altered(alter: Any) -> Any:
    def change(bench: Bench) -> None:
        bench.channels["smu"] = Altered(bench.channels["smu"], alter)  # type: ignore[assignment]

    return change


def stored(ran: Ran) -> float:
    """The energy (J) that the source has given, by the recorded counter at the end."""
    return max(ran.record.columns("smu", ["energy"])["energy"])


@pytest.mark.parametrize("period", ["100 ms", "1 s", "5 s"])
def test_an_energy_guard_trips_before_its_rating_is_passed(tmp_path: Path, period: str) -> None:
    ran = charge(tmp_path, "energy up to 20 J", period=period)
    assert ran.finished.exit_code == 3
    assert ran.ending.outcome is Outcome.TRIPPED
    assert ran.outputs_off
    assert ran.ending.reason.startswith("bank energy ")
    # At 2.7 W at most, and at most 40 ms + 20 ms until open, it may stop 0.2 J short, not more
    # than a second's worth, whatever the recipe's own period is.
    assert 20 - 0.6 < stored(ran) <= 20


def test_what_the_look_ahead_leaves_is_a_tenth_at_most(tmp_path: Path) -> None:
    """Readings come more often as the rating comes near: a tenth of what is left may flow."""
    ran = charge(tmp_path, "energy up to 20 J", period="5 s")
    columns = ran.record.columns("smu", ["time", "energy"])
    time, energy = columns["time"], columns["energy"]
    for k in range(3, len(time)):
        left = 20 - energy[k - 1]
        interval = time[k] - time[k - 1]
        # 2.7 W is the most that this setpoint can push; 40 ms is twice the aperture.
        assert interval <= max(0.1 * left / 2.7, 0.04) + 0.041, (time[k], interval, left)


def test_a_charge_guard_trips_in_time(tmp_path: Path) -> None:
    ran = charge(tmp_path, "charge up to 10 C")
    assert ran.finished.exit_code == 3
    charge_in = max(ran.record.columns("smu", ["charge"])["charge"])
    assert 9.8 < charge_in <= 10


def test_a_guard_of_the_recipe_trips_on_its_reading(tmp_path: Path) -> None:
    ran = charge(tmp_path, more='guard smu.voltage < 1.5 V "half full is enough"')
    assert ran.finished.exit_code == 3
    assert ran.ending.reason == ("guard `smu.voltage < 1.5 V` no longer holds: half full is enough")
    voltages = ran.column("t", "smu.voltage")
    assert all(v < 1.5 for v in voltages[:-1])
    assert [g.tripped for g in ran.record.guards() if g.name == "smu.voltage < 1.5 V"] == [True]


def test_a_voltage_beyond_its_rating_trips_on_that_reading(tmp_path: Path) -> None:
    seen = []

    def jump(reading: Reading) -> Reading:
        seen.append(reading)
        return reading._replace(voltage=2.9) if reading.time > 20 else reading

    ran = charge(tmp_path, change=altered(jump))
    assert ran.finished.exit_code == 3
    assert ran.ending.reason == "bank voltage 2.9 V is above the rating of 2.8 V"
    assert ran.events("trip") == [ran.ending.reason]
    assert seen[-1].time - seen[-2].time <= 1.1
    assert [note.text for note in ran.record.notes()] == ["finally"]


@pytest.mark.parametrize(
    ("voltage", "reason"),
    [
        (math.nan, "bank voltage: the reading is not a number"),
        (math.inf, "bank voltage: over range, which can hide the rating"),
    ],
)
def test_no_reading_trips(tmp_path: Path, voltage: float, reason: str) -> None:
    def break_down(reading: Reading) -> Reading:
        # A current-mode setpoint would hold the voltage by its limit; in voltage mode the level
        # of 2.7 V lies inside the rating, so only a reading that is no number at all trips.
        return reading._replace(voltage=voltage) if reading.time > 20 else reading

    ran = charge(tmp_path, change=altered(break_down))
    if math.isnan(voltage):
        assert ran.finished.exit_code == 3
        assert ran.ending.reason == reason
    else:
        assert ran.finished.exit_code == 0


def test_a_limit_as_near_as_can_be_to_the_rating_does_not_trip_on_noise(tmp_path: Path) -> None:
    """Noise and error of the specification are the reading's own uncertainty."""
    text = CHARGE.format(rating="", more="", period="100 ms").replace("    \n", "")
    # The closest limit that the check lets pass: its error and overshoot lie inside the rating.
    text = text.replace("within 1.2 A", "-1.2 A to 1.01 A").replace("limit 1 A", "limit 1.0014 A")
    for seed in range(5):
        assert dry(text, tmp_path / str(seed), ideal=False, seed=seed).finished.exit_code == 0


def test_never_blind_while_waiting(tmp_path: Path) -> None:
    text = CHARGE.format(rating="", more="", period="1 s").replace("    \n", "")
    text = text.replace(
        "    every 1 s for 10 min:\n        measure smu into t\n",
        "    wait 1 min\n    measure smu\n",
    )
    ran = dry(text, tmp_path)
    columns = ran.record.columns("smu", ["time", "trace", "step"])
    gaps = [b - a for a, b in zip(columns["time"], columns["time"][1:], strict=False)]
    assert len(gaps) > 55
    assert max(gaps) <= 1.03
    # The runner's own readings belong to no trace and to no line of the recipe.
    assert sorted(columns["step"]) == [0.0] * len(gaps) + [12.0]


def test_never_blind_between_the_ticks_of_a_long_grid(tmp_path: Path) -> None:
    ran = charge(tmp_path, period="5 s")
    columns = ran.record.columns("smu", ["time", "step"])
    gaps = [b - a for a, b in zip(columns["time"], columns["time"][1:], strict=False)]
    assert max(gaps) <= 1.03
    own = [t for t, line in zip(columns["time"], columns["step"], strict=True) if line == 0]
    ticks = ran.column("t", "time")
    assert len(own) >= 3 * len(ticks)
    # Each second at the latest, less the aperture: five seconds are cut into six.
    sixths = [(t - ticks[0]) / (5 / 6) for t in own if ticks[0] < t < ticks[-1]]
    assert sixths == pytest.approx([round(k) for k in sixths], abs=1e-6)


def test_margins_are_the_smallest_and_when(tmp_path: Path) -> None:
    ran = charge(tmp_path, "energy up to 1 kJ")
    guards = {guard.name: guard for guard in ran.record.guards()}
    columns = ran.record.columns("smu", ["time", "voltage", "current", "energy"])
    assert guards["bank voltage"].margin == pytest.approx(min(2.8 - columns["voltage"].max(), 0.05))
    assert guards["bank current"].margin == pytest.approx(1.2 - columns["current"].max())
    # Counted from above: over an interval of 1 s the larger of two powers, which rise to 2.7 W.
    counted = 1000 - guards["bank energy"].margin
    assert 0 < counted - columns["energy"].max() < 2.8
    assert not any(guard.tripped for guard in guards.values())


def test_a_level_that_an_over_range_reading_gave_is_not_programmed(tmp_path: Path) -> None:
    """The check takes a reading to lie within the rating; an overflow may make more of it."""
    text = CHARGE.format(rating="", more="", period="1 s").replace("    \n", "")
    text = text.replace(
        "    every 1 s for 10 min:\n        measure smu into t\n",
        "    measure smu\n    source smu voltage 0.9 * min(abs(smu.voltage), 5 V), limit 1 A\n"
        "    measure smu\n",
    )

    def overflow(reading: Reading) -> Reading:
        return reading._replace(voltage=math.inf) if reading.time > 0.05 else reading

    ran = dry(text, tmp_path, change=altered(overflow))
    assert ran.finished.exit_code == 4
    assert ran.ending.reason == (
        "smu: voltage 4.5 V, limit 1 A was asked for, and the voltage of bank may be -0.05 to 2.8: "
        "not programmed"
    )
    assert ran.events("output")[0] == "smu on"


def test_a_margin_is_that_of_its_own_reading_where_others_are_over_range(tmp_path: Path) -> None:
    """An over-range reading says nothing of a margin, and takes no other one's time."""

    def overflow(reading: Reading) -> Reading:
        early = reading.time < 3.5 and reading.current > 0.5
        return reading._replace(current=math.inf) if early else reading

    text = CHARGE.format(rating="", more="", period="1 s").replace("    \n", "")
    text = text.replace("current within 1.2 A", "current -20 A to 20 A")
    text = text.replace("every 1 s for 10 min:", "repeat 12 times:").replace(
        "measure smu into t\n", "measure smu into t\n        wait 1 s\n"
    )
    ran = dry(text, tmp_path, change=altered(overflow))
    columns = ran.record.columns("smu", ["time", "current"])
    assert np.isinf(columns["current"]).sum() >= 3
    finite = np.isfinite(columns["current"])
    largest = columns["current"][finite].max()
    guards = {guard.name: guard for guard in ran.record.guards()}
    assert guards["bank current"].margin == 20.0 - largest
    at = np.flatnonzero(columns["current"] == largest)[0]
    assert at > np.flatnonzero(~finite)[-1]
    assert guards["bank current"].margin_time == columns["time"][at]
