"""The same coils in several runs: which is which, what changed, and what was done to them in between."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from typing import TypeVar

from analysis.history.change import Change, Paired, Shared, compare_results, moved_alike
from analysis.history.observations import DONE, REPLACED, Observation
from analysis.model import CoilResult, SetResult

T = TypeVar("T")

BEFORE_REFIT = "before refit"
#: States of the parts in the order in which a job passes through them.
STAGES = ("as received", "after cleaning", "after heat", BEFORE_REFIT)


@dataclass(frozen=True)
class AtStage:
    """One run as its history sees it.

    Attributes:
        name: What it is called, as its folder.
        result: The judgement of its set.
        start: When it began, by the clock on the wall, with its zone.
        kind: ``soak`` or ``sweep``.
        stage: State of the parts.
        set_name: Name of the coil set; with *job* it says whether a label means the same coil.
        job: Job number, empty where nobody gave one.
        meter, probe: What tells these instruments from others, range and calibration with them; empty where
            that is not known.
        energised: Labels of the coils through which test current flowed.
        observations: What was seen of the coils in this run or after it, before the next.
        problems: What is wrong with its record.
    """

    name: str
    result: SetResult
    start: datetime
    kind: str
    stage: str
    set_name: str
    job: str = ""
    meter: str = ""
    probe: str = ""
    energised: frozenset[str] = frozenset()
    observations: Sequence[Observation] = ()
    problems: Sequence[str] = ()


@dataclass(frozen=True)
class CoilHistory:
    """One coil through the runs.

    Attributes:
        name: Its label in the last run with it.
        serial: Its serial number, empty where nobody gave one.
        results: Its judgement in each run, None where it was not in it.
        steps: Its change from each run with it to the next.
        whole: Its change from the first run with it to the last, None if there is one run only.
        instead_of: The serial number, or else the label, of the part whose place it took; empty if none.
    """

    name: str
    serial: str
    results: tuple[CoilResult | None, ...]
    steps: tuple[Change, ...] = ()
    whole: Change | None = None
    instead_of: str = ""

    @property
    def runs(self) -> list[int]:
        """In which runs it was."""
        return [n for n, result in enumerate(self.results) if result is not None]

    def at(self, run: int) -> CoilResult:
        """Return its judgement in a run it was in."""
        result = self.results[run]
        assert result is not None
        return result

    def place(self, run: int) -> str:
        """Return its label in a run."""
        return self.at(run).coil


@dataclass(frozen=True)
class Together:
    """How a set moved as a whole from run *first* to run *second*: by which share of R20, and who of it."""

    first: int
    second: int
    share: Paired
    coils: tuple[str, ...]


@dataclass(frozen=True)
class History:
    """Runs in the order of time, the coils in the order in which they first appear, and moves of the set."""

    runs: tuple[AtStage, ...]
    coils: tuple[CoilHistory, ...]
    together: tuple[Together, ...] = ()

    @property
    def common(self) -> tuple[CoilHistory, ...]:
        """The coils that were in more than one run."""
        return tuple(coil for coil in self.coils if coil.whole is not None)

    def shared(self, first: int, second: int) -> Shared:
        """Return which instruments two runs are known to share."""
        return _shared(self.runs[first], self.runs[second])


def history(runs: Sequence[AtStage]) -> History:
    """Pair the coils of several runs and say what changed.

    A serial number tells a coil wherever it is. Without one a label does, within one set of one job; where
    the serial number at a label changed, or the coil is on record as replaced, it is another part.

    Args:
        runs: In any order.
    """
    ordered = tuple(in_order(runs, key=lambda run: (run.start, run.stage)))
    coils = [_changes(coil, ordered) for coil in _pair(ordered)]
    between: dict[tuple[int, int], list[tuple[int, Change]]] = {}
    for n, coil in enumerate(coils):
        for step in _all(coil):
            between.setdefault((step.first, step.second), []).append((n, step))
    together = []
    for (first, second), among in between.items():
        found = moved_alike([step for _, step in among])
        if found is None:
            continue
        share, places = found
        movers = [among[place] for place in sorted(places)]
        together.append(Together(first, second, share, tuple(coils[n].name for n, _ in movers)))
        for n, step in movers:
            coils[n] = _with_set(coils[n], step)
    return History(ordered, tuple(coils), tuple(together))


def in_order(runs: Iterable[T], key: Callable[[T], tuple[datetime, str]]) -> list[T]:
    """Return runs by the time at which they began and by stage, *key*; of the same minute the stage tells.

    Those of one stage as well stay as given.
    """

    def place(run: T) -> tuple[datetime, int]:
        start, stage = key(run)
        # The simulated bench begins every run at the same time.
        return start.replace(second=0, microsecond=0), STAGES.index(stage) if stage in STAGES else 0

    return sorted(runs, key=place)


def _shared(first: AtStage, second: AtStage) -> Shared:
    return Shared(
        meter=bool(first.meter) and first.meter == second.meter,
        probe=bool(first.probe) and first.probe == second.probe,
    )


def _all(coil: CoilHistory) -> Iterable[Change]:
    """The changes of a coil, each once."""
    return dict.fromkeys(each for each in (*coil.steps, coil.whole) if each is not None)


def _with_set(coil: CoilHistory, step: Change) -> CoilHistory:
    return _with(coil, lambda each: replace(each, with_set=True) if each == step else each)


def _with(coil: CoilHistory, become: Callable[[Change], Change]) -> CoilHistory:
    """Return *coil*, which was in two runs or more, with what its changes *become*."""
    assert coil.whole is not None
    return replace(coil, steps=tuple(map(become, coil.steps)), whole=become(coil.whole))


def _changes(coil: CoilHistory, runs: Sequence[AtStage]) -> CoilHistory:
    seen = coil.runs

    def between(first: int, second: int) -> Change:
        shared = _shared(runs[first], runs[second])
        return compare_results(first, coil.at(first), second, coil.at(second), shared)

    if len(seen) < 2:
        return coil
    steps = tuple(between(first, second) for first, second in pairwise(seen))
    coil = replace(coil, steps=steps, whole=steps[0] if len(steps) == 1 else between(seen[0], seen[-1]))
    looks = sum((each.r20 is not None) + (each.joint is not None) for each in _all(coil))
    return _with(coil, lambda change: replace(change, looks=max(1, looks)))


def _pair(runs: Sequence[AtStage]) -> list[CoilHistory]:
    """Follow each coil through the runs."""
    coils: list[CoilHistory] = []
    for n, run in enumerate(runs):
        taken: set[int] = set()
        # Who has a serial number chooses first: it wins over a label.
        for result in sorted(run.result.coils, key=lambda each: not each.serial):
            at, instead_of = _find(coils, result, run, runs, taken)
            if at is None:
                at = len(coils)
                coils.append(
                    CoilHistory(result.coil, result.serial, (None,) * len(runs), instead_of=instead_of)
                )
            taken.add(at)
            known = coils[at]
            results = (*known.results[:n], result, *known.results[n + 1 :])
            coils[at] = replace(
                known, name=result.coil, serial=known.serial or result.serial, results=results
            )
    return sorted(coils, key=lambda coil: _place(coil, runs))


def _place(coil: CoilHistory, runs: Sequence[AtStage]) -> tuple[int, int]:
    """The first run with a coil, and its place there."""
    first = coil.runs[0]
    return first, [each.coil for each in runs[first].result.coils].index(coil.place(first))


def _find(
    coils: Sequence[CoilHistory], result: CoilResult, run: AtStage, runs: Sequence[AtStage], taken: set[int]
) -> tuple[int | None, str]:
    """Return which of *coils* this is, None for a new one, and whose place a new one took."""
    free = [n for n in range(len(coils)) if n not in taken]
    if result.serial:
        same = [n for n in free if _serial(coils[n].serial) == _serial(result.serial)]
        same.sort(key=lambda n: coils[n].name != result.coil)
        if same:
            return same[0], ""
    for n in reversed(free):
        coil = coils[n]
        last = coil.runs[-1]
        if coil.name != result.coil or not _same_job(runs[last], run):
            continue
        if coil.serial and result.serial:
            return None, coil.serial
        if any(
            (seen.coil, seen.item, seen.found) == (coil.name, DONE, REPLACED)
            for seen in runs[last].observations
        ):
            return None, coil.name
        return n, ""
    return None, ""


def _serial(text: str) -> str:
    return "".join(text.split()).casefold()


def _same_job(one: AtStage, other: AtStage) -> bool:
    """Whether a label means the same place in both runs."""
    return one.set_name == other.set_name and (not one.job or not other.job or one.job == other.job)
