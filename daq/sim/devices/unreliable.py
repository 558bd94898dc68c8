"""Instruments that babble, hang or lie: faults of the instruments themselves, between them and the wire."""

from __future__ import annotations

import numpy as np

from daq.links.base import Peer
from daq.sim.faults import Meter
from daq.sim.world.world import World

_READINGS = b"READ?"
_FOREVER_S = 1e9


class UnreliableMeter:
    """A meter of whose readings some are garbage or wrong by a digit; it may hang while a coil is driven."""

    def __init__(self, peer: Peer, world: World, meter: Meter, rng: np.random.Generator) -> None:
        self._peer = peer
        self._world = world
        self._meter = meter
        self._rng = rng
        self._driven = 0
        self._hung_until_s = -_FOREVER_S

    def feed(self, data: bytes) -> bytes:
        """Take a command; return what comes back, if anything does."""
        clock = self._world.clock
        if data.strip().upper() == _READINGS and self._hangs():
            self._hung_until_s = clock.monotonic() + self._meter.hang_s
        if clock.monotonic() < self._hung_until_s:
            return b""
        reply = self._peer.feed(data)
        if data.strip().upper() != _READINGS:
            return reply
        if self._happens(self._meter.garbage_once_in):
            return self._rng.bytes(int(self._rng.integers(3, 12))).replace(b"\n", b"?") + b"\n"
        return self._wrong_digit(reply) if self._happens(self._meter.wrong_digit_once_in) else reply

    def _hangs(self) -> bool:
        """Whether this reading, of a coil that carries current, is the one at which it hangs."""
        if self._meter.hangs_at_driven is None:
            return False
        with self._world.lock:
            self._world.catch_up()
            live = self._world.drive().current_A > 0.0
        self._driven += live
        return live and self._driven == self._meter.hangs_at_driven

    def _happens(self, once_in: int | None) -> bool:
        return once_in is not None and bool(self._rng.integers(once_in) == 0)

    def _wrong_digit(self, reply: bytes) -> bytes:
        """Put another digit in the place of one before the exponent."""
        text = bytearray(reply)
        places = [at for at, byte in enumerate(reply.upper().partition(b"E")[0]) if chr(byte).isdigit()]
        if places:
            at = int(self._rng.choice(places))
            text[at] = ord("0") + (text[at] - ord("0") + int(self._rng.integers(1, 10))) % 10
        return bytes(text)


class LyingSupply:
    """A supply whose output stage fails closed at one switching-off, while it says all is as told."""

    def __init__(self, peer: Peer, world: World, lies_at_off: int) -> None:
        self._peer = peer
        self._world = world
        self._left = lies_at_off
        self._lies = False

    def feed(self, data: bytes) -> bytes:
        """Take a command; return what comes back."""
        text = data.strip().upper()
        if text.startswith(b"VOLT ") and float(text[5:]) == 0.0 and self._world.stage.on:
            self._left -= 1
            self._lies = self._lies or self._left == 0
        if not self._lies:
            return self._peer.feed(data)
        if text.startswith((b"OUTP ", b"VOLT ", b"CURR ")):
            return b""
        if text in {b"OUTP?", b"VOLT?", b"MEAS:VOLT?", b"MEAS:CURR?", b"STAT:OPER:COND?"}:
            return b"0\n"
        return self._peer.feed(data)
