"""Sensors through the commands: one reading as it is set now, and a dry run with its record."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from drivers.bench import load_bench, open_simulated
from drivers.simulated.served.serve import Server
from tests.sequencer.cli.conftest import Call

BENCH = """\
line_frequency = "50 Hz"
[channels.hot]
specification = "demo-source-measure"
part = "ambient"
sensor = { kind = "thermocouple", type = "K", reference = "0 °C", uncertainty = "1.5 K" }
[channels.skin]
specification = "demo-source-measure"
part = "ambient"
sensor = { kind = "platinum", resistance = "100 ohm" }
[conditions]
temperature = "200 °C"
"""
RECIPE = """\
recipe "Ridge weather station: the shelter"
channel skin: measure temperature
steps:
    every 1 s for 5 s:
        measure skin into log
results:
    t = mean(log, temperature)
"""


@pytest.fixture
def linked(folder: Path) -> Path:
    path = folder / "shelter.bench.toml"
    path.write_text(BENCH, "utf-8")
    return path


def test_one_reading(call: Call, linked: Path) -> None:
    """4.096 mV by 100 K; of 200 °C it is 8.138 mV (NIST), which 100 uV make 2.5 K of."""
    file, problems = load_bench(linked)
    assert file is not None, list(problems)
    with Server(open_simulated(file), speed=1.0) as served:
        text = BENCH
        for name in ("hot", "skin"):
            link = (
                f'resource = "{served.resources[name]}"\nlibrary = "@py"\n'
                'dialect = "scpi-1999-source-measure"\n'
            )
            text = text.replace(f"[channels.{name}]\n", f"[channels.{name}]\n{link}")
        linked.write_text(text, "utf-8")
        said = call("measure", "hot", "--bench", str(linked), "--json")
        assert said.code == 0, said.err
        found = json.loads(said.out)
        assert found["sensor"] == "temperature"
        # Nothing was set: the reading is on the range that the instrument had.
        assert abs(found["value"] - 473.15) < found["value_error"]
        assert found["value_error"] > 1.5
        assert "temperature" in call("measure", "hot", "--bench", str(linked)).out
        # Nobody has switched on the current that a resistance is measured by.
        said = call("measure", "skin", "--bench", str(linked))
        assert "not to be read as the instrument is set now" in said.out
        assert (
            json.loads(call("measure", "skin", "--bench", str(linked), "--json").out)["value"]
            is None
        )


def test_a_dry_run_and_its_record(call: Call, folder: Path, linked: Path) -> None:
    (folder / "shelter.recipe").write_text(RECIPE, "utf-8")
    said = call("dry-run", "shelter.recipe", "--bench", str(linked), "--ideal")
    assert said.code == 0, said.err
    assert "200 °C" in said.out
    assert "STILL ON THE TERMINALS" not in said.out
    shown = call("show", "last")
    assert shown.code == 0
    assert "200 °C" in shown.out
    assert "STILL ON THE TERMINALS" not in shown.out
