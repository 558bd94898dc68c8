"""Tables of coils, leads, probes and supplies that go wrong, by physics of their own.

A set of coils goes through an oven: its air in ramps and holds, bodies some minutes behind the air, windings
some tens of seconds behind their bodies, copper by R(T) = R0 (234.5 + T) / (234.5 + T0) (NBS Handbook 100), a
joint in series, noise and digits of meter and thermometer. Faults are put in one by one.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from analysis.arrays import FloatArray
from analysis.model import Trace

COLUMNS = ("time_s", "body_degC", "winding_degC", "probe_degC", "ohm")
OK, OPEN, NOTHING = "ok", "open or over range", "missing: no reading"


@dataclass
class Part:
    """One coil's rows, to be spoiled in place; every array of shape (n,)."""

    label: str
    time_s: FloatArray
    body_degC: FloatArray
    winding_degC: FloatArray
    probe_degC: FloatArray
    ohm: FloatArray
    air_degC: float
    #: Last row of each hold.
    ends: list[int] = field(default_factory=list)
    volt: FloatArray = field(default_factory=lambda: np.empty(0))
    ampere: FloatArray = field(default_factory=lambda: np.empty(0))
    status: list[str] = field(default_factory=list)

    def trace(self, *, timed: bool = True, coil: str | None = None) -> Trace:
        """The rows as a table gives them to the judge: what is NaN has an empty cell."""
        n = self.time_s.size
        volt = self.volt if self.volt.size else np.full(n, np.nan)
        ampere = self.ampere if self.ampere.size else np.full(n, np.nan)
        status = self.status or [OK if np.isfinite(each) else NOTHING for each in self.ohm]
        source = np.where(np.nan_to_num(np.abs(ampere)) > 0.05, "V/I", "ohms")
        return Trace(
            coil or self.label,
            self.time_s if timed else np.full(n, np.nan),
            self.probe_degC,
            self.ohm,
            volt,
            ampere,
            np.full(n, ""),
            source,
            np.array(status),
        )


def lagged(time_s: FloatArray, driver: FloatArray, tau_s: float) -> FloatArray:
    """What follows *driver* with one time constant, shape (n,): exact for a driver of straight pieces."""
    out = driver.copy()
    for k in range(1, time_s.size):
        dt = time_s[k] - time_s[k - 1]
        decay = np.exp(-dt / tau_s)
        slope = (driver[k] - driver[k - 1]) / dt
        out[k] = driver[k] - slope * tau_s * (1 - decay) - (driver[k - 1] - out[k - 1]) * decay
    return out


def oven_air(
    time_s: FloatArray, room_degC: float, steps_degC: tuple[float, ...], hold_s: float
) -> tuple[FloatArray, list[float]]:
    """Air of an oven, 6 K a minute from hold to hold and back to the room; and when each hold ends."""
    knots_s, knots, ends_s = [0.0, 240.0], [room_degC, room_degC], []
    for step in steps_degC:
        knots_s.append(knots_s[-1] + (step - knots[-1]) / 0.1)
        knots.append(step)
        knots_s.append(knots_s[-1] + hold_s)
        knots.append(step)
        ends_s.append(knots_s[-1])
    air = np.interp(time_s, knots_s, knots)
    after = time_s > knots_s[-1]
    air[after] = room_degC + (steps_degC[-1] - room_degC) * np.exp(-(time_s[after] - knots_s[-1]) / 400.0)
    return air, ends_s


def oven_set(
    rng: np.random.Generator,
    count: int = 8,
    *,
    every_s: float = 20.0,
    steps_degC: tuple[float, ...] = (50.0, 70.0, 90.0),
    hold_s: float = 1500.0,
    digits_ohm: float = 0.001,
    digits_degC: float = 0.1,
    noise_K: float = 0.05,
) -> list[Part]:
    """A sound set in an oven, logged together."""
    room = float(rng.uniform(18.0, 26.0))
    end_s = 240.0 + (steps_degC[-1] - room) / 0.1 + len(steps_degC) * hold_s + 6000.0
    time_s = np.arange(0.0, end_s, every_s)
    air, ends_s = oven_air(time_s, room, steps_degC, hold_s)
    ends = [int(np.searchsorted(time_s, end_s)) - 1 for end_s in ends_s]
    nominal = float(rng.uniform(2.5, 9.0))
    parts = []
    for number in range(count):
        body = lagged(time_s, air, float(rng.uniform(180.0, 320.0)))
        winding = lagged(time_s, body, float(rng.uniform(20.0, 60.0)))
        ohm_20 = nominal * (1.0 + 0.004 * float(np.clip(rng.standard_normal(), -2, 2)))
        ohm = ohm_20 * (234.5 + winding) / 254.5 + float(rng.uniform(0.0, 0.02))
        probe = body + float(rng.uniform(-0.3, 0.3)) + rng.normal(0.0, noise_K, time_s.size)
        ohm = ohm + rng.normal(0.0, 0.0008, time_s.size)
        parts.append(
            Part(
                f"Y{number + 1}",
                time_s,
                body,
                winding,
                np.round(probe / digits_degC) * digits_degC,
                np.round(ohm / digits_ohm) * digits_ohm,
                room,
                ends,
            )
        )
    return parts


def settled_points(parts: list[Part], readings: int = 3) -> list[Part]:
    """The same parts as a table of settled readings: the first, the last of each hold, the last of all."""
    points = []
    for part in parts:
        rows = [readings - 1, *part.ends, part.time_s.size - 1]
        at = np.concatenate([np.arange(row - readings + 1, row + 1) for row in rows])
        cut = {name: getattr(part, name)[at] for name in COLUMNS}
        points.append(replace(part, **cut, ends=[readings * (n + 2) - 1 for n in range(len(part.ends))]))
    return points


def probe_to_air(part: Part, from_s: float, air_degC: float | FloatArray, tau_s: float = 12.0) -> None:
    """The probe comes off and falls to the air about it, of the room or of the oven."""
    off = part.time_s >= from_s
    air = np.broadcast_to(air_degC, part.time_s.shape)
    fell = np.exp(-(part.time_s[off] - from_s) / tau_s)
    noise = part.probe_degC[off] - part.body_degC[off]
    part.probe_degC[off] = air[off] + (part.body_degC[off] - air[off]) * fell + noise


def probe_slides(part: Part, from_s: float, air_degC: float, over_s: float) -> None:
    """The probe loses touch by and by, and says ever more of the air."""
    share = np.clip((part.time_s - from_s) / over_s, 0.0, 1.0) * 0.9
    part.probe_degC += share * (air_degC - part.body_degC)


def probe_sticks(part: Part, from_s: float) -> None:
    """The thermometer repeats its last figure."""
    at = int(np.searchsorted(part.time_s, from_s))
    part.probe_degC[at:] = part.probe_degC[at]


def time_at(part: Part, degC: float) -> float:
    """When the body first came to a temperature."""
    return float(part.time_s[int(np.argmax(part.body_degC >= degC))])


def opens_empty(part: Part, above_degC: float, below_degC: float) -> None:
    """The winding opens above one temperature and closes below another; the recorder leaves cells empty."""
    is_open = False
    for k in range(part.time_s.size):
        is_open = part.winding_degC[k] > (below_degC if is_open else above_degC)
        if is_open:
            part.ohm[k] = np.nan


def driven_rows(
    part: Part, at: list[int], volt: float, rng: np.random.Generator, *, limit_A: float, rows: int = 8,
    diode_V: float | None = None, conducts_S: float = 0.0, says_limit: bool = False,
) -> Part:  # fmt: skip
    """Put drives of *rows* rows in after the rows *at*: voltage and current, and no resistance.

    Args:
        part: The coil.
        at: After which rows.
        volt: What the supply is set to.
        rng: Noise of the readings.
        limit_A: Its current limit.
        rows: Rows of each drive, 0.25 s apart.
        diode_V: Forward drop of a diode across the coil that conducts; None: none does.
        conducts_S: What conducts beside the winding under voltage.
        says_limit: The record has a status for a row at the limit.
    """
    columns = {name: list(getattr(part, name)) for name in COLUMNS}
    volts, amperes = [np.nan] * part.time_s.size, [np.nan] * part.time_s.size
    status = [OK if np.isfinite(each) else NOTHING for each in part.ohm]
    for index in sorted(at, reverse=True):
        block: dict[str, list[float]] = {name: [] for name in COLUMNS}
        more_V, more_A, words = [], [], []
        for k in range(rows):
            winding = part.winding_degC[index] + 0.6 * k * 0.25
            ohm = part.ohm[index] * (234.5 + winding) / (234.5 + part.winding_degC[index])
            u, i, word = volt, volt / ohm + volt * conducts_S, OK
            if diode_V is not None:
                u, i = diode_V, limit_A
            if i >= limit_A:
                i, word = limit_A, "current limit" if says_limit else OK
                u = diode_V if diode_V is not None else limit_A / (1.0 / ohm + conducts_S)
            more_V.append(u * (1 + 2e-4 * rng.standard_normal()))
            more_A.append(i * (1 + 2e-4 * rng.standard_normal()))
            words.append(word)
            block["time_s"].append(part.time_s[index] + 1.0 + 0.25 * k)
            block["body_degC"].append(part.body_degC[index])
            block["winding_degC"].append(winding)
            block["probe_degC"].append(np.nan)
            block["ohm"].append(np.nan if word != OK else more_V[-1] / more_A[-1])
        for name in COLUMNS:
            columns[name][index + 1 : index + 1] = block[name]
        volts[index + 1 : index + 1] = more_V
        amperes[index + 1 : index + 1] = more_A
        status[index + 1 : index + 1] = words
    return Part(
        part.label,
        *(np.array(columns[name]) for name in COLUMNS),
        part.air_degC,
        [],
        np.array(volts),
        np.array(amperes),
        status,
    )
