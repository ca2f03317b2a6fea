"""The private names of pyvisa-sim that a device of ours rests on, and what it gives.

A canary: where one of these fails after an update, `drivers/simulated/served/visa_sim.py` must be
looked at before anything else.
"""

from __future__ import annotations

from importlib.metadata import version
from typing import Any

import pyvisa
from pyvisa_sim.component import NoResponse
from pyvisa_sim.devices import Device, Devices

from drivers.simulated.served.front import Front
from drivers.simulated.served.visa_sim import LIBRARY, registered

RESOURCE = "TCPIP0::192.0.2.21::5025::SOCKET"


def test_the_private_names_are_there() -> None:
    assert version("pyvisa-sim").startswith("0.7.")
    device = Device("canary", b"")
    assert callable(device._match)
    assert device.delimiter == b""
    assert isinstance(Devices()._internal, dict)
    assert NoResponse is not None


def test_a_device_is_there_while_registered(front: Front) -> None:
    with registered({RESOURCE: front.handle}):
        manager: Any = pyvisa.ResourceManager(LIBRARY)
        resource = manager.open_resource(
            RESOURCE, read_termination="\n", write_termination="\n", timeout=2000
        )
        assert resource.query("volt 2.5;:volt?;*opc?") == "2.50000000000E+00;1"
        resource.close()
        assert RESOURCE in manager.list_resources("?*")
    assert RESOURCE not in manager.list_resources("?*")
