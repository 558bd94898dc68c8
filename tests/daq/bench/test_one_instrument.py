"""One instrument in several roles: a meter with a scanner is meter and switch unit on one link."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from rich.console import Console

from daq.clock import ScaledClock
from daq.config.builtin import builtin
from daq.errors import StartError
from daq.links.base import Peer
from daq.links.visa import port_of
from daq.run.check import check_bench
from daq.run.practice import rig_text
from daq.sim.bench import SimBench, build
from daq.sim.server import serve
from tests.daq.kits.soak import run


class Scanner:
    """A meter with a scanner inside: one error queue, one name, and contacts of its own."""

    def __init__(self, meter: Peer, switch: Peer) -> None:
        self._meter, self._switch = meter, switch
        self._last = meter
        self.heard: list[str] = []

    def feed(self, data: bytes) -> bytes:
        line = data.decode().strip()
        self.heard.append(line)
        if line == "SYST:ERR?":
            return self._last.feed(data)
        if line == "*IDN?":
            return self._meter.feed(data)
        self._last = self._switch if line.startswith("ROUT:") else self._meter
        return self._last.feed(data)


@contextmanager
def scanner(folder: Path, *, localhost: bool = False, **changed: str) -> Iterator[tuple[SimBench, Path]]:
    """Serve a bench whose meter and switch unit are one instrument on one port; give it and its rig file."""
    bench = build(builtin("fault_scripts", "groomer_healthy"), clock=ScaledClock(50.0))
    peers = {**bench.peers, "both": Scanner(bench.peers["meter"], bench.peers["switch"])}
    with serve(peers, tcp=["supply", "oven", "both"]) as resources:
        both = resources["both"]
        text = rig_text({**resources, "meter": both, "switch": both}, 50.0)
        text = re.sub(r'identity = "Simulated (switch unit|6.5-digit meter)"\n', "", text)
        if localhost:
            at = text.rindex(both)
            text = text[:at] + text[at:].replace("127.0.0.1", "localhost", 1)
        for old, new in changed.items():
            text = text.replace(f"[{old}]\n", f"[{old}]\n{new}\n", 1)
        rig = folder / "rig.toml"
        rig.write_text(text, encoding="utf-8")
        yield bench, rig


@pytest.mark.parametrize("localhost", [False, True])
def test_a_meter_with_a_scanner_is_meter_and_switch_unit(tmp_path: Path, localhost: bool) -> None:
    """Both roles share one connection, however the address is spelled; all of check is as with two."""
    with scanner(tmp_path, localhost=localhost) as (_, rig):
        found = {each.what: each for each in check_bench(rig, None, None, Console(file=io.StringIO()))}
    assert found["meter"].good
    assert found["switch"].good
    assert found["ways to the coils"].found == "8 coils read"
    assert [what for what, each in found.items() if each.good is False] == []


@pytest.mark.slow
def test_a_sweep_through_a_scanner_reads_every_coil(tmp_path: Path) -> None:
    """Contacts and readings go over one wire in turn, and the verdicts are those of the coils."""
    with scanner(tmp_path) as (bench, rig):
        ran = run(tmp_path / "runs", rig=rig, kind="sweep")
    assert ran.outcome.state == "complete"
    assert {coil.verdict for coil in ran.outcome.result.coils} == {"pass"}
    assert bench.contacts_moved_under_current == 0


def test_two_roles_of_one_instrument_talk_alike(tmp_path: Path) -> None:
    """Another line end or another time-out on the same wire cannot be; the line says with whom it clashes."""
    with (
        scanner(tmp_path, switch="timeout_s = 7.0") as (_, rig),
        pytest.raises(StartError, match=r"key 'switch\.resource': is the instrument of meter too"),
    ):
        run(tmp_path / "runs", rig=rig, kind="sweep")


def test_one_port_has_one_name() -> None:
    """Neither capitals, a host's name nor a nought make another port of it."""
    spellings = ("TCPIP::127.0.0.1::5025::SOCKET", "TCPIP0::LOCALHOST::05025::SOCKET")
    assert len({port_of(each) for each in spellings}) == 1
    assert port_of("TCPIP::127.0.0.1::5026::SOCKET") != port_of(spellings[0])
