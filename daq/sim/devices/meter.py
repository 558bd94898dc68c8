"""The 6.5-digit meter: ohms in two and four wires and DC volts, with a real meter's faults."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from daq.sim.devices.scpi import BOOLEAN, STRING, ErrorCode, Instrument, Reply, number, spellings
from daq.sim.devices.thermometer import pt100_ohm
from daq.sim.faults import Meter
from daq.sim.world.wiring import Contact
from daq.sim.world.world import World

Function = Literal["FRES", "RES", "VOLT:DC"]

#: Ohms range -> test current in amperes.
_TEST_A = {10.0: 1e-2, 100.0: 1e-3, 1e3: 1e-3, 1e4: 1e-4, 1e5: 1e-5, 1e6: 5e-6, 1e8: 5e-8}
_VOLT_RANGES = (0.1, 1.0, 10.0, 100.0, 1000.0)
_RANGES: dict[Function, tuple[float, ...]] = {
    "FRES": tuple(_TEST_A),
    "RES": tuple(_TEST_A),
    "VOLT:DC": _VOLT_RANGES,
}
_NPLCS = (0.02, 0.06, 0.2, 1.0, 2.0, 10.0, 100.0)
_HEADERS: dict[Function, str] = {"FRES": "FRESistance", "RES": "RESistance", "VOLT:DC": "VOLTage[:DC]"}
_NAMES: dict[str, Function] = {
    spelling: function for function, header in _HEADERS.items() for spelling in spellings(header)
}
_OVERLOAD = 9.9e37
#: Share of the range that is still read, and where the input clips.
_FULL = 1.2
_CLIP = 1.25
#: Resistance of a live but zeroed supply's output.
_OUTPUT_OHM = 0.005
_SETTLE_S: dict[Function, float] = {"FRES": 0.012, "RES": 0.012, "VOLT:DC": 0.003}
#: A meter with nothing on its volts input picks up about this much.
_STRAY_V = 4e-3


@dataclass
class _Setup:
    """Settings of one function."""

    range: float
    nplc: float = 10.0
    offset_compensation: bool = False


class MeterInstrument(Instrument):
    """What the meter understands on the wire, and what it sees."""

    identity = "Coilsoak,Simulated 6.5-digit meter,S-0002,1.0"

    def __init__(self, world: World, meter: Meter, rng: np.random.Generator) -> None:
        super().__init__()
        self._world = world
        self._meter = meter
        self._rng = rng
        # Both ohms functions share a range's current source, so they share its errors.
        self._ohms_errors = {span: self._draw_error(span) for span in _TEST_A}
        self._volts_errors = {span: self._draw_error(span) for span in _VOLT_RANGES}
        self._function: Function = "VOLT:DC"
        self._setups: dict[Function, _Setup] = {}
        self.reset()
        self.command("[SENSe:]FUNCtion[:ON]", self._set_function, STRING)
        self.query("[SENSe:]FUNCtion[:ON]", lambda: f'"{self._function}"')
        for function, header in _HEADERS.items():
            self._register(function, f"[SENSe:]{header}")
        self.command("[SENSe:]FRESistance:OCOMpensated", self._set_compensation, BOOLEAN)
        self.query(
            "[SENSe:]FRESistance:OCOMpensated",
            lambda: "1" if self._setups["FRES"].offset_compensation else "0",
        )
        self.query("READ", self._read)

    def _draw_error(self, span: float) -> tuple[float, float]:
        """Draw gain and offset of one range, for good, within the specification."""
        gain, offset = self._rng.uniform(-1.0, 1.0, 2).tolist()
        return 1.0 + self._meter.gain_error_rel * gain, self._meter.offset_error_of_range * span * offset

    def reset(self) -> None:
        """Volts, widest ranges, 10 power line cycles."""
        self._function = "VOLT:DC"
        self._setups = {function: _Setup(ranges[-1]) for function, ranges in _RANGES.items()}

    def _register(self, function: Function, header: str) -> None:
        def put_range(value: float) -> Reply:
            fitting = [span for span in _RANGES[function] if span * _FULL >= value]
            if value < 0.0 or not fitting:
                return ErrorCode.DATA_OUT_OF_RANGE
            self._setups[function].range = fitting[0]
            return None

        def put_nplc(value: float) -> Reply:
            if not _NPLCS[0] <= value <= _NPLCS[-1]:
                return ErrorCode.DATA_OUT_OF_RANGE
            self._setups[function].nplc = min(step for step in _NPLCS if step >= value)
            return None

        self.command(f"{header}:RANGe[:UPPer]", put_range, number("V" if function == "VOLT:DC" else "OHM"))
        self.query(f"{header}:RANGe[:UPPer]", lambda: f"{self._setups[function].range:+.8E}")
        self.command(f"{header}:NPLCycles", put_nplc, number())
        self.query(f"{header}:NPLCycles", lambda: f"{self._setups[function].nplc:+.8E}")

    def _set_function(self, name: str) -> Reply:
        function = _NAMES.get(name.upper())
        if function is None:
            return ErrorCode.ILLEGAL_PARAMETER
        self._function = function
        return None

    def _set_compensation(self, on: bool) -> Reply:
        self._setups["FRES"].offset_compensation = on
        return None

    def _read(self) -> Reply:
        world = self._world
        setup = self._setups[self._function]
        passes = 2 if self._function == "FRES" and setup.offset_compensation else 1
        with world.lock:
            began_s = world.catch_up()
        half_s = passes * (setup.nplc / self._meter.mains_Hz + _SETTLE_S[self._function]) / 2.0
        world.clock.sleep(half_s)
        with world.lock:
            # What moves steadily stands in the middle of the window where the integrator finds its mean.
            world.catch_up()
            volts = self._volts() if self._function == "VOLT:DC" else 0.0
            middle_ohm = [world.resistance_ohm(index) for index in range(len(world.coils))]
        world.clock.sleep(half_s)
        with world.lock:
            ended_s = world.catch_up()
            if self._function == "VOLT:DC":
                return self._reply(volts, setup, self._volts_errors[setup.range])
            true_ohm = self._ohms(setup, began_s, ended_s, middle_ohm)
            return self._reply(true_ohm, setup, self._ohms_errors[setup.range])

    def _volts(self) -> float:
        world = self._world
        paths = world.harness.metered
        if not paths:
            return _STRAY_V * float(self._rng.standard_normal())
        drive = world.drive()
        volts = []
        for path in paths:
            across_V = 0.0
            if path.role == "sense" and path.coil in drive.coil_A:
                open_now = world.coils[path.coil].is_open
                # No current, no drop in the leads: an open coil shows the supply's whole voltage.
                ohm = world.resistance_ohm(path.coil)
                across_V = drive.voltage_V if open_now else drive.coil_A[path.coil] * ohm
            volts.append(across_V + path.emf_V)
        return sum(volts) / len(volts)

    def _ohms(self, setup: _Setup, began_s: float, ended_s: float, middle_ohm: Sequence[float]) -> float:
        world = self._world
        paths = world.harness.metered
        if not paths:
            return math.inf
        test_A = _TEST_A[setup.range]
        closed_S = open_S = worst_share = 0.0
        for path in paths:
            ohm, share = self._path(path, began_s, ended_s, middle_ohm)
            conductance_S = math.inf if ohm == 0.0 else 1.0 / ohm
            closed_S += conductance_S
            open_S += 0.0 if share > 0.0 else conductance_S
            worst_share = max(worst_share, share)
        clip_ohm = _CLIP * setup.range
        closed_ohm = math.inf if closed_S == 0.0 else 1.0 / closed_S
        value_ohm = closed_ohm
        if worst_share > 0.0:
            # The integrator averages what it sees; while the coil is open its input clips.
            opened_ohm = clip_ohm if open_S == 0.0 else min(clip_ohm, 1.0 / open_S)
            value_ohm = (1.0 - worst_share) * min(closed_ohm, clip_ohm) + worst_share * opened_ohm
        value_ohm += self._foreign_V(paths) / test_A
        if not setup.offset_compensation or self._function == "RES":
            value_ohm += sum(path.emf_V for path in paths) / len(paths) / test_A
        return value_ohm

    def _path(
        self, path: Contact, began_s: float, ended_s: float, middle_ohm: Sequence[float]
    ) -> tuple[float, float]:
        """Return what one closed path puts on the meter in ohms, and which part of the window it was open."""
        world = self._world
        share = 0.0
        if path.role == "sense":
            coil = world.coils[path.coil]
            share = coil.open_share(began_s, ended_s)
            ohm = middle_ohm[path.coil]
            if world.stage.connected:
                # A live output at zero volts lies in parallel with the coil.
                for power in world.harness.powered:
                    if power.coil == path.coil:
                        shunt_ohm = power.contact_ohm + world.harness.power_lead_ohm + _OUTPUT_OHM
                        ohm = 1.0 / (1.0 / ohm + 1.0 / shunt_ohm)
        elif path.role == "probe":
            probe_degC = world.probe_degC(path.coil)
            ohm = math.inf if probe_degC is None else pt100_ohm(probe_degC)
        elif path.role == "leak":
            ohm = world.coils[path.coil].leakage_at(world.bank.winding_degC(path.coil))
        else:
            ohm = 0.0
        if self._function == "RES":
            ohm += world.harness.meter_lead_ohm + path.contact_ohm
        return ohm, share

    def _foreign_V(self, paths: tuple[Contact, ...]) -> float:
        """Return the supply's voltage on the meter's input: why ohms of a driven coil are nonsense."""
        drive = self._world.drive()
        live = [path.coil for path in paths if path.role == "sense" and path.coil in drive.coil_A]
        return drive.voltage_V if live else 0.0

    def _reply(self, true: float, setup: _Setup, error: tuple[float, float]) -> str:
        """Add the meter's errors to *true* and write it as NR3, or as overload."""
        if not math.isfinite(true):
            return f"{_OVERLOAD:+.8E}"
        noise = self._meter.noise_of_range * setup.range / math.sqrt(setup.nplc)
        if setup.nplc < 1.0:
            noise *= 4.0  # mains hum no longer averages out
        gain, offset = error
        value = true * gain + offset + noise * float(self._rng.standard_normal())
        if abs(value) > _FULL * setup.range:
            return f"{math.copysign(_OVERLOAD, value):+.8E}"
        digit = setup.range * (1e-6 if setup.nplc >= 1.0 else 1e-5)
        return f"{round(value / digit) * digit:+.8E}"
