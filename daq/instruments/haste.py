"""Whether current flows through a coil: then no exchange with any instrument may take long."""

from __future__ import annotations

#: So long an exchange may take in all while current flows, asking again and getting in step included: about
#: one reading interval. The time for which a meter integrates comes on top.
UNDER_CURRENT_S = 1.0


class Haste:
    """Shared by the guard, who knows when current flows, and every conversation of the bench."""

    def __init__(self) -> None:
        #: Whether current flows, or may.
        self.on = False
