"""The coil-set file: what is under test, how it is tested, and what it is held to."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

import msgspec

from analysis.model import DiodeFitted, Limits, Subject

#: Bounds that no coil comes near: a figure beyond them is a slip, and would overflow somewhere.
Positive = Annotated[float, msgspec.Meta(ge=1e-9, le=1e15)]
NotNegative = Annotated[float, msgspec.Meta(ge=0, le=1e9)]
Share = Annotated[float, msgspec.Meta(ge=1e-9, lt=1)]
#: A fortnight: what is meant to take longer is a slip, and would fill the disk.
Duration = Annotated[float, msgspec.Meta(ge=0, le=14 * 86_400)]
Name = Annotated[str, msgspec.Meta(min_length=1, max_length=100)]
#: A label stands in prompts, tables, file names and cells: short, and nothing that those take for their own.
Label = Annotated[str, msgspec.Meta(pattern=r"^\w([\w .+-]{0,22}[\w+])?\Z")]
#: Free text that stands in a table.
Short = Annotated[str, msgspec.Meta(max_length=100)]

#: A cool-down that ends when enough is known lasts as long: the fall of the winding towards its body, by
#: which all is known, takes that.
LEAST_COOL_S = 180.0
#: From the beginning of one round of all coils to that of the next while temperatures move. Relays wear, and
#: a round of eight takes some five seconds.
SCAN_S = 15.0

Heat = Literal["oven", "supply", "hand"]
InsulationClass = Literal["A", "E", "B", "F", "H"]
#: Thermal classes of electrical insulation (IEC 60085, from memory): the most each stands for long.
CLASS_DEGC: Mapping[InsulationClass, float] = {"A": 105.0, "E": 120.0, "B": 130.0, "F": 155.0, "H": 180.0}


class _Table(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table of the coil-set file; an unknown key is refused."""


class TestPlan(_Table, frozen=True, kw_only=True):
    """How the set is tested. The defaults are common practice, no source."""

    __test__ = False  # not a test of ours, whatever a collector makes of the name

    voltage_V: Positive = 8.4
    #: The most a coil sees while it heats itself; None: the voltage of its system.
    heat_voltage_V: Positive | None = None
    steps_degC: Annotated[tuple[float, ...], msgspec.Meta(min_length=1, max_length=20)] = (50.0, 70.0, 90.0)
    #: Time at each step after it is reached.
    hold_s: Duration = 120.0
    #: A step not reached within this time ends the heating.
    max_step_s: Duration = 3600.0
    #: Heating ends when the whole run has taken this long.
    max_run_s: Positive = 86400.0
    #: Readings of each coil at each hold.
    hold_readings: Annotated[int, msgspec.Meta(ge=2, le=1000)] = 5
    #: From one round of readings to the next, or on without rest if a round takes longer.
    scan_s: Annotated[float, msgspec.Meta(ge=1, le=60)] = SCAN_S
    #: The longest cool-down of a coil that heated itself; None: max_step_s.
    cool_s: Duration | None = None
    #: Coils on one block warm each other: heat the next only when the one before has cooled.
    one_at_a_time: bool = False
    #: Standard uncertainties at which enough is known, so that a hold or cool-down need not last its full
    #: time; None: full time.
    joint_u_ohm: Positive | None = None
    r20_u_rel: Share | None = None
    drift_u_rel: Share | None = None
    #: How long each coil is energised at each step, to see its hot current.
    drive_s: Annotated[float, msgspec.Meta(ge=0, le=60)] = 2.0
    #: Guard band of every decision as a multiple of U (k = 2): 1 by ILAC-G8:09/2019, 0.83 for 5 % by
    #: ISO 14253-1:2017, 0 for simple acceptance.
    guard_band_U: Annotated[float, msgspec.Meta(ge=0, le=10)] = 1.0


class Ceilings(_Table, frozen=True, kw_only=True):
    """Temperatures that no coil of the set may pass; the maker's, or what its grease and plastics stand."""

    body_degC: Positive
    winding_degC: Positive | None = None
    #: Thermal class of the winding's insulation; without winding_degC its temperature is the ceiling.
    insulation_class: InsulationClass | None = None

    @property
    def winding_ceiling_degC(self) -> float:
        """The winding's ceiling in degC; the checks have made sure that there is one."""
        if self.winding_degC is not None:
            return self.winding_degC
        assert self.insulation_class is not None
        return CLASS_DEGC[self.insulation_class]


class Kind(_Table, frozen=True, kw_only=True):
    """What coils of one kind are held to. *r20_ohm* None: the maker gives no resistance."""

    max_current_A: Positive
    r20_ohm: Positive | None = None
    r20_tolerance_rel: Share | None = None
    #: Standard deviation of the maker's parts over *r20_ohm*; tells how often the rule goes wrong.
    r20_spread_rel: Share | None = None
    joint_max_ohm: Positive | None = None
    peer_max_ohm: Positive | None = None
    drift_max_rel: Positive | None = None
    leakage_min_ohm: Positive | None = None
    #: A diode across a coil conducts when its leads are swapped, and no ohmmeter sees it. Nobody is to be
    #: convicted because a key was not filled in, so nothing is taken for granted.
    diode: DiodeFitted = "unknown"
    maker: Short = ""


class Coil(_Table, frozen=True, kw_only=True):
    """One coil under test."""

    label: Label
    kind: Name
    serial: Short = ""


class CoilSet(_Table, frozen=True, kw_only=True):
    """A checked coil-set file."""

    name: Name
    heat: Heat
    system_V: Positive
    limits: Ceilings
    kinds: dict[Name, Kind]
    coils: tuple[Coil, ...]
    job: Short = ""
    test: TestPlan = TestPlan()

    @property
    def heat_voltage_V(self) -> float:
        """The most a coil sees while it heats itself."""
        return self.test.heat_voltage_V or self.system_V

    def labels(self) -> tuple[str, ...]:
        """Return the coils' labels in the order of the file."""
        return tuple(coil.label for coil in self.coils)

    def kind_of(self, label: str) -> Kind:
        """Return the kind of the coil *label*."""
        return next(self.kinds[coil.kind] for coil in self.coils if coil.label == label)

    def subjects(self) -> tuple[Subject, ...]:
        """Return the coils as judging wants them."""
        return tuple(Subject(coil=coil.label, kind=coil.kind, serial=coil.serial) for coil in self.coils)

    def kind_limits(self) -> dict[str, Limits]:
        """Return the limits of each kind; what the file leaves open is common practice and named."""
        return {name: _limits(name, kind, self.test.guard_band_U) for name, kind in self.kinds.items()}


def _limits(name: str, kind: Kind, guard_band_U: float) -> Limits:
    usual = Limits(kind=name)

    def given(value: float | None, default: float) -> float:
        return default if value is None else value

    optional = ("r20_tolerance_rel", "joint_max_ohm", "peer_max_ohm", "drift_max_rel", "leakage_min_ohm")
    return Limits(
        kind=name,
        r20_ohm=kind.r20_ohm,
        r20_tolerance_rel=given(kind.r20_tolerance_rel, usual.r20_tolerance_rel),
        joint_max_ohm=given(kind.joint_max_ohm, usual.joint_max_ohm),
        peer_max_ohm=given(kind.peer_max_ohm, usual.peer_max_ohm),
        drift_max_rel=given(kind.drift_max_rel, usual.drift_max_rel),
        leakage_min_ohm=given(kind.leakage_min_ohm, usual.leakage_min_ohm),
        guard_band_U=guard_band_U,
        r20_spread_rel=kind.r20_spread_rel,
        diode=kind.diode,
        defaulted=tuple(key for key in optional if getattr(kind, key) is None),
    )
