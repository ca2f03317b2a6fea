"""`fusewire dry-run --fault`: each fault rehearsed in a whole dry run, and what the guards do.

Every output was read as a whole; what matters of it is held here: how the run ends and why, when
the event came, and that nothing goes on again by itself.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from sequencer.api import open_record
from sequencer.record.rows import EventRow
from tests.sequencer.cli.conftest import Call
from tests.sequencer.cli.recipes_of_tests import write_bench, write_recipe

RECIPES = Path(__file__).parents[3] / "recipes"
LOUD = (
    "!! THE STATE OF THE OUTPUT IS UNKNOWN: smu",
    "!! Use the instrument's own output key, then its mains switch.",
    "!! Don't pull live leads. Keep off until it is measured dead.",
)


def events() -> list[EventRow]:
    """All of the one run on record."""
    with open_record() as store:
        (run,) = store.runs()
        return store.run(run.id).events()


def of_kind(*kinds: str) -> list[tuple[float, str]]:
    return [(event.time, event.text) for event in events() if event.kind in kinds]


def reason(out: str) -> str:
    """How the run ended and why, on one line; it stands between two empty ones."""
    paragraphs = [" ".join(part.split()) for part in out.split("\n\n")]
    return next(p for p in paragraphs if p.startswith(("Tripped:", "Failed:", "Finished")))


def last_switched_off() -> bool:
    return of_kind("output")[-1][1] == "smu off"


def test_a_diode_the_wrong_way_round_is_refused(call: Call, folder: Path) -> None:
    said = call("dry-run", "sweep-diode", "--fault", "reversed", "--quiet")
    assert said.code == 4
    assert "the diode is connected the wrong way round" in said.out + said.err
    with open_record() as store:
        (run,) = store.runs()
        assert "rehearsed: reversed" in [note.text for note in store.run(run.id).notes()]


# Leads


def test_a_lead_that_drops_off_is_not_the_end_of_a_discharge(call: Call) -> None:
    """The voltage falls to the level at once and nothing flows any more: as at the end, but not."""
    said = call("dry-run", "load-and-watch", "--fault", "smu:lead-off@60s")
    assert said.code == 3
    assert reason(said.out).startswith("Tripped: bank: lead off? its voltage jumped from 2.3")
    assert "Outputs are off." in said.out
    assert "What is left in it is still stored" in said.out
    ((when, _),) = of_kind("trip")
    assert 60.0 < when < 60.5
    assert last_switched_off()


def test_a_lead_that_drops_off_at_rest_is_seen_at_the_next_look(call: Call) -> None:
    """Looks come every minute, with the output open; nothing is topped up that isn't there."""
    said = call("dry-run", "hold-between-voltages", "--fault", "lead-off@3000s")
    assert said.code == 3
    assert "within 60 s, and nothing else was programmed" in reason(said.out)
    ((when, _),) = of_kind("trip")
    assert 3000.0 < when < 3060.5
    assert [time for time, text in of_kind("output") if text == "smu on" and time > 2995.0] == []


def test_a_diode_that_loses_a_lead(call: Call) -> None:
    said = call("dry-run", "sweep-diode", "--fault", "lead-off@1s")
    assert said.code == 3
    assert re.fullmatch(
        "Tripped: blocking: lead off\\? 99[0-9.]+ uA flowed, and now nothing does, though nothing "
        "less was programmed",
        reason(said.out),
    )
    assert last_switched_off()


def test_a_lead_that_bounces_between_two_readings(call: Call) -> None:
    """No reading falls into it: that control passes to and fro gives it away."""
    said = call("dry-run", "load-and-watch", "--fault", "bounce@60s")
    assert said.code == 3
    assert "control passed to and fro 6 times within" in reason(said.out)
    ((when, _),) = of_kind("trip")
    assert 60.0 < when < 61.5
    assert last_switched_off()


# Sense leads


@pytest.mark.parametrize("recipe", ["characterise-supercapacitor", "soak-supercapacitor"])
def test_open_sense_leads_are_seen_before_power(call: Call, recipe: str) -> None:
    said = call("dry-run", recipe, "--fault", "sense-open")
    assert said.code == 4
    assert re.fullmatch(
        "Failed: bank: the sense leads see [0-9.]+ mV and the force leads 60[0-9.]+ mV, with the "
        "output off: a lead is off",
        reason(said.out),
    )
    assert of_kind("output") == []


def test_open_sense_leads_of_an_empty_part_are_seen_as_it_takes_charge(
    call: Call, folder: Path
) -> None:
    """At 0 V there is nothing to be seen before power, and 3 A don't move what is read of 350 F."""
    text = (RECIPES / "characterise-supercapacitor.bench.toml").read_text("utf-8")
    (folder / "empty.bench.toml").write_text(text.replace('"0.6 V"', '"0 V"'))
    said = call(
        "dry-run", "characterise-supercapacitor", "--bench", "empty.bench.toml",
        "--fault", "sense-open",
    )  # fmt: skip
    assert said.code == 3
    assert "C have flowed, and its voltage stands at" in reason(said.out)
    assert last_switched_off()


def test_sense_leads_that_drop_off_under_power(call: Call) -> None:
    said = call("dry-run", "characterise-supercapacitor", "--fault", "sense-open@500s")
    assert said.code == 3
    assert reason(said.out).startswith("Tripped: bank: lead off? its voltage jumped from 2.7 V")
    ((when, _),) = of_kind("trip")
    assert 500.0 < when < 501.1
    assert last_switched_off()


def test_open_sense_leads_of_a_diode_are_seen_by_the_push(call: Call) -> None:
    said = call("dry-run", "sweep-diode", "--fault", "sense-open")
    assert said.code == 4
    assert re.search(
        "and the force leads 65[0-9.]+ mV, with 3 mA through the part: a lead is off",
        reason(said.out),
    )
    assert of_kind("output") == []


def test_turned_sense_leads_are_seen_before_power(call: Call) -> None:
    said = call("dry-run", "characterise-supercapacitor", "--fault", "sense-reversed")
    assert said.code == 4
    assert re.fullmatch(
        "Failed: bank: the sense leads see -59[0-9.]+ mV and the force leads 60[0-9.]+ mV, with "
        "the output off: the sense leads are the wrong way round",
        reason(said.out),
    )
    assert of_kind("output") == []


def test_sense_leads_that_are_turned_under_power(call: Call) -> None:
    said = call("dry-run", "characterise-supercapacitor", "--fault", "sense-reversed@500s")
    assert said.code == 3
    assert reason(said.out).endswith("is below the rating of -0.05 V")
    ((when, _),) = of_kind("trip")
    assert 500.0 < when < 501.1
    assert last_switched_off()


def test_a_limit_that_is_sensed_the_wrong_way_round_trips_at_the_push(call: Call) -> None:
    """The push's own limit drives it: a current over the range, which no level keeps."""
    said = call("dry-run", "sweep-diode", "--fault", "sense-reversed")
    assert said.code == 3
    assert reason(said.out) == ("Tripped: blocking current: over range, which can hide the rating")
    assert last_switched_off()


def test_a_fault_of_sense_leads_that_nobody_uses_is_refused(call: Call) -> None:
    said = call("dry-run", "count-charge", "--fault", "sense-open")
    assert said == (
        2,
        "",
        "error: --fault sense-open: every channel senses at its own terminals in this recipe, so "
        "that nothing would come of it\n"
        "  Declare `remote sense` on the channel, or leave the fault out.\n",
    )


# Instruments


@pytest.mark.parametrize(
    ("recipe", "at_s"), [("load-and-watch", 60.0), ("hold-between-voltages", 3000.0)]
)
def test_an_instrument_that_restarts_ends_the_run(call: Call, recipe: str, at_s: float) -> None:
    """With its output on or off: the event has its own time, and nothing goes on again."""
    said = call("dry-run", recipe, "--fault", f"power-cycle@{at_s:g}s")
    assert said.code == 4
    assert reason(said.out) == "Failed: smu: the instrument restarted"
    assert of_kind("power cycle") == [(at_s, "the instrument restarted")]
    assert all(time < at_s for time, text in of_kind("output") if text == "smu on")
    assert "STILL ON THE TERMINALS" in said.out


def test_an_instrument_that_restarted_is_not_switched_on(call: Call, folder: Path) -> None:
    """At rest nobody reads it: it is asked before its output goes on."""
    write_bench(folder)
    recipe = write_recipe(folder)
    text = recipe.read_text()
    again = "    output smu off\n    wait 10 s\n    output smu on\n    say"
    recipe.write_text(text.replace("    say", again))
    said = call("dry-run", str(recipe), "--fault", "power-cycle@3s")
    assert said.code == 4
    assert reason(said.out) == "Failed: smu: the instrument restarted"
    assert [time for time, text in of_kind("output") if text == "smu on" and time > 3.0] == []


def test_an_output_that_no_longer_goes_off(call: Call) -> None:
    said = call("dry-run", "load-and-watch", "--fault", "output-stuck@60s")
    assert said.code == 4
    assert reason(said.out) == "Failed: smu: the instrument says that its output is still on"
    lines = said.out.splitlines()
    start = lines.index(LOUD[0])
    assert lines[start : start + 3] == [*LOUD]
    assert "Outputs are off" not in said.out
    assert "`finally` is skipped" in said.out
    assert of_kind("off failed")[-1][1] == "smu is told to carry no current"


def test_an_output_that_sticks_at_the_very_end_is_the_reason(call: Call) -> None:
    """No step fails: the last one leaves it on, and only the end switches off."""
    stuck = ("dry-run", "characterise-supercapacitor", "--fault", "output-stuck@5min")
    said = call(*stuck)
    assert said.code == 4
    assert reason(said.out) == "Failed: smu: the instrument says that its output is still on"
    assert LOUD[0] in said.out.splitlines()
    said = call(*stuck, "--quiet")
    assert said.out.startswith(
        "failed: smu: the instrument says that its output is still on; "
        "the state of the output is unknown: smu ("
    )
    assert said.out.count("\n") == 1


def test_an_output_that_sticks_is_found_before_its_first_use(call: Call) -> None:
    """The push switches it on, and can't switch it off again."""
    said = call("dry-run", "load-and-watch", "--fault", "output-stuck")
    assert said.code == 4
    assert LOUD[0] in said.out
    assert of_kind("output") == []


HOT_BENCH = """\
title          = "Ridge weather station, battery shed in August"
line_frequency = "50 Hz"

[channels.load]
specification = "demo-load"
part          = "store"

[parts.store]
model             = "cell"
chemistry         = "lead-acid"
capacity          = "60 Ah"
in_series         = 12
series_resistance = "4 mohm"
initial           = { charge = "95 %" }

[conditions]
temperature = "48 °C"
"""
HOT_RECIPE = """\
recipe "Draw on the shed's battery"

channel load: sink, measure, measure open, remote sense

part store is cell on load:
    chemistry lead acid
    capacity 60 Ah
    voltage 20 V to 29 V
    current within 12 A

steps:
    source load voltage 21 V, limit 10 A
    output load on
    every 1 s for 20 min:
        measure load into drawing
    output load off

results:
    Q = -charge(drawing) as Ah "Charge"
"""


def test_a_load_that_gets_too_warm_drops_its_output(call: Call, folder: Path) -> None:
    """250 W make 37.5 K, and 48 °C of air leave 37 K: all but e^-4.3 of it, by 90 s a lag."""
    (folder / "shed.bench.toml").write_text(HOT_BENCH)
    (folder / "shed.recipe").write_text(HOT_RECIPE)
    said = call("dry-run", "shed.recipe")
    assert said.code == 4
    assert reason(said.out) == (
        "Failed: load: the over-temperature protection of 85 °C dropped the output"
    )
    ((when, _),) = of_kind("dropped")
    assert 250.0 < when < 600.0
    assert "STILL ON THE TERMINALS" in said.out
    (folder / "shed.bench.toml").write_text(HOT_BENCH.replace("48 °C", "23 °C"))
    assert call("dry-run", "shed.recipe", "--quiet").code == 0


# What makes no sense


def test_what_makes_no_sense_is_told_before_anything_is_on_record(call: Call, folder: Path) -> None:
    write_bench(folder)
    said = call("dry-run", str(write_recipe(folder)), "--fault", "smu:led-off@1s")
    assert said.code == 2
    assert said.err == (
        "error: --fault smu:led-off@1s: there is no fault “led-off”\n  Did you mean “lead-off”?\n"
    )


def test_a_spread_has_none(call: Call, folder: Path) -> None:
    write_bench(folder)
    recipe = str(write_recipe(folder))
    said = call("dry-run", recipe, "--spread", "2", "--fault", "reversed")
    assert said.code == 2
    assert "leave out --fault, or --spread" in said.err


def test_the_help_names_every_kind(call: Call) -> None:
    from drivers.simulated.faults import KINDS, form

    said = call("dry-run", "--help")
    words = " ".join(said.out.split())
    for kind, (what, _) in KINDS.items():
        assert f"{form(kind)}, {what}" in words
