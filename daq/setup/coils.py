"""Questions about the coils under test, the way to them, and what neither they nor the bench may exceed."""

from __future__ import annotations

import math

from analysis.physics.copper import ALPHA20_PER_K
from analysis.trace.contributions import budget_at_best
from daq.setup.desk import Desk
from daq.setup.files import rig_of
from daq.setup.parse import (
    NONE,
    as_many,
    ceiling,
    channel_or_none,
    channels,
    channels_or_none,
    groups_of,
    number,
    one_of,
    short,
    something,
)
from daq.setup.plan import Group, Plan

#: What a coil's body may reach; common practice, no source.
_BODY_DEGC = 100.0
#: The maker's tolerance where nobody knows it, and what a sound coil needs of it beside the meter's share;
#: common practice, no source.
_TOLERANCE_PERCENT, _ROOM_PERCENT = 10.0, 4.0
#: How far like parts may lie apart, and what share of it instruments may take; common practice, no source.
_ALIKE_OHM, _ALIKE_SHARE = 0.1, 0.6
#: Stands for ohms that nobody knows where something has to be proposed.
_NOBODY_KNOWS_OHM = 5.0


def coils(desk: Desk, plan: Plan) -> None:
    """Ask for the coils, what they are made for, and how they get hot."""
    plan.set_name = desk.get("set_name", "what the set of coils is called", something, default="my coils")
    groups = desk.get(
        "coils",
        "coils and their ohms at 20 degC, such as Y1-Y5 3.3, Y6-Y8 5.3",
        groups_of,
        about="a comma between kinds; ? for ohms that nobody knows: those are compared with each other only",
    )
    plan.system_V = desk.get(
        "system_V", "voltage of the system they are made for, V", number(1, 400), default="12"
    )
    usual = ", ".join(short(_usual_current(group, plan.system_V)) for group in groups)
    currents = desk.get(
        "max_current_A",
        "most current that a coil may take, A" + (", for each kind" if len(groups) > 1 else ""),
        as_many(len(groups)),
        default=usual,
        about="from the maker; else a quarter more than a sound cold coil takes at the system's voltage",
    )
    plan.groups = tuple(
        Group(group.labels, group.r20_ohm, current_A)
        for group, current_A in zip(groups, currents, strict=True)
    )
    plan.diode = desk.get(
        "diode",
        "diode across the coils: fitted, none or unknown",
        one_of(["fitted", "none", "unknown"]),
        default="unknown",
    )
    plan.body_degC = desk.get(
        "body_degC", "hottest that a coil's body may get, degC", number(40, 250), default=f"{_BODY_DEGC:g}"
    )
    stands = desk.get(
        "insulation",
        "insulation class of the winding (A, E, B, F, H), or its ceiling in degC",
        ceiling,
        default="F",
        about="IEC 60085: A 105, E 120, B 130, F 155, H 180 degC",
    )
    if isinstance(stands, str):
        plan.insulation, plan.winding_degC = stands, None
    else:
        plan.insulation, plan.winding_degC = "", stands
    ways = [
        way for way, there in (("oven", plan.oven), ("supply", _self_heating(plan)), ("hand", True)) if there
    ]
    plan.heat = ways[0]
    if len(ways) > 1:
        plan.heat = desk.get("heat", f"how they get hot: {', '.join(ways)}", one_of(ways), default=ways[0])


def _self_heating(plan: Plan) -> bool:
    return plan.supply is not None and plan.meter is not None and plan.probe_kind != "typed"


def ways(desk: Desk, plan: Plan) -> None:
    """Ask for the channels of each row: the first, and the coils in their order follow, or all of them."""
    if plan.switch is None:
        return
    first, count = plan.labels[0], len(plan.labels)
    about = "one number, and the other coils follow on in their order; or all of them with commas between"
    rows = [("sense", f"switch unit: channel from the meter to {first}", "201")]
    if plan.supply is not None:
        rows.append(("power", f"channel from the supply to {first}", "101"))
    if plan.probe_kind == "instrument":
        rows.append(("probe", f"the thermometer's own channel at {first}, or none for one sensor", NONE))
    elif plan.probe_kind != "typed":
        rows.append(("probe", f"channel from the meter to the thermometer at {first}", "301"))
    rows.append(("leak", f"channel from the meter to winding and body of {first}, or none", NONE))
    for table, question, usual in rows:
        parse = channels_or_none if usual == NONE else channels
        found = desk.get(f"channel_{table}", question, parse(count), default=usual, about=about)
        if found:
            plan.channels[table] = found
    plan.probe_single = plan.probe_single or "probe" not in plan.channels
    plan.short = desk.get(
        "channel_short",
        "channel that joins the meter's leads, or none",
        channel_or_none,
        default=NONE,
        about="it lets the program measure the leads by itself",
    )


def limits(desk: Desk, plan: Plan, supply: tuple[float | None, float | None]) -> None:
    """Ask for what the bench may never exceed; the supply's own range is an upper bound."""
    most_V, most_A = supply
    wanted_V, wanted_A = 1.25 * plan.system_V, max(group.max_current_A for group in plan.groups)
    for most_there, unit, wanted in ((most_V, "V", 1.05 * plan.system_V), (most_A, "A", 0.0)):
        if most_there is not None:
            desk.tell(f"  the supply says it gives at most {most_there:g} {unit}")
            if most_there < wanted:
                desk.tell(f"  that is little: the coils are made for {plan.system_V:g} V")
    usual_V = min(wanted_V, most_V) if most_V is not None else wanted_V
    plan.limit_V = desk.get(
        "limit_V",
        "never more on this bench than, V",
        number(0.5, 1000),
        default=short(usual_V),
        about="whatever a file asks for, nothing above is ever sent; protection stands there",
    )
    plan.limit_A = desk.get(
        "limit_A", "and, A", number(max(wanted_A, 0.01), 500), default=short(math.ceil(10 * wanted_A) / 10)
    )


def tolerance(desk: Desk, plan: Plan) -> None:
    """Ask how far a coil may be from its nominal ohms; what is proposed, this meter can tell."""
    nominal = [group.r20_ohm for group in plan.groups if group.r20_ohm is not None]
    if not nominal:
        return
    accuracy = rig_of(plan).accuracy()
    least = max(budget_at_best(r20_ohm, accuracy).expanded_u / r20_ohm for r20_ohm in nominal)
    usual = _TOLERANCE_PERCENT
    if least * 100.0 > usual - _ROOM_PERCENT:
        usual = 5.0 * math.ceil((100.0 * least + _ROOM_PERCENT) / 5.0)
        desk.tell(
            f"  this meter knows {min(nominal):g} ohm to {100.0 * least:.1f} % at best: no coil can pass a "
            f"limit of {_TOLERANCE_PERCENT:g} %, so {usual:g} % is proposed; a better meter makes it narrower"
        )
    percent = desk.get(
        "tolerance_percent",
        "how far from its nominal ohms may a coil be, %",
        number(0.1, 99),
        default=short(min(usual, 99.0)),
        about="the maker's tolerance; a coil passes where its reading and its uncertainty are within it",
    )
    plan.tolerance_rel = percent / 100.0


def alike(desk: Desk, plan: Plan) -> None:
    """Ask how far like coils may lie apart; what is proposed, these instruments can tell."""
    if all(len(group.labels) < 2 for group in plan.groups):
        return
    accuracy = rig_of(plan).accuracy()
    largest_ohm = max(group.r20_ohm or _NOBODY_KNOWS_OHM for group in plan.groups)
    per_K = largest_ohm * ALPHA20_PER_K
    own_u_ohm = math.hypot(
        accuracy.noise_ohm, accuracy.contact_ohm, per_K * accuracy.probe_noise_K, per_K * accuracy.probe_K
    )
    known_ohm = 2.0 * math.sqrt(2.0) * own_u_ohm  # of a difference of two, k = 2
    usual_ohm = _ALIKE_OHM
    if known_ohm > _ALIKE_SHARE * usual_ohm:
        usual_ohm = math.ceil(20.0 * (known_ohm + (1.0 - _ALIKE_SHARE) * _ALIKE_OHM)) / 20.0
        desk.tell(
            f"  a difference of two coils is known to {known_ohm:.2g} ohm here: {usual_ohm:g} is proposed"
        )
    plan.peer_max_ohm = desk.get(
        "peer_max_ohm",
        "how far may like coils lie apart, ohm",
        number(0.001, 1000),
        default=short(usual_ohm),
        about="a coil with a bad joint or shorted turns differs from its like; 0.1 ohm is common practice",
    )


def _usual_current(group: Group, system_V: float) -> float:
    """Return a quarter above what a sound cold coil takes; 5 A where its ohms are not known."""
    return 5.0 if group.r20_ohm is None else math.ceil(12.5 * system_V / group.r20_ohm) / 10.0
