"""The probe on a coil's body, and how it comes off: what it is at, not what a thermometer makes of it."""

from __future__ import annotations

import math

from daq.sim.faults import ProbeFault

#: A probe that slid as far as it goes still touches the body a little.
_SLID_SHARE = 0.9


class Probe:
    """Where one probe is. Its fault begins when the body first passes the fault's temperature."""

    def __init__(self, fault: ProbeFault | None) -> None:
        self._fault = fault
        self._hottest_degC = -math.inf
        self._began: tuple[float, float] | None = None

    def temperature_degC(
        self, now_s: float, on_degC: float, body_degC: float, air_degC: float
    ) -> float | None:
        """Return what the probe is at; None once its wire is broken.

        Args:
            now_s: The world's time.
            on_degC: What it would be at where it was put.
            body_degC: The body that its fault goes by.
            air_degC: The air that it hangs in once it is off.
        """
        fault = self._fault
        if fault is None:
            return on_degC
        self._hottest_degC = max(self._hottest_degC, body_degC)
        passed = self._hottest_degC > fault.at_degC
        begins = passed and (not fault.on_the_way_down or body_degC < fault.at_degC)
        if self._began is None and begins:
            self._began = (now_s, on_degC)
        if self._began is None:
            return on_degC
        began_s, was_degC = self._began
        past = (now_s - began_s) / fault.within_s
        match fault.becomes:
            case "off":
                return air_degC + (was_degC - air_degC) * math.exp(-past)
            case "sliding":
                return on_degC + min(past, 1.0) * _SLID_SHARE * (air_degC - on_degC)
            case "frozen":
                return was_degC
            case "open":
                return None
