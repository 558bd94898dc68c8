"""Where instruments may be: serial ports, USB and GPIB of this machine, and its networks only when asked.

Nothing here talks to an instrument. Serial ports are listed by pyserial, USB and GPIB by pyvisa-py. A network
is asked in the two ways that instruments answer: by multicast DNS, which does not leave the link, and by the
VXI-11 broadcast, which pyvisa-py sends to the networks of this machine's own interfaces.
"""

from __future__ import annotations

import threading
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from serial.tools import list_ports

from daq.clock import RealClock
from daq.errors import InputError

#: Services by which instruments announce themselves, as the IANA registry and the LXI device specification
#: have them (both from memory), and how a resource of each is written.
_SERVICES: Final = {
    "_scpi-raw._tcp.local.": "TCPIP::{host}::{port}::SOCKET",
    "_hislip._tcp.local.": "TCPIP::{host}::hislip0,{port}::INSTR",
    "_vxi-11._tcp.local.": "TCPIP::{host}::INSTR",
    "_lxi._tcp.local.": "{host}",
}
#: pyvisa-py waits so long for answers to its broadcast.
BROADCAST_S = 1.0
_ASKED_MS = 500


@dataclass(frozen=True)
class Place:
    """An address at which an instrument may be, and what this machine or the network says of it."""

    address: str
    what: str


def serial_ports() -> list[Place]:
    """Return this machine's serial ports with their adapters' names.

    Those of Bluetooth are left out: opening one waits for a telephone.
    """
    return [
        Place(port.device, _described(port))
        for port in sorted(list_ports.comports())
        if "bluetooth" not in f"{port.device} {port.description}".casefold()
    ]


def _described(port: Any) -> str:
    said = port.product or port.description or ""
    name = "" if said in {"n/a", port.device} else said
    return f"serial port, {name}" if name else "serial port"


def bus_places() -> list[Place]:
    """Return what USB test class and GPIB list here; nothing where their libraries are not installed."""
    # Importing pyvisa-py's ways in runs programs to find their libraries.
    from pyvisa import constants
    from pyvisa_py import highlevel  # noqa: F401 - fills the register
    from pyvisa_py.sessions import Session

    found = []
    wanted = {constants.InterfaceType.usb: "USB", constants.InterfaceType.gpib: "GPIB"}
    for (interface, kind), session in Session.iter_valid_session_classes():
        if interface not in wanted or kind != "INSTR":
            continue
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                found += [Place(each, wanted[interface]) for each in session.list_resources()]
        except Exception as exc:  # noqa: BLE001 - a bus library without its driver raises anything
            found.append(Place("", f"{wanted[interface]} cannot be listed ({' '.join(str(exc).split())})"))
    return found


def network_places(seconds: float) -> Iterator[Place]:
    """Ask the networks of this machine within *seconds* and the time of one broadcast.

    Raises:
        InputError: What asks a network is not installed.
    """
    from pyvisa_py.tcpip import TCPIPInstrVxi11

    yield from _announced(seconds)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        answering = TCPIPInstrVxi11.list_resources()
    for each in sorted(set(answering)):
        yield Place(each, "answers the VXI-11 broadcast")


def _announced(seconds: float) -> list[Place]:
    try:
        import psutil  # noqa: F401 - by it pyvisa-py knows the networks; without it would guess
        import zeroconf
    except ImportError as exc:
        raise InputError(
            f"{exc.name} is missing, which looking on the network needs; install it: "
            "pip install 'coilsoak[lan]'"
        ) from exc
    found: dict[str, Place] = {}
    guard = threading.Lock()

    class Heard(zeroconf.ServiceListener):
        """Notes whatever announces itself."""

        def add_service(self, zc: zeroconf.Zeroconf, type_: str, name: str) -> None:
            info = zc.get_service_info(type_, name, timeout=_ASKED_MS)
            hosts = [] if info is None else info.parsed_addresses(zeroconf.IPVersion.V4Only)
            for host in hosts[:1]:
                address = _SERVICES[type_].format(host=host, port=info.port if info else 0)
                with guard:
                    found[address] = Place(address, f"announces itself as {name.removesuffix('.' + type_)!r}")

        def update_service(self, zc: zeroconf.Zeroconf, type_: str, name: str) -> None:
            self.add_service(zc, type_, name)

        def remove_service(self, zc: zeroconf.Zeroconf, type_: str, name: str) -> None:
            """Keep it: who was there a moment ago is worth asking."""

    with zeroconf.Zeroconf(ip_version=zeroconf.IPVersion.V4Only) as zc:
        browser = zeroconf.ServiceBrowser(zc, list(_SERVICES), Heard())
        RealClock().sleep(seconds)
        browser.cancel()
    with guard:
        return _one_a_host(list(found.values()))


def _one_a_host(places: list[Place]) -> list[Place]:
    """Keep of each host the best way in: a plain socket, then the others in the order of the services."""
    order = [shape.partition("::{host}::")[2] for shape in _SERVICES.values()]

    def rank(place: Place) -> int:
        tail = "{port}::SOCKET" if place.address.endswith("SOCKET") else place.address.partition("::")[2]
        return next((at for at, shape in enumerate(order) if shape and shape.split("{")[0] in tail), 9)

    best: dict[str, Place] = {}
    for place in sorted(places, key=rank):
        host = place.address.split("::")[1] if "::" in place.address else place.address
        best.setdefault(host, place)
    return list(best.values())
