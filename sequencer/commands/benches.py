"""`bench` and `serve`: who answers on a bench, and a simulated bench for others to talk to."""

from __future__ import annotations

from argparse import Namespace
from typing import TYPE_CHECKING, Any

from sequencer.commands.shared import Exit, put_data, talk

if TYPE_CHECKING:
    from drivers.bench import BenchFile
    from sequencer.report.terminal import Terminal

DEAD = "dead"


def bench(arguments: Namespace) -> int:
    """Check a bench file, open each resource and say who answers; nothing is switched."""
    from sequencer import api

    terminal = talk(arguments)
    file = api.load_bench(arguments.bench)
    found = [_asked(file, name) for name in file.channels]
    if arguments.json:
        put_data({"bench": str(file.path), "title": file.title, "channels": found})
    else:
        terminal.say(terminal.heading(file.title or str(file.path)))
        for channel in found:
            _show(terminal, channel)
    return Exit.FAILED if any(channel["state"] == DEAD for channel in found) else Exit.MET


def _asked(file: BenchFile, name: str) -> dict[str, Any]:
    """What there is to say of one channel.

    It is asked what it is set to and nothing is set. No reading is taken: some instruments switch
    their output on for one.
    """
    from drivers.bench import open_bench
    from drivers.faults import BenchError

    entry, specification = file.channels[name], file.specifications[name]
    sensor = file.sensors.get(name)
    missing = [key for key in ("resource", "dialect") if getattr(entry, key) is None]
    said: dict[str, Any] = {
        "channel": name,
        "specification": specification.title,
        "can": list(specification.capabilities),
        "part": entry.part,
        "sensor": f"{sensor.gives}: {sensor.method}" if sensor is not None else "",
        "resource": entry.resource,
        "missing": missing,
        "state": "not to be asked",
        "answers": "",
        "output": None,
        "trouble": "",
        "advice": "",
    }
    if missing:
        return said
    try:
        opened = open_bench(file, [name])
        try:
            channel = opened.channels[name]
            said["answers"] = " ".join(field for field in channel.identify() if field)
            said["output"] = "on" if channel.read_back().output else "off"
            said["state"] = "answers"
        finally:
            opened.close()
    except BenchError as error:
        said |= {"state": DEAD, "trouble": error.message, "advice": error.advice}
        said["fault"] = error.fault
    return said


def _show(terminal: Terminal, said: dict[str, Any]) -> None:
    rows = [["specification", said["specification"]], ["can", ", ".join(said["can"])]]
    if said["part"]:
        rows.append(["wired to", said["part"]])
    if said["sensor"]:
        rows.append(["reads", said["sensor"]])
    if said["resource"]:
        rows.append(["resource", said["resource"]])
    if said["missing"]:
        lacks = " and no ".join(said["missing"])
        rows.append(["missing", f"no {lacks}: fit for a dry run, not for a run"])
    if said["answers"]:
        rows.append(["answers", said["answers"]])
    if said["output"]:
        rows.append(["output", f"{said['output']} (nothing was switched)"])
    if said["trouble"]:
        rows.append([terminal.paint("trouble", "red"), said["trouble"]])
    if said["advice"]:
        rows.append(["what to do", said["advice"]])
    terminal.say()
    terminal.say(terminal.heading(said["channel"]))
    terminal.say(terminal.table(rows))


def serve(arguments: Namespace) -> int:
    """Serve the simulated instruments of a bench until Ctrl-C."""
    from sequencer import api

    terminal = talk(arguments)
    # Problems of the file are drawn as everywhere else, before anything is served.
    file = api.load_bench(arguments.bench)
    from drivers.simulated.served.misbehaviour import Misbehaviour
    from drivers.simulated.served.serve import serve as serve_bench

    way = Misbehaviour.parse(arguments.misbehave) if arguments.misbehave else None
    terminal.say(f"Serving {file.title or file.path}, simulated. Ctrl-C ends it.")
    serve_bench(
        file.path,
        speed=arguments.speed,
        seed=arguments.seed,
        ideal=arguments.ideal,
        serial=arguments.serial,
        misbehaviour=way,
        announce=terminal.say,
    )
    return Exit.MET
