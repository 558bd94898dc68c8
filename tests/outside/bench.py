"""The bench as it truly is: one clock for all, the circuit of supply, relays, coils and meter, and a log.

Instruments ask and change it under one lock; it is brought up to the present first, in short steps.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from tests.outside.faults import Diode, Parallel, State
from tests.outside.physics import BODY, SHELLS, Coil, Heat, Oven, Supply, pt100_ohm

STEP_S = 0.25
CURRENT_GONE_A = 0.02
POWER, SENSE, PROBE, LEAK, SHORT = 100, 200, 300, 400, 299


@dataclass
class Trigger:
    """Something that happens to the bench once *when* holds."""

    what: str
    when: Callable[[Bench], bool]
    do: Callable[[Bench], None]
    at_s: float | None = None


@dataclass
class Moved:
    """A contact that moved under current."""

    at_s: float
    channel: int
    current_A: float


@dataclass
class Truth:
    """What happened, whatever the program believes."""

    rows: list[tuple[float, float, float, float, float, float]] = field(default_factory=list)
    moved: list[Moved] = field(default_factory=list)
    ohms_driven: int = 0
    hottest_winding_degC: float = 0.0
    hottest_body_degC: float = 0.0
    hottest_air_degC: float = 0.0
    most_V: float = 0.0
    most_A: float = 0.0
    last_current_s: float = -1.0
    last_heat_s: float = -1.0
    protection_V: float = 0.0
    protection_A: float = 0.0
    drives: list[tuple[float, float]] = field(default_factory=list)


class Bench:
    """All matter on the bench and the time it lives in."""

    def __init__(
        self, coils: list[Coil], *, seed: int, scale: float, oven: bool = True, room_degC: float = 23.0
    ) -> None:
        self.rng = np.random.default_rng(seed)
        self.coils = coils
        self.heat = Heat(len(coils), self.rng, room_degC)
        self.oven = Oven(air_degC=room_degC, sensor_degC=room_degC) if oven else None
        self.supply = Supply()
        self.closed: set[int] = set()
        self.welded: set[int] = set()
        self.dead: set[int] = set()
        self.triggers: list[Trigger] = []
        self.truth = Truth()
        self.lock = threading.RLock()
        self.scale = scale
        self.start = time.monotonic()
        self.now_s = 0.0
        self.coil_A = np.zeros(len(coils))
        self.coil_V = np.zeros(len(coils))
        self._ohm = [(0.0, 0.0, 0.0)] * len(coils)
        self._next_row_s = 0.0
        self._stop = threading.Event()
        self._ticker = threading.Thread(target=self._tick, name="bench clock", daemon=True)

    def begin(self) -> None:
        """Start the bench's time."""
        self.start = time.monotonic()
        self._ticker.start()

    def end(self) -> None:
        """Stop the bench's time."""
        self._stop.set()
        self._ticker.join()

    def _tick(self) -> None:
        while not self._stop.wait(0.01):
            with self.lock:
                self.advance()

    def clock_s(self) -> float:
        """Bench time by the wall, in s."""
        return (time.monotonic() - self.start) * self.scale

    def sleep(self, bench_s: float) -> None:
        """Wait *bench_s* of bench time."""
        time.sleep(bench_s / self.scale)

    def advance(self) -> None:
        """Bring everything up to the present; the lock must be held."""
        target_s = self.clock_s()
        while self.now_s < target_s:
            step_s = min(STEP_S, target_s - self.now_s)
            self.now_s += step_s
            self._solve(step_s)
            self._warm(step_s)
            self._log()
            for trigger in self.triggers:
                if trigger.at_s is None and trigger.when(self):
                    trigger.at_s = self.now_s
                    trigger.do(self)

    # Circuit

    def closes(self, channel: int) -> bool:
        """Whether a contact truly conducts."""
        return channel not in self.dead and (channel in self.closed or channel in self.welded)

    def switch(self, channel: int, close: bool) -> None:
        """Move a contact; under current that is a violation, and it wears."""
        if (channel in self.closed) == close:
            return
        self._solve(0.0)
        before_A = self.supply.out_A
        if close:
            self.closed.add(channel)
            index = channel % 100 - 1
            if 0 <= index < len(self.coils):
                self.coils[index].contact_ohm = float(self.rng.uniform(0.01, 0.06))
                self.coils[index].contact_emf_V = float(self.rng.normal(0.0, 1.5e-6))
        else:
            self.closed.discard(channel)
        self._solve(0.0)
        current_A = max(before_A, self.supply.out_A)
        if channel // 100 == POWER // 100 and current_A > CURRENT_GONE_A:
            self.truth.moved.append(Moved(self.now_s, channel, current_A))

    def _states(self, dt_s: float) -> None:
        for index, coil in enumerate(self.coils):
            shells = self.heat.T[index, :SHELLS]
            shares = self.heat.shares[index]
            driven = self.closes(POWER + index + 1) and self.supply.out_V > 0.3
            state = State(
                now_s=self.now_s,
                dt_s=dt_s,
                winding_degC=float(shares @ shells),
                body_degC=float(self.heat.T[index, BODY]),
                current_A=float(self.coil_A[index]),
                driven=driven,
                rng=self.rng,
            )
            copper, joint, leak = coil.copper_ohm(shells, shares), coil.joint_ohm, coil.leak_ohm
            parallel = math.inf
            for fault in coil.faults:
                if dt_s > 0.0:
                    fault.step(state)
                copper = fault.copper(copper, state)
                joint = fault.joint(joint, state)
                leak = fault.leak(leak, state)
                if isinstance(fault, Parallel) and state.winding_degC > fault.above_degC:
                    parallel = fault.ohm
            total = copper + joint
            if math.isfinite(parallel):
                total = 1.0 / (1.0 / total + 1.0 / parallel)
            self._ohm[index] = (copper, total, leak)

    def _branch(self, index: int, volts: float) -> tuple[float, float, float]:
        """Return current, winding's current and coil's voltage of one coil at *volts* at the supply."""
        coil = self.coils[index]
        total = self._ohm[index][1]
        series = 0.02 + coil.contact_ohm
        diode = next((f for f in coil.faults if isinstance(f, Diode) and f.forward), None)
        if diode is not None and volts > diode.knee_V:
            g = 1.0 / series + 1.0 / total + 1.0 / diode.series_ohm
            across = (volts / series + diode.knee_V / diode.series_ohm) / g
            if across > diode.knee_V:
                return (volts - across) / series, across / total, across
        current = volts / (series + total)
        return current, current, current * total if math.isfinite(total) else volts

    def _solve(self, dt_s: float) -> None:
        """Find what flows now; with *dt_s* let the output's edges and the faults' time pass as well."""
        if dt_s > 0.0:
            self._states(dt_s)
        supply = self.supply
        loads = [i for i in range(len(self.coils)) if self.closes(POWER + i + 1)]
        self.coil_A[:] = 0.0
        self.coil_V[:] = 0.0
        if supply.drives():
            wanted_V, limit_A = supply.wanted()
        else:
            # The output's capacitor through its bleeder; a coil empties it at once.
            wanted_V, limit_A = supply.out_V * math.exp(-dt_s / (0.005 if loads else 0.4)), math.inf
            wanted_V = wanted_V if wanted_V > 0.01 else 0.0
        if not loads or wanted_V <= 0.0:
            supply.out_V, supply.out_A, supply.limiting = wanted_V, 0.0, False
            return
        low, high = 0.0, wanted_V
        total_A = sum(self._branch(i, wanted_V)[0] for i in loads)
        supply.limiting = total_A > limit_A
        if supply.limiting:
            for _ in range(32):
                middle = (low + high) / 2.0
                if sum(self._branch(i, middle)[0] for i in loads) > limit_A:
                    high = middle
                else:
                    low = middle
        supply.out_V = high
        total_A = 0.0
        for i in loads:
            all_A, winding_A, across_V = self._branch(i, high)
            total_A += all_A
            self.coil_A[i], self.coil_V[i] = winding_A, across_V
        supply.out_A = total_A
        if supply.drives() and not supply.stage_shorted:
            if supply.armed_voltage and high > supply.over_voltage_V:
                supply.output, supply.tripped_voltage = False, True
            if supply.armed_current and total_A > supply.over_current_A:
                supply.output, supply.tripped_current = False, True

    def _warm(self, dt_s: float) -> None:
        copper = np.array([ohm[0] for ohm in self._ohm])
        total_W = self.coil_V * self.coil_A
        copper_W = np.minimum(self.coil_A**2 * copper, total_W)
        into = self.heat.step(self.now_s, dt_s, self.oven, copper_W, total_W - copper_W)
        if self.oven is not None:
            self.oven.step(self.now_s, dt_s, self.heat.room_degC, into)
        self.heat.step_probe(self.coils, dt_s)

    def _log(self) -> None:
        truth, supply = self.truth, self.supply
        body = float(self.heat.T[:, BODY].max())
        winding = float(self.heat.T[:, :SHELLS].max())
        air = self.oven.air_degC if self.oven else self.heat.room_degC
        heater_W = self.oven.heater_now_W if self.oven else 0.0
        truth.hottest_winding_degC = max(truth.hottest_winding_degC, winding)
        truth.hottest_body_degC = max(truth.hottest_body_degC, body)
        truth.hottest_air_degC = max(truth.hottest_air_degC, air)
        truth.most_V = max(truth.most_V, supply.out_V)
        truth.most_A = max(truth.most_A, supply.out_A)
        if supply.out_A > CURRENT_GONE_A:
            if self.now_s - truth.last_current_s > 2 * STEP_S:
                truth.drives.append((self.now_s, self.now_s))
            truth.drives[-1] = (truth.drives[-1][0], self.now_s)
            truth.last_current_s = self.now_s
        if heater_W > 1.0:
            truth.last_heat_s = self.now_s
        if self.now_s >= self._next_row_s:
            self._next_row_s = self.now_s + 2.0
            truth.rows.append((self.now_s, air, body, winding, supply.out_A, heater_W))

    # What a meter's terminals see

    def _seen(self) -> list[tuple[int, int]]:
        return [
            (group, i)
            for group in (SENSE, PROBE, LEAK)
            for i in range(len(self.coils))
            if self.closes(group + i + 1)
        ]

    def meter_ohm(self, wires: int) -> tuple[float, float]:
        """Return true resistance (ohm, infinite: open) and stray voltage (V) at the meter's terminals."""
        self._states(0.0)
        loop = 0.12 if wires == 2 else 0.0
        if self.closes(SHORT):
            return loop + 0.00003, 0.0
        conductance, stray_V = 0.0, 0.0
        for group, i in self._seen():
            coil = self.coils[i]
            if group == SENSE:
                value = self._ohm[i][1] + (coil.contact_ohm + coil.lead_ohm if wires == 2 else 0.0)
                emf = coil.contact_emf_V + 4e-8 * float(self.heat.T[i, BODY] - self.heat.room_degC)
                if self.closes(POWER + i + 1) and self.supply.out_V > 0.05:
                    self.truth.ohms_driven += 1
                    emf += float(self.coil_V[i])
                stray_V += emf
            elif group == PROBE:
                value = math.inf if coil.probe_dead else pt100_ohm(self.probe_degC(i))
            else:
                value = self._ohm[i][2]
            conductance += 1.0 / value
        return (1.0 / conductance + loop if conductance > 0.0 else math.inf), stray_V

    def meter_V(self) -> float:
        """Return the voltage at the meter's terminals, in V."""
        self._solve(0.0)
        seen = [i for group, i in self._seen() if group == SENSE]
        return float(self.coil_V[seen[0]]) if seen else 0.0

    def probe_degC(self, index: int) -> float:
        """Return what the sensor on coil *index* is at, in degC, with its own errors but noise."""
        index = self.coils[index].probe_as if self.coils[index].probe_as is not None else index
        coil = self.coils[index]
        if coil.probe_frozen_degC is not None:
            return coil.probe_frozen_degC
        true = float(self.heat.probe[index])
        return true + coil.probe_offset_K - coil.stem_share * (true - self.heat.room_degC)
