"""When the coils will have settled, told from their approach so far."""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Sequence

from analysis.statistics.settle import predict
from daq.record.writer import Reading

#: So much of the approach is looked at: older readings are of the oven's ramp and not of its end.
SEEN_S = 600.0
#: A fit takes milliseconds; in between, time passes as forecast.
EVERY_S = 120.0
#: A forecast whose end is known no better than this is not told.
SURE_K = 0.5


class Forecast:
    """Follows the bodies and tells when the slowest will move by less than *tolerance_K* over *window_s*."""

    def __init__(self, *, window_s: float, tolerance_K: float) -> None:
        self._window_s, self._tolerance_K = window_s, tolerance_K
        self._bodies: dict[str, deque[tuple[float, float]]] = defaultdict(deque)
        self._asked_s = float("-inf")
        self._settled_s: float | None = None

    def add(self, reading: Reading) -> None:
        """Take the newest reading of a coil and forget what is long past."""
        if reading.probe_degC is None:
            return
        body = self._bodies[reading.coil]
        body.append((reading.time_s, reading.probe_degC))
        while body[0][0] < reading.time_s - SEEN_S:
            body.popleft()

    def left_s(
        self, waiting: Sequence[str], now_s: float, target_degC: float, reach_K: float
    ) -> float | None:
        """Return in how many seconds all have settled, 0 where they should have; None while nothing is sure.

        Args:
            waiting: The coils that have not settled.
            now_s: Time of the run.
            target_degC: Where they are to settle.
            reach_K: An end further from it than this is not the end.
        """
        if not waiting:
            return 0.0
        if now_s >= self._asked_s + EVERY_S:
            self._asked_s = now_s
            settled_s = self._forecast(waiting, target_degC, reach_K)
            if settled_s is not None:  # where a new fit says nothing, the last one that did still stands
                self._settled_s = settled_s
        return None if self._settled_s is None else max(self._settled_s - now_s, 0.0)

    def _forecast(self, waiting: Sequence[str], target_degC: float, reach_K: float) -> float | None:
        followed = [self._bodies[coil] for coil in waiting if self._bodies[coil]]
        if not followed:
            return None
        times_s, bodies_degC = zip(*max(followed, key=self._moved_K), strict=True)
        approach = predict(times_s, bodies_degC)
        if approach is None or approach.u_final > SURE_K or abs(approach.final - target_degC) > reach_K:
            return None
        left_s = approach.settles_in_s(window_s=self._window_s, tolerance=self._tolerance_K)
        return float(times_s[-1]) + left_s

    def _moved_K(self, body: deque[tuple[float, float]]) -> float:
        last_s, last_degC = body[-1]
        before = next(degC for time_s, degC in body if time_s >= last_s - self._window_s)
        return abs(last_degC - before)
