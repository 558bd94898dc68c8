"""Instruments too coarse for the limits that coils are held to: said before anybody reads eight in vain."""

from __future__ import annotations

from collections.abc import Iterator

from analysis.trace.contributions import budget_at_best
from daq.config.coil_set import CoilSet
from daq.config.rig import Rig


def too_coarse(rig: Rig, coil_set: CoilSet) -> Iterator[tuple[str, str]]:
    """Yield each kind of which no coil can pass by its R20, and why."""
    for kind, limits in coil_set.kind_limits().items():
        if limits.r20_ohm is None:
            continue
        expanded_u_ohm = budget_at_best(limits.r20_ohm, rig.accuracy()).expanded_u
        reach_ohm = limits.r20_tolerance_rel * limits.r20_ohm
        if limits.guard_band_U * expanded_u_ohm > reach_ohm:
            only = f"R20 is known to {expanded_u_ohm:.2g} ohm at best, too little for {limits.r20_ohm:g} ohm"
            yield kind, f"{only} +-{reach_ohm:.2g}: no coil can pass; use a lower range or a better meter"
