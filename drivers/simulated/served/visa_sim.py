"""A simulated instrument behind pyvisa-sim, so that the VISA library of that name reaches it.

pyvisa-sim's own devices know exact dialogues only: no short forms, no time, no physics. A device
class of ours answers in their place. It rests on names that pyvisa-sim doesn't promise to keep
(`Device._match`, `Devices._internal`; true of 0.7.1, which the project pins), and a test watches
them. The module knows no instrument.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import pyvisa
from pyvisa import rname
from pyvisa_sim.component import NoResponse
from pyvisa_sim.devices import Device

LIBRARY = "@sim"


class FrontDevice(Device):  # type: ignore[misc]
    """A device that hands whole messages on; `answer` gives None where nothing comes back."""

    def __init__(self, name: str, answer: Callable[[str], str | None]) -> None:
        # Without a delimiter of its own the library leaves compound messages in one piece.
        super().__init__(name, b"")
        for kind in ("TCPIP SOCKET", "TCPIP INSTR", "USB INSTR", "GPIB INSTR", "ASRL INSTR"):
            self.add_eom(kind, "\n", "\n")
        self._answer = answer

    def _match(self, query: bytes) -> Any:
        text = self._answer(query.decode("latin-1"))
        return NoResponse if text is None else text.encode("latin-1", "replace")


@contextmanager
def registered(
    instruments: Mapping[str, Callable[[str], str | None]],
) -> Iterator[None]:
    """Reach instruments under VISA resource names of `@sim` while the context lasts.

    The resource manager of a library is one for the whole process; it is left open.
    """
    library: Any = pyvisa.ResourceManager(LIBRARY).visalib
    names = {resource: rname.to_canonical_name(resource) for resource in instruments}
    for resource, answer in instruments.items():
        library.devices.add_device(names[resource], FrontDevice(resource, answer))
    try:
        yield
    finally:
        for name in names.values():
            library.devices._internal.pop(name, None)
