"""The watch over what is not proved to be off or cool: tried, and said aloud, for as long as it is not.

A run ends here, whatever ended it. Nothing is left hot or driven because some number of tries was in vain:
the guard knows what may still be on and tries once more each second; whoever is near sees and hears it each
second; it ends by proof, or when somebody who was asked says so.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Protocol

from analysis.words import say
from daq.bench.guard.guard import Guard
from daq.clock import Clock, RealClock
from daq.signals import Leave

#: From one try to the next, and from one cry to the next.
TRY_S, CRY_S = 1.0, 1.0
#: The bodies are looked at this often: each look moves contacts.
BODIES_S = 10.0
#: Where there is no alarm, only heat that is seen to go: said this often.
CALM_S = 30.0
#: A signal from outside counts as Ctrl-C does: with nobody there the program stays until all is proved.
ASK_LEAVE = "Ctrl-C or SIGTERM once more, a second later or more, leaves the bench as it is"
HOW_LEAVE = "Ctrl-C or SIGTERM twice leaves it"


class Voice(Protocol):
    """Where it is said."""

    def cry(self, text: str) -> None:
        """Show *text* beside the alarm that stands, and sound the bell."""
        ...

    def event(self, kind: str, text: str, coil: str) -> None:
        """Show what happened."""
        ...


class Vigil:
    """Stays until all is proved.

    Args:
        guard: Knows what may be on, and tries.
        clock: The bench's time.
        voice: Where it is said.
        bodies: Reads the bodies, by coil; none where no probe can be read.
        aloud: Whether somebody can hear it, so that it has to be said while a try takes its time too; False
            in virtual time.
        patience_s: Where nobody could pull a plug, in virtual time: how long it is tried; None: no end.
    """

    def __init__(
        self,
        guard: Guard,
        clock: Clock,
        voice: Voice,
        *,
        bodies: Callable[[], Mapping[str, float]],
        aloud: bool = True,
        patience_s: float | None = None,
    ) -> None:
        self._guard = guard
        self._clock = clock
        self._voice = voice
        self._bodies = bodies
        self._aloud = aloud
        self._patience_s = patience_s
        self._began_s = clock.monotonic()
        self._said_s = float("-inf")
        self._looked_s = float("-inf")

    def keep(self) -> bool:
        """Try and say so until nothing may be on or hot, or until told to go.

        Returns:
            Whether all is proved; if not, the alarm stands.
        """
        guard = self._guard
        if guard.proved:
            return True
        with Leave() as leave, self._crying(leave):
            while True:
                guard.try_again(self._read())
                if guard.proved:
                    return True
                self._say(leave)
                if leave.told or self._out_of_patience():
                    break
                self._clock.sleep(TRY_S)
        guard.give_up()
        why = say("event.left") if leave.told else say("event.given-up", seconds=self._patience_s)
        self._voice.event("alarm", say("event.not-proved", why=why, standing="; ".join(guard.standing)), "")
        return False

    def _out_of_patience(self) -> bool:
        return self._patience_s is not None and self._clock.monotonic() - self._began_s > self._patience_s

    def _read(self) -> Mapping[str, float]:
        now_s = self._clock.monotonic()
        if not self._guard.told() or now_s - self._looked_s < BODIES_S:
            return {}
        self._looked_s = now_s
        return self._bodies()

    def _say(self, leave: Leave) -> None:
        """Cry where an alarm stands; else say now and then what is waited for."""
        if self._guard.standing:
            self._cry(leave)
            return
        now_s = self._clock.monotonic()
        if leave.asked or now_s - self._said_s >= CALM_S:
            self._said_s = now_s
            told = say("event.oven-waited-for", told=self._guard.told(), how=_how(leave))
            self._voice.event("oven", told, "")

    def _cry(self, leave: Leave) -> None:
        lasting = f"tried for {self._clock.monotonic() - self._began_s:.0f} s"
        self._voice.cry(f"({', '.join(filter(None, [lasting, self._guard.told(), _how(leave)]))})")

    @contextmanager
    def _crying(self, leave: Leave) -> Iterator[None]:
        """Say it once a second beside the tries: one that meets a hung instrument takes many."""
        if not self._aloud:
            yield
            return
        over = threading.Event()

        def cry() -> None:
            clock = RealClock()
            while not over.is_set():
                if self._guard.standing:
                    self._cry(leave)  # and nothing else: the record is the main thread's
                clock.sleep(CRY_S)

        crier = threading.Thread(target=cry, name="alarm", daemon=True)
        crier.start()
        try:
            yield
        finally:
            over.set()
            crier.join()


def _how(leave: Leave) -> str:
    """Say how to make the program go."""
    return ASK_LEAVE if leave.asked else HOW_LEAVE
