"""The cases of the campaign: what is wrong with which coil or with the bench, and what must be said of it."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

from tests.outside.bench import POWER, SENSE, Bench, Trigger
from tests.outside.faults import (
    BadJoint,
    Diode,
    Drift,
    Dropouts,
    FilmJoint,
    Insulation,
    OpensAbove,
    OpensAfterTimeHot,
    OpensOnCooling,
    Parallel,
    PolySwitch,
    StrandOpens,
    Thermistor,
    ThinStrand,
    TurnsShortDriven,
    TurnsShorted,
)
from tests.outside.run import Case, Expected, Needs, Outcome, Rig

#: What an event of a connection lost and found has to speak of.
LOST = r"(connection|line).*(lost|again|back|anew)|reconnect"

FAIL = Expected(("fail",))
DOUBT = Expected(("fail", "retest"))
ANY_BUT_FAIL = Expected(("pass", "retest"))
RETEST = Expected(("retest",))


def air_over(degC: float) -> Callable[[Bench], bool]:
    """Hold once the oven's air passes a temperature."""
    return lambda bench: bench.oven is not None and bench.oven.air_degC > degC


def hot_and_driven(degC: float, amps: float = 0.8) -> Callable[[Bench], bool]:
    """Hold once a coil is driven with its body above a temperature."""
    return lambda bench: bench.supply.out_A > amps and float(bench.heat.T[:, 4].max()) > degC


def body_over(degC: float, index: int) -> Callable[[Bench], bool]:
    """Hold once a coil's body passes a temperature."""
    return lambda bench: float(bench.heat.T[index, 4]) > degC


# Coils and probes


def _probe_off(index: int, contact: float, degC: float = 60.0) -> Callable[[Rig], list[Trigger]]:
    def off(bench: Bench) -> None:
        bench.coils[index].probe_contact = contact

    return lambda rig: [Trigger("probe off", body_over(degC, index), off)]


def _probe_frozen(index: int, degC: float = 60.0) -> Callable[[Rig], list[Trigger]]:
    def freeze(bench: Bench) -> None:
        bench.coils[index].probe_frozen_degC = bench.probe_degC(index)

    return lambda rig: [Trigger("probe frozen", body_over(degC, index), freeze)]


def _probe_dead(index: int, degC: float = 60.0) -> Callable[[Rig], list[Trigger]]:
    def die(bench: Bench) -> None:
        bench.coils[index].probe_dead = True

    return lambda rig: [Trigger("probe dead", body_over(degC, index), die)]


def _swap_probes(rig: Rig) -> None:
    rig.bench.coils[0].probe_as, rig.bench.coils[2].probe_as = 2, 0


def _aluminium(rig: Rig) -> None:
    rig.bench.coils[1].alpha20 = 0.00403 * 1.005
    rig.bench.coils[6].alpha20 = 0.00403


def _wrong_label(rig: Rig) -> None:
    rig.bench.coils[1].r20_ohm, rig.bench.coils[6].r20_ohm = (
        rig.bench.coils[6].r20_ohm,
        rig.bench.coils[1].r20_ohm,
    )


def _fan_dead(rig: Rig) -> None:
    rig.bench.heat.fan = 0.25


def _hunts(rig: Rig) -> None:
    rig.bench.heat.swing_share = 0.012


COILS: list[Case] = [
    Case("sound"),
    Case("sound, other dialects", other_dialects=True),
    Case(
        "diode across, conducting",
        faults={"Y2": [Diode(forward=True)], "Y7": [Diode(forward=False)]},
        bad={"Y2": DOUBT, "Y7": Expected(("pass",))},
    ),
    Case("turns short above 70, 8 %", faults={"Y3": [TurnsShorted(0.08, 70)]}, bad={"Y3": DOUBT}),
    Case("turns short above 70, 3 %", faults={"Y5": [TurnsShorted(0.03, 70)]}, bad={"Y5": DOUBT}),
    Case("turns short above 70, 1.5 %", faults={"Y4": [TurnsShorted(0.015, 70)]}, bad={"Y4": DOUBT}),
    Case(
        "turns short above 84, 8 and 3 %",
        faults={"Y1": [TurnsShorted(0.08, 84)], "Y8": [TurnsShorted(0.03, 84)]},
        bad={"Y1": DOUBT, "Y8": DOUBT},
    ),
    Case("turns shorted, 6 %", faults={"Y4": [TurnsShorted(0.06)]}, bad={"Y4": DOUBT}),
    Case("joint 0.30", faults={"Y4": [BadJoint(0.30)]}, bad={"Y4": FAIL}),
    Case("joint grows hot", faults={"Y4": [BadJoint(0.01, 60, 0.008)]}, bad={"Y4": DOUBT}),
    Case("aluminium winding", prepare=_aluminium, bad={"Y2": RETEST, "Y7": RETEST}),
    Case(
        "compensation by NTC",
        faults={"Y4": [TurnsShorted(0.08), Thermistor(0.34, 3200.0)]},
        bad={"Y4": DOUBT},
    ),
    Case("opens above 75", faults={"Y2": [OpensAbove(75, 66)]}, bad={"Y2": FAIL}),
    Case("opens above 84", faults={"Y7": [OpensAbove(84, 80)]}, bad={"Y7": FAIL}),
    Case("dropouts", faults={"Y4": [Dropouts(55, 40.0, 1.5)]}, bad={"Y4": DOUBT}),
    Case("drift 3 %", faults={"Y6": [Drift(0.30)]}, bad={"Y6": DOUBT}),
    Case("insulation hot", faults={"Y3": [Insulation(2e5, 70)]}, bad={"Y3": FAIL}),
    Case("probe off at 60", triggers=_probe_off(1, 0.1), bad={"Y2": RETEST}),
    Case("probe slides at 60", triggers=_probe_off(1, 0.8), bad={"Y2": ANY_BUT_FAIL}),
    Case("probe frozen at 60", triggers=_probe_frozen(1), bad={"Y2": RETEST}),
    Case("probe dead at 60", triggers=_probe_dead(1), bad={"Y2": RETEST}),
    Case("probes swapped", prepare=_swap_probes, bad={"Y1": ANY_BUT_FAIL, "Y3": ANY_BUT_FAIL}),
    Case("wrong label", prepare=_wrong_label, bad={"Y2": DOUBT, "Y7": DOUBT}),
    Case("fan dead, coils apart", prepare=_fan_dead),
    Case("oven hunts by 0.8 K", prepare=_hunts),
]

#: Faults that no table of the program lists.
UNLISTED: list[Case] = [
    Case("film of oxide, 0.25 ohm at 1 mA only", faults={"Y2": [FilmJoint(0.25)]}, bad={"Y2": DOUBT}),
    Case("thin strand, 0.8 ohm under drive only", faults={"Y2": [ThinStrand(0.2)]}, bad={"Y2": DOUBT}),
    Case("one of two strands opens at 75", faults={"Y2": [StrandOpens(75)]}, bad={"Y2": DOUBT}),
    Case("a strand of ten opens at 75", faults={"Y7": [StrandOpens(75, 1.1)]}, bad={"Y7": DOUBT}),
    Case("20 % of turns short under drive only", faults={"Y2": [TurnsShortDriven(0.2)]}, bad={"Y2": DOUBT}),
    Case("opens at 65 to 50 on cooling only", faults={"Y2": [OpensOnCooling(65, 50)]}, bad={"Y2": DOUBT}),
    Case("opens after 4 min hot", faults={"Y2": [OpensAfterTimeHot(80, 60)]}, bad={"Y2": DOUBT}),
    Case("resettable fuse steps at 80", faults={"Y2": [PolySwitch(1.5, 80)]}, bad={"Y2": DOUBT}),
    Case(
        "drops out under drive only",
        faults={"Y2": [Dropouts(60, 2.0, 0.5, only_driven=True)]},
        bad={"Y2": DOUBT},
    ),
    Case("carbon path of 20 ohm above 70", faults={"Y2": [Parallel(20.0, 70)]}, bad={"Y2": DOUBT}),
    Case("fixed 68 ohm across", faults={"Y2": [Parallel(68.0)]}, bad={"Y2": ANY_BUT_FAIL}),
    Case("PTC in the connector, 0.2 ohm", faults={"Y2": [Thermistor(0.2, -2500.0)]}, bad={"Y2": DOUBT}),
    Case(
        "joint and shorted turns that make up for each other",
        faults={"Y2": [TurnsShorted(0.06), BadJoint(0.24)]},
        bad={"Y2": DOUBT},
    ),
    Case(
        "all coils of a kind: joint 0.2",
        faults={f"Y{n}": [BadJoint(0.2)] for n in range(1, 6)},
        bad={f"Y{n}": DOUBT for n in range(1, 6)},
    ),
    Case(
        "all coils of a kind: 3 % short above 75",
        faults={f"Y{n}": [TurnsShorted(0.03, 75)] for n in range(1, 6)},
        bad={f"Y{n}": DOUBT for n in range(1, 6)},
    ),
    Case("drift back: 2 % for while hot only", faults={"Y2": [StrandOpens(60, 1.02)]}, bad={"Y2": DOUBT}),
]

# The bench


def _oven(what: str, when: Callable[[Bench], bool], **changes: bool) -> Callable[[Rig], list[Trigger]]:
    def do(bench: Bench) -> None:
        for name, value in changes.items():
            setattr(bench.oven, name, value)

    return lambda rig: [Trigger(what, when, do)]


def _line(
    name: str, act: Callable[[Rig], None], when: Callable[[Bench], bool]
) -> Callable[[Rig], list[Trigger]]:
    return lambda rig: [Trigger(name, when, lambda _bench: act(rig))]


def _says_off_and_heats(rig: Rig) -> list[Trigger]:
    def do(bench: Bench) -> None:
        assert bench.oven is not None
        bench.oven.ignores_off = True

    return [Trigger("oven hears no off", air_over(50), do)]


def _stage_shorts(rig: Rig) -> list[Trigger]:
    def do(bench: Bench) -> None:
        bench.supply.stage_shorted = True
        bench.supply.stage_V = 7.0
        rig.supply.blind_when_off = True

    return [Trigger("stage shorted, panel blind", hot_and_driven(40), do)]


def _deaf(rig: Rig) -> list[Trigger]:
    def do(_bench: Bench) -> None:
        rig.supply.deaf_to_off = True

    return [Trigger("supply deaf to off", hot_and_driven(40), do)]


def _share(line: str, what: str, share: float) -> Callable[[Rig], None]:
    return lambda rig: setattr(rig.lines[line], what, share)


def _lost_and_found(line: str, when: Callable[[Bench], bool]) -> Callable[[Rig], list[Trigger]]:
    return _line(f"{line} lost and found", lambda rig: rig.lines[line].drop(), when)


def _hang(line: str, when: Callable[[Bench], bool]) -> Callable[[Rig], list[Trigger]]:
    return _line(f"{line} hangs", lambda rig: setattr(rig.lines[line], "hanging", True), when)


def _refuse(line: str, when: Callable[[Bench], bool]) -> Callable[[Rig], list[Trigger]]:
    return _line(f"{line} refuses", lambda rig: rig.lines[line].refuse(), when)


def _for_60_s(line: str, when: Callable[[Bench], bool]) -> Callable[[Rig], list[Trigger]]:
    def triggers(rig: Rig) -> list[Trigger]:
        first = Trigger(f"{line} refuses", when, lambda _bench: rig.lines[line].refuse())

        def over(bench: Bench) -> bool:
            return first.at_s is not None and bench.now_s > first.at_s + 60.0

        return [first, Trigger(f"{line} is back", over, lambda _bench: rig.lines[line].relent())]

    return triggers


def _weld(channel: int) -> Callable[[Rig], None]:
    return lambda rig: rig.bench.welded.add(channel)


def _dead(channel: int) -> Callable[[Rig], None]:
    return lambda rig: rig.bench.dead.add(channel)


FOUR = ("Y1", "Y2", "Y3", "Y4")
TWO = ("Y1", "Y2")
GOES_ON = Needs(status=0)
FOUND = Needs(status=0, event=LOST)
#: The bench's faults that a soak in an oven meets, at a pace that any machine keeps.
BENCH: list[Case] = [
    replace(case, coils=FOUR, steps_degC=(60, 90), hold_s=150.0)
    for case in (
        Case("meter garbage 1 in 100", prepare=_share("meter", "garbage_share", 0.01), needs=GOES_ON),
        Case("meter digit wrong 1 in 100", prepare=_share("meter", "digit_share", 0.01), needs=GOES_ON),
        Case("meter silent 1 in 100", prepare=_share("meter", "silent_share", 0.01), needs=GOES_ON),
        Case("supply garbage 1 in 100", prepare=_share("supply", "garbage_share", 0.01), needs=GOES_ON),
        Case("supply digit wrong 1 in 100", prepare=_share("supply", "digit_share", 0.01), needs=GOES_ON),
        Case("switch garbage 1 in 100", prepare=_share("switch", "garbage_share", 0.01), needs=GOES_ON),
        Case("thermometer digit wrong 1 in 100", prepare=_share("probe", "digit_share", 0.01), needs=GOES_ON),
        Case("oven digit wrong 1 in 50", prepare=_share("oven", "digit_share", 0.02), needs=GOES_ON),
        Case("meter lost and found", triggers=_lost_and_found("meter", air_over(55)), needs=FOUND),
        Case("switch lost and found", triggers=_lost_and_found("switch", air_over(55)), needs=FOUND),
        Case("thermometer lost and found", triggers=_lost_and_found("probe", air_over(55)), needs=FOUND),
        Case("oven lost and found", triggers=_lost_and_found("oven", air_over(55)), needs=FOUND),
        Case("power relay of Y2 welded", prepare=_weld(POWER + 2)),
        Case("sense relay of Y2 welded", prepare=_weld(SENSE + 2)),
        Case("power relay of Y2 dead", prepare=_dead(POWER + 2), bad={"Y2": ANY_BUT_FAIL}),
        Case("sense relay of Y2 dead", prepare=_dead(SENSE + 2), bad={"Y2": DOUBT}),
    )
]
#: The bench's faults in which seconds count: slower, two coils, and links that do not wait longer than 4 s.
OVEN_S = 90.0
SAFETY: list[Case] = [
    replace(case, coils=TWO, steps_degC=(60, 90), hold_s=60.0, scale=20.0, timeout_s=0.5, hand_after_s=60.0)
    for case in (
        Case(
            "oven welded on at 60",
            triggers=_oven("welded", air_over(58), welded=True),
            needs=Needs(alarm_s=OVEN_S, air_degC=95.0),
        ),
        Case("oven hangs heating", triggers=_hang("oven", air_over(50)), needs=Needs(alarm_s=OVEN_S)),
        Case("oven refuses heating", triggers=_refuse("oven", air_over(50)), needs=Needs(alarm_s=OVEN_S)),
        Case("thermometer hangs", triggers=_hang("probe", air_over(50)), needs=Needs(safe_s=OVEN_S)),
        Case("meter refuses heating", triggers=_refuse("meter", air_over(50)), needs=Needs(safe_s=OVEN_S)),
        Case("switch hangs heating", triggers=_hang("switch", air_over(50)), needs=Needs(safe_s=OVEN_S)),
        Case("oven hears no off", triggers=_says_off_and_heats, needs=Needs()),
        Case("stage shorted, panel blind", triggers=_stage_shorts, needs=Needs(alarm_s=600.0)),
    )
]
#: Heated by the coils' own current.
OWN_HEAT: list[Case] = [
    replace(case, name=f"{case.name} (own heat)", heat="supply", coils=FOUR, steps_degC=(70,), scale=25.0)
    for case in (
        Case("sound"),
        Case("diode across, conducting", faults={"Y2": [Diode(forward=True)]}, bad={"Y2": DOUBT}),
        Case("turns short above 70, 8 %", faults={"Y3": [TurnsShorted(0.08, 70)]}, bad={"Y3": DOUBT}),
        Case("opens above 75", faults={"Y2": [OpensAbove(75, 66)]}, bad={"Y2": FAIL}),
        Case("joint 0.30", faults={"Y4": [BadJoint(0.30)]}, bad={"Y4": DOUBT}),
        Case("probe off at 50", triggers=_probe_off(1, 0.1, 50.0), bad={"Y2": RETEST}),
        Case("meter garbage 1 in 100", prepare=_share("meter", "garbage_share", 0.01), needs=GOES_ON),
    )
] + [
    replace(
        case,
        name=f"{case.name} (own heat)",
        heat="supply",
        coils=TWO,
        steps_degC=(50,),
        scale=case.scale if case.scale != 60.0 else 10.0,
        # A wait for a reply is the wall's: about two seconds of the bench's, as on a bench of life's pace.
        timeout_s=1.0 if case.scale == 2.0 else 0.5,
        hand_after_s=None if case.hand_after_s is None else 30.0,
        longest_s=1500.0,
    )
    for case in (
        Case(
            "supply drops and refuses",
            triggers=_refuse("supply", hot_and_driven(30)),
            needs=Needs(alarm_s=30.0),
        ),
        Case(
            "supply hangs with output on",
            triggers=_hang("supply", hot_and_driven(30)),
            needs=Needs(alarm_s=30.0),
        ),
        Case(
            "supply refuses for 60 s, nobody comes",
            triggers=_for_60_s("supply", hot_and_driven(30)),
            needs=Needs(safe_s=75.0),
            hand_after_s=None,
        ),
        Case("supply deaf to off", triggers=_deaf, needs=Needs(alarm_s=600.0)),
        Case(
            "meter hangs under drive",
            triggers=_hang("meter", hot_and_driven(28)),
            needs=Needs(safe_s=6.5),
            scale=2.0,
        ),
        Case(
            "meter refuses under drive",
            triggers=_refuse("meter", hot_and_driven(30)),
            needs=Needs(safe_s=6.0),
        ),
        Case(
            "switch hangs under drive",
            triggers=_hang("switch", hot_and_driven(30)),
            needs=Needs(safe_s=600.0),
        ),
        Case(
            "thermometer hangs under drive",
            triggers=_hang("probe", hot_and_driven(30)),
            needs=Needs(safe_s=10.0),
        ),
        Case("stage shorted, panel blind", triggers=_stage_shorts, needs=Needs(alarm_s=600.0), scale=25.0),
        Case(
            "supply lost and found under drive",
            triggers=_lost_and_found("supply", hot_and_driven(30)),
            needs=Needs(event=LOST),
            enough_s=30.0,
        ),
    )
]

WITHOUT_COMPANION: list[Case] = [
    replace(case, name=f"{case.name} (no companion)", companion=False)
    for case in SAFETY + OWN_HEAT
    if case.name.split(" (")[0]
    in {
        "oven welded on at 60",
        "supply drops and refuses",
        "supply hangs with output on",
        "meter hangs under drive",
    }
]

GROUPS = {
    "coils": COILS,
    "unlisted": UNLISTED,
    "bench": BENCH,
    "safety": SAFETY,
    "own": OWN_HEAT,
    "alone": WITHOUT_COMPANION,
}


def named(cases: list[Case], *names: str) -> list[Case]:
    """Pick cases by their names, each of which must be there once."""
    by_name = {case.name: case for case in cases}
    return [by_name[name] for name in names]


def findings(case: Case, outcome: Outcome) -> list[str]:
    """Tell what of an outcome is not as it must be; nothing if all is well."""
    found = [*_verdict_findings(case, outcome), *_need_findings(case.needs, outcome)]
    left = (outcome.driven_at_end or outcome.driven_later, outcome.heated_at_end or outcome.heated_later)
    for still, what in zip(left, ("driven", "heated"), strict=True):
        if still:
            found.append(
                f"{what} when the program had ended" + ("" if outcome.alarm_at_end else ", without an alarm")
            )
    if outcome.truth.moved:
        first = outcome.truth.moved[0]
        found.append(
            f"{len(outcome.truth.moved)} contacts moved under current, first {first.current_A:.2f} A"
        )
    if outcome.truth.ohms_driven:
        found.append(f"{outcome.truth.ohms_driven} ohms readings on a driven coil")
    if outcome.left_over:
        found.append(f"left running: {outcome.left_over}")
    if "Traceback" in outcome.screen:
        found.append("traceback on the screen")
    if outcome.overdue:
        found.append("had to be stopped")
    return found


def told(outcome: Outcome) -> str:
    """The last lines in which the program speaks of what ended it."""
    lines = [line for line in outcome.screen.splitlines() if line.startswith("coilsoak:")]
    return " ".join(lines[-1:])[:300]


def _verdict_findings(case: Case, outcome: Outcome) -> list[str]:
    found = []
    for label in case.coils:
        verdict = outcome.verdicts.get(label, "none")
        expected = case.bad.get(label)
        if expected is None:
            if verdict == "fail":
                found.append(f"sound {label} fails: {outcome.text(label)}")
            elif verdict != "pass" and outcome.status == 0:
                found.append(f"sound {label} {verdict}: {outcome.text(label)}")
        elif verdict not in expected.verdicts:
            found.append(f"{label} {verdict}, must be {'/'.join(expected.verdicts)}: {outcome.text(label)}")
        elif not re.search(expected.reason, outcome.text(label), re.IGNORECASE):
            found.append(f"{label} {verdict}, reason must name '{expected.reason}': {outcome.text(label)}")
    return found


def _need_findings(needs: Needs, outcome: Outcome) -> list[str]:
    found = []
    if needs.status is not None and outcome.status != needs.status:
        found.append(f"status {outcome.status}, must be {needs.status}: {told(outcome)}")
    if (needs.safe_s or needs.alarm_s or needs.event) and outcome.fault_s is None:
        return [*found, "the fault never came: the soak did not get so far"]
    assert outcome.fault_s is not None or not (needs.safe_s or needs.alarm_s)
    if needs.safe_s is not None and (outcome.safe_s is None or outcome.safe_s > needs.safe_s):
        found.append(f"safe after {outcome.safe_s} s, must be within {needs.safe_s} s")
    if needs.alarm_s is not None:
        told_s = None if outcome.alarm_s is None else outcome.alarm_s - outcome.fault_s
        safe_alone = outcome.safe_s is not None and outcome.safe_s <= needs.alarm_s and outcome.hand_s is None
        if not safe_alone and (told_s is None or told_s > needs.alarm_s):
            found.append(
                f"neither safe nor told after {needs.alarm_s} s: alarm {told_s} s, safe {outcome.safe_s} s"
            )
    if needs.air_degC is not None and outcome.alarm_s is None:
        hottest = outcome.hottest_after_fault_degC["air"]
        if hottest > needs.air_degC:
            found.append(f"air went to {hottest:.0f} degC without an alarm")
    if needs.event and not any(
        re.search(needs.event, event["text"], re.IGNORECASE) for event in outcome.events
    ):
        found.append("nothing of the lost connection in events.csv")
    return found
