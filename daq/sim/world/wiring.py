"""Which contacts are closed, and what they do: the switch unit's contacts or leads moved by hand."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from daq.sim.faults import Wiring

Role = Literal["power", "sense", "probe", "leak", "short", "oven"]


@dataclass(frozen=True)
class Contact:
    """One contact pair: what it joins to which coil, its resistance and its thermal EMF."""

    channel: int
    role: Role
    coil: int
    contact_ohm: float
    emf_V: float


class Harness:
    """All contacts of the bench and which of them are closed."""

    def __init__(self, wiring: Wiring, labels: tuple[str, ...], rng: np.random.Generator) -> None:
        self.power_lead_ohm = wiring.power_lead_ohm
        self.meter_lead_ohm = wiring.meter_lead_ohm
        self.labels = labels
        self.has_switch = wiring.switch
        self.oven_channel = wiring.oven
        self.contacts: dict[int, Contact] = {}
        self._closed: set[int] = set()
        #: Coils on the supply and contacts on the meter, kept at hand because every step asks.
        self.powered: tuple[Contact, ...] = ()
        self.metered: tuple[Contact, ...] = ()
        #: Where the hand-held leads are: a coil's index, or None (in the air, or shorted together).
        self.direct: int | None = None
        if wiring.switch:
            roles: tuple[tuple[Role, tuple[int, ...]], ...] = (
                ("power", wiring.power),
                ("sense", wiring.sense),
                ("probe", wiring.probe),
                ("leak", wiring.leak),
                ("short", () if wiring.short is None else (wiring.short,)),
                ("oven", () if wiring.oven is None else (wiring.oven,)),
            )
            for role, channels in roles:
                for coil, channel in enumerate(channels):
                    ohm = wiring.contact_ohm + wiring.contact_spread_ohm * float(rng.uniform(-1.0, 1.0))
                    emf_V = wiring.contact_emf_V * float(rng.standard_normal())
                    self.contacts[channel] = Contact(channel, role, coil, max(ohm, 0.0), emf_V)
        elif wiring.direct is not None:
            self.hold(labels.index(wiring.direct))

    @property
    def closed(self) -> frozenset[int]:
        """Numbers of the closed channels."""
        return frozenset(self._closed)

    def is_closed(self, channel: int) -> bool:
        """Whether *channel* is closed."""
        return channel in self._closed

    @property
    def oven_has_mains(self) -> bool:
        """Whether the oven has its mains: always, unless a contact of the switch unit decides that."""
        return self.oven_channel is None or self.oven_channel in self._closed

    def moving(self, channels: Iterable[int], *, close: bool) -> list[Contact]:
        """Return the contacts that closing or opening *channels* would move."""
        wanted = dict.fromkeys(channels)
        return [self.contacts[channel] for channel in wanted if (channel in self._closed) is not close]

    def move(self, contacts: Iterable[Contact], *, close: bool) -> None:
        """Close or open *contacts*."""
        for contact in contacts:
            (self._closed.add if close else self._closed.discard)(contact.channel)
        live = [self.contacts[channel] for channel in sorted(self._closed)]
        self.powered = tuple(contact for contact in live if contact.role == "power")
        self.metered = tuple(contact for contact in live if contact.role not in {"power", "oven"})

    def hold(self, coil: int | None, *, shorted: bool = False, contact_ohm: float = 0.0) -> None:
        """Put the hand-held leads on *coil*, or off all of them, perhaps shorted together.

        What the contact adds is on the meter only: a hand that wobbles drives nothing.
        """
        self.direct = coil
        self.powered = () if coil is None else (Contact(0, "power", coil, 0.0, 0.0),)
        if shorted:
            self.metered = (Contact(0, "short", 0, contact_ohm, 0.0),)
        else:
            self.metered = () if coil is None else (Contact(0, "sense", coil, contact_ohm, 0.0),)
