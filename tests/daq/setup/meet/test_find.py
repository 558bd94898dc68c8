"""A box of instruments is found and known, over sockets and a serial line of another speed, by questions."""

from __future__ import annotations

import socket
import time

import pytest
import zeroconf

from daq.links import discover
from daq.links.discover import BROADCAST_S, Place, network_places, serial_ports
from daq.setup.meet.find import Found, Progress, search
from daq.setup.meet.trial import known_dialects
from daq.setup.meet.wire import harmless
from tests.daq.kits.cli import say
from tests.daq.kits.strange_bench import METER_BAUD, StrangeBench, strange_bench


@pytest.fixture(scope="module")
def looked() -> tuple[StrangeBench, dict[str, Found], list[Progress]]:
    """Look once at everything in the box."""
    seen: list[Progress] = []
    with strange_bench() as bench:
        places = [Place(address, name) for name, address in bench.addresses.items()]
        found = search(places, known_dialects(), seen.append)
    return bench, {each.place.what: each for each in found}, seen


@pytest.mark.slow
def test_everybody_is_found_in_its_role(
    looked: tuple[StrangeBench, dict[str, Found], list[Progress]],
) -> None:
    """Supply, meter, switch unit, oven and thermometer are each known by role, identity and dialect."""
    _, found, _ = looked
    roles = {"supply": "supply", "meter": "meter", "switch": "switch", "oven": "oven", "thermometer": "probe"}
    for name, role in roles.items():
        assert found[name].fits[0].role == role, found[name]
        assert "Simulated" in found[name].who
    assert found["meter"].line == f"{METER_BAUD} baud"


@pytest.mark.slow
def test_ambiguity_and_ignorance_are_shown(
    looked: tuple[StrangeBench, dict[str, Found], list[Progress]],
) -> None:
    """Of two dialects both are named, of an unknown make what to do, of a dead one what to look at."""
    _, found, _ = looked
    assert {fit.dialect for fit in found["supply"].fits} == {"scpi-1999", "scpi-channel-select"}
    assert found["supply"].rivals
    assert "; or supply, dialect scpi-1999" in found["supply"].verdict()
    assert not any(fit["sure"] for fit in found["supply"].as_object()["fits"])  # type: ignore[attr-defined]
    assert found["unheard"].who == "Unheard Works,Model 7,0042,1.0"
    assert "coilsoak try 127.0.0.1:" in found["unheard"].verdict()
    assert found["dead"].met is None
    assert "check that it is on" in found["dead"].verdict()


@pytest.mark.slow
def test_nothing_was_set_and_no_error_left_behind(
    looked: tuple[StrangeBench, dict[str, Found], list[Progress]],
) -> None:
    """Whatever any instrument heard was a question, the output stayed off, no contact moved."""
    bench, _, _ = looked
    assert all(harmless(line) for line in bench.heard())
    assert not bench.simulated.output_on()
    assert bench.simulated.closed_channels() == frozenset()
    for name in ("supply", "oven", "switch"):
        assert bench.noted[name].feed(b"SYST:ERR?\n").lstrip(b"+").startswith(b"0")


@pytest.mark.slow
def test_progress_only_goes_on_and_ends(
    looked: tuple[StrangeBench, dict[str, Found], list[Progress]],
) -> None:
    """A person sees how far it is, and at the end that nothing is left."""
    _, _, seen = looked
    assert [each.done for each in seen] == sorted(each.done for each in seen)
    assert seen[-1].done == seen[-1].of
    assert seen[-1].left_s == 0.0
    assert seen[0].left_s > 0.0


def test_without_addresses_serial_ports_and_buses_are_listed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where there is nothing it says so, and how to look further; the network is left alone unless asked."""
    monkeypatch.setattr("daq.setup.meet.listing.serial_ports", list)
    monkeypatch.setattr("daq.setup.meet.listing.bus_places", list)
    monkeypatch.setattr("daq.setup.meet.listing.network_places", lambda _s: pytest.fail("asked the network"))
    said = say(capsys, "find")
    assert said.status == 0
    assert "coilsoak find --lan" in " ".join(said.out.split())


def test_a_port_that_cannot_be_opened_says_why(capsys: pytest.CaptureFixture[str]) -> None:
    """No such port, and nobody who listens: the reason stands in the table and in the JSON."""
    missing, refused = say(capsys, "find", "/dev/ttyUSB77", "127.0.0.1:9", "--json").json()["found"]
    assert "No such file" in missing["verdict"]
    assert "port 9 was tried" in refused["verdict"]
    assert not missing["answers"]
    assert not refused["answers"]


def test_serial_ports_have_their_adapters_names(monkeypatch: pytest.MonkeyPatch) -> None:
    """The adapter's name tells one cable from another; telephones are not asked."""

    class Port:
        def __init__(self, device: str, product: str | None, description: str) -> None:
            self.device, self.product, self.description = device, product, description

        def __lt__(self, other: Port) -> bool:
            return self.device < other.device

    ports = [
        Port("/dev/ttyUSB1", "FT232R USB UART", "FT232R USB UART"),
        Port("/dev/ttyS0", None, "ttyS0"),
        Port("/dev/cu.Bluetooth-Incoming-Port", None, "n/a"),
        Port("/dev/ttyACM0", None, "n/a"),
    ]
    monkeypatch.setattr(discover.list_ports, "comports", lambda: ports)
    assert serial_ports() == [
        Place("/dev/ttyACM0", "serial port"),
        Place("/dev/ttyS0", "serial port, ttyS0"),
        Place("/dev/ttyUSB1", "serial port, FT232R USB UART"),
    ]


@pytest.mark.slow
def test_who_announces_itself_on_the_network_is_heard() -> None:
    """A service of raw SCPI becomes an address with its port; the search ends when it said it would."""
    network = zeroconf.Zeroconf(ip_version=zeroconf.IPVersion.V4Only)
    service = zeroconf.ServiceInfo(
        "_scpi-raw._tcp.local.",
        "Bench meter._scpi-raw._tcp.local.",
        addresses=[socket.inet_aton("127.0.0.1")],
        port=5555,
        server="invented-meter.local.",
    )
    try:
        network.register_service(service)
        began_s = time.monotonic()
        heard = list(network_places(1.5))
        assert time.monotonic() - began_s < 1.5 + BROADCAST_S + 2.0
    finally:
        network.close()
    assert Place("TCPIP::127.0.0.1::5555::SOCKET", "announces itself as 'Bench meter'") in heard
