"""Which coil is heated next, and how the meter's time is shared by those that cool: pure functions."""

from __future__ import annotations

from collections.abc import Mapping

#: While winding and body part a reading a second is worth its time; later ever fewer are: what an
#: exponential fall tells is spread evenly over the logarithm of time.
FAST_COOL_S = 180.0
#: More readings in one visit repeat each other.
MOST_AT_ONCE = 12


def worth_per_s(cooled_s: float) -> float:
    """Return how many readings a second a coil is worth *cooled_s* after its supply was switched off."""
    return min(1.0, FAST_COOL_S / max(cooled_s, FAST_COOL_S))


def heating_order(most_A: Mapping[str, float]) -> list[str]:
    """Return the coils in the order of heating: those of the largest current last, else as they stand.

    Nobody uses the time in which the last one cools, so that should be one that is known soon: the more
    watts an ohm takes, the more its winding's fall tells of the joint in ohms.

    Args:
        most_A: The most that each coil may carry.
    """
    return sorted(most_A, key=lambda coil: most_A[coil])


def share(coils: Mapping[str, tuple[float, float]]) -> list[tuple[str, int]]:
    """Return which coils to read now and how often, the most telling first.

    Args:
        coils: For each cooling coil, seconds since it was switched off, and seconds since it was last read.
    """
    due = {coil: worth_per_s(cooled_s) * since_s for coil, (cooled_s, since_s) in coils.items()}
    order = sorted((coil for coil in due if due[coil] >= 1.0), key=lambda coil: -worth_per_s(coils[coil][0]))
    return [(coil, min(int(due[coil]), MOST_AT_ONCE)) for coil in order]
