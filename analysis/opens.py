"""What is told of a coil's interruptions: kind, brackets of temperature, and what may have been missed."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class OpenKind(StrEnum):
    """What kind of interruption was seen."""

    NONE = "none"
    ALWAYS = "always"  # no reading at all had a resistance
    COLD = "cold"  # open for a while without heat
    HOT = "hot"  # opened by heat
    ONCE_HOT = "once hot"  # open in the one reading that was taken at the hottest step
    DROPOUTS = "dropouts"  # short interruptions


@dataclass(frozen=True)
class Missed:
    """Of interruptions that last *length_s*, the *share* (0 to 1) that no reading would have shown."""

    length_s: float
    share: float


@dataclass(frozen=True)
class Watch:
    """How well a coil was watched for interruptions while it was warm.

    Attributes:
        watched_s: Time from reading to reading that was watched.
        spacing_s: Middle time from one reading to the next.
        certain_s: An interruption that lasts this long shows in a reading whenever it begins.
        window_s: The longest time that a reading looks, None where the meter's integration time is not known.
        least_s: A shorter interruption cannot show, None where *window_s* is.
        missed: Shares missed of shorter ones; empty where *window_s* is None.
        powered_s: As *certain_s*, while its own current heated it; None where none did.
    """

    watched_s: float
    spacing_s: float
    certain_s: float
    window_s: float | None = None
    least_s: float | None = None
    missed: tuple[Missed, ...] = ()
    powered_s: float | None = None


@dataclass(frozen=True)
class Opens:
    """Interruptions of one coil.

    Attributes:
        kind: The gravest kind seen.
        count: Interruptions, each a run of readings.
        warm_count: Those that began while the coil was warm.
        warm_share: Interrupted share of the warm readings, None without warm readings.
        cold_share: The same of the cold ones.
        opened_degC: Probe at the last good reading before the first lasting open, and at its first open one.
        closed_degC: Probe at the last open reading of the last one, and at the first good reading after it;
            None if it stayed, or if nobody knows in which order the readings were taken.
        before_ohm: Last good reading before the first lasting open.
        after_ohm: First good reading after the last one.
        before_degC: Winding by *before_ohm* and its standard uncertainty.
        after_degC: Winding by *after_ohm* and its standard uncertainty.
        ordered: Whether the readings' order in time is known.
        open_s: The least and the most time that it can have been open in all, None without times.
        watch: What the readings could have shown, None where nothing was to be watched.
    """

    kind: OpenKind = OpenKind.NONE
    count: int = 0
    warm_count: int = 0
    warm_share: float | None = None
    cold_share: float | None = None
    opened_degC: tuple[float, float] | None = None
    closed_degC: tuple[float, float] | None = None
    before_ohm: float | None = None
    after_ohm: float | None = None
    before_degC: tuple[float, float] | None = None
    after_degC: tuple[float, float] | None = None
    ordered: bool = True
    open_s: tuple[float, float] | None = None
    watch: Watch | None = None
