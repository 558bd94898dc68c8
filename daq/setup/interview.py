"""The interview: what stands on the bench and what is under test, in plain words, each answer tried at once.

It is run from its start whenever an answer changes; see :mod:`daq.setup.desk`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from daq.config.rig import MeterAccuracy
from daq.instruments.dialects.load import Dialect
from daq.links.discover import Place
from daq.setup.coils import alike, coils, limits, tolerance, ways
from daq.setup.desk import Desk
from daq.setup.meet.find import Found, look
from daq.setup.meet.trial import Fit, most
from daq.setup.meters import CLASSES, MANUAL
from daq.setup.parse import HAND, NONE, mains, number, one_of, something, two_or_four, whole
from daq.setup.plan import Plan, Wired, wired

_AN = {
    "meter": "ohmmeter or multimeter",
    "supply": "bench supply that drives a coil",
    "probe": "thermometer on the coils",
    "switch": "switch unit between coils and meter",
    "oven": "oven or bath",
}
#: What is asked, in the order in which it may come up; an answers file takes these.
QUESTIONS = (
    *(
        f"{role}{part}"
        for role in ("meter", "supply", "switch", "oven", "probe")
        for part in ("", "_dialect", "_channel", "_leave_out")
    ),
    "wires",
    "mains_Hz",
    "meter_class",
    "meter_percent",
    "meter_offset_ohm",
    "cold_junction_degC",
    "probe_accuracy_K",
    "set_name",
    "coils",
    "system_V",
    "max_current_A",
    "diode",
    "body_degC",
    "insulation",
    "heat",
    "channel_sense",
    "channel_power",
    "channel_probe",
    "channel_leak",
    "channel_short",
    "limit_V",
    "limit_A",
    "tolerance_percent",
    "peer_max_ohm",
)


@dataclass
class Looker:
    """Looks at addresses, each but once, and knows what was found before the first question."""

    dialects: Sequence[Dialect]
    found: list[Found] = field(default_factory=list)
    look: Callable[[Place, Sequence[Dialect]], Found] = look
    ranges: Callable[..., tuple[float | None, float | None]] = most
    _maxima: dict[str, tuple[float | None, float | None]] = field(default_factory=dict)

    def at(self, answer: str, tell: Callable[[str], None]) -> Found:
        """Return what is at *answer*: a number of the list, or an address."""
        if answer.isdecimal() and 1 <= int(answer) <= len(self.found):
            return self.found[int(answer) - 1]
        for each in self.found:
            if answer in {each.address, each.place.address}:
                return each
        tell(f"looking at {answer} ...")
        found = self.look(Place(answer, "given"), self.dialects)
        self.found.append(found)
        return found

    def of_role(self, role: str) -> str | None:
        """Return the address of the first that was found in *role*."""
        return next((each.address for each in self.found if each.fits and each.fits[0].role == role), None)

    def most(self, found: Found, fit: Fit) -> tuple[float | None, float | None]:
        """Return the most volts and amperes that a supply says it can be set to."""
        if found.met is None:
            return None, None
        if found.address not in self._maxima:
            self._maxima[found.address] = self.ranges(found.met, fit)
        return self._maxima[found.address]


def interview(desk: Desk, looker: Looker) -> Plan:
    """Ask for all that the two files need, and return it.

    Raises:
        BackError: The question before is wanted again.
        InputError: Nobody can be asked, and something is missing or wrong.
    """
    desk.begin()
    plan = Plan()
    _meter(desk, looker, plan)
    supply = _supply(desk, looker, plan)
    _switch(desk, looker, plan)
    _oven(desk, looker, plan)
    _probe(desk, looker, plan)
    coils(desk, plan)
    ways(desk, plan)
    limits(desk, plan, supply)
    tolerance(desk, plan)
    alike(desk, plan)
    return plan


def _instrument(
    desk: Desk, looker: Looker, plan: Plan, role: str, words: Sequence[str], default: str
) -> tuple[str, Wired | None, Found | None, Fit | None]:
    """Ask for the instrument in *role* until it answers in a dialect, or one of *words* is the answer."""
    others = " or ".join(f"'{word}'" for word in words)
    while True:
        answer = desk.get(
            role,
            f"{_AN[role]}: its address or number, {others}",
            something,
            default=looker.of_role(role) or default,
            about="an address is like COM3, /dev/ttyUSB0, 192.168.1.5, meter.local or 192.168.1.5:5555; "
            "a number is a line of the table above",
        )
        if answer in words:
            return answer, None, None, None
        found = looker.at(answer, desk.tell)
        named = desk.given.get(f"{role}_dialect") or desk.answers.get(f"{role}_dialect")
        if found.met is None:
            desk.refuse(role, f"{answer}: {found.who}; {found.verdict()}")
            continue
        fits = [fit for fit in found.fits if fit.role == role]
        if not fits and not named:
            desk.tell(f"{answer}: {found.who}. {found.verdict()}")
            named = desk.get(
                f"{role}_dialect",
                f"dialect to speak as {role} all the same, or Enter to choose another instrument",
                str,
                default="",
                about="; ".join(each.name for each in looker.dialects if role in each.roles),
            )
            if not named:
                desk.answers.pop(f"{role}_dialect", None)
                desk.refuse(role, f"{answer} is left alone")
                continue
        if len({fit.dialect for fit in fits if fit.whole}) > 1:
            names = [fit.dialect for fit in fits if fit.whole]
            for each in fits:
                if each.whole:
                    desk.tell(f"  {_told(each, fits)}")
            named = desk.get(
                f"{role}_dialect",
                f"it speaks {' and '.join(names)}; which",
                one_of(names),
                default=names[0],
                about="one that names its channel with each command bears a key pressed meanwhile",
            )
        chosen = named or fits[0].dialect
        dialect = next((each for each in looker.dialects if each.name == chosen), None)
        if dialect is None or role not in dialect.roles:
            desk.answers.pop(f"{role}_dialect", None)
            desk.given = {key: value for key, value in desk.given.items() if key != f"{role}_dialect"}
            desk.refuse(role, f"dialect {chosen!r} is unknown here, or knows no {role}")
            continue
        fit = next((each for each in fits if each.dialect == chosen), None)
        if fit is not None and not fit.whole and not chosen.endswith(".toml"):
            _leave_out(desk, plan, fit)
        elif fit is not None and not fit.whole:
            desk.tell(
                f"note: it did not answer {', '.join(fit.unanswered)} as {chosen} says; `check` tells more"
            )
        desk.tell(f"  {found.who}, as {role} in dialect {chosen}")
        params = dialect.roles[role].params
        channel = None
        if "channel" in params:
            channel = desk.get(f"{role}_channel", "which of its outputs", whole(1, 99), default="1")
        usual_baud = dialect.roles[role].link.baud
        return answer, wired(found, chosen, usual_baud, channel if channel != 1 else None), found, fit


def _leave_out(desk: Desk, plan: Plan, fit: Fit) -> None:
    """Ask whether what was not answered is to be left out: then the bench has a dialect file of its own."""
    listed = ", ".join(op.replace("_", " ") for op in fit.unanswered)
    wanted = desk.get(
        f"{fit.role}_leave_out",
        f"not answered as {fit.dialect} says: {listed}. Leave out what it does not know, yes or no",
        one_of(["yes", "no"]),
        default="yes",
        about="a dialect file of your own is written without it, and `check` says what is missing by that; "
        "no: the dialect stays as it is, and `check` will stop there",
    )
    if wanted == "yes":
        plan.left_out[fit.role] = fit.unanswered


def _told(fit: Fit, rivals: Sequence[Fit]) -> str:
    """Say what a dialect has that others that fit as well have not."""
    others = {op for each in rivals if each.dialect != fit.dialect for op in each.answered}
    more = [op.replace("_", " ") for op in fit.answered if op not in others]
    lacks = sorted({op.replace("_", " ") for op in others if op not in fit.answered})
    said = [
        "names its output with every command"
        if fit.selects
        else "speaks to the output that is selected there",
        *([f"has {', '.join(more)} besides"] if more else []),
        *([f"has no {', no '.join(lacks)}"] if lacks else []),
    ]
    return f"{fit.dialect}: {'; '.join(said)}"


def _meter(desk: Desk, looker: Looker, plan: Plan) -> None:
    _, plan.meter, _, _ = _instrument(desk, looker, plan, "meter", [HAND], HAND)
    by_hand = plan.meter is None
    plan.wires = desk.get(
        "wires",
        "leads from the meter to a coil, 2 or 4",
        two_or_four,
        default="2" if by_hand else "4",
        about="with four the leads' own resistance is not in the reading; with two it is measured first",
    )
    if not by_hand:
        plan.mains_Hz = desk.get("mains_Hz", "mains frequency, 50 or 60 Hz", mains, default="50")
    listed = "\n".join(f"  {key}  {each.about}" for key, each in CLASSES.items())
    if "meter_class" not in desk.answers and "meter_class" not in desk.given:
        desk.tell(f"{listed}\n  {MANUAL}  you have its data sheet at hand")
    name = desk.get(
        "meter_class",
        "how good is it",
        one_of([*CLASSES, MANUAL]),
        default="c" if by_hand else "5",
        about="limits of error decide what can be judged; the classes are careful common practice",
    )
    plan.range_ohm = 600.0 if by_hand else 100.0
    if name != MANUAL:
        kind = CLASSES[name]
        plan.accuracy = kind.accuracy
        plan.accuracy_source = f"{kind.about}: common practice, put in what your data sheet says"
        return
    percent = desk.get("meter_percent", "its data sheet: limit of error, % of reading", number(0, 50))
    offset_ohm = desk.get(
        "meter_offset_ohm", "and besides, in ohm (digits times the last digit)", number(0, 100), default="0"
    )
    noise_ohm = max(offset_ohm / 6.0, 0.0005)
    plan.accuracy = MeterAccuracy(reading_rel=percent / 100.0, offset_ohm=offset_ohm, noise_ohm=noise_ohm)
    plan.accuracy_source = "from its data sheet, as typed in setup"


def _supply(desk: Desk, looker: Looker, plan: Plan) -> tuple[float | None, float | None]:
    _, plan.supply, found, fit = _instrument(desk, looker, plan, "supply", [NONE], NONE)
    return (None, None) if found is None or fit is None else looker.most(found, fit)


def _switch(desk: Desk, looker: Looker, plan: Plan) -> None:
    _, plan.switch, _, _ = _instrument(desk, looker, plan, "switch", [NONE], NONE)


def _oven(desk: Desk, looker: Looker, plan: Plan) -> None:
    _, plan.oven, _, _ = _instrument(desk, looker, plan, "oven", [NONE], NONE)


def _probe(desk: Desk, looker: Looker, plan: Plan) -> None:
    words = [HAND] if plan.meter is None else [HAND, "pt100", "K"]
    default = "pt100" if plan.switch is not None and plan.meter is not None else HAND
    answer, plan.probe, _, fit = _instrument(desk, looker, plan, "probe", words, default)
    if fit is not None and isinstance(fit.channel, str):
        plan.probe_letter = fit.channel
    kinds = {HAND: "typed", "pt100": "meter-pt100", "K": "meter-thermocouple-K"}
    plan.probe_kind = kinds.get(answer, "instrument")
    if answer == "K":
        plan.cold_junction_degC = desk.get(
            "cold_junction_degC",
            "temperature where the thermocouple meets copper, degC",
            number(-20, 80),
            default="22",
        )
    plan.probe_accuracy_K = desk.get(
        "probe_accuracy_K",
        "thermometer: limit of error with its contact to the coil, K",
        number(0.05, 20),
        default={"typed": "2", "meter-pt100": "0.5", "meter-thermocouple-K": "2"}.get(plan.probe_kind, "1"),
    )
    plan.probe_single = plan.switch is None or plan.probe_kind == "typed"
