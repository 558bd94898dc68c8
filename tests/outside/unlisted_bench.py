"""A small invented bench: sound coils in an oven, and how people write down what they read of them.

Nothing is taken from the program under test. Heat flows through first-order lags. A table is a recorder's
rows by the clock (`timed`), settled points written by hand (`hand`), or a recorder's rows with a short drive
at the end of each hold, as voltage and current (`driven`). All figures are invented, but for copper's
coefficient (IEC 60028: 0.00393 /K at 20 degC); a batch's scatter is common practice, no source.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Row = dict[str, str]

COPPER_PER_K = 0.00393
FORMS = ("timed", "hand", "driven")
STEPS_degC = (50.0, 70.0, 90.0)
BEFORE, AT_50, AT_70, AT_90, AFTER = range(5)
OPEN_OHM = 1e9


@dataclass
class Track:
    """One coil in order of time: what it is, and, once `measured`, what the instruments show of it."""

    label: str
    kind: str
    r20_ohm: float
    alpha_per_K: float
    joint_ohm: float
    time_s: Floats
    phase: NDArray[np.int_]
    body_degC: Floats
    winding_degC: Floats
    driven: NDArray[np.bool_]
    supply_V: Floats
    ohm: Floats = field(default_factory=lambda: np.empty(0))  # true, at the meter's small current
    probe_degC: Floats = field(default_factory=lambda: np.empty(0))  # shown
    shown_ohm: Floats = field(default_factory=lambda: np.empty(0))
    volt: Floats = field(default_factory=lambda: np.empty(0))
    amp: Floats = field(default_factory=lambda: np.empty(0))

    def sound_ohm(self, winding_degC: Floats) -> Floats:
        """Return what a sound winding has at its terminals."""
        return self.joint_ohm + self.r20_ohm * (1 + self.alpha_per_K * (winding_degC - 20))

    @property
    def undriven(self) -> NDArray[np.bool_]:
        """Return which rows the ohmmeter reads."""
        return ~self.driven

    @property
    def hot_frac(self) -> Floats:
        """Return 0 when cold to 1 at 90 degC."""
        return np.clip((self.winding_degC - 25) / 65, 0, 1.05)


@dataclass
class Bench:
    """A set with its instruments; faults change it."""

    seed: int
    form: str
    rng: np.random.Generator
    tracks: list[Track]
    room_degC: float
    nominal_ohm: float
    scan_s: float
    ohm_digits: int
    with_set: bool
    noise_ohm: float
    gain: float
    offset_ohm: float
    hit: list[str] = field(default_factory=list)
    clerk: list[Callable[[list[Row]], list[Row]]] = field(default_factory=list)

    @property
    def bad(self) -> Track:
        """Return the coil that a fault is put into, and mark it."""
        track = self.tracks[1]
        if track.label not in self.hit:
            self.hit.append(track.label)
        return track

    def all_hit(self) -> list[Track]:
        """Mark every coil as concerned and return all."""
        self.hit = [track.label for track in self.tracks]
        return self.tracks


def _lag(drive: Floats, tau_s: float, step_s: float, start: float) -> Floats:
    """Return the first-order response to a drive held between its samples."""
    keep, out, now = float(np.exp(-step_s / tau_s)), np.empty_like(drive), start
    for i, value in enumerate(drive):
        now = value + (now - value) * keep
        out[i] = now
    return out


def make(form: str, seed: int) -> Bench:
    """Return a sound set, heated but not yet read."""
    rng = np.random.default_rng([seed, FORMS.index(form), 4711])
    count = int(rng.integers(4, 7))
    nominal = float(rng.uniform(3.2, 7.5))
    alpha = COPPER_PER_K * (1 + 0.004 * float(np.clip(rng.normal(), -1.5, 1.5)))
    bench = Bench(
        seed=seed,
        form=form,
        rng=rng,
        tracks=[],
        room_degC=float(rng.uniform(19, 25)),
        nominal_ohm=nominal,
        scan_s=float(rng.choice([10.0, 20.0, 30.0] if form != "timed" else [5.0, 10.0, 20.0, 30.0, 60.0])),
        ohm_digits=3,
        with_set=bool(seed % 2),
        noise_ohm=0.001,
        gain=float(rng.normal(0, 0.0004)),
        offset_ohm=float(rng.normal(0, 0.002)),
    )
    heat = _oven(bench)
    for index in range(count):
        r20 = nominal * (1 + float(np.clip(rng.normal(0, 0.004), -0.008, 0.008)))
        part = (f"Y{index + 1}", "valve", r20, alpha * (1 + rng.normal(0, 0.0004)), rng.uniform(0.002, 0.012))
        track = _in_oven(bench, part, index, *heat)
        track.ohm = track.sound_ohm(track.winding_degC)
        bench.tracks.append(track)
    return bench


def _oven(bench: Bench) -> tuple[Floats, Floats, list[float]]:
    """Return seconds, the air in the oven, and the ends of the five phases."""
    room, rng = bench.room_degC, bench.rng
    spans = [600.0, *rng.uniform(2200, 2800, size=3), 6500.0]
    target = np.concatenate(
        [np.full(int(n / 5), level) for n, level in zip(spans, (room, *STEPS_degC, room), strict=True)]
    )
    air = _lag(target, 150, 5.0, room)
    return np.arange(len(air)) * 5.0, air, list(np.cumsum([5.0 * int(n / 5) for n in spans]))


def _in_oven(bench: Bench, part: tuple, index: int, clock: Floats, air: Floats, ends: list[float]) -> Track:
    """Return a coil that went through the oven, at the times of its rows."""
    rng, room = bench.rng, bench.room_degC
    air = room + (air - room) * (1 + rng.uniform(-0.004, 0.004))
    body = _lag(air, rng.uniform(220, 380), 5.0, room)
    winding = _lag(body, rng.uniform(20, 50), 5.0, room)
    driven_at: Floats = np.empty(0)
    if bench.form == "hand":
        at = np.concatenate([end - 30 - 20 * index - 60 * np.arange(2)[::-1] for end in ends])
    else:
        at = np.arange(2 + 0.7 * index, clock[-1], bench.scan_s)
    if bench.form == "driven":
        driven_at = np.concatenate([end - 60 - 9 * index + np.arange(0.3, 2.4, 0.5) for end in ends])
        clear = np.all(np.abs(at[:, None] - driven_at) > 2, axis=1)
        clear &= ~np.any((at[:, None] > driven_at) & (at[:, None] < driven_at + 200), axis=1)
        at = at[clear]
    both = np.concatenate([at, driven_at])
    order = np.argsort(both, kind="stable")
    driven = np.concatenate([np.zeros(len(at), bool), np.ones(len(driven_at), bool)])[order]
    at = both[order]
    supply = np.where(driven, 0.7 * 12.0, 0.0)
    wind = np.interp(at, clock, winding)
    for end in ends if bench.form == "driven" else []:
        since = at - (end - 60 - 9 * index)
        wind = wind + np.where(driven & (since > 0) & (since < 3), since * 8.4**2 / part[2] / 25, 0)
    phase = np.searchsorted(np.array(ends), at)
    shown = _lag(body, 8.0, 5.0, room)
    track = Track(*part, at, phase, np.interp(at, clock, body), wind, driven, supply)
    _probe(bench, track, np.interp(at, clock, shown))
    return track


def _probe(bench: Bench, track: Track, seen: Floats) -> None:
    """Let the probe show its body with an offset, a gain and noise."""
    rng = bench.rng
    shown = 20 + (seen - 20) * (1 + rng.normal(0, 0.001)) + rng.normal(0, 0.15)
    track.probe_degC = shown + rng.normal(0, 0.05, size=len(seen))


def read(bench: Bench, drive_ohm: dict[str, Floats] | None = None) -> None:
    """Let the instruments read all coils; `drive_ohm` is what a coil has under the drive, if not the same."""
    for track in bench.tracks:
        rng = np.random.default_rng([bench.seed, int(track.label[1:]), 5])
        scatter = rng.normal(0, bench.noise_ohm, size=len(track.ohm))
        track.shown_ohm = track.ohm * (1 + bench.gain) + bench.offset_ohm + scatter
        under = track.ohm if drive_ohm is None else drive_ohm.get(track.label, track.ohm)
        limit = 4.0
        track.amp = np.where(track.driven, np.minimum(track.supply_V / under, limit), 0.0)
        track.volt = np.where(track.driven, np.minimum(track.supply_V, limit * under), 0.0)
        track.amp = track.amp + track.driven * rng.normal(0, 2e-4, size=len(under))
        track.volt = track.volt + track.driven * rng.normal(0, 5e-4, size=len(under))


def rows(bench: Bench) -> list[Row]:
    """Return the rows as written, in order of time (coil by coil where there is no clock)."""
    out: list[tuple[float, int, Row]] = []
    for index, track in enumerate(bench.tracks):
        for k, t in enumerate(track.time_s):
            row = {"coil": track.label}
            if bench.form != "hand":
                row["time_s"] = f"{t:.1f}"
            row["probe_degC"] = f"{track.probe_degC[k]:.1f}"
            value = track.shown_ohm[k]
            if track.driven[k]:
                row["resistance_ohm"] = ""
            else:
                row["resistance_ohm"] = "OL" if value > 120 else f"{value:.{bench.ohm_digits}f}"
            if bench.form == "driven":
                row["voltage_V"] = f"{track.volt[k]:.3f}" if track.driven[k] else ""
                row["current_A"] = f"{track.amp[k]:.4f}" if track.driven[k] else ""
            out.append((t, index, row))
    if bench.form == "hand":
        table = [row for _, _, row in out]
    else:
        table = [row for _, _, row in sorted(out, key=lambda item: (item[0], item[1]))]
    for change in bench.clerk:
        table = change(table)
    return table


def as_csv(table: list[Row]) -> str:
    """Return the rows as a table with commas."""
    text = io.StringIO()
    writer = csv.DictWriter(text, list(table[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(table)
    return text.getvalue()


def set_file(bench: Bench) -> str:
    """Return the coil-set file that a person would have for these coils."""
    lines = [
        'name = "another bench (invented)"',
        'heat = "oven"',
        "system_V = 12.0",
        "[limits]",
        "body_degC = 110.0",
        "winding_degC = 160.0",
        "[kinds.valve]",
        f"r20_ohm = {bench.nominal_ohm:.2f}",
        "r20_tolerance_rel = 0.10",
        "max_current_A = 4.5",
        "joint_max_ohm = 0.10",
        f"peer_max_ohm = {0.03 * bench.nominal_ohm:.3f}",
        "drift_max_rel = 0.01",
    ]
    for track in bench.tracks:
        lines += ["[[coils]]", f'label = "{track.label}"', f'kind = "{track.kind}"']
    return "\n".join(lines) + "\n"
