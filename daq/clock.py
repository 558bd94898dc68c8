"""Where time comes from; no other module asks the system for it.

Procedures take a clock and never know which: the same soak runs in real time on
instruments, in virtual time on the simulated bench, and in scaled time against
``practice``.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """A source of time, and the only way to wait."""

    def monotonic(self) -> float:
        """Return seconds since an arbitrary origin; never goes back."""
        ...

    def utc(self) -> datetime:
        """Return the present, timezone-aware, in UTC."""
        ...

    def sleep(self, seconds: float) -> None:
        """Wait for *seconds* of this clock's time; zero and less return at once."""
        ...


class RealClock:
    """Wall time of this machine."""

    def monotonic(self) -> float:
        """Return seconds since an arbitrary origin."""
        return time.monotonic()

    def utc(self) -> datetime:
        """Return the present in UTC."""
        return datetime.now(UTC)

    def sleep(self, seconds: float) -> None:
        """Wait *seconds* of wall time."""
        if seconds > 0:
            time.sleep(seconds)


class VirtualClock:
    """Time that passes only when somebody waits: hours of soak in seconds, exactly repeatable."""

    def __init__(self, start: datetime = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)) -> None:
        self._start = start
        self._elapsed_s = 0.0

    def monotonic(self) -> float:
        """Return virtual seconds since the clock was made."""
        return self._elapsed_s

    def utc(self) -> datetime:
        """Return the start plus the virtual seconds."""
        return self._start + timedelta(seconds=self._elapsed_s)

    def sleep(self, seconds: float) -> None:
        """Advance by *seconds* and return at once."""
        if seconds > 0:
            self._elapsed_s += seconds


def local_offset_min(clock: Clock) -> int:
    """Return by how many minutes the bench's wall clock is ahead of UTC now; 0 in virtual time."""
    if isinstance(clock, VirtualClock):
        return 0
    ahead = clock.utc().astimezone().utcoffset() or timedelta()
    return round(ahead.total_seconds() / 60.0)


class ScaledClock:
    """Wall time run *scale* times faster: what ``practice`` and its clients share."""

    def __init__(self, scale: float) -> None:
        if not scale > 0:
            raise ValueError(f"time scale {scale!r} must be above 0")
        self.scale = scale
        self._origin_s = time.monotonic()
        self._start = datetime.now(UTC)

    def monotonic(self) -> float:
        """Return scaled seconds since the clock was made."""
        return (time.monotonic() - self._origin_s) * self.scale

    def utc(self) -> datetime:
        """Return the start plus the scaled seconds."""
        return self._start + timedelta(seconds=self.monotonic())

    def sleep(self, seconds: float) -> None:
        """Wait *seconds* of scaled time."""
        if seconds > 0:
            time.sleep(seconds / self.scale)
