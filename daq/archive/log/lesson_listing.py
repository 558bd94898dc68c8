"""What the log shows of the limits it learned: lines for people, an object for programs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict

from rich.console import Console
from rich.text import Text

from analysis.statistics.tolerance import Tolerance
from daq.archive.log.learn import Lesson
from daq.config.toml_lines import quote_key
from daq.streams import one_line

#: So many coils that stand apart are named.
MAX_NAMED = 5


def print_lesson(console: Console, lesson: Lesson) -> None:
    """Print both intervals, what to know of them, and the lines to paste."""
    for line in _told(lesson):
        console.print(Text(one_line(line)))
    console.print()
    for line in lesson.lines:
        console.print(Text(line))


def _told(lesson: Lesson) -> Iterator[str]:
    limits, asked = lesson.tolerance, lesson.asked
    simulated = " of the simulated bench" if asked.simulated else ""
    yield (
        f"R20 of {asked.kind}, from {limits.n} coils{simulated} whose newest judgement is a pass; "
        f"{lesson.others} others are left out."
    )
    if lesson.apart:
        named = "; ".join(lesson.apart[:MAX_NAMED]) + ("; ..." if len(lesson.apart) > MAX_NAMED else "")
        yield f"{len(lesson.apart)} more stand apart and were set aside. Look at them: {named}."
    yield ""
    yield from _intervals(limits)
    yield ""
    if lesson.median_U_ohm is not None:
        yield (
            "The deviation holds what the measurements scatter by: U of one R20 is "
            f"{lesson.median_U_ohm:.4f} ohm (median). What is wrong with the meter itself is in the mean."
        )
    passed, again, failed = (lesson.verdicts[verdict] for verdict in ("pass", "retest", "fail"))
    yield (
        f"Held to the lines below with a guard band of one U, {passed} of all these coils pass, {again} are "
        f"to be tested again and {failed} fail."
    )
    yield ""
    yield (
        "Nothing is changed. If these limits are to count, put the lines into your coil-set file, in its "
        f"table [kinds.{quote_key(asked.kind)}]:"
    )


def _intervals(limits: Tolerance) -> Iterator[str]:
    content, confidence = (f"{100.0 * share:.4g} %" for share in (limits.content, limits.confidence))
    yield f"{content} of like coils lie within, with {confidence} confidence:"
    yield (
        f"  normal   {limits.normal.low:.4f} to {limits.normal.high:.4f} ohm  "
        f"mean {limits.mean:.4f}, deviation {limits.sd:.4f}, k {limits.factor:.3f}"
    )
    if limits.by_rank is None:
        yield f"  by rank  needs {limits.least_by_rank} coils; the lines below assume a normal distribution"
    else:
        yield (
            f"  by rank  {limits.by_rank.low:.4f} to {limits.by_rank.high:.4f} ohm  "
            f"from coil {limits.rank} to {limits.n - limits.rank + 1} in order of R20"
        )
        yield (
            f"The lines below are those by rank: they assume no distribution, and {limits.least_by_rank} "
            "coils suffice."
        )


def lesson_object(lesson: Lesson) -> dict[str, object]:
    """Return what was learned as plain objects for JSON."""
    asked = lesson.asked
    fields = asdict(lesson)
    del fields["asked"]
    return {"kind": asked.kind, "simulated": asked.simulated, **fields}
