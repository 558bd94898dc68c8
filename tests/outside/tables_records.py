"""What drives, probes, leads, meters, clocks and whoever keeps a table do to its record."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from .tables_laws import OPEN
from .tables_physics import Log, Scene

Rng = np.random.Generator
After = Callable[[Scene, list[int], Rng], None]
Table = Callable[[Scene, list[int], list[dict[str, str]], Rng], list[dict[str, str]]]


def blank_opens(word: str) -> After:
    """The recorder writes `word` where the coil is open; 'held' repeats the last good value."""

    def put(the: Scene, which: list[int], rng: Rng) -> None:
        for i in which:
            log = the.logs[i]
            cells = log.cells["resistance_ohm"]
            last = cells[0]
            for k in range(len(cells)):
                if log.driven[k]:
                    continue
                if log.ohm[k] > 120:
                    cells[k] = last if word == "held" else word
                else:
                    last = cells[k]

    return put


# --- drives -------------------------------------------------------------------------------------------------


def drive(shown: Callable[[Scene, Log, Rng], tuple[np.ndarray, np.ndarray]]) -> After:
    """Change what the supply shows while it drives."""

    def put(the: Scene, which: list[int], rng: Rng) -> None:
        for i in which:
            log = the.logs[i]
            volt, amp = shown(the, log, rng)
            log.volt = np.where(log.driven, volt, log.volt)
            log.amp = np.where(log.driven, amp, log.amp)

    return put


def diode(the: Scene, log: Log, rng: Rng) -> tuple[np.ndarray, np.ndarray]:
    """A diode across the coil: its own drop, at the limit of current."""
    amp = np.full(len(log.ohm), the.limit_A)
    return 0.72 - 0.002 * (log.winding_degC - 20) + 0.02 * amp, amp


def breakdown(the: Scene, log: Log, rng: Rng) -> tuple[np.ndarray, np.ndarray]:
    """Turns that touch under voltage only."""
    ohm = log.ohm * rng.uniform(0.55, 0.85)
    amp = np.minimum(log.volt / ohm, the.limit_A)
    return amp * ohm, amp


def limited(the: Scene, log: Log, rng: Rng) -> tuple[np.ndarray, np.ndarray]:
    """A sound coil that the supply drives with one ampere at most."""
    amp = np.minimum(1.0, log.volt / log.ohm)
    return amp * log.ohm, amp


def dead_drive(the: Scene, log: Log, rng: Rng) -> tuple[np.ndarray, np.ndarray]:
    """The ohmmeter finds the coil, the supply does not."""
    return log.volt, np.zeros(len(log.ohm))


# --- probes -------------------------------------------------------------------------------------------------


def since(log: Log, at_degC: float) -> np.ndarray:
    """Return which rows come after the body first passed a temperature."""
    above = np.flatnonzero(log.body_degC > at_degC)
    late = np.zeros(len(log.body_degC), dtype=bool)
    if len(above):
        late[above[0] :] = True
    return late


def probe(change: Callable[[Scene, Log, Rng], np.ndarray]) -> After:
    """Change what the probe shows."""

    def put(the: Scene, which: list[int], rng: Rng) -> None:
        for i in which:
            the.logs[i].probe_degC = change(the, the.logs[i], rng)

    return put


def falls_out(the: Scene, log: Log, rng: Rng) -> np.ndarray:
    """From 60 degC on it hangs outside, more or less."""
    late, share = since(log, 60), rng.uniform(0.0, 0.4)
    return np.where(late, log.room_degC + share * (log.air_degC - log.room_degC), log.probe_degC)


def falls_in(the: Scene, log: Log, rng: Rng) -> np.ndarray:
    """From 60 degC on it hangs in the air of the oven."""
    return np.where(since(log, 60), log.air_degC, log.probe_degC)


def half_off(the: Scene, log: Log, rng: Rng) -> np.ndarray:
    """From 60 degC on it touches with one edge."""
    share = rng.uniform(0.8, 0.93)
    return np.where(since(log, 60), log.room_degC + share * (log.probe_degC - log.room_degC), log.probe_degC)


def slides(the: Scene, log: Log, rng: Rng) -> np.ndarray:
    """It loses contact by and by."""
    lost = rng.uniform(0.05, 0.15) * log.time_s / log.time_s[-1]
    return log.probe_degC - lost * (log.probe_degC - log.room_degC)


def frozen(the: Scene, log: Log, rng: Rng) -> np.ndarray:
    """From 60 degC on it shows one value."""
    late = since(log, 60)
    held = log.probe_degC[late][0] if late.any() else 60.0
    return np.where(late, held, log.probe_degC)


def swap_probes(the: Scene, which: list[int], rng: Rng) -> None:
    """Two neighbours have the probe of each other."""
    a, b = (the.logs[i] for i in which)
    if len(a.time_s) == len(b.time_s):
        a.probe_degC, b.probe_degC = b.probe_degC, a.probe_degC


def probe_cells(late_degC: float, word: str) -> After:
    """Write a word instead of the temperature once the body passed one."""

    def put(the: Scene, which: list[int], rng: Rng) -> None:
        for i in which:
            log = the.logs[i]
            for k in np.flatnonzero(since(log, late_degC)):
                log.cells["probe_degC"][k] = word

    return put


# --- cells and tables ---------------------------------------------------------------------------------------


def cells(change: Callable[[Log, int, str, Rng], str], column: str = "resistance_ohm") -> After:
    """Change each filled cell of a column."""

    def put(the: Scene, which: list[int], rng: Rng) -> None:
        for i in which:
            log = the.logs[i]
            cells = log.cells[column]
            for k in range(len(cells)):
                if cells[k] and (column != "resistance_ohm" or not log.driven[k]):
                    cells[k] = change(log, k, cells[k], rng)

    return put


def scaled(share: float, factor: float) -> Callable[[Log, int, str, Rng], str]:
    """Multiply a share of the cells: another unit."""

    def change(log: Log, k: int, cell: str, rng: Rng) -> str:
        if rng.random() >= share or not cell[0].isdigit():
            return cell
        return f"{float(cell) * factor:.7g}"

    return change


def lost_digit(log: Log, k: int, cell: str, rng: Rng) -> str:
    """Lose the decimal point, three times in a thousand."""
    return cell.replace(".", "", 1) if rng.random() < 0.003 else cell


def stuck(log: Log, k: int, cell: str, rng: Rng) -> str:
    """Repeat the value that was there when the body passed 60 degC."""
    late = np.flatnonzero(since(log, 60))
    return log.cells["resistance_ohm"][int(late[0])] if len(late) and k >= late[0] else cell


def blank_hot(above: float) -> Callable[[Log, int, str, Rng], str]:
    """Leave the cell empty above a temperature."""
    return lambda log, k, cell, rng: "" if log.winding_degC[k] > above else cell


def blank_late(log: Log, k: int, cell: str, rng: Rng) -> str:
    """Leave the cell empty once the body passed 60 degC."""
    return "" if since(log, 60)[k] else cell


def rows_where(keep: Callable[[Log, int], bool]) -> Table:
    """Drop rows of the faulty coils."""

    def change(the: Scene, which: list[int], table: list[dict[str, str]], rng: Rng) -> list[dict[str, str]]:
        drop = set()
        for i in which:
            log = the.logs[i]
            label = log.coil.label
            gone = {k for k in range(len(log.time_s)) if not keep(log, k)}
            seen = 0
            for n, row in enumerate(table):
                if row["coil"] == label:
                    if seen in gone:
                        drop.add(n)
                    seen += 1
        return [row for n, row in enumerate(table) if n not in drop]

    return change


def swap_labels(the: Scene, which: list[int], rng: Rng) -> None:
    """From half-way on the two coils' resistances are in each other's rows."""
    a, b = (the.logs[i] for i in which)
    n = min(len(a.ohm), len(b.ohm))
    start = int(n * rng.uniform(0.3, 0.6))
    a.ohm[start:n], b.ohm[start:n] = b.ohm[start:n].copy(), a.ohm[start:n].copy()


def shorted_together(the: Scene, which: list[int], rng: Rng) -> None:
    """Two coils lie in parallel, from the start or from some time on."""
    a, b = (the.logs[i] for i in which)
    n = min(len(a.ohm), len(b.ohm))
    # without a nominal value two halves from the start are another kind
    start = 0 if the.with_set and rng.random() < 0.4 else int(n * rng.uniform(0.2, 0.6))
    both = 1 / (1 / a.ohm[start:n] + 1 / b.ohm[start:n])
    a.ohm[start:n] = both
    b.ohm[start:n] = both


def range_change(the: Scene, which: list[int], rng: Rng) -> None:
    """Another range of the meter above a temperature: an offset for all coils."""
    at, step = rng.uniform(40, 80), rng.choice([-1, 1]) * rng.uniform(0.01, 0.03)
    for i in which:
        log = the.logs[i]
        log.ohm = log.ohm + np.where(log.winding_degC > at, step, 0.0)


def meter_drift(the: Scene, which: list[int], rng: Rng) -> None:
    """The gain of the meter drifts over the run."""
    share = rng.choice([-1, 1]) * rng.uniform(0.002, 0.006)
    for i in which:
        log = the.logs[i]
        log.ohm = log.ohm * (1 + share * log.time_s / max(the.logs[j].time_s[-1] for j in which))


def two_wire(the: Scene, which: list[int], rng: Rng) -> None:
    """The leads are in all readings."""
    lead = rng.uniform(0.2, 0.4)
    for i in which:
        the.logs[i].ohm = the.logs[i].ohm + lead


def clock_jump(the: Scene, which: list[int], rng: Rng) -> None:
    """The clock is set on or back by an hour, or starts again."""
    at = rng.uniform(0.3, 0.7) * max(log.time_s[-1] for log in the.logs)
    jump = float(rng.choice([3600.0, -3600.0, -at]))
    for log in the.logs:
        log.cells["time_s"] = [f"{t + (jump if t > at else 0.0):.2f}" for t in log.time_s]


def double_blocks(
    the: Scene, which: list[int], table: list[dict[str, str]], rng: Rng
) -> list[dict[str, str]]:
    """A block of rows stands there twice."""
    start = int(rng.integers(0, max(len(table) // 2, 1)))
    end = start + len(table) // 5 + 1
    return table[:end] + table[start:end] + table[end:]


def cut(the: Scene, which: list[int], table: list[dict[str, str]], rng: Rng) -> list[dict[str, str]]:
    """The table ends on the way up."""
    limit = rng.uniform(45, 66)
    late = [log.time_s[np.flatnonzero(since(log, limit))[0]] for log in the.logs if since(log, limit).any()]
    end = min(late)
    keep = {log.coil.label: int(np.sum(log.time_s < end)) for log in the.logs}
    out = []
    for row in table:
        if keep[row["coil"]] > 0:
            keep[row["coil"]] -= 1
            out.append(row)
    return out


def spaces(the: Scene, which: list[int], table: list[dict[str, str]], rng: Rng) -> list[dict[str, str]]:
    """Some labels have a blank behind them."""
    return [{**row, "coil": row["coil"] + (" " if rng.random() < 0.3 else "")} for row in table]


def hot_noise(factor: float, outliers: int) -> Callable[[Log, np.ndarray], np.ndarray]:
    """Scatter of meter and leads that grows with the oven's fan, on a sound coil."""

    def change(log: Log, scatter: np.ndarray) -> np.ndarray:
        rng = np.random.default_rng(len(scatter))
        wide = np.where(log.winding_degC > 45, factor, 1.0)
        out = scatter * wide
        hot = np.flatnonzero(log.hot(60) & ~log.driven)
        for k in rng.permutation(hot)[:outliers]:
            out[k] *= 2.2
        return out

    return change


def dropped_late(the: Scene, which: list[int], rng: Rng) -> None:
    """Open in the last one to three readings of the hottest hold, and never elsewhere."""
    for i in which:
        log = the.logs[i]
        top = np.flatnonzero((log.body_degC > np.max(log.body_degC) - 1) & ~log.driven)
        log.ohm[top[-int(rng.integers(1, 4)) :]] = OPEN


def hiccup(sound: float, rng: Rng) -> float:
    """Return an open, or tens of ohms too much."""
    return OPEN if rng.random() < 0.5 else sound + rng.uniform(20, 110)
