"""`bench` and `serve`: questions to instruments that answer, and to those that don't."""

from __future__ import annotations

import json
import re
import signal
import socket
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.bench import load_bench, open_simulated
from drivers.simulated.served.misbehaviour import WAYS, Misbehaviour
from drivers.simulated.served.serve import Server
from tests.sequencer.cli.conftest import Call
from tests.sequencer.cli.recipes_of_tests import write_bench, write_recipe
from tests.sequencer.cli.served import Watched

SPECIFIED = """\
Ridge weather station, test bench

smu
  specification  Demo source-measure instrument
  can            source, sink, measure, remote sense, measure open, two-sided
                 limit, mode change under power, pulse, capture
  wired to       shunt
"""


@pytest.fixture
def server(folder: Path) -> Iterator[Server]:
    file, problems = load_bench(write_bench(folder))
    assert file is not None, list(problems)
    with Server(open_simulated(file)) as served:
        write_bench(folder, served.resources["smu"])
        yield served


def test_who_answers_is_told_and_nothing_is_switched(call: Call, server: Server) -> None:
    front = server.instruments["smu"].front
    front.handle("SOURce:VOLTage 1;:SOURce:CURRent:LIMit 0.01;:OUTPut ON")
    said = call("bench", "shunt.bench.toml")
    identity = front.handle("*IDN?")
    assert identity is not None
    assert said == (
        0,
        SPECIFIED
        + f"  resource       {server.resources['smu']}\n"
        + f"  answers        {' '.join(identity.split(','))}\n"
        + "  output         on (nothing was switched)\n",
        "",
    )
    assert front.handle("OUTPut?") == "1"


def test_a_dead_resource_gives_4_and_says_what_to_do(call: Call, folder: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    resource = f"TCPIP::127.0.0.1::{port}::SOCKET"
    write_bench(folder, resource)
    said = call("bench", "shunt.bench.toml")
    assert (said.code, said.err) == (4, "")
    assert said.out.startswith(f"{SPECIFIED}  resource       {resource}\n  trouble        smu ")
    words = " ".join(said.out.split())
    assert f"nobody answers at 127.0.0.1, port {port} (Connection refused)" in words
    assert words.endswith(
        "what to do See that the instrument is on and connected, that this is its address and "
        "port, and that no other program holds it."
    )
    for command in (("measure", "smu"), ("run", str(write_recipe(folder)), "--yes")):
        said = call(*command, "--bench", "shunt.bench.toml")
        assert said.code == 4
        assert f"nobody answers at 127.0.0.1, port {port} (Connection refused)\n" in said.err
    data = json.loads(call("bench", "shunt.bench.toml", "--json").out)
    assert [channel["state"] for channel in data["channels"]] == ["dead"]
    assert data["channels"][0]["fault"] == "link"


def test_another_instrument_than_the_file_names_gives_4(
    call: Call, server: Server, folder: Path
) -> None:
    bench = folder / "shunt.bench.toml"
    bench.write_text(bench.read_text().replace('"^RIDGE,"', '"^VALLEY,"'))
    said = call("bench", "shunt.bench.toml")
    assert said.code == 4
    assert "answers at" in said.out
    assert "^VALLEY," in said.out


def test_an_instrument_that_hangs_up_gives_4(call: Call, server: Server) -> None:
    server.misbehave(Misbehaviour("close", times=None))
    said = call("bench", "shunt.bench.toml")
    assert said.code == 4
    assert "trouble" in said.out


def test_without_a_resource_it_is_fit_for_a_dry_run(call: Call, folder: Path) -> None:
    write_bench(folder)
    assert call("bench", "shunt.bench.toml") == (
        0,
        SPECIFIED + "  missing        no resource: fit for a dry run, not for a run\n",
        "",
    )


def test_a_wrong_bench_file_is_drawn(call: Call, folder: Path) -> None:
    bench = write_bench(folder)
    bench.write_text(bench.read_text().replace("identity ", "identiti "))
    said = call("bench", "shunt.bench.toml")
    assert (said.code, said.out) == (2, "")
    assert said.err.startswith("shunt.bench.toml:8:1: error: ")
    assert said.err.endswith(
        "\n1 error: it can't be run like this.\n`fusewire explain bench-key` tells more.\n"
    )
    assert call("serve", "shunt.bench.toml") == said


def test_the_help_names_every_way_to_misbehave(call: Call) -> None:
    words = " ".join(call("serve", "--help").out.split())
    assert f"after N messages: {', '.join(WAYS[:-1])} or {WAYS[-1]}" in words


def test_an_unknown_way_to_misbehave_is_refused(call: Call, folder: Path) -> None:
    write_bench(folder)
    said = call("serve", "shunt.bench.toml", "--misbehave", "silense")
    assert (said.code, said.out) == (2, "")
    assert said.err.startswith("error: “silense” is no way to misbehave\n  ")
    assert "silence" in said.err


@pytest.mark.skipif(sys.platform == "win32", reason="signals to another process are POSIX")
def test_serve_serves_until_ctrl_c(call: Call, folder: Path) -> None:
    write_bench(folder)
    watched = Watched(folder, "serve", "shunt.bench.toml")
    try:
        last = watched.until("smu: ").splitlines()[-1]
        match = re.fullmatch(r"smu: (TCPIP::127\.0\.0\.1::\d+::SOCKET)", last)
        assert match is not None
        write_bench(folder, match[1])
        assert call("bench", "shunt.bench.toml").code == 0
        watched.process.send_signal(signal.SIGINT)
        assert watched.end() == (0, "")
    finally:
        watched.close()
