"""The switch unit's instrument: closes and opens numbered contacts."""

from __future__ import annotations

from daq.sim.devices.scpi import CHANNELS, ErrorCode, Instrument, Reply
from daq.sim.world.world import World

_MOVE_S = 0.015


class SwitchInstrument(Instrument):
    """What the switch unit understands on the wire."""

    identity = "Coilsoak,Simulated switch unit,S-0003,1.0"

    def __init__(self, world: World) -> None:
        super().__init__()
        self._world = world
        self._harness = world.harness
        self.command("ROUTe:CLOSe", lambda channels: self._move(channels, close=True), CHANNELS)
        self.query("ROUTe:CLOSe", self._ask_closed, CHANNELS)
        self.command("ROUTe:OPEN", lambda channels: self._move(channels, close=False), CHANNELS)
        self.command("ROUTe:OPEN:ALL", self._open_all)

    def reset(self) -> None:
        """Open every contact."""
        self._open_all()

    def _move(self, channels: tuple[int, ...], *, close: bool) -> Reply:
        if not self._harness.contacts.keys() >= set(channels):
            return ErrorCode.DATA_OUT_OF_RANGE
        with self._world.lock:
            self._world.catch_up()
            self._world.move_contacts(channels, close=close)
        self._world.clock.sleep(_MOVE_S)
        return None

    def _open_all(self) -> Reply:
        return self._move(tuple(self._harness.closed), close=False)

    def _ask_closed(self, channels: tuple[int, ...]) -> Reply:
        if not self._harness.contacts.keys() >= set(channels):
            return ErrorCode.DATA_OUT_OF_RANGE
        with self._world.lock:
            return ",".join("1" if self._harness.is_closed(channel) else "0" for channel in channels)
