"""What an interview comes to: the bench and the set, ready to be written."""

from __future__ import annotations

from dataclasses import dataclass, field

from daq.config.rig import MeterAccuracy
from daq.setup.meet.find import Found
from daq.setup.meet.greet import IDENTITY


@dataclass(frozen=True)
class Wired:
    """An instrument that is talked to: its address as people write it, and how."""

    address: str
    dialect: str
    identity: str = ""
    baud: int | None = None
    channel: int | None = None


@dataclass(frozen=True)
class Group:
    """Coils of one kind: labels and nominal resistance at 20 degC, None where the maker gives none."""

    labels: tuple[str, ...]
    r20_ohm: float | None
    max_current_A: float = 0.0


@dataclass
class Plan:
    """All answers, understood. A role that is None is not on the bench, or a person's hand and eyes."""

    name: str = "my bench"
    meter: Wired | None = None
    wires: int = 2
    range_ohm: float = 100.0
    mains_Hz: int = 50
    accuracy: MeterAccuracy | None = None
    #: By whose word the meter is as good as that.
    accuracy_source: str = ""
    supply: Wired | None = None
    #: Ops that an instrument did not answer, by its role: left out of its dialect.
    left_out: dict[str, tuple[str, ...]] = field(default_factory=dict)
    probe: Wired | None = None
    probe_kind: str = "typed"
    cold_junction_degC: float | None = None
    probe_accuracy_K: float = 2.0
    probe_single: bool = True
    #: The input of a thermometer that calls them by letters.
    probe_letter: str = ""
    switch: Wired | None = None
    #: Channels of each way through the switch unit in the order of the coils, by the name of its table.
    channels: dict[str, tuple[int, ...]] = field(default_factory=dict)
    short: int | None = None
    oven: Wired | None = None
    limit_V: float = 15.0
    limit_A: float = 5.0
    set_name: str = "my coils"
    groups: tuple[Group, ...] = ()
    system_V: float = 12.0
    body_degC: float = 100.0
    insulation: str = "F"
    winding_degC: float | None = None
    tolerance_rel: float = 0.1
    peer_max_ohm: float | None = None
    diode: str = "unknown"
    heat: str = "hand"

    @property
    def labels(self) -> tuple[str, ...]:
        """The coils in the order in which they were named."""
        return tuple(label for group in self.groups for label in group.labels)


def wired(found: Found, dialect: str, usual_baud: int, channel: int | None) -> Wired:
    """Return how to reach who was *found*; who it must be is a part of what it says of itself."""
    met = found.met
    named = met is not None and met.asked == IDENTITY
    identity = ",".join(met.identity.split(",")[:2]).strip() if met is not None and named else ""
    baud = met.table.baud if met is not None and met.is_serial and met.table.baud != usual_baud else None
    return Wired(found.address, dialect, identity[:80], baud, channel)
