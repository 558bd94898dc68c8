"""Coils, oven and supply as matter: heat in shells of copper, nonlinear losses, coupled neighbours, draughts.

Everything is invented but the laws. Published correlations are from memory and marked so.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tests.outside.faults import Fault

    Floats = NDArray[np.float64]

SHELLS = 4
BODY = SHELLS
CORE = SHELLS + 1
STEFAN_BOLTZMANN = 5.670e-8  # W/m2K4, from memory
ZERO_C_K = 273.15
COPPER_ALPHA20 = 0.00393  # /K, IEC 60028


@dataclass
class Coil:
    """One coil as built, with what is wrong with it and with its probe."""

    label: str
    kind: str
    r20_ohm: float
    alpha20: float
    joint_ohm: float
    stem_share: float
    probe_offset_K: float
    probe_lag_s: float
    leak_ohm: float = 5e9
    lead_ohm: float = 0.06
    faults: list[Fault] = field(default_factory=list)
    probe_as: int | None = None
    probe_frozen_degC: float | None = None
    probe_contact: float = 1.0
    probe_dead: bool = False
    contact_ohm: float = 0.03
    contact_emf_V: float = 0.0

    def copper_ohm(self, shells_degC: Floats, shares: Floats) -> float:
        """Resistance of the bare winding in ohm, each shell at its own temperature (degC)."""
        return float(self.r20_ohm * (1.0 + self.alpha20 * (shares @ shells_degC - 20.0)))


def sound_coil(
    label: str, kind: str, r20_ohm: float, rng: np.random.Generator, spread: float = 0.006
) -> Coil:
    """Build a sound coil of nominal *r20_ohm*, with the small differences that parts and probes have."""
    return Coil(
        label=label,
        kind=kind,
        r20_ohm=r20_ohm * (1.0 + spread * float(rng.uniform(-1, 1))),
        alpha20=COPPER_ALPHA20 * (1.0 + 0.002 * float(rng.uniform(-1, 1))),
        joint_ohm=float(rng.uniform(0.002, 0.012)),
        stem_share=float(rng.uniform(0.001, 0.006)),
        probe_offset_K=float(rng.uniform(-0.15, 0.15)),
        probe_lag_s=float(rng.uniform(3.0, 9.0)),
        lead_ohm=float(rng.uniform(0.04, 0.09)),
    )


@dataclass
class Oven:
    """Air and heater of a small fan oven with a PI controller that overshoots."""

    heater_W: float = 2400.0
    capacity_J_K: float = 2500.0
    loss_W_K: float = 12.0
    setpoint_degC: float = 25.0
    output: bool = False
    air_degC: float = 23.0
    sensor_degC: float = 23.0
    heater_now_W: float = 0.0
    plugged: bool = True
    welded: bool = False
    ignores_off: bool = False
    door_open_until_s: float = -1.0
    integral: float = 0.0

    def step(self, now_s: float, dt_s: float, room_degC: float, to_coils_W: float) -> None:
        """Let *dt_s* pass with *to_coils_W* going from air into coils."""
        miss = self.setpoint_degC - self.sensor_degC
        asked = self.output or self.ignores_off
        if asked:
            self.integral = min(max(self.integral + miss * dt_s, -300.0), 300.0)
        else:
            self.integral = 0.0
        share = min(max(0.12 * miss + 0.0012 * self.integral, 0.0), 1.0) if asked else 0.0
        if self.welded:
            share = 1.0
        self.heater_now_W = self.heater_W * share if self.plugged else 0.0
        # The damper opens when neither controller nor contactor heats: then room air is drawn through.
        vented = 6.0 if not asked and self.heater_now_W == 0.0 else 1.0
        loss = self.loss_W_K * (4.0 if now_s < self.door_open_until_s else vented)
        flow = self.heater_now_W - loss * (self.air_degC - room_degC) - to_coils_W
        self.air_degC += flow * dt_s / self.capacity_J_K
        self.sensor_degC += (self.air_degC - self.sensor_degC) * min(dt_s / 6.0, 1.0)


@dataclass
class Supply:
    """Output of a supply: what is set, what its stage does, and what its capacitor still holds."""

    set_V: float = 0.0
    limit_A: float = 0.1
    over_voltage_V: float = 33.0
    over_current_A: float = 11.0
    armed_voltage: bool = True
    armed_current: bool = True
    output: bool = False
    tripped_voltage: bool = False
    tripped_current: bool = False
    plugged: bool = True
    stage_shorted: bool = False
    stage_A: float = 2.0
    stage_V: float = 8.4
    out_V: float = 0.0
    out_A: float = 0.0
    limiting: bool = False

    def drives(self) -> bool:
        """Whether the stage pushes, whatever the panel says."""
        return self.plugged and (self.stage_shorted or self.output)

    def wanted(self) -> tuple[float, float]:
        """Voltage and current limit that the stage works to."""
        return (self.stage_V, self.stage_A) if self.stage_shorted else (self.set_V, self.limit_A)


class Heat:
    """Temperatures of all coils: copper shells, body and core of each, and the air that each sits in."""

    def __init__(self, count: int, rng: np.random.Generator, room_degC: float) -> None:
        self.room_degC = room_degC
        self.T = np.full((count, SHELLS + 2), room_degC + 0.0)
        self.probe = np.full(count, room_degC + 0.0)
        self.air = np.full(count, room_degC + 0.0)
        shell = rng.uniform(4.0, 7.0, (count, 1)) * rng.uniform(0.8, 1.2, (count, SHELLS))
        body = rng.uniform(35.0, 50.0, count)
        core = rng.uniform(6.0, 14.0, count)
        self.capacity = np.column_stack([shell, body, core])
        self.shares = shell / shell.sum(axis=1, keepdims=True)
        # Shell to shell, the outermost to the body; the innermost to the core.
        self.between = rng.uniform(2.0, 4.0, (count, SHELLS - 1))
        self.to_body = rng.uniform(1.2, 2.2, count)
        self.to_core = rng.uniform(0.2, 0.6, count)
        self.core_body = rng.uniform(0.3, 0.8, count)
        self.area = rng.uniform(0.009, 0.012, count)
        self.length = rng.uniform(0.03, 0.05, count)
        self.block = rng.uniform(0.005, 0.02, max(count - 1, 0))
        self.place_share = rng.uniform(-0.03, 0.03, count)
        self.swing_phase = rng.uniform(0, 6.28, count)
        self.fan_h = rng.uniform(50.0, 62.0, count)
        self.fan = 1.0
        self.swing_share = 0.003

    def step(self, now_s: float, dt_s: float, oven: Oven | None, copper_W: Floats, joint_W: Floats) -> float:
        """Let *dt_s* pass; return the heat that went from the oven's air into the coils, in W."""
        T, cap = self.T, self.capacity
        body = T[:, BODY]
        if oven is None:
            self.air[:] = self.room_degC + 0.4 * np.sin(now_s / 700.0)
            forced = 0.0 * self.fan_h
        else:
            over = oven.air_degC - self.room_degC
            swing = self.swing_share * np.sin(now_s / 45.0 + self.swing_phase)
            self.air[:] = self.room_degC + over * (1.0 + self.place_share / max(self.fan, 0.2) + swing)
            forced = self.fan_h * self.fan
        dT = body - self.air
        # Vertical plate in air, laminar: h = 1.42 (dT/L)^0.25 W/m2K, simplified correlation, from memory.
        h = 1.42 * (np.abs(dT) / self.length) ** 0.25 + forced
        radiated = 0.8 * STEFAN_BOLTZMANN * ((body + ZERO_C_K) ** 4 - (self.air + ZERO_C_K) ** 4)
        out = self.area * (h * dT + radiated)
        flow = np.zeros_like(T)
        flow[:, :SHELLS] = copper_W[:, None] * self.shares
        between = self.between * (T[:, : SHELLS - 1] - T[:, 1:SHELLS])
        flow[:, : SHELLS - 1] -= between
        flow[:, 1:SHELLS] += between
        outward = self.to_body * (T[:, SHELLS - 1] - body)
        flow[:, SHELLS - 1] -= outward
        inward = self.to_core * (T[:, 0] - T[:, CORE])
        flow[:, 0] -= inward
        across = self.core_body * (T[:, CORE] - body)
        flow[:, CORE] += inward - across
        flow[:, BODY] += outward + across - out + joint_W
        if len(self.block):
            along = self.block * (body[:-1] - body[1:])
            flow[:-1, BODY] -= along
            flow[1:, BODY] += along
        T += flow * (dt_s / cap)
        return -float(out.sum())

    def step_probe(self, coils: list[Coil], dt_s: float) -> None:
        """Let each probe follow what it touches: its body, or the air by the door once it is off."""
        for index, coil in enumerate(coils):
            # What falls off comes to lie by the door, where the air is cooler.
            by_door = self.room_degC + 0.85 * (self.air[index] - self.room_degC)
            seen = coil.probe_contact * self.T[index, BODY] + (1 - coil.probe_contact) * by_door
            lag = coil.probe_lag_s * (1.0 if coil.probe_contact > 0.5 else 3.0)
            self.probe[index] += (seen - self.probe[index]) * min(dt_s / lag, 1.0)


def pt100_ohm(temperature_degC: float) -> float:
    """Resistance of a Pt100 above 0 degC: Callendar-Van Dusen, IEC 60751 coefficients from memory."""
    return 100.0 * (1.0 + 3.9083e-3 * temperature_degC - 5.775e-7 * temperature_degC**2)
