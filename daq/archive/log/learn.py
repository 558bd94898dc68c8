"""Limits for a kind of coil, learned from the shop's own sound coils: proposed, never applied."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil, floor, log10

import numpy as np

from analysis.arrays import FloatArray
from analysis.history.standing import of_log
from analysis.model import Verdict
from analysis.statistics.tolerance import LEAST, Tolerance, tolerance
from daq.archive.log.schema import fold
from daq.archive.log.search import Wanted, run_condition
from daq.errors import InputError


@dataclass(frozen=True)
class Asked:
    """What is to be learned: the *kind*, from which runs, and how sure the limits are to be."""

    kind: str
    wanted: Wanted
    simulated: bool
    content: float
    confidence: float


@dataclass(frozen=True)
class Sample:
    """The newest judgement of each coil of one kind, where a pass stands with a known R20.

    In order of R20 and *identity* (what the coil is known by); arrays have shape (n,). *others* counts
    coils of which no pass stands: what a soak found, a later sweep does not take back.
    """

    identity: tuple[str, ...]
    r20_ohm: FloatArray
    r20_U_ohm: FloatArray
    others: int

    @classmethod
    def of_rows(cls, rows: Iterable[tuple[str, str, Verdict, float | None, float | None]]) -> Sample:
        """Return the sample of *rows*: identity, procedure, verdict, R20 and its U.

        Of each coil its newest soak and its newest sweep, the older of the two first.
        """
        coils: dict[str, list[tuple[str, Verdict, float | None, float | None]]] = {}
        for identity, procedure, verdict, r20_ohm, r20_U_ohm in rows:
            coils.setdefault(identity, []).append((procedure, verdict, r20_ohm, r20_U_ohm))
        sound = sorted(
            (r20_ohm, identity, np.nan if r20_U_ohm is None else r20_U_ohm)
            for identity, tests in coils.items()
            for *_, r20_ohm, r20_U_ohm in tests[-1:]
            if of_log((procedure, verdict) for procedure, verdict, *_ in tests) == "pass"
            and r20_ohm is not None
        )
        return cls(
            identity=tuple(identity for _, identity, _ in sound),
            r20_ohm=np.array([r20_ohm for r20_ohm, _, _ in sound], dtype=np.float64),
            r20_U_ohm=np.array([r20_U_ohm for _, _, r20_U_ohm in sound], dtype=np.float64),
            others=len(coils) - len(sound),
        )


@dataclass(frozen=True)
class Lesson:
    """What came of it: both intervals of R20 in ohms, and the lines for a coil-set file.

    *apart* are the coils that were set aside, *verdicts* what those of the sample would have by the lines,
    with a guard band of one U.
    """

    asked: Asked
    others: int
    apart: tuple[str, ...]
    tolerance: Tolerance
    median_U_ohm: float | None
    lines: tuple[str, ...]
    verdicts: dict[Verdict, int]


def sample_of_index(index: sqlite3.Connection, asked: Asked) -> Sample:
    """Return the coils that *asked* is about from the index of run folders.

    One coil counts once, by its newest judgement: known again by its serial, else by job and label.

    Raises:
        InputError: Something was asked of the coils that would choose among them, or there is no such kind.
    """
    require_whole_kind(asked)
    where, values = run_condition(asked.wanted)
    newest = (
        "SELECT identity, procedure, verdict, r20_ohm, r20_U_ohm, start, LTRIM(place || '/' || name, '/') AS "  # noqa: S608 - ours
        "at, number, ROW_NUMBER() OVER (PARTITION BY identity, procedure "
        "ORDER BY start DESC, LTRIM(place || '/' || name, '/') DESC, number DESC) AS age "
        "FROM coil JOIN run ON run.id = coil.run "
        f"WHERE {where} AND kind_key = ? AND simulated = ? AND verdict <> ''"
    )
    rows = index.execute(
        f"SELECT identity, procedure, verdict, r20_ohm, r20_U_ohm FROM ({newest}) WHERE age = 1 "  # noqa: S608 - as before
        "ORDER BY start, at, number",
        (*values, fold(asked.kind), asked.simulated),
    )
    require_known_kind(asked, (kind for (kind,) in index.execute("SELECT DISTINCT kind_key FROM coil")))
    return Sample.of_rows(rows.fetchall())


def require_known_kind(asked: Asked, kinds: Iterable[str]) -> None:
    """Refuse a kind that is none of *kinds*, free of case.

    Raises:
        InputError: The message names those that there are.
    """
    known = sorted(set(kinds))
    if fold(asked.kind) not in known:
        one_of = f"expected one of {', '.join(known)}" if known else "nor is there any other"
        raise InputError(f"--learn {asked.kind}: no coil of that kind was found, {one_of}")


def require_whole_kind(asked: Asked) -> None:
    """Refuse to learn from coils chosen by their verdict or name: such limits would say what was chosen.

    Raises:
        InputError: The message says which choices there are.
    """
    if asked.wanted.of_coil() or asked.wanted.job:
        choices = "choose among the runs by --stage, --since and --until"
        raise InputError(f"--learn {asked.kind}: learns from all coils of a kind; {choices}")


def learn_limits(sample: Sample, asked: Asked) -> Lesson:
    """Return the limits that *sample* speaks for.

    Raises:
        InputError: There are too few coils, or they scatter too much for any limit.
    """
    try:
        limits = tolerance(sample.r20_ohm, asked.content, asked.confidence)
    except ValueError as exc:
        few = f"{len(sample.identity)} sound coils, expected at least {LEAST} that do not stand apart"
        real = "" if asked.simulated else "; runs of the simulated bench count with --simulated only"
        raise InputError(f"--learn {asked.kind}: {few}{real}") from exc
    if not limits.best.low > 0.0:
        span = f"{limits.best.low:g} to {limits.best.high:g} ohm"
        raise InputError(f"--learn {asked.kind}: R20 scatters from {span}, so no limit can be proposed")
    r20_ohm, reach_rel, digits = _rounded_outwards(limits)
    known_U = sample.r20_U_ohm[np.isfinite(sample.r20_U_ohm)]
    return Lesson(
        asked=asked,
        others=sample.others,
        apart=tuple(sample.identity[place] for place in limits.outlying),
        tolerance=limits,
        median_U_ohm=float(np.median(known_U)) if known_U.size else None,
        lines=(
            f"r20_ohm = {r20_ohm:.{digits}f}",
            f"r20_tolerance_rel = {reach_rel:.6g}",
            f"r20_spread_rel = {_up(limits.sd / r20_ohm):.6g}",
        ),
        verdicts=_verdicts(sample, r20_ohm, reach_rel * r20_ohm),
    )


def _rounded_outwards(limits: Tolerance) -> tuple[float, float, int]:
    """Return R20 in ohms, its tolerance as a share, and R20's decimals: they hold all of the interval."""
    low, high = limits.best.low, limits.best.high
    # To a hundredth of the tolerance; where all values are the same, to a millionth of them.
    digits = max(0, 2 - floor(log10(max((high - low) / 2.0, 1e-6 * high))))
    centre = round((low + high) / 2.0, digits)
    return centre, _up(max(high - centre, centre - low) / centre), digits


def _up(share: float) -> float:
    """Return *share* rounded up to two significant figures, and to no less than a hundred-thousandth."""
    share = max(share, 1e-5)
    step = 10.0 ** (floor(log10(share)) - 1)
    return ceil(round(share / step, 6)) * step  # 10.000000000000002 is ten


def _verdicts(sample: Sample, r20_ohm: float, reach_ohm: float) -> dict[Verdict, int]:
    off = np.abs(sample.r20_ohm - r20_ohm)
    guard = np.nan_to_num(sample.r20_U_ohm)
    passed, failed = off + guard <= reach_ohm, off - guard > reach_ohm
    return {
        "pass": int(passed.sum()),
        "retest": int((~passed & ~failed).sum()),
        "fail": int(failed.sum()),
    }
