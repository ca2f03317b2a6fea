"""The watchdog of a run: what it is given, its beat, and what an earlier one did.

The plan holds addresses and the few lines that switch off, taken from the bench file and its
dialects. A run on a bench without resources (a simulated one) has nothing to watch.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from drivers.kinds import KINDS

if TYPE_CHECKING:
    from drivers.bench import BenchFile
    from drivers.watchdog import SwitchOff, Transport, Watchdog
    from sequencer.checker import Checked

REPORT_ENDING = ".watchdog.json"
_SOCKET = re.compile(r"TCPIP\d*::(?P<host>[^:]+)::(?P<port>\d+)::SOCKET\Z", re.IGNORECASE)
_SERIAL = re.compile(r"ASRL(?P<path>/[^:]+)(?:::INSTR)?\Z", re.IGNORECASE)


@contextmanager
def watched(file: BenchFile, checked: Checked, store: Path) -> Iterator[Watchdog]:
    """A watchdog for the outputs of a run, drilled before anything is on, dismissed at its end.

    Raises WatchdogError where it can't be started or misses the beat that is left out on purpose.
    """
    from drivers.watchdog import Watchdog

    outputs = [_switch_off(file, checked, name) for name in checked.channels]
    report = store.with_name(f"{store.name}.{Path(file.path).stem}{REPORT_ENDING}")
    dog = Watchdog.start(outputs, report, checked.recipe.title)
    try:
        dog.rehearse()
    except BaseException:
        dog.close()
        raise
    # Dismissed only by a run that has come to its end: after anything else, the end of this process
    # makes the watchdog switch off.
    yield dog
    dog.close()


def _switch_off(file: BenchFile, checked: Checked, name: str) -> SwitchOff:
    """How the output of one channel is switched off from outside, by the kind of its part."""
    from drivers.faults import BenchFileError
    from drivers.scpi.dialect_file import open_dialect

    entry = file.channels[name]
    if entry.resource is None or entry.dialect is None:
        raise BenchFileError(f"channels.{name}: a run needs a resource and a dialect")
    actions = open_dialect(entry.dialect, file.path.parent).actions
    part = checked.part_on(name)
    lines: list[str] = []
    if part is not None and KINDS[part.kind].trip == "current to zero":
        lines += actions["current_level"].units(level=0.0)
    lines += actions["output"].units(on=False)
    (query,) = actions["read_output"].units()
    return {
        "name": name,
        "transport": _transport(entry.resource, entry.library),
        "off": lines,
        "proof": {"query": query, "expect": "0"},
    }


def _transport(resource: str, library: str | None) -> Transport:
    socket, serial = _SOCKET.match(resource), _SERIAL.match(resource)
    if socket:
        return {"tcp": (socket["host"], int(socket["port"]))}
    if serial:
        return {"serial": serial["path"]}
    return {"visa": resource, "library": library or ""}


def take_reports(store: Path) -> list[str]:
    """What watchdogs of runs on this store did since the last start, in words; told once."""
    from drivers.watchdog import read_report, tell

    said: list[str] = []
    for path in sorted(store.parent.glob(f"{store.name}.*{REPORT_ENDING}")):
        report = read_report(path)
        if report is not None:
            said += tell(report)
        path.unlink(missing_ok=True)
    return said
