"""Invented sets of coils in an oven, or heated by their own current, and what a recorder writes of them.

Nothing here is taken from the program under test: heat flows by explicit steps through a body and two lags of
a winding (oven), or through shells, body and core with natural convection (own current); meter and probe err
as this module says. All figures are invented, but for copper's law (IEC 60028: 0.00393 /K at
20 degC). The scatter of a batch's coefficient (0.5 %) is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

COPPER_PER_K = 0.00393
FORMS = ("settled", "timed", "ramp", "driven", "selfheated")
STEPS_degC = (50.0, 70.0, 90.0)


class Law:
    """A sound winding: what is between its terminals at a winding temperature.

    Faults override `ohm`; it is called in order of time, once a row (oven) or twice a second (own current),
    so that a fault may remember.
    """

    def ohm(self, time_s: float, winding_degC: float, sound_ohm: float) -> float:
        """Return the resistance in ohm; infinite is open."""
        del time_s, winding_degC
        return sound_ohm


@dataclass
class Coil:
    """One coil as it is."""

    label: str
    kind: str
    r20_ohm: float
    alpha_per_K: float
    joint_ohm: float
    law: Law = field(default_factory=Law)

    def sound_ohm(self, winding_degC: Floats | float) -> Floats | float:
        """Return what the coil would show if nothing were wrong with it."""
        return self.joint_ohm + self.r20_ohm * (1 + self.alpha_per_K * (winding_degC - 20))


@dataclass(frozen=True)
class Probe:
    """A sensor on a body: what it shows is offset and gain of a lagged, lossy contact."""

    offset_K: float
    gain: float
    stem: float
    lag_s: float
    noise_K: float
    step_K: float


@dataclass(frozen=True)
class Meter:
    """An ohmmeter, and the voltmeter and ammeter of a drive."""

    gain: float
    offset_ohm: float
    noise_ohm: float
    step_ohm: float
    volt_gain: float
    amp_gain: float
    amp_offset_A: float


@dataclass
class Log:
    """The rows of one coil in order of time, first as they are, then as the recorder has them (`cells`)."""

    coil: Coil
    time_s: Floats
    air_degC: Floats
    body_degC: Floats
    winding_degC: Floats
    ohm: Floats
    driven: NDArray[np.bool_]
    volt: Floats
    amp: Floats
    probe_degC: Floats
    probe: Probe
    room_degC: float
    cells: dict[str, list[str]] = field(default_factory=dict)

    def hot(self, above_degC: float) -> NDArray[np.bool_]:
        """Return which rows have the winding above a temperature."""
        return self.winding_degC > above_degC


@dataclass
class Scene:
    """A set of coils, its instruments, its heat and how it is written down."""

    seed: int
    form: str
    coils: list[Coil]
    probes: list[Probe]
    meter: Meter
    room_degC: float
    kinds: dict[str, float]
    scan_s: float
    open_as: str
    with_set: bool
    comma: bool
    shuffled: bool
    gaps: bool
    ohms_of_drive: bool
    limit_A: float = 3.5
    logs: list[Log] = field(default_factory=list)
    readings: int = 2

    @property
    def plain(self) -> bool:
        """Whether the instruments are good enough that nobody could ask for another test of a sound coil."""
        fine = (
            self.meter.noise_ohm <= 0.001 and self.meter.step_ohm <= 0.001 and self.probes[0].noise_K <= 0.1
        )
        return (
            fine
            and self.form in ("settled", "timed", "driven")
            and not self.gaps
            and (self.form != "settled" or self.readings >= 2)
            and len(self.coils) / len(self.kinds) >= 4
        )


def scene(seed: int, form: str) -> Scene:
    """Return a random sound set with its instruments, still to be `run`."""
    rng = np.random.default_rng([seed, FORMS.index(form)])
    count = int(rng.integers(3, 9))
    first = rng.uniform(4.0, 8.0)
    kinds = {"first": first}
    with_set = bool(rng.random() < 0.5)
    if count >= 6 and rng.random() < 0.4:
        kinds["second"] = first * rng.choice([0.62, 1.5])
    spread = rng.uniform(0.003, 0.01)
    alpha = {kind: COPPER_PER_K * (1 + 0.005 * float(np.clip(rng.normal(), -2.5, 2.5))) for kind in kinds}
    batch = {kind: ohm * (1 + rng.uniform(-0.02, 0.02)) for kind, ohm in kinds.items()}
    coils, probes = [], []
    base = Probe(
        rng.normal(0, 0.2),
        rng.normal(0, 0.0015),
        0.0,
        0.0,
        0.1 * rng.choice([0.3, 1.0, 1.5]),
        float(rng.choice([0.01, 0.1])),
    )
    for index in range(count):
        kind = "second" if "second" in kinds and index >= count // 2 else "first"
        # well within what like parts may differ by: 4 % in the set file, else the common 0.1 ohm
        most = 0.015 * batch[kind] if with_set else 0.02
        part = float(np.clip(rng.normal(0, spread * batch[kind]), -most, most))
        coils.append(
            Coil(
                f"Y{index + 1}",
                kind,
                batch[kind] + part,
                alpha[kind] * (1 + rng.normal(0, 0.0005)),
                rng.uniform(0.0, 0.015),
            )
        )
        probes.append(
            replace(
                base,
                offset_K=base.offset_K + rng.normal(0, 0.2),
                gain=base.gain + rng.normal(0, 0.001),
                stem=rng.uniform(0, 0.002),
                lag_s=rng.uniform(3, 20),
            )
        )
    meter = Meter(
        rng.normal(0, 0.0005),
        rng.normal(0, 0.004),
        0.001 * float(rng.choice([0.3, 1.0, 1.0, 3.0])),
        float(rng.choice([1e-4, 1e-3, 1e-3, 1e-2])),
        rng.normal(0, 0.0002),
        rng.normal(0, 0.0005),
        rng.normal(0, 0.0005),
    )
    return Scene(
        seed,
        form,
        coils,
        probes,
        meter,
        rng.uniform(18, 27),
        kinds,
        scan_s=float(rng.choice([10, 15, 30, 30, 60, 60]))
        if form != "selfheated"
        else float(rng.choice([2, 3])),
        open_as=str(rng.choice(["OL", "", "9.9E37"])),
        with_set=with_set,
        comma=bool(rng.random() < 0.15),
        shuffled=bool(rng.random() < 0.3),
        gaps=bool(rng.random() < 0.2),
        ohms_of_drive=bool(rng.random() < 0.5),
        readings=int(rng.integers(1, 4)),
    )


# --- heat ---------------------------------------------------------------------------------------------------


def _first_order(drive: Floats, tau_s: Floats | float, step_s: float, start: float) -> Floats:
    """Return the first-order response to `drive` (steps x coils), exact for steps held between samples."""
    keep = np.exp(-step_s / np.asarray(tau_s))
    out = np.empty_like(drive)
    now = np.full(drive.shape[1:], start)
    for i in range(len(drive)):
        now = drive[i] + (now - drive[i]) * keep
        out[i] = now
    return out


def _oven(the: Scene, rng: np.random.Generator) -> tuple[Floats, Floats, list[tuple[float, float]]]:
    """Return times, the setpoint's air and the spans of holds (start, end) in s, the cold ones included."""
    step_s, room = 4.0, the.room_degC
    cold_s = rng.uniform(300, 900)
    plan: list[tuple[float, float, float]] = [(cold_s, room, 0.0)]  # duration, target, ramp in K/s (0: jump)
    if the.form == "ramp":
        rate = rng.uniform(0.4, 1.2) / 60
        top = rng.uniform(91, 94)
        plan += [((top - room) / rate, top, rate), (rng.uniform(300, 1200), top, 0.0)]
        plan += [((top - room) / rate, room, rate), (rng.uniform(2400, 4000), room, 0.0)]
    else:
        hold = rng.uniform(2000, 3200, size=3)
        plan += [(float(h), s, 0.0) for h, s in zip(hold, STEPS_degC, strict=True)]
        plan += [(rng.uniform(4500, 6500), room, 0.0)]
    targets, spans, at = [], [], 0.0
    level = room
    for duration, target, rate in plan:
        n = int(duration / step_s)
        if rate:
            targets.append(np.linspace(level, target, n))
        else:
            targets.append(np.full(n, target))
            spans.append((at, at + n * step_s))
        at += n * step_s
        level = target
    setpoint = np.concatenate(targets)
    air = _first_order(setpoint[:, None], rng.uniform(90, 240), step_s, room)[:, 0]
    return np.arange(len(air)) * step_s, air, spans


def _run_oven(the: Scene, rng: np.random.Generator) -> None:
    """Fill the scene's logs from an oven."""
    times, air, spans = _oven(the, rng)
    n = len(the.coils)
    height = rng.uniform(-0.006, 0.006, size=n)
    local = the.room_degC + (air[:, None] - the.room_degC) * (1 + height)
    tau = rng.uniform(200, 480, size=n)
    body = _first_order(local, tau, 4.0, the.room_degC)
    fast, slow = rng.uniform(8, 40, size=n), rng.uniform(40, 90, size=n)
    winding = 0.6 * _first_order(body, fast, 4.0, the.room_degC) + 0.4 * _first_order(
        body, slow, 4.0, the.room_degC
    )
    seen = _first_order(body, np.array([p.lag_s for p in the.probes]), 4.0, the.room_degC)
    for i, coil in enumerate(the.coils):
        if the.form == "settled":
            at = np.concatenate([end - 40 - 20 * i - 60 * np.arange(the.readings)[::-1] for _, end in spans])
        else:
            at = np.arange(2.0 + i * min(the.scan_s / n, 2.0), times[-1], the.scan_s)
            at = at + rng.uniform(-0.1, 0.1, size=len(at))
            if the.gaps:
                holes = rng.uniform(0, times[-1], size=3)
                lost = np.any(np.abs(at[:, None] - holes) < rng.uniform(30, 240), axis=1)
                at = at[~lost]
        driven = np.zeros(len(at), dtype=bool)
        extra = np.zeros(len(at))
        volt = np.zeros(len(at))
        if the.form == "driven":
            at, driven, extra, volt = _drives(the, coil, at, spans, i, rng)

        def along(trace: Floats, at: Floats = at, i: int = i) -> Floats:
            return np.interp(at, times, trace[:, i])

        the.logs.append(
            _log(the, i, at, along(local), along(body), along(winding) + extra, along(seen), driven, volt)
        )


def _drives(
    the: Scene, coil: Coil, at: Floats, spans: list[tuple[float, float]], i: int, rng: np.random.Generator
) -> tuple[Floats, NDArray[np.bool_], Floats, Floats]:
    """Return times, driven, self-heating in K and volts with a short drive put in near each hold's end."""
    supply_V = min(8.4, the.limit_A * 0.9 * coil.r20_ohm)
    heat_J_per_K = rng.uniform(12, 30)
    drives = []
    for start, end in spans:
        begin = max(start + 30, end - 120 - 9.0 * i)
        drives.append(begin + np.arange(0.3, rng.uniform(2, 4), rng.choice([0.25, 0.5, 1.0])))
    on = np.concatenate(drives)
    heat = np.zeros(len(on))
    for d in drives:
        heat[np.isin(on, d)] = (d - d[0] + 0.3) * supply_V**2 / coil.r20_ohm / heat_J_per_K * 0.8
    clear = np.all(np.abs(at[:, None] - on) > 1.5, axis=1)
    at = at[clear]
    # after a drive the winding gives its heat away within a minute or so; rows in between show it
    left = np.zeros(len(at))
    for d in drives:
        peak = (d[-1] - d[0] + 0.3) * supply_V**2 / coil.r20_ohm / heat_J_per_K * 0.8
        behind = at - d[-1]
        left += np.where(behind > 0, peak * np.exp(-np.maximum(behind, 0) / 35.0), 0.0)
    both = np.concatenate([at, on])
    order = np.argsort(both, kind="stable")
    driven = np.concatenate([np.zeros(len(at), bool), np.ones(len(on), bool)])[order]
    return both[order], driven, np.concatenate([left, heat])[order], np.where(driven, supply_V, 0.0)


def _run_selfheated(the: Scene, rng: np.random.Generator) -> None:
    """Fill the scene's logs: one coil after another heats itself in three stages and cools in still air."""
    clock_s = 0.0
    for i, coil in enumerate(the.coils):
        trace = _selfheat(the, coil, the.probes[i], rng)
        at = trace["t"] + clock_s
        clock_s = float(at[-1]) + 30
        log = _log(
            the,
            i,
            at,
            np.full(len(at), the.room_degC),
            trace["body"],
            trace["winding"],
            trace["probe"],
            trace["volt"] > 0,
            trace["volt"],
            ohm=trace["ohm"],
        )
        the.logs.append(log)


def _selfheat(the: Scene, coil: Coil, probe: Probe, rng: np.random.Generator) -> dict[str, Floats]:
    """Return one coil's trace of self-heating; shells, body, core, convection as dT^1.25 and radiation."""
    room, dt = the.room_degC, 0.25
    shells = int(rng.integers(2, 5))
    share = rng.dirichlet(np.full(shells, 8.0))
    c_shell = [float(s) * rng.uniform(22, 35) for s in share]
    g_shell = [float(shells) * rng.uniform(0.3, 0.6) for _ in range(shells)]
    c_body, c_core = rng.uniform(70, 120), rng.uniform(15, 40)
    g_core = rng.uniform(0.2, 0.6)
    loss, radiate = rng.uniform(0.035, 0.06), rng.uniform(0.02, 0.05)
    supply_V = float(np.sqrt(rng.uniform(16, 22) * coil.r20_ohm))
    targets = [50.0, 70.0, min(90.0, room + 68)]
    shell, body, core, seen = [room] * shells, room, room, room
    rows: list[tuple[float, ...]] = []
    t, stage, on, until = 0.0, 0, False, 60.0
    next_row = 0.0
    end_s = 1e9
    while t < end_s:
        winding = sum(s * w for s, w in zip(share, shell, strict=True))
        sound = coil.joint_ohm + coil.r20_ohm * (1 + coil.alpha_per_K * (winding - 20))
        ohm = coil.law.ohm(t, winding, sound)
        if on and (body >= targets[stage] or t > until):
            rows.append((t, body, winding, seen, supply_V, ohm))
            on, stage = False, stage + 1
            until = t + (rng.uniform(120, 240) if stage < 3 else 1e9)
            if stage == 3:
                end_s = t + rng.uniform(1800, 3000)
            next_row = t + dt
        elif not on and stage < 3 and t >= until:
            rows.append((t, body, winding, seen, 0.0, ohm))  # a recorder that notes when it switches
            on, until = True, t + 1800
            next_row = t + dt
        if t >= next_row:
            rows.append((t, body, winding, seen, supply_V if on else 0.0, ohm))
            next_row = t + the.scan_s
        watts = supply_V**2 / ohm if on and ohm > 0.2 else 0.0
        flow = [0.0] * (shells + 1)  # from shell k to shell k + 1, the last to the body
        for k in range(shells):
            flow[k] = g_shell[k] * (shell[k] - (shell[k + 1] if k + 1 < shells else body))
        copper_share = min((sound - coil.joint_ohm) / ohm, 1.0)  # what a joint heats is not the winding
        for k in range(shells):
            into = flow[k - 1] if k else 0.0
            shell[k] += dt / c_shell[k] * (watts * copper_share * float(share[k]) + into - flow[k])
        over = max(body - room, 0.0)
        away = loss * over**1.25 + radiate * over
        body += dt / c_body * (flow[shells - 1] - away - g_core * (body - core))
        core += dt / c_core * g_core * (body - core)
        seen += dt / probe.lag_s * (body - seen)
        t += dt
    keys = ("t", "body", "winding", "probe", "volt", "ohm")
    return {key: np.array(column) for key, column in zip(keys, zip(*rows, strict=True), strict=True)}


def _log(
    the: Scene,
    i: int,
    at: Floats,
    air: Floats,
    body: Floats,
    winding: Floats,
    seen: Floats,
    driven: NDArray[np.bool_],
    volt: Floats,
    ohm: Floats | None = None,
) -> Log:
    """Return the log of coil `i`, with the law of its winding applied in order of time."""
    coil, probe = the.coils[i], the.probes[i]
    if ohm is None:
        sound = np.asarray(coil.sound_ohm(winding))
        ohm = np.array(
            [coil.law.ohm(*row) for row in zip(at.tolist(), winding.tolist(), sound.tolist(), strict=True)]
        )
    shown = 20 + (seen - 20) * (1 + probe.gain) + probe.offset_K - probe.stem * (seen - the.room_degC)
    with np.errstate(divide="ignore", invalid="ignore"):
        amp = np.where(driven, np.minimum(volt / ohm, the.limit_A), 0.0)
    limited = driven & (volt / np.maximum(ohm, 1e-9) > the.limit_A)
    volt = np.where(limited, amp * np.where(limited, ohm, 0.0), volt)
    return Log(coil, at, air, body, winding, ohm, driven, volt, amp, shown, probe, the.room_degC)


def run(the: Scene) -> None:
    """Let the scene happen: fill its logs with what is, before any recorder."""
    rng = np.random.default_rng([the.seed, 77])
    (_run_selfheated if the.form == "selfheated" else _run_oven)(the, rng)


# --- what the recorder writes -------------------------------------------------------------------------------


def _digits(step: float) -> int:
    return max(0, round(-np.log10(step)))


def measure(the: Scene, noise: Callable[[Log, Floats], Floats] | None = None) -> None:
    """Turn what is into cells: noise, gain, offset, digits, the recorder's word for an open."""
    rng = np.random.default_rng([the.seed, 78])
    m = the.meter
    for log in the.logs:
        scatter = rng.normal(0, m.noise_ohm, size=len(log.ohm))
        if noise is not None:
            scatter = noise(log, scatter)
        shown = log.ohm * (1 + m.gain) + m.offset_ohm + scatter
        d = _digits(m.step_ohm)
        probe = log.probe_degC + rng.normal(0, log.probe.noise_K, size=len(log.ohm))
        amp = log.amp * (1 + m.amp_gain) + np.where(log.driven, m.amp_offset_A, 0.0)
        amp = amp + rng.normal(0, 2e-4, size=len(amp)) * log.driven
        volt = log.volt * (1 + m.volt_gain) + rng.normal(0, 5e-4, size=len(amp)) * log.driven
        ohms: list[str] = []
        for k, value in enumerate(shown):
            if log.driven[k]:
                works = the.ohms_of_drive and amp[k] > 0.01
                ohms.append(f"{volt[k] / amp[k]:.{max(d, 3)}f}" if works else "")
            elif value > 120.0:
                ohms.append(the.open_as)
            else:
                ohms.append(f"{value:.{d}f}")
        off = "" if the.form != "selfheated" else "0"
        log.cells = {
            "coil": [log.coil.label] * len(shown),
            "time_s": [] if the.form == "settled" else [f"{t:.2f}" for t in log.time_s],
            "probe_degC": [f"{p:.{_digits(log.probe.step_K)}f}" for p in probe],
            "resistance_ohm": ohms,
        }
        if the.form in ("driven", "selfheated"):
            log.cells["voltage_V"] = [
                f"{v:.4f}" if on else off for v, on in zip(volt, log.driven, strict=True)
            ]
            log.cells["current_A"] = [
                f"{a:.4f}" if on else off for a, on in zip(amp, log.driven, strict=True)
            ]


def rows(the: Scene) -> list[dict[str, str]]:
    """Return the table's rows in the order in which they are written."""
    out: list[dict[str, str]] = []
    order: list[tuple[float, int]] = []
    for index, log in enumerate(the.logs):
        names = [name for name, cells in log.cells.items() if cells]
        for k in range(len(log.cells["coil"])):
            out.append({name: log.cells[name][k] for name in names})
            order.append((float(log.time_s[k]), index))
    if the.form == "settled" and the.seed % 2:
        return out  # coil by coil
    if the.shuffled and the.form != "selfheated":
        return out
    return [out[k] for k in sorted(range(len(out)), key=order.__getitem__)]


def as_csv(the: Scene, table: list[dict[str, str]]) -> str:
    """Return the text of the table: commas and points, or semicolons and decimal commas."""
    names = list(table[0])
    sep = ";" if the.comma else ","
    lines = [sep.join(names)]
    for row in table:
        cells = [row[name].replace(".", ",") if the.comma and name != "coil" else row[name] for name in names]
        lines.append(sep.join(cells))
    return "\n".join(lines) + "\n"


def set_file(the: Scene) -> str:
    """Return a coil-set file for the scene: nominal values, and the limits of common practice."""
    heat = "supply" if the.form == "selfheated" else "oven"
    lines = [
        'name = "outside set (invented)"',
        f'heat = "{heat}"',
        "system_V = 12.0",
        "[limits]",
        "body_degC = 110.0",
        "winding_degC = 150.0",
    ]
    for kind, ohm in the.kinds.items():
        lines += [
            f"[kinds.{kind}]",
            f"r20_ohm = {ohm:.3f}",
            "r20_tolerance_rel = 0.10",
            "max_current_A = 4.0",
            "joint_max_ohm = 0.10",
            f"peer_max_ohm = {0.04 * ohm:.3f}",
            "drift_max_rel = 0.01",
        ]
    for coil in the.coils:
        lines += ["[[coils]]", f'label = "{coil.label}"', f'kind = "{coil.kind}"']
    return "\n".join(lines) + "\n"
