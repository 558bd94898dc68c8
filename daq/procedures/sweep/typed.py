"""The sweep with a hand meter: one line a coil, a slip asked about, an earlier figure put right."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.words import say
from daq.bench.operator import parse_typed
from daq.errors import InputError
from daq.instruments.number import Number
from daq.procedures.procedure import Procedure
from daq.procedures.sweep.expected_value import Plausible, figure
from daq.procedures.sweep.sweep import ambient_of

HELP = (
    "Type what the meter shows and Enter: 3.31, 720m, OL when it is open.",
    "b: back to the coil before. s: skip this one. Ctrl-C: end, and keep the rest.",
)
LAST = "All typed. Enter: judge them. b: back to the last one: "
BACK, SKIP = "b", "s"


def sweep_typed(procedure: Procedure, coils: Sequence[str], plausible: Plausible) -> None:
    """Ask for the resistance of every coil.

    A figure far from what it should be is asked for once more; one typed anew takes the place of the one
    before, which stays in the record. In the end, what then looks like a slip is asked for again.
    """
    ambient = ambient_of(procedure)
    procedure.null_leads()
    asking = _Asking(procedure, coils, plausible, ambient)
    for line in HELP:
        procedure.bench.operator.tell(line)
    at = 0
    while at < len(coils):
        at += asking.one(at)
        if at == len(coils) and asking.go_back():
            at -= 1
    for at in asking.doubtful():
        asking.one(at)


class _Asking:
    """The figures typed so far. *ambient* None: each coil has a probe that an instrument reads."""

    def __init__(
        self, procedure: Procedure, coils: Sequence[str], plausible: Plausible, ambient: Number | None
    ) -> None:
        self._procedure = procedure
        self._tell = procedure.bench.operator.tell
        self._coils = coils
        self._plausible = plausible
        self._ambient = ambient
        self._typed: dict[str, float | None] = {}
        #: Far from what they should be and typed twice: believed.
        self._sure: set[str] = set()

    def one(self, at: int) -> int:
        """Ask for the coil at *at*; return by how many coils to go on."""
        coil, doubted = self._coils[at], ""
        prompt = f"{coil} ({at + 1} of {len(self._coils)}) [ohm]: "
        while True:
            typed = self._procedure.bench.operator.ask(prompt).strip()
            if typed.lower() == BACK:
                return -1 if at else 0
            if typed.lower() == SKIP:
                self._procedure.event("skipped", say("event.skipped"), coil)
                return 1
            try:
                shown = parse_typed(typed, "ohm")
            except InputError as exc:
                self._tell(str(exc))
                continue
            slip = self._slip(coil, shown.value)
            if slip and slip != doubted:
                doubted = slip
                self._tell(f"{slip}: sure? Type it again, or the right one.")
                continue
            if slip:
                self._sure.add(coil)
            self._keep(coil, shown.value, self._procedure.without_leads(shown))
            return 1

    def go_back(self) -> bool:
        """Ask whether the last figure is to be put right before the end."""
        return self._procedure.bench.operator.ask(LAST).strip().lower() == BACK

    def doubtful(self) -> list[int]:
        """Return the places of coils whose figures look like slips now that all are known."""
        found = []
        for at, coil in enumerate(self._coils):
            slip = "" if coil in self._sure else self._slip(coil, self._typed.get(coil))
            if slip:
                self._tell(f"{coil}: {slip}: look once more.")
                found.append(at)
        return found

    def _slip(self, coil: str, shown_ohm: float | None) -> str:
        return "" if shown_ohm is None else self._plausible.slip(coil, shown_ohm)

    def _keep(self, coil: str, shown_ohm: float | None, ohm: Number) -> None:
        procedure = self._procedure
        if coil in self._typed:
            before = self._typed[coil]
            was = "open" if before is None else f"{before:g} ohm"
            procedure.read_again(coil, "sweep", was)
        self._typed[coil] = shown_ohm
        probe = self._ambient or procedure.bench.temperature(coil)
        procedure.row(procedure.reading(coil, "sweep", None, procedure.now(), probe=probe, ohms=ohm))
        r20_ohm = self._plausible.seen(coil, ohm.value, probe.value)
        if r20_ohm is not None:
            odd = self._plausible.odd(coil)
            self._tell(f"    {figure(r20_ohm)} ohm at 20 degC" + (f"  ? {odd}" if odd else "  good"))
        elif ohm.value is None:
            self._tell(f"    {ohm.status}")
