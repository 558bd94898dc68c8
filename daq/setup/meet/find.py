"""All that may be an instrument: each place looked at, who answers there, and in which dialect."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from threading import Lock

from daq.config.address import complete, plainly
from daq.errors import BenchError, InputError, LinkBusyError, LinkClosedError
from daq.instruments.dialects.load import Dialect
from daq.links.discover import Place
from daq.setup.meet.greet import Met, Opener, greet, open_real, steps
from daq.setup.meet.trial import Fit, fitting, nameless

#: So many places are looked at side by side; each waits most of the time.
_BESIDE = 8
#: A trial of all dialects takes about so long once somebody answers.
TRIAL_S = 8.0


@dataclass(frozen=True)
class Found:
    """What came of one place.

    *met* is who answers, *fits* the dialects that fit best first, *trouble* why nobody could be asked.
    """

    place: Place
    met: Met | None = None
    fits: tuple[Fit, ...] = ()
    trouble: str = ""

    @property
    def address(self) -> str:
        """The address to write into a rig file: with the port at which it answers."""
        return plainly(self.met.resource) if self.met else self.place.address

    @property
    def who(self) -> str:
        """Who it is, as far as it says."""
        if self.met is None:
            return "nobody answers" if not self.trouble else "not reached"
        return self.met.identity or f"no name; answers {self.met.reply.strip()!r}"

    @property
    def line(self) -> str:
        """Speed of a serial line, where that is not the usual one."""
        return f"{self.met.table.baud} baud" if self.met is not None and self.met.is_serial else ""

    @property
    def rivals(self) -> tuple[Fit, ...]:
        """The dialects that fit as wholly as the best, in the same role."""
        best = self.fits[:1]
        return tuple(fit for fit in self.fits[1:] if fit.role == best[0].role and fit.whole == best[0].whole)

    def verdict(self) -> str:
        """Say role, dialect and how sure, or what is needed."""
        if self.trouble:
            return self.trouble
        if self.met is None:
            return "check that it is on, its cable, and that nothing else uses it; or it is no instrument"
        if not self.fits:
            return (
                "no dialect fits by questions that set nothing; see what it answers: "
                f"coilsoak try {self.address}, then write a dialect file"
            )
        return "; ".join([_said(self.fits[0]), *(f"or {_said(fit)}" for fit in self.fits[1:])])

    def as_object(self) -> dict[str, object]:
        """Return it for JSON."""
        return {
            "address": self.address,
            "what": self.place.what,
            "answers": self.met is not None,
            "identity": self.met.identity if self.met else None,
            "baud": self.met.table.baud if self.met and self.met.is_serial else None,
            "fits": [
                {
                    "role": fit.role,
                    "dialect": fit.dialect,
                    "sure": fit.whole and not self.rivals,
                    "answered": list(fit.answered),
                    "unanswered": list(fit.unanswered),
                    "untried": list(fit.untried),
                }
                for fit in self.fits
            ],
            "verdict": self.verdict(),
        }


def _said(fit: Fit) -> str:
    return f"{fit.role}, dialect {fit.dialect} ({fit.summary})"


@dataclass
class Progress:
    """How far a search is: tries done of all that may be needed, and seconds left at the most."""

    done: int
    of: int
    left_s: float


def look(
    place: Place,
    dialects: Sequence[Dialect],
    tried: Callable[[], None] = lambda: None,
    opener: Opener = open_real,
) -> Found:
    """Ask who is at *place* and which of *dialects* fits."""
    if not place.address:
        return Found(place, trouble=place.what)
    try:
        met = greet(place.address, nameless(dialects), tried, opener)
        fits = tuple(fitting(met, dialects, opener)) if met is not None else ()
    except LinkBusyError as exc:
        return Found(place, trouble=f"{exc}")
    except LinkClosedError as exc:
        return Found(place, trouble=_advised(place.address, str(exc)))
    except (BenchError, InputError) as exc:
        return Found(place, trouble=str(exc))
    return Found(place, met, fits)


def _advised(address: str, trouble: str) -> str:
    if address.upper().startswith("COM") and sys.platform != "win32":
        return f"{address} is a name of Windows; here ports are called such as /dev/ttyUSB0"
    if "ermission denied" in trouble:
        return f"{trouble}; on Linux add yourself to the group 'dialout' and log in again"
    return trouble


def search(
    places: Sequence[Place],
    dialects: Sequence[Dialect],
    shown: Callable[[Progress], None] = lambda _: None,
    opener: Opener = open_real,
) -> list[Found]:
    """Look at every one of *places*, several at a time; tell *shown* after each try how far it is."""
    unknown = nameless(dialects)
    planned = {place: steps(place.address, unknown) for place in places if place.address}
    left = {place: count for place, (count, _) in planned.items()}
    guard = Lock()

    def tell(place: Place, count: int) -> None:
        with guard:
            if place in left:
                left[place] = count
            done = sum(planned[each][0] - left[each] for each in planned)
            worst_s = [left[each] * planned[each][1] + TRIAL_S * (left[each] > 0) for each in planned]
            rounds = -(-sum(each > 0 for each in worst_s) // _BESIDE)
            total = sum(count for count, _ in planned.values())
            shown(Progress(done, total, max(worst_s, default=0.0) * max(rounds, 0)))

    def one(place: Place) -> Found:
        found = look(place, dialects, lambda: tell(place, max(left.get(place, 1) - 1, 1)), opener)
        tell(place, 0)
        return found

    with ThreadPoolExecutor(_BESIDE) as pool:
        return list(pool.map(one, _each_once(places)))


def _each_once(places: Sequence[Place]) -> list[Place]:
    found: dict[str, Place] = {}
    for place in places:
        found.setdefault(complete(place.address) or place.what, place)
    return list(found.values())
