"""What a coil-set file must satisfy beyond its keys and types, alone and together with a rig."""

from __future__ import annotations

from collections.abc import Iterator

from daq.config.coil_set import CLASS_DEGC, LEAST_COOL_S, CoilSet
from daq.config.rig import Rig
from daq.config.toml import MISSING, Loaded
from daq.config.toml_lines import quote_key

MAX_COILS = 64

Trouble = tuple[str, str]


def check(coil_set: Loaded[CoilSet]) -> None:
    """Raise InputError with file, line and key for what cannot be first, and for all that is missing."""
    if missing := [trouble for trouble in _ceilings(coil_set.value) if trouble[1].startswith(MISSING)]:
        coil_set.require_none(missing)  # no step can be held to a ceiling that is not there
    parts = (_coils, _ceilings, _test, _kinds)
    coil_set.require_none([trouble for part in parts for trouble in part(coil_set.value)])


def check_against(coil_set: Loaded[CoilSet], rig: Loaded[Rig]) -> None:
    """Raise InputError for the first thing that *coil_set* asks and *rig* cannot or must not do.

    Nothing is ever cut down to fit: the message has both numbers, and the user decides.
    """
    for part in (_limits, _roles, _channels):
        for keypath, message in part(coil_set.value, rig.value):
            raise coil_set.error(keypath, f"{message} (rig file {rig.path})")


def _coils(coil_set: CoilSet) -> Iterator[Trouble]:
    if not coil_set.coils:
        yield "coils", "is empty, expected at least one [[coils]] with label and kind"
    if len(coil_set.coils) > MAX_COILS:
        yield (
            f"coils[{MAX_COILS}]",
            f"is one of {len(coil_set.coils)} coils, expected at most {MAX_COILS} a set",
        )
    labels: dict[str, int] = {}
    serials: dict[str, str] = {}
    for at, coil in enumerate(coil_set.coils):
        folded = coil.label.casefold()  # figures are files, and some file systems make no difference
        if folded in labels:
            twin = coil_set.coils[labels[folded]].label
            yield (
                f"coils[{at}].label",
                f"is {coil.label!r}, and an earlier coil is {twin!r}; each needs its own",
            )
        labels[folded] = at
        if coil.kind not in coil_set.kinds:
            known = ", ".join(sorted(coil_set.kinds)) or "none"
            yield (
                f"coils[{at}].kind",
                f"is {coil.kind!r}, which has no [kinds.{coil.kind}]; there are: {known}",
            )
        if coil.serial and coil.serial in serials:
            yield f"coils[{at}].serial", f"is {coil.serial!r}, which {serials[coil.serial]} has already"
        serials[coil.serial] = coil.label


def _kinds(coil_set: CoilSet) -> Iterator[Trouble]:
    voltage_V = coil_set.test.voltage_V
    for name, kind in coil_set.kinds.items():
        if kind.r20_ohm is None:
            if kind.r20_tolerance_rel is not None:
                yield (
                    f"kinds.{quote_key(name)}.r20_tolerance_rel",
                    "is a tolerance of r20_ohm, which is missing",
                )
            if kind.r20_spread_rel is not None:
                yield f"kinds.{quote_key(name)}.r20_spread_rel", "is a spread about r20_ohm, which is missing"
        elif voltage_V / kind.r20_ohm > kind.max_current_A:
            message = (
                f"is {kind.max_current_A:g} A, but at {voltage_V:g} V a sound coil of {kind.r20_ohm:g} ohm "
                f"takes {voltage_V / kind.r20_ohm:.2f} A"
            )
            yield f"kinds.{quote_key(name)}.max_current_A", message


def _ceilings(coil_set: CoilSet) -> Iterator[Trouble]:
    limits = coil_set.limits
    if limits.insulation_class is None:
        if limits.winding_degC is None:
            yield "limits.winding_degC", "is missing; give it, or insulation_class if that is what is known"
        return
    stands_degC = CLASS_DEGC[limits.insulation_class]
    if limits.winding_degC is not None and limits.winding_degC > stands_degC:
        message = (
            f"is {limits.winding_degC:g} degC, above the {stands_degC:g} degC that insulation of class "
            f"{limits.insulation_class} stands (IEC 60085)"
        )
        yield "limits.winding_degC", message


def _test(coil_set: CoilSet) -> Iterator[Trouble]:
    test, limits = coil_set.test, coil_set.limits
    if test.voltage_V > coil_set.system_V:
        message = (
            f"is {test.voltage_V:g} V, above the {coil_set.system_V:g} V of the system the coils are made for"
        )
        yield "test.voltage_V", message
    if coil_set.heat_voltage_V > coil_set.system_V:
        message = f"is {coil_set.heat_voltage_V:g} V, above the {coil_set.system_V:g} V of the coils' system"
        yield "test.heat_voltage_V", message
    targets = (test.joint_u_ohm, test.r20_u_rel, test.drift_u_rel)
    if test.cool_s is not None and test.cool_s < LEAST_COOL_S and any(each is not None for each in targets):
        yield (
            "test.cool_s",
            f"is {test.cool_s:g} s, expected {LEAST_COOL_S:g} s or more: nothing is known before",
        )
    before_degC = 0.0
    for at, step_degC in enumerate(test.steps_degC):
        if step_degC <= before_degC:
            yield (
                f"test.steps_degC[{at}]",
                f"is {step_degC:g}, expected more than {before_degC:g}: steps go upwards",
            )
        for name, ceiling_degC in (
            ("body", limits.body_degC),
            ("winding", limits.winding_ceiling_degC),
        ):
            if step_degC > ceiling_degC:
                message = f"is {step_degC:g} degC, above limits.{name}_degC of {ceiling_degC:g} degC"
                yield f"test.steps_degC[{at}]", message
        before_degC = step_degC


#: Protection has to stand so far above a voltage, or it trips on ripple (common practice, no source).
RIPPLE = 1.02


def _limits(coil_set: CoilSet, rig: Rig) -> Iterator[Trouble]:
    asked = [
        ("limits.body_degC", coil_set.limits.body_degC, "body_degC", rig.limits.body_degC, "degC"),
        (
            "limits.winding_degC" if coil_set.limits.winding_degC is not None else "limits.insulation_class",
            coil_set.limits.winding_ceiling_degC,
            "winding_degC",
            rig.limits.winding_degC,
            "degC",
        ),
        ("test.voltage_V", coil_set.test.voltage_V, "voltage_V", rig.limits.voltage_V, "V"),
    ]
    if coil_set.heat == "supply":
        heat_V = coil_set.heat_voltage_V
        asked.append(("test.heat_voltage_V", heat_V, "voltage_V", rig.limits.voltage_V, "V"))
    if rig.supply is not None and not rig.meter_typed:
        top = ("test.heat_voltage_V", coil_set.heat_voltage_V)
        used = top if coil_set.heat == "supply" else ("test.voltage_V", coil_set.test.voltage_V)
        if used[1] > rig.meter.range_V:
            yield used[0], f"is {used[1]:g} V, above the rig's meter.range_V of {rig.meter.range_V:g} V"
    asked += [
        (f"kinds.{quote_key(name)}.max_current_A", kind.max_current_A, "current_A", rig.limits.current_A, "A")
        for name, kind in coil_set.kinds.items()
    ]
    for keypath, value, limit, allowed, unit in asked:
        if value > allowed:
            yield keypath, f"is {value:g} {unit}, above the rig's limits.{limit} of {allowed:g} {unit}"
        elif keypath == "test.voltage_V" and coil_set.test.drive_s > 0 and value * RIPPLE > allowed:
            message = (
                f"is {value:g} V, and the rig's limits.{limit} is {allowed:g} V: protection is never set "
                f"above it, and would trip on ripple; ask for {allowed / RIPPLE:.4g} V, or raise the limit"
            )
            yield keypath, message


def _roles(coil_set: CoilSet, rig: Rig) -> Iterator[Trouble]:
    if coil_set.heat == "oven" and rig.oven is None:
        yield "heat", "is 'oven', but the rig has no [oven]; 'supply' or 'hand' need none"
    if coil_set.heat == "supply" and rig.supply is None:
        yield "heat", "is 'supply', but the rig has no [supply]; 'hand' needs none"
    if coil_set.heat == "supply" and rig.meter_typed:
        yield (
            "heat",
            "is 'supply', but the rig's meter is typed and nothing could watch the winding; 'hand' can",
        )
    if coil_set.heat == "supply" and rig.probe.kind == "typed":
        yield "heat", "is 'supply', but the rig's probe is typed and nothing could watch the body; 'hand' can"
    if coil_set.heat in {"supply", "oven"} and rig.probe.single and rig.switch is not None:
        yield "heat", f"is {coil_set.heat!r}, but the rig has one probe for coils that a switch unit changes"


def _channels(coil_set: CoilSet, rig: Rig) -> Iterator[Trouble]:
    channels = rig.probe.channels
    for at, coil in enumerate(coil_set.coils):
        if isinstance(channels, dict) and coil.label not in channels:
            yield (
                f"coils[{at}].label",
                f"is {coil.label!r}, which has no channel in the rig's [probe.channels]",
            )
    if rig.switch is None:
        return
    for at, coil in enumerate(coil_set.coils):
        for path, needed in (
            ("sense", True),
            ("power", rig.supply is not None),
            ("probe", rig.probe_on_meter or bool(rig.switch.probe)),
        ):
            if needed and coil.label not in getattr(rig.switch, path):
                message = f"is {coil.label!r}, which has no channel in the rig's [switch.{path}]"
                yield f"coils[{at}].label", message
