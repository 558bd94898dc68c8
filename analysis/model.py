"""The shapes that computation takes and gives: traces and limits in, results out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

import numpy as np

from analysis.arrays import FloatArray, TextArray
from analysis.statistics.budget import Budget

Verdict = Literal["pass", "fail", "retest"]

#: Status of a reading; anything but ``ok`` carries no number.
OK = "ok"
OVER_RANGE = "open or over range"
#: Of a row under power: the supply held its current limit, or one of its protections went off. Voltage and
#: current stand beside it: they tell of the coil, though no resistance is taken from them.
LIMITING = "current limit"
TRIPPED = "protection tripped"

#: How R20, slope and joint of a coil were had that heated itself: by the fit of its whole trace.
OWN_HEAT = "own heat"

#: Whether a diode may sit across a coil: of no coil of this kind, of each, or nobody knows.
DiodeFitted = Literal["none", "fitted", "unknown"]


@dataclass(frozen=True)
class Trace:
    """All readings of one coil in time order, one element a row; every array has shape (n,).

    Numbers are NaN where there is none; *status* says why (``ok``, ``open or over range``, what the
    supply did under power, or ``missing: reason``). *time_s* is all-NaN for a set of settled points
    without time. *phase* is one of the words of :data:`PHASES` or empty where unknown.
    """

    coil: str
    time_s: FloatArray
    probe_degC: FloatArray
    resistance_ohm: FloatArray
    voltage_V: FloatArray
    current_A: FloatArray
    phase: TextArray
    source: TextArray
    status: TextArray
    #: Insulation, winding to body; empty where nobody measured it, infinite above the meter's range.
    leakage_ohm: FloatArray = field(default_factory=lambda: np.empty(0))
    #: Energy put into the coil since the start of the run; empty where nobody counted it.
    energy_J: FloatArray = field(default_factory=lambda: np.empty(0))
    #: The longest that nobody looked at its current between two rows under power; None: in rows only.
    looked_s: float | None = None


#: Phases of a run. ``ambient``: cold, before heat. ``rise``: heating or cooling towards a step.
#: ``hold``: settled at a step, winding = body = probe (honest only with an oven or bath).
#: ``drive``: energised at test voltage to see the current. ``heat``: the coil heats itself.
#: ``ramp``: the same without waiting, in an oven and from rest: nothing but its air heats.
#: ``cool``: supply off, falling. ``return``: cold again, after heat. ``sweep``: a cold sweep.
PHASES = ("ambient", "rise", "ramp", "hold", "drive", "heat", "cool", "return", "sweep")


@dataclass(frozen=True)
class Accuracy:
    """What the instruments of a run can be trusted to (standard uncertainties, k = 1).

    Gain, offset and probe error are common to all readings of the run; noise is per reading. What two
    wires leave after nulling, *contact_ohm*, is another for each coil. *leads_ohm* is for leads of which
    nobody knows how much they add.
    """

    gain_rel: float = 5e-4
    offset_ohm: float = 0.005
    noise_ohm: float = 0.001
    probe_K: float = 0.5
    #: Relative error of temperature differences. Between Pt100 class A (0.002, evenly spread: 0.0012)
    #: and class B (0.005: 0.0029), IEC 60751.
    probe_gain_rel: float = 0.002
    probe_noise_K: float = 0.1
    vi_gain_rel: float = 2e-3
    contact_ohm: float = 0.0
    leads_ohm: float = 0.0


#: Two-wire leads above this hide too much to judge a coil by (common practice, no source).
MOST_LEADS_OHM = 0.5


@dataclass(frozen=True)
class MeterUse:
    """How the meter of a run was used; None: not known.

    *window_s* is the integration time of an ohms reading, *quick_window_s* that of one in haste between
    two pulses of current, *range_ohm* the range of both. *wires* is 2 or 4; *leads_ohm* what joined
    two-wire leads read and each reading was lessened by.
    """

    window_s: float | None = None
    quick_window_s: float | None = None
    range_ohm: float | None = None
    wires: int | None = None
    leads_ohm: float | None = None


@dataclass(frozen=True)
class Limits:
    """What one kind of coil is held to. ``None``: not given by the maker."""

    kind: str
    r20_ohm: float | None = None
    r20_tolerance_rel: float = 0.10
    joint_max_ohm: float = 0.10
    peer_max_ohm: float = 0.10
    drift_max_rel: float = 0.01
    leakage_min_ohm: float = 1e6
    #: Guard band of the decision as a multiple of U: 1 is ILAC-G8's, 0 simple acceptance.
    guard_band_U: float = 1.0
    #: How the maker's good parts scatter about *r20_ohm*: standard deviation over *r20_ohm*.
    r20_spread_rel: float | None = None
    #: Whether a diode may be across it, which conducts when its leads are swapped.
    diode: DiodeFitted = "unknown"
    #: Names of the fields above that nobody gave and that stand at common practice.
    defaulted: tuple[str, ...] = ()


@dataclass(frozen=True)
class Subject:
    """One coil under test: its label, its kind and optional serial number."""

    coil: str
    kind: str
    serial: str = ""


@dataclass(frozen=True)
class Criterion:
    """One check of one coil: measured value and limit in the same unit, and what came of it.

    *expanded_u* is U of *value*: *k* times its standard uncertainty, *k* for 95.45 % from the t
    distribution of *dof* effective degrees of freedom (JCGM 100, G.4). *dof* is None where they are
    endless or nobody knows them; then *k* is 2. *wrong_risk* is the probability that a pass or fail of this
    criterion is wrong (specific risk of JCGM 106); None where nothing was decided by an uncertainty.
    """

    code: str
    name: str
    unit: str
    value: float | None
    expanded_u: float | None
    low: float | None
    high: float | None
    outcome: Verdict | Literal["not determined"]
    note: str = ""
    wrong_risk: float | None = None
    dof: float | None = None
    k: float = 2.0


@dataclass(frozen=True)
class Reason:
    """Why a coil has its verdict: a short stable code and a sentence for people.

    *action* is what to change before a retest; the sentence ends with it. *criterion* is the code of the
    criterion that it belongs to, empty where it belongs to none.
    """

    code: str
    text: str
    action: str = ""
    criterion: str = ""


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


@dataclass(frozen=True)
class Account:
    """How many rows of one coil went where; every row is in one of the three.

    Attributes:
        rows: All rows.
        used: Those behind the figures.
        explained: Others that are as they should be, by place.
        against: Those that are not, by place.
        against_degC: Lowest and highest temperature of the probe at those; None where there is none.
    """

    rows: int = 0
    used: int = 0
    explained: Mapping[str, int] = field(default_factory=dict)
    against: Mapping[str, int] = field(default_factory=dict)
    against_degC: tuple[float, float] | None = None

    @property
    def speaks_against(self) -> int:
        """How many rows speak against the coil."""
        return sum(self.against.values())


@dataclass(frozen=True)
class Sight:
    """What a test could see of one coil: what it did not do, it can take back nothing of.

    Attributes:
        heated: Whether it was warm at all, and read then.
        body_degC: The hottest its body was when it was read, None without a temperature.
        winding_degC: The hottest its winding was: with the body, or hotter where its own current heats it.
        warm_s: How long it was watched while warm, None where nobody knows.
        energised: Whether it was read under power.
    """

    heated: bool = False
    body_degC: float | None = None
    winding_degC: float | None = None
    warm_s: float | None = None
    energised: bool = False


@dataclass(frozen=True)
class CoilResult:
    """The judgement of one coil; standard uncertainties (k = 1); None where not determined."""

    coil: str
    kind: str
    serial: str
    verdict: Verdict
    reasons: tuple[Reason, ...]
    criteria: tuple[Criterion, ...]
    r20_ohm: float | None
    r20_u_ohm: float | None
    alpha20_per_K: float | None
    alpha20_u_per_K: float | None
    joint_ohm: float | None
    joint_u_ohm: float | None
    #: How R20, alpha20 and joint were had: ``line``, ``ramp``, ``own heat``, ``single temperature`` or
    #: ``none``.
    method: str
    hottest_degC: float | None
    readings: int
    #: Settled points the line went through (shape (m,)), for the figures.
    point_degC: FloatArray = field(default_factory=lambda: np.empty(0))
    point_ohm: FloatArray = field(default_factory=lambda: np.empty(0))
    #: Covariance of R20 (ohms) and slope (ohms a kelvin), shape (2, 2), for the figures; empty if no slope.
    line_cov: FloatArray = field(default_factory=lambda: np.empty((0, 0)))
    #: Probability that the verdict is wrong, at most; None for a retest, or where no criterion behind the
    #: verdict has one.
    wrong_risk: float | None = None
    #: Coverage factors of R20, alpha20 and joint: U is k times u.
    r20_k: float = 2.0
    alpha20_k: float = 2.0
    joint_k: float = 2.0
    #: What the uncertainties of R20 and joint are made of, where they are determined.
    budgets: tuple[Budget, ...] = ()
    #: Opens and dropouts, with what the readings could have shown of them.
    interruptions: Opens = field(default_factory=Opens)
    #: What became of every row: used, explained, or counted against the coil.
    account: Account = field(default_factory=Account)
    #: What this test could see.
    sight: Sight = field(default_factory=Sight)


@dataclass(frozen=True)
class SetResult:
    """The judgement of a whole set, in the order of its coils."""

    coils: tuple[CoilResult, ...]
    notes: tuple[str, ...] = ()
