"""`dry-run`: every shipped recipe, what it says, and its exit codes."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from sequencer import shipped
from sequencer.record import Store, default_path
from tests.sequencer.cli.conftest import Call
from tests.sequencer.cli.recipes_of_tests import write_bench, write_recipe


def _with_bench(name: str) -> bool:
    return (shipped.folder() / f"{name}{shipped.BENCH_ENDING}").is_file()


@pytest.mark.parametrize("name", [name for name in shipped.names() if _with_bench(name)])
def test_every_shipped_recipe_finishes_with_every_expectation_met(call: Call, name: str) -> None:
    said = call("dry-run", name)
    assert (said.code, said.err) == (0, "")
    assert "\nFinished.\n" in said.out
    assert "This was a dry run on a simulated bench: " in said.out
    assert max(map(len, said.out.splitlines())) <= 80 + len(str(default_path()))


def test_the_whole_of_a_short_one(call: Call, folder: Path) -> None:
    write_bench(folder, "TCPIP::192.0.2.20::5025::SOCKET")
    write_recipe(folder)
    said = call("dry-run", "shunt.recipe", "--ideal")
    with Store.open() as store:
        (row,) = store.runs()
        margins = {guard.name: guard for guard in store.run(row.id).guards()}
    # 1 V over 100 ohm: 10 mA (Ohm), 4 V and 90 mA below the ratings.
    assert margins["shunt voltage"].margin == pytest.approx(4.0, abs=1e-9)
    assert margins["shunt current"].margin == pytest.approx(0.09, abs=1e-9)
    lines = said.out.splitlines()
    assert lines[:11] == [
        "Measured 10 mA.",
        "",
        "Finished.",
        "",
        "Results (uncertainty not stated)",
        "  I  10 mA  Current (mean of 6 readings)",
        "",
        "Expectations (compared plainly, uncertainty not stated)",
        "  met  I in 10 mA ± 1 %: I = 10 mA is in 9.9 mA to 10.1 mA",
        "",
        "Guards: the least that was left to each",
    ]
    assert lines[11].startswith("  shunt voltage  -5 V … 5 V        4 V left at ")
    assert lines[12].startswith("  shunt current  -100 mA … 100 mA  90 mA left at ")
    assert lines[13:] == [
        "",
        "Outputs are off. Left on the terminals: smu 0 V.",
        "",
        "This was a dry run on a simulated bench: smu stands for",
        "  TCPIP::192.0.2.20::5025::SOCKET (Demo source-measure instrument).",
        f"On record as {row.id} in {default_path()}",
        "`fusewire show last` shows it, `fusewire export last --to csv` writes it out.",
    ]
    assert (said.code, said.err) == (0, "")


def test_an_expectation_that_is_not_met_gives_1(call: Call, folder: Path) -> None:
    write_bench(folder)
    recipe = write_recipe(folder)
    recipe.write_text(recipe.read_text().replace("in 10 mA", "in 12 mA"))
    said = call("dry-run", "shunt.recipe")
    assert said.code == 1
    assert "\nFinished, but not every expectation is met.\n" in said.out
    assert "\n  not met  I in 12 mA ± 1 %: " in said.out


def test_a_guard_that_trips_gives_3(call: Call, folder: Path) -> None:
    write_bench(folder)
    recipe = write_recipe(folder)
    text = recipe.read_text().replace(
        "steps:", 'guard smu.current < 5 mA "the shunt runs warm"\n\nsteps:', 1
    )
    recipe.write_text(text)
    said = call("dry-run", "shunt.recipe")
    assert said.code == 3
    assert "\nTripped:\n  guard `smu.current < 5 mA` no longer holds: the shunt runs warm\n" in (
        said.out
    )
    assert "  smu.current < 5 mA  " in said.out
    assert "TRIPPED" in said.out


def test_a_recipe_that_fails_gives_4(call: Call, folder: Path) -> None:
    write_bench(folder)
    recipe = write_recipe(folder)
    recipe.write_text(recipe.read_text().replace("    say ", "    fail "))
    said = call("dry-run", "shunt.recipe", "--ideal")
    assert said.code == 4
    assert "Failed:\n  Measured 10 mA.\n" in said.out


def test_problems_are_drawn_and_nothing_goes_on_record(call: Call, folder: Path) -> None:
    write_bench(folder)
    recipe = write_recipe(folder)
    recipe.write_text(recipe.read_text().replace(", limit 50 mA", ""))
    said = call("dry-run", "shunt.recipe")
    assert (said.code, said.out) == (2, "")
    assert "[source-without-limit]" in said.err
    assert not default_path().exists()


def test_a_recipe_without_a_bench_beside_it_asks_for_one(call: Call, folder: Path) -> None:
    write_recipe(folder)
    assert call("dry-run", "shunt.recipe") == (
        2,
        "",
        "error: no bench file shunt.bench.toml beside shunt.recipe, and none stands there: name "
        "one with --bench\n",
    )


def test_data_on_standard_output_and_talk_on_standard_error(call: Call, folder: Path) -> None:
    write_bench(folder)
    write_recipe(folder)
    said = call("dry-run", "shunt.recipe", "--json", "--ideal", "--record", "here.sqlite")
    data = json.loads(said.out)
    assert (data["outcome"], data["exit_code"], said.code) == ("finished", 0, 0)
    assert data["results"][0]["value"] == pytest.approx(0.01, rel=1e-9)
    assert data["settings"] == {"level": "1 V"}
    assert data["left"] == {"smu": 0.0}
    assert data["unknown"] == []
    assert data["store"] == "here.sqlite"
    assert said.err == "Measured 10 mA.\n"
    assert Path("here.sqlite").exists()
    assert not default_path().exists()


def test_quiet_says_one_line(call: Call, folder: Path) -> None:
    write_bench(folder)
    write_recipe(folder)
    said = call("dry-run", "shunt.recipe", "--quiet")
    with Store.open() as store:
        (row,) = store.runs()
    assert said == (0, f"finished ({row.id})\n", "")


STOP = """\
    measure smu
    if smu.voltage > 0.5 V:
        stop
"""


def test_quiet_says_that_an_expectation_is_not_met_or_not_judged(call: Call, folder: Path) -> None:
    write_bench(folder)
    recipe = write_recipe(folder)
    text = recipe.read_text()
    recipe.write_text(text.replace("in 10 mA", "in 12 mA"))
    said = call("dry-run", "shunt.recipe", "--quiet")
    assert (said.code, said.err) == (1, "")
    assert re.fullmatch(
        r"finished, but not every expectation is met \(\d{4}-\d\d-\d\d-001\)\n", said.out
    )
    recipe.write_text(text.replace("    every 20 ms", f"{STOP}    every 20 ms"))
    said = call("dry-run", "shunt.recipe", "--quiet")
    assert (said.code, said.err) == (0, "")
    assert said.out.startswith(
        "finished; nothing was judged, since its expectation does not apply ("
    )
    assert "  dry  finished, not applicable  " in call("runs").out
    shown = call("show", "last").out
    assert "\nFinished; nothing was judged, since its expectation does not apply.\n" in shown
    assert "\n  not applicable  I in 10 mA ± 1 %: `I` is not measured\n" in shown


def test_quiet_says_why_a_run_failed(call: Call, folder: Path) -> None:
    write_bench(folder)
    recipe = write_recipe(folder)
    recipe.write_text(recipe.read_text().replace("{smu.current}.", "no. Look."))
    recipe.write_text(recipe.read_text().replace("    say ", "    fail "))
    said = call("dry-run", "shunt.recipe", "--quiet")
    assert said.code == 4
    assert said.out.startswith("failed: Measured no (")
    assert said.out.count("\n") == 1


def test_the_same_seed_gives_the_same_run_and_another_one_another(call: Call, folder: Path) -> None:
    write_bench(folder)
    write_recipe(folder)
    values = [
        json.loads(call("dry-run", "shunt.recipe", "--json", "--seed", seed).out)["results"][0]
        for seed in ("7", "7", "8")
    ]
    assert values[0] == values[1]
    assert values[0]["value"] != values[2]["value"]


def test_a_setting_from_the_command_line_is_in_force_and_on_record(
    call: Call, folder: Path
) -> None:
    write_bench(folder)
    write_recipe(folder)
    data = json.loads(call("dry-run", "shunt.recipe", "--json", "--ideal", "--set", "level=2V").out)
    assert data["settings"] == {"level": "2 V"}
    # 2 V over 100 ohm (Ohm)
    assert data["results"][0]["value"] == pytest.approx(0.02, rel=1e-9)


def test_a_run_that_was_cut_off_before_is_told_once(call: Call, folder: Path) -> None:
    write_bench(folder)
    write_recipe(folder)
    call("dry-run", "shunt.recipe", "--quiet")
    with Store.open() as store:
        (row,) = store.runs()
        # As a killed process leaves it: no outcome, not settled, nobody holds its lock.
        store._connection.execute("UPDATE run SET outcome = NULL, ended = NULL, settled = 0")
    said = call("dry-run", "shunt.recipe", "--quiet")
    words = " ".join(said.out.split())
    assert f"{row.id} (Ridge weather station, a shunt) was cut off" in words
    assert f"Its {row.readings} readings are kept: `fusewire show {row.id}`." in words
    assert "was cut off" not in call("dry-run", "shunt.recipe", "--quiet").out


def _asking(folder: Path) -> None:
    write_bench(folder)
    recipe = write_recipe(folder)
    asked = '    ask "How warm is it?", into room in 15 °C to 30 °C\n    say "It is {room}."\n'
    recipe.write_text(recipe.read_text("utf-8").replace("    say ", f"{asked}    say ", 1), "utf-8")


def test_a_question_is_answered_with_the_middle_or_as_the_command_line_says(
    call: Call, folder: Path
) -> None:
    _asking(folder)
    # (15 °C + 30 °C) / 2
    assert "\nIt is 22.5 °C.\n" in "\n" + call("dry-run", "shunt.recipe").out
    said = call("dry-run", "shunt.recipe", "--answer", "room=18 °C")
    assert "It is 18 °C.\n" in said.out
    shown = call("show", "last").out
    assert "condition  room = 18 °C" in shown


def test_an_answer_that_does_not_fit_is_refused(call: Call, folder: Path) -> None:
    _asking(folder)
    said = call("dry-run", "shunt.recipe", "--answer", "rom=18 °C")
    assert said.code == 2
    assert "[unknown-answer]" in said.err
    assert "write room" in said.err
    said = call("dry-run", "shunt.recipe", "--answer", "room=40 °C")
    assert "the answer given for `room` doesn't fit" in said.out
    assert call("dry-run", "shunt.recipe", "--answer", "room").err == (
        "error: --answer room: this is no answer\n"
        "  write it as in --answer rate=2A, or --answer 'rate = 2 A'\n"
    )
