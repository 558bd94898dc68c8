"""A layer between the program and the simulated instruments that breaks things on purpose.

It stands in the place of the instruments' peers, so it works inside the process in virtual time and behind
the TCP server alike. Faults of the wire change, keep or lose bytes; those of the bench change the world.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from daq.errors import LinkClosedError
from daq.links.base import Peer
from daq.sim.bench import SimBench
from daq.sim.world.wiring import Contact

#: What can go wrong on the wire to one instrument.
WIRE = (
    "drop command",
    "drop reply",
    "delay",
    "late reply",
    "cut",
    "corrupt command",
    "corrupt reply",
    "duplicate command",
    "duplicate reply",
    "reorder",
    "hang",
    "partial reply",
    "garbage",
    "echo",
    "overlong",
    "wrong identity",
)
#: What can go wrong on the bench itself.
BENCH = (
    "stuck output",
    "lying output",
    "trip",
    "probe open",
    "probe shorted",
    "probe loose",
    "coil open",
    "coil shorted",
    "power relay welded",
    "sense relay welded",
    "relay dead",
    "oven runs away",
    "oven stuck on",
)
#: What looks right and is not, and what does not come back: drawn beside the others, so that older seeds
#: stand. *refuse* closes the connection and takes no other; a *liar* says that it is off, and drives.
LYING = (
    "refuse",
    "wrong digit",
    "consistent liar",
    "oven welded",
    "oven deaf",
    "oven sensor stuck",
)
FOREVER_S = 1e9
_OTHER = b"Invented,Another instrument,0,0\n"


@dataclass(frozen=True)
class Fault:
    """One thing that goes wrong.

    Attributes:
        kind: Of :data:`WIRE`, :data:`BENCH` or :data:`LYING`.
        where: The instrument whose exchanges are counted, and on whose wire a fault of the wire is.
        at: From this exchange on, counted from 0.
        times: So many exchanges are hit (faults of the wire).
        lasting_s: For so long (cut, hang, delay).
    """

    kind: str
    where: str
    at: int
    times: int = 1
    lasting_s: float = 1.0


@dataclass
class Layer:
    """The faults of one run, between *bench* and whoever talks to it."""

    bench: SimBench
    faults: tuple[Fault, ...]
    seed: int = 0
    exchanges: dict[str, int] = field(default_factory=dict)
    #: Faults that have come to pass, in order.
    happened: list[Fault] = field(default_factory=list)
    #: Called after each exchange with the instrument's name and what it was sent: for what must always hold.
    watch: Callable[[str, bytes], None] | None = None

    def __post_init__(self) -> None:
        self.rng = random.Random(self.seed)
        self.peers: dict[str, Peer] = {
            name: FaultyPeer(self, name, peer) for name, peer in self.bench.peers.items()
        }

    def reached(self, name: str) -> list[Fault]:
        """Count an exchange of *name*, let faults of the bench happen, return those of the wire it meets."""
        count = self.exchanges.get(name, 0)
        self.exchanges[name] = count + 1
        met = []
        for fault in self.faults:
            if fault.where != name:
                continue
            if fault.kind in _BREAK:
                if fault.at == count:
                    self.happened.append(fault)
                    break_bench(self.bench, fault.kind, self.rng)
            elif fault.at <= count < fault.at + fault.times:
                self.happened.append(fault)
                met.append(fault)
        return met


class FaultyPeer:
    """One instrument behind the faults of its wire."""

    def __init__(self, layer: Layer, name: str, peer: Peer) -> None:
        self._layer = layer
        self._name = name
        self._peer = peer
        self._kept = b""
        self._cut_until_s = self._hung_until_s = -1.0
        self._impostor = False

    def feed(self, data: bytes) -> bytes:
        """Take a command and return what comes back, with whatever happens to either."""
        reply = self._through(data)
        if self._layer.watch is not None:
            self._layer.watch(self._name, data)
        return reply

    def _through(self, data: bytes) -> bytes:
        layer, clock = self._layer, self._layer.bench.world.clock
        faults = layer.reached(self._name)
        for fault in faults:
            until_s = clock.monotonic() + fault.lasting_s
            if fault.kind == "refuse":
                self._cut_until_s = FOREVER_S
            elif fault.kind == "cut":
                self._cut_until_s = until_s
            elif fault.kind == "hang":
                self._hung_until_s = until_s
            elif fault.kind == "delay":
                clock.sleep(fault.lasting_s)
            elif fault.kind == "wrong identity":
                self._impostor = True
        if clock.monotonic() < self._cut_until_s:
            self._kept = b""
            raise LinkClosedError(f"{self._name}: the other end closed the connection (fault layer)")
        if clock.monotonic() < self._hung_until_s:
            return b""
        kinds = [fault.kind for fault in faults]
        reply = b"" if "drop command" in kinds else self._peer.feed(self._sent(data, kinds))
        if self._impostor and data.strip() == b"*IDN?":
            reply = _OTHER
        return self._received(data, reply, kinds)

    def _sent(self, data: bytes, kinds: list[str]) -> bytes:
        if "corrupt command" in kinds:
            data = self._corrupted(data)
        return data * 2 if "duplicate command" in kinds else data

    def _received(self, data: bytes, reply: bytes, kinds: list[str]) -> bytes:
        kept, self._kept = self._kept, b""
        for kind in kinds:
            if kind == "drop reply":
                reply = b""
            elif kind == "late reply":
                # It comes after the program has stopped waiting for it: before the next answer.
                self._kept, reply = reply, b""
            elif kind == "reorder" and reply:
                self._kept, reply = reply, b""
                return kept
            elif kind == "corrupt reply":
                reply = self._corrupted(reply)
            elif kind == "wrong digit":
                reply = self._misread(reply)
            elif kind == "duplicate reply":
                reply *= 2
            elif kind == "partial reply":
                reply = reply[: len(reply) // 2]
            elif kind == "garbage":
                reply = self._layer.rng.randbytes(self._layer.rng.randint(1, 12)) + reply
            elif kind == "echo":
                reply = data + reply
            elif kind == "overlong":
                reply = b"7" * 70_000 + b"\n"
        return kept + reply

    def _misread(self, reply: bytes) -> bytes:
        """Return *reply* with one digit that is another: nothing about it looks wrong."""
        digits = [at for at, byte in enumerate(reply) if 48 <= byte < 58]
        if not digits:
            return reply
        at = self._layer.rng.choice(digits)
        other = 48 + (reply[at] - 48 + self._layer.rng.randrange(1, 10)) % 10
        return reply[:at] + bytes([other]) + reply[at + 1 :]

    def _corrupted(self, data: bytes) -> bytes:
        """Return *data* with one bit turned over, line end excepted."""
        body = data.rstrip(b"\n")
        if not body:
            return data
        at = self._layer.rng.randrange(len(body))
        turned = body[at] ^ (1 << self._layer.rng.randrange(8))
        return body[:at] + bytes([turned]) + body[at + 1 :] + data[len(body) :]


def break_bench(bench: SimBench, kind: str, rng: random.Random) -> None:
    """Let a fault of the bench happen now."""
    world = bench.world
    with world.lock:
        world.catch_up()
        _BREAK[kind](bench, rng)


def _stuck_output(bench: SimBench, _rng: random.Random) -> None:
    """The output neither goes off nor changes its voltage, and says so."""
    _stick(bench)


def _lying_output(bench: SimBench, _rng: random.Random) -> None:
    """The output stays as it is and reads back as it was told; only the measured values are true."""
    _stick(bench)
    supply: Any = bench.peers["supply"]
    told: dict[str, str] = {}
    take = supply.feed

    def feed(data: bytes) -> bytes:
        text = data.decode("latin-1").strip()
        head, _, value = text.partition(" ")
        if value and head in {"OUTP", "VOLT"}:
            told[head] = {"ON": "1", "OFF": "0"}.get(value, value)
        answer: bytes = take(data)
        return (
            told[text[:-1]].encode() + b"\n" if text in {"OUTP?", "VOLT?"} and text[:-1] in told else answer
        )

    supply.feed = feed


def _consistent_liar(bench: SimBench, _rng: random.Random) -> None:
    """The output stays as it is; told to go off, all that it says of itself is off, at nothing."""
    _stick(bench)
    supply: Any = bench.peers["supply"]
    take, told = supply.feed, {"OUTP": "1" if bench.world.stage.on else "0"}

    def feed(data: bytes) -> bytes:
        text = data.decode("latin-1").strip()
        head, _, value = text.partition(" ")
        if value and head in {"OUTP", "VOLT"}:
            told[head] = {"ON": "1", "OFF": "0"}.get(value, value)
        answer: bytes = take(data)
        if text[:-1] in told and text.endswith("?"):
            return told[text[:-1]].encode() + b"\n"
        if told["OUTP"] == "0" and text.startswith("MEAS:"):
            return b"0.0000\n"
        return answer

    supply.feed = feed


def _stick(bench: SimBench) -> None:
    stage: Any = bench.world.stage
    if not stage.on:
        return

    class Stuck(type(stage)):  # type: ignore[misc]
        """An output stage whose switch and setting have no effect any more."""

        on = property(lambda _: True, lambda *_: None)
        set_V = property(lambda self: self.__dict__["set_V"], lambda *_: None)

    stage.__class__ = Stuck


def _trip(bench: SimBench, _rng: random.Random) -> None:
    stage = bench.world.stage
    if stage.on:
        stage.tripped_A, stage.on, stage.level_V = True, False, 0.0


def _probe(state: str) -> Callable[[SimBench, random.Random], None]:
    def happen(bench: SimBench, rng: random.Random) -> None:
        coil: Any = rng.choice(bench.world.coils)
        coil.probe = state

    return happen


def _coil_open(bench: SimBench, rng: random.Random) -> None:
    coil = rng.choice(bench.world.coils)
    coil.dropped = True
    coil.opens_s.append([bench.world.now_s, FOREVER_S])


def _coil_shorted(bench: SimBench, rng: random.Random) -> None:
    rng.choice(bench.world.coils).copper_ohm *= rng.choice([0.02, 0.3, 0.7])


def _relay(role: str, *, stays: bool | None) -> Callable[[SimBench, random.Random], None]:
    """Make a contact of *role* that stays closed (True), or whichever way it is (None)."""

    def happen(bench: SimBench, rng: random.Random) -> None:
        harness: Any = bench.world.harness
        fixed = [c for c in harness.contacts.values() if role in {"", c.role}]
        fixed = [c for c in fixed if stays is None or harness.is_closed(c.channel)]
        if not fixed:
            return
        chosen: Contact = rng.choice(fixed)
        moving = harness.moving

        def without(channels: Any, *, close: bool) -> list[Contact]:
            return [c for c in moving(channels, close=close) if c.channel != chosen.channel]

        harness.moving = without

    return happen


def _oven_away(bench: SimBench, _rng: random.Random) -> None:
    air: Any = bench.world.oven
    if air is not None:

        class Away(type(air)):  # type: ignore[misc]
            """An oven whose controller has lost its setpoint."""

            setpoint_degC = property(lambda _: 150.0, lambda *_: None)

        air.__class__ = Away


def _oven_stuck(bench: SimBench, _rng: random.Random) -> None:
    air: Any = bench.world.oven
    if air is not None and air.on:

        class Stuck(type(air)):  # type: ignore[misc]
            """An oven whose heat stays on."""

            on = property(lambda _: True, lambda *_: None)

        air.__class__ = Stuck


def _oven_fails(fault: str) -> Callable[[SimBench, random.Random], None]:
    def happen(bench: SimBench, _rng: random.Random) -> None:
        if bench.world.oven is not None:
            bench.world.oven.fail(fault)

    return happen


_BREAK: Mapping[str, Callable[[SimBench, random.Random], None]] = {
    "stuck output": _stuck_output,
    "lying output": _lying_output,
    "trip": _trip,
    "probe open": _probe("open"),
    "probe shorted": _probe("shorted"),
    "probe loose": _probe("loose"),
    "coil open": _coil_open,
    "coil shorted": _coil_shorted,
    "power relay welded": _relay("power", stays=True),
    "sense relay welded": _relay("sense", stays=True),
    "relay dead": _relay("", stays=None),
    "oven runs away": _oven_away,
    "oven stuck on": _oven_stuck,
    "consistent liar": _consistent_liar,
    "oven welded": _oven_fails("welded"),
    "oven deaf": _oven_fails("deaf"),
    "oven sensor stuck": _oven_fails("sensor stuck"),
}
