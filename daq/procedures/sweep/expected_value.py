"""What a coil should read, for whoever types a figure or holds the leads: slips, and a word on the spot.

The verdict is made by the analysis afterwards, with uncertainties; this only asks 'sure?' in time.
"""

from __future__ import annotations

from statistics import median

from analysis.physics.copper import to_20degC
from daq.config.coil_set import CoilSet

#: Further off than this, either way, a figure is a slip before it is a coil.
SLIP = 3.0
#: So near to a power of ten a factor is told as one.
_NEAR = 1.35
_TENS = {
    0.001: "a thousandth of",
    0.01: "a hundredth of",
    0.1: "a tenth of",
    10.0: "ten times",
    100.0: "a hundred times",
    1000.0: "a thousand times",
}


def figure(ohm: float) -> str:
    """Return *ohm* at four figures, zeros behind the point included."""
    return f"{ohm:#.4g}".rstrip(".")


class Plausible:
    """What each coil of a set should read: its nominal value, else the middle of its like read so far."""

    def __init__(self, coil_set: CoilSet) -> None:
        self._kind = {coil.label: coil.kind for coil in coil_set.coils}
        self._limits = coil_set.kind_limits()
        self._r20_ohm: dict[str, float] = {}

    def seen(self, coil: str, ohm: float | None, ambient_degC: float | None) -> float | None:
        """Take a reading of *coil*, in place of an earlier one; return it at 20 degC, None where unknown."""
        self._r20_ohm.pop(coil, None)
        if ohm is None or ambient_degC is None:
            return None
        self._r20_ohm[coil] = to_20degC(ohm, ambient_degC)
        return self._r20_ohm[coil]

    def slip(self, coil: str, ohm: float) -> str:
        """Say how far *ohm* is from what *coil* should read, in whole factors; '' within :data:`SLIP`."""
        usual_ohm, whose = self._usual(coil)
        if usual_ohm is None or usual_ohm / SLIP < ohm < usual_ohm * SLIP:
            return ""
        factor = ohm / usual_ohm
        near = [word for ten, word in _TENS.items() if ten / _NEAR < factor < ten * _NEAR]
        return f"{ohm:g} ohm is {near[0] if near else f'{factor:.2g} times'} {whose} ({usual_ohm:.3g} ohm)"

    def odd(self, coil: str) -> str:
        """Say what is odd about the reading of *coil*, '' if nothing is."""
        r20_ohm = self._r20_ohm.get(coil)
        if r20_ohm is None:
            return ""
        limits = self._limits[self._kind[coil]]
        nominal_ohm = limits.r20_ohm
        if nominal_ohm is not None and abs(r20_ohm / nominal_ohm - 1.0) > limits.r20_tolerance_rel:
            told = f"outside {nominal_ohm:g} ohm ±{100 * limits.r20_tolerance_rel:g} %"
            return told + self._like_another(r20_ohm)
        peers = self._peers(coil)
        middle_ohm = median(peers) if peers else 0.0
        agreed = [ohm for ohm in peers if abs(ohm - middle_ohm) <= limits.peer_max_ohm]
        above = r20_ohm - middle_ohm
        if len(agreed) < 2 or 2 * len(agreed) <= len(peers) or abs(above) <= limits.peer_max_ohm:
            return ""
        return f"{abs(above):.2f} ohm {'above' if above > 0 else 'below'} its like"

    def _like_another(self, r20_ohm: float) -> str:
        """Say which kind of the set *r20_ohm* would suit by its nominal value: labels get mixed up."""
        for kind, limits in self._limits.items():
            if limits.r20_ohm and abs(r20_ohm / limits.r20_ohm - 1.0) <= limits.r20_tolerance_rel:
                return f", like a {kind} coil"
        return ""

    def _usual(self, coil: str) -> tuple[float | None, str]:
        nominal_ohm = self._limits[self._kind[coil]].r20_ohm
        if nominal_ohm is not None:
            return nominal_ohm, "its nominal value"
        peers = self._peers(coil)
        middle_ohm = median(peers) if peers else 0.0
        agreed = [ohm for ohm in peers if middle_ohm / SLIP < ohm < middle_ohm * SLIP]
        # One figure may be the slip itself; two that agree, and are most, are hardly that.
        if len(agreed) < 2 or 2 * len(agreed) <= len(peers):
            return None, ""
        return median(agreed), "its like"

    def _peers(self, coil: str) -> list[float]:
        kind = self._kind[coil]
        return [ohm for label, ohm in self._r20_ohm.items() if label != coil and self._kind[label] == kind]
