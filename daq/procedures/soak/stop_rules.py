"""When enough is known: the uncertainties that a set asks for, and holds and cool-downs that end by them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import inf

import numpy as np

from analysis.model import Accuracy, Trace
from analysis.physics.copper import ALPHA20_PER_K
from analysis.statistics.settle import left_to_go
from analysis.trace.known_so_far import Known
from daq.bench.fits import FitRequest, Fits
from daq.config.coil_set import LEAST_COOL_S
from daq.record.format import INSULATION
from daq.record.writer import Reading

#: A fit takes a second or two: first after the least cool-down, again when it is longer by this factor.
FIT_AGAIN = 1.15
#: A hold is never shorter, and is looked at so often.
LEAST_HOLD_S, HOLD_AGAIN_S = 60.0, 30.0
#: A coil on the move is fitted again after so much longer.
RAMP_AGAIN = 1.02
#: So many readings in a row without a resistance: there is no winding to know.
OPEN_READINGS = 3
#: Masses that hang on a held body follow it within about this long (common practice, no source).
SLOWEST_S = 300.0


@dataclass(frozen=True)
class Targets:
    """Standard uncertainties (k = 1) at which a coil is known well enough; None: not asked for."""

    joint_u_ohm: float | None = None
    r20_u_rel: float | None = None
    drift_u_rel: float | None = None

    @property
    def asked(self) -> bool:
        """Whether anything ends before its full time."""
        return any(each is not None for each in (self.joint_u_ohm, self.r20_u_rel, self.drift_u_rel))

    def reached(self, known: Known) -> bool:
        """Whether *known* is as good as what is asked for."""
        pairs = (
            (known.joint_u_ohm, self.joint_u_ohm),
            (known.r20_u_rel, self.r20_u_rel),
            (known.drift_u_rel, self.drift_u_rel),
        )
        return all(wanted is None or u <= wanted for u, wanted in pairs)


class CoolingFit:
    """One cooling coil: has its trace fitted now and then, and says what is known of it."""

    def __init__(self, targets: Targets, accuracy: Accuracy, fits: Fits) -> None:
        self._targets = targets
        self._accuracy = accuracy
        self._fits = fits
        self._asked: FitRequest | None = None
        self._due_s = LEAST_COOL_S if targets.asked else inf

    def look(self, readings: Sequence[Reading], cooled_s: float) -> Known | None:
        """Return what is known once it is enough, else None: what a fit says that was asked for earlier.

        Args:
            readings: All of the coil, cold before heat to now.
            cooled_s: Since it was switched off.
        """
        if self._asked is None:
            if cooled_s < self._due_s:
                return None
            self._due_s = cooled_s * FIT_AGAIN
            self._asked = self._fits.ask(trace_of(readings), self._accuracy)
        known = self._asked.answer()
        if known is None:
            return None
        self._asked = None
        return known if self._targets.reached(known) else None


class Holding:
    """Coils held at a temperature: tells when what will still change is small against what is asked for."""

    def __init__(self, targets: Targets, began_s: float) -> None:
        self._tolerance_rel = targets.r20_u_rel
        self.began_s = began_s
        self._due_s = began_s + LEAST_HOLD_S
        self._bodies: dict[str, list[tuple[float, float]]] = {}
        self._windings: dict[str, list[tuple[float, float]]] = {}

    def add(self, coil: str, time_s: float, body_degC: float | None, winding_ohm: float | None) -> None:
        """Take what is known of a held coil at one time; nothing is kept where nothing was asked for."""
        if self._tolerance_rel is None:
            return
        if body_degC is not None:
            self._bodies.setdefault(coil, []).append((time_s, body_degC))
        if winding_ohm is not None:
            self._windings.setdefault(coil, []).append((time_s, winding_ohm))

    def over(self, now_s: float) -> bool:
        """Whether body and winding of each coil have, but for the uncertainty asked for, come to rest."""
        rel = self._tolerance_rel
        if rel is None or now_s < self._due_s or not self._bodies:
            return False
        self._due_s = now_s + HOLD_AGAIN_S
        return all(_at_rest(body, rel / ALPHA20_PER_K) for body in self._bodies.values()) and all(
            _at_rest(winding, rel * winding[-1][1]) for winding in self._windings.values()
        )


class Passing:
    """Coils on the move in an oven: tells which are known so well that nobody has to wait for rest.

    *kept* gives what was read of a coil since it was cold.
    """

    def __init__(
        self, targets: Targets, accuracy: Accuracy, kept: Callable[[str], Sequence[Reading]], fits: Fits
    ) -> None:
        self._hot = replace(targets, drift_u_rel=None)
        self._cold = Targets(drift_u_rel=targets.drift_u_rel)
        self._accuracy = accuracy
        self._kept = kept
        self._fits = fits
        self._asked: dict[str, FitRequest] = {}
        self._due_s: dict[str, float] = {}
        self._enough: set[tuple[str, bool]] = set()

    def hot(self, coil: str) -> bool:
        """Whether R20 and joint of *coil* are known as well as is asked for, or there is nothing to know."""
        last = self._kept(coil)[-OPEN_READINGS:]
        return all(row.resistance_ohm is None for row in last) or self._reached(coil, back=False)

    def cold(self, coil: str) -> bool:
        """Whether all is known of *coil*, its drift too; where no fit tells of it, its drift alone."""
        return self._cold.asked and self._reached(coil, back=True)

    def _reached(self, coil: str, *, back: bool) -> bool:
        if (coil, back) in self._enough:
            return True
        rows = self._kept(coil)
        now_s = rows[-1].time_s
        if coil not in self._asked and now_s >= self._due_s.get(coil, 0.0):
            self._due_s[coil] = now_s * RAMP_AGAIN
            self._asked[coil] = self._fits.ask(trace_of(rows), self._accuracy)
        known = self._asked[coil].answer() if coil in self._asked else None
        if known is not None:
            del self._asked[coil]
            hot = self._hot.reached(known)
            if (self._cold.reached(known) and (hot or known.joint_u_ohm == inf)) if back else hot:
                self._enough.add((coil, back))
        return (coil, back) in self._enough


def _at_rest(points: Sequence[tuple[float, float]], tolerance: float) -> bool:
    times_s, values = zip(*points, strict=True)
    left, u = left_to_go(times_s, values, slowest_s=SLOWEST_S)
    return abs(left) + 2.0 * u <= tolerance


def trace_of(readings: Sequence[Reading]) -> Trace:
    """Return the readings of one coil in time order as judging wants them; insulation is left out."""
    rows = sorted((r for r in readings if r.source != INSULATION), key=lambda r: r.time_s)

    def numbers(name: str) -> np.ndarray:
        return np.array([getattr(row, name) for row in rows], dtype=np.float64)

    def words(name: str) -> np.ndarray:
        return np.array([getattr(row, name) for row in rows], dtype=np.str_)

    return Trace(
        coil=rows[0].coil if rows else "",
        time_s=numbers("time_s"),
        probe_degC=numbers("probe_degC"),
        resistance_ohm=numbers("resistance_ohm"),
        voltage_V=numbers("voltage_V"),
        current_A=numbers("current_A"),
        phase=words("phase"),
        source=words("source"),
        status=words("status"),
        energy_J=numbers("energy_J"),
    )
