"""The sweep without questions: a meter by wire, leads in a hand, and the next coil on the screen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from analysis.model import OVER_RANGE
from analysis.words import say
from daq.instruments.number import Number
from daq.procedures.procedure import Procedure
from daq.procedures.sweep.contact import Agreement, LeadsAt, Sign
from daq.procedures.sweep.expected_value import Plausible, figure
from daq.procedures.sweep.leads import (
    BACK,
    DONE,
    GOOD,
    LOOK_AGAIN,
    NUMBERS,
    OPEN,
    SKIP,
    TROUBLE,
    UNTOUCHED_S,
    Desk,
    LeadsInHand,
    Shown,
    null_by_touch,
)
from daq.procedures.sweep.sweep import OPEN_READINGS, warn_if_not_at_ambient

#: When all is read, the last coil may still be put right for some seconds.
LAST_WORD_S = 5.0


def sweep_handsfree(
    procedure: Procedure,
    coils: Sequence[str],
    plausible: Plausible,
    agree: Agreement,
    ambient: Number | None,
    desk: Desk,
) -> None:
    """Read every coil as the leads come to it: a reading counts for the coil that the screen shows.

    The record keeps all settled readings; of a coil that was read again the later ones count.
    *ambient* is the temperature of all parts, None where a thermometer is read at each coil.
    """
    leads = LeadsInHand(procedure, agree)
    if procedure.bench.wires == 2 and not procedure.bench.probe_needs_meter:
        null_by_touch(procedure, leads, desk)
    sweep = _Sweep(procedure, coils, plausible, leads, ambient, desk)
    sweep.go()
    warn_if_not_at_ambient(procedure, sweep.probes_degC)
    procedure.bench.harness.release()


class _Sweep:
    """Where the sweep stands: which coil a reading counts for, and which are done."""

    def __init__(
        self,
        procedure: Procedure,
        coils: Sequence[str],
        plausible: Plausible,
        leads: LeadsInHand,
        ambient: Number | None,
        desk: Desk,
    ) -> None:
        self._procedure = procedure
        self._hand = procedure.bench.hand
        self._coils = coils
        self._plausible = plausible
        self._leads = leads
        self._touch = leads.touch
        self._ambient = ambient
        self._desk = desk
        #: Place of the coil that a reading counts for; None: all are done.
        self._at: int | None = 0
        #: When the sweep ends if nothing is left to read.
        self._ends_s = 0.0
        #: Place of the coil read last, and whether the leads are still on it.
        self._last: int | None = None
        self._held = False
        #: What stands of each coil that was read, and those passed over.
        self._read: dict[str, Shown] = {}
        self._skipped: set[str] = set()
        self._wobbled: set[str] = set()
        self.probes_degC: list[float] = []

    def go(self) -> None:
        """Follow leads and keys until every coil is read or skipped."""
        self._due(0)
        while not self._over():
            key = self._desk.key()
            if key:
                self._leads.noticed()
                self._obey(key)
            place = self._touch.place
            sign = self._leads.look(DONE if self._at is None else self._coils[self._at])
            if sign is Sign.LIFTED and place is LeadsAt.READ:
                held, self._held = self._held, False
                self._due(self._after(self._at) if held else self._at)
            elif self._at is None:
                self._touch.wait_for_lift()
            else:
                self._heed(sign, self._at)

    def _heed(self, sign: Sign, at: int) -> None:
        """Do what a reading for the coil at *at* asks for."""
        coil = self._coils[at]
        if sign is Sign.TAKEN:
            self._take(at)
        elif sign is Sign.TOUCHED:
            self._desk.due(coil, "hold still")
        elif sign is Sign.UNSTEADY:
            if coil not in self._wobbled:
                said = say("event.contact-wobbles", low=self._touch.low_ohm, high=self._touch.high_ohm)
                self._procedure.event("contact", said, coil)
            self._wobbled.add(coil)
            advice = "press harder, scrape the pin, use clips"
            self._desk.due(coil, f"no firm contact, {self._leads.wobble()}: {advice}", urgent=True)
            self._desk.ring(TROUBLE)
        elif sign is Sign.LIFTED:
            self._desk.due(coil, "contact lost too early: put the leads on it again")
            self._hand.put_on(coil)

    def _over(self) -> bool:
        if self._procedure.now() > self._ends_s:
            if self._at is None:
                return True
            if self._held and self._after(self._at) is None:
                self._held = False  # clips may stay on the last coil
                self._due(None)
        if self._leads.idle_s() <= UNTOUCHED_S:
            return False
        missing = ", ".join(coil for coil in self._coils if coil not in self._read)
        self._procedure.event("contact", say("event.no-leads", time=UNTOUCHED_S, coils=missing or "none"))
        return True

    def _take(self, at: int) -> None:
        """Keep the settled readings of the coil at *at*, and say what they are."""
        coil, ohm = self._coils[at], self._leads.mean_ohm()
        probe = self._keep(at, self._leads.settled)
        r20_ohm = self._plausible.seen(coil, ohm, probe.value)
        odd = self._plausible.slip(coil, ohm) or self._plausible.odd(coil)
        r20 = "" if r20_ohm is None else figure(r20_ohm)
        self._held = True
        self._ends_s = self._procedure.now() + LAST_WORD_S
        self._report(coil, Shown(figure(ohm), r20, odd or "good", not odd))
        self._hand.lift()

    def _keep(self, at: int, readings: Sequence[tuple[float, Number]]) -> Number:
        """Write rows, in place of earlier ones of the coil; return the temperature that stands in them."""
        coil, procedure = self._coils[at], self._procedure
        probe = self._ambient or procedure.bench.temperature(coil)
        self._drop(coil)
        for time_s, ohms in readings:
            procedure.row(procedure.reading(coil, "sweep", None, time_s, probe=probe, ohms=ohms))
        if probe.value is not None:
            self.probes_degC.append(probe.value)
        self._last = at
        return probe

    def _drop(self, coil: str) -> None:
        """Let what was read of *coil* count no more."""
        self._skipped.discard(coil)
        before = self._read.pop(coil, None)
        if before is not None:
            self._procedure.read_again(coil, "sweep", before.ohm)
            self._plausible.seen(coil, None, None)
            self._desk.result(coil, None)

    def _report(self, coil: str, shown: Shown) -> None:
        self._read[coil] = shown
        self._desk.result(coil, shown)
        r20 = f", {shown.r20} ohm at 20 degC" if shown.r20 else ""
        what = f"{shown.word if shown.good else f'look again, {shown.word}'}{r20}: lift"
        self._desk.due(coil, what, urgent=not shown.good, value=shown.ohm)
        self._desk.ring(GOOD if shown.good else LOOK_AGAIN)

    def _due(self, at: int | None) -> None:
        """Let the next reading count for the coil at *at*."""
        self._at = at
        self._leads.noticed()
        if at is None:
            self._tell_the_end()
            return
        lift = "" if self._leads.in_the_air else "lift, then "
        self._desk.due(self._coils[at], f"{lift}put the leads on it")
        self._hand.put_on(self._coils[at])

    def _tell_the_end(self) -> None:
        """Say that all is read, and which coils look odd only now that their like are known."""
        odd = {coil: self._plausible.odd(coil) for coil, read in self._read.items() if read.good}
        doubtful = [coil for coil, word in odd.items() if word]
        for coil in doubtful:
            self._read[coil] = replace(self._read[coil], word=odd[coil], good=False)
            self._desk.result(coil, self._read[coil])
        look = f"look again at {', '.join(doubtful)}; " if doubtful else ""
        what = f"{look}ends in {LAST_WORD_S:g} s; Space: read the last one again"
        self._ends_s = self._procedure.now() + LAST_WORD_S
        self._desk.due(DONE, what, urgent=bool(doubtful))
        if doubtful:
            self._desk.ring(LOOK_AGAIN)

    def _after(self, at: int | None) -> int | None:
        """Return the place of the next coil that is not done, from *at* on and then from the start."""
        done = self._read.keys() | self._skipped
        count, first = len(self._coils), 0 if at is None else at + 1
        places = [(first + step) % count for step in range(count)]
        return next((place for place in places if self._coils[place] not in done), None)

    def _obey(self, key: str) -> None:
        """Do what one key asks for; any without a meaning of its own, as foot switches send, reads again."""
        pressed = key.lower()
        if pressed == BACK:
            self._touch.wait_for_lift()
            self._held = False
            self._due(max((len(self._coils) if self._at is None else self._at) - 1, 0))
        elif pressed in NUMBERS:
            self._pick(int(pressed) - 1)
        elif pressed not in {SKIP, OPEN}:
            self._again()
        elif self._at is None or self._held:
            return  # what was read is neither skipped nor open
        elif pressed == SKIP:
            self._skip(self._at)
        else:
            self._open(self._at)

    def _again(self) -> None:
        if self._leads.in_the_air:
            if self._last is not None:
                self._due(self._last)
        elif self._at is not None:
            self._held = False
            self._touch.read_anew()
            self._desk.due(self._coils[self._at], "hold still, reading again")
            self._hand.put_on(self._coils[self._at])

    def _pick(self, at: int) -> None:
        """The leads are on another coil than the screen shows, or are meant to go there."""
        if at >= len(self._coils):
            return
        if self._held and self._at is not None and self._at != at:
            self._drop(self._coils[self._at])
        self._held, self._at = False, at
        if self._leads.in_the_air:
            self._due(at)
        else:
            self._touch.read_anew()
            self._desk.due(self._coils[at], "hold still")

    def _skip(self, at: int) -> None:
        coil = self._coils[at]
        if coil not in self._read:
            self._procedure.event("skipped", say("event.skipped"), coil)
            self._skipped.add(coil)
        self._touch.wait_for_lift()
        self._due(self._after(at))

    def _open(self, at: int) -> None:
        """The leads are on the coil, says the operator, and the meter shows nothing: so it is open."""
        coil = self._coils[at]
        readings = []
        for _ in range(OPEN_READINGS):
            readings.append(self._leads.take(coil))
            ohm = readings[-1][1].value
            if ohm is not None:
                self._desk.due(coil, f"not open, the meter reads {figure(ohm)} ohm: hold still", urgent=True)
                self._desk.ring(TROUBLE)
                return
        self._keep(at, readings)
        self._procedure.event("open", say("event.open-on-leads"), coil)
        self._report(coil, Shown("open", "", OVER_RANGE, good=False))
        self._due(self._after(at))
