"""When heating must stop: ceilings, a probe that is gone or does not follow, silence."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.physics.copper import winding_temperature
from daq.errors import CeilingError, ProbeLostError, StaleError
from daq.instruments.number import Number
from daq.procedures.soak.probe_watch import FallWatch

#: Successive readings without a temperature that are borne before heating stops.
BEARABLE_MISSES = 3
#: No winding warms faster: 25 W into 5 J/K while driven, an oven's air otherwise. Faster is a contact.
FASTEST_K_PER_s = {True: 5.0, False: 0.5}
#: Play for noise, and for a first reading some time ago.
SLACK_K = 15.0
#: Readings in succession that are no temperature before a driven coil is stopped.
BEARABLE_JUMPS = 5
#: A driven winding below this share of its cold resistance carries more than V/R: no heat does that, shorted
#: turns or leads do. The margin is for leads that were not taken off a two-wire reading.
LOW_SHARE = 0.75
#: At first a driven winding has what the ohmmeter read just before. So many times that, twice alike, is no
#: heat: V or I is read in another scale than it is, or something is bad under current only.
HIGH_SHARE, ALIKE_REL = 1.6, 0.02
#: So many in succession are no slip of one reading.
LOW_ROWS = 2
#: A winding's temperature from longer ago says nothing of where its body is now.
FRESH_S = 5.0
#: Heat that no body of this size hides: about 100 J/K, so some 8 K.
TELLING_ENERGY_J = 800.0
#: What the probe must have risen by then, far less than expected.
TELLING_RISE_K = 1.5


#: A reading taken at once after a trip and so far below it says that what tripped was wrong: a winding
#: that was driven loses less meanwhile, and in an oven nothing moves faster than noise.
REFUTED_K = {True: 8.0, False: 2.0}


@dataclass(frozen=True)
class HeatCeilings:
    """The lower of rig and coil-set ceilings."""

    body_degC: float
    winding_degC: float


class HeatWatch:
    """Watches one coil while it is heated; each sight either passes or raises."""

    def __init__(self, coil: str, ceilings: HeatCeilings, *, stale_s: float, falls: bool = True) -> None:
        self._coil = coil
        self._ceilings = ceilings
        self._stale_s = stale_s
        self._misses = 0
        self._last_s: float | None = None
        self._cold: tuple[float, float] | None = None
        self._seen: tuple[float, float] | None = None
        self._seen_driven = False
        self._jumps = 0
        self._low = 0
        #: What the ohmmeter read last, nothing driven, until V/I agrees with it; and what V/I was instead.
        self._undriven_ohm: float | None = None
        self._high_ohm: float | None = None
        self._before: tuple[float, float] | None = None
        self._follows = False
        #: What passed its ceiling last (winding or body), that ceiling, when, and what it read.
        self._tripped: tuple[str, float, float, float] | None = None
        self._unseen = 0
        self._falls = falls
        #: By whether current flowed: the winding leads its body by much only then.
        self._fall = {driven: FallWatch() for driven in (False, True)}

    def heats_itself(self) -> None:
        """Take note that this coil is heated by its own current."""
        for fall in self._fall.values():
            fall.heats_itself = True

    @property
    def alive(self) -> bool:
        """Whether the newest reading of the probe was a temperature."""
        return self._last_s is not None and self._misses == 0

    def cold(self, resistance_ohm: float, temperature_degC: float) -> None:
        """Take the cold reading from which the winding's temperature is told later."""
        self._cold = (resistance_ohm, temperature_degC)
        self._seen = None
        self._undriven_ohm = resistance_ohm

    def winding_degC(self, resistance_ohm: float | None) -> float | None:
        """Return the winding's temperature from its own resistance, or None without a cold reading.

        A joint in series makes it read low by the joint's share; the ceiling's margin covers that.
        """
        if resistance_ohm is None or self._cold is None:
            return None
        return winding_temperature(resistance_ohm, *self._cold)

    def see_winding(self, time_s: float, resistance_ohm: float | None, *, driven: bool) -> None:
        """Check the winding against its ceiling.

        A reading that no heat explains (a dropout inside its integration time) is no temperature: it
        is passed over, and ends the heat of a driven coil only if it stays.

        Raises:
            CeilingError: The winding is above its ceiling.
            StaleError: The winding of a driven coil is no thermometer any more.
        """
        winding = self.winding_degC(resistance_ohm)
        if winding is None:
            return
        assert resistance_ohm is not None
        if driven:
            self._see_current(resistance_ohm)
            if self._too_high(resistance_ohm):
                return
        if self._seen is not None:
            then_s, before = self._seen
            if abs(winding - before) > SLACK_K + FASTEST_K_PER_s[driven] * (time_s - then_s):
                self._jumps += 1
                if driven and self._jumps > BEARABLE_JUMPS:
                    raise StaleError(
                        f"coil {self._coil}: resistance stays at {resistance_ohm:.4g} ohm, which no heat "
                        "explains, so its winding's temperature is not known; heating told to stop. "
                        "Look at joints and leads"
                    )
                return
        if winding > self._ceilings.winding_degC:
            # Not taken for the winding's last temperature: whoever knows better may go on, see Soak.check.
            self._tripped = ("winding", self._ceilings.winding_degC, time_s, winding)
            raise CeilingError(
                f"coil {self._coil}: winding at {winding:.1f} degC passes its ceiling of "
                f"{self._ceilings.winding_degC:g} degC; heating told to stop"
            )
        self._jumps = 0
        self._seen, self._seen_driven = (time_s, winding), driven
        self._undriven_ohm = None if driven else resistance_ohm

    def see_alone(self, time_s: float, resistance_ohm: float | None) -> bool:
        """Check an undriven coil whose probe is lost against both ceilings: its body is as its winding.

        Returns:
            Whether it still can be seen; a reading that is no temperature is borne a few times.

        Raises:
            CeilingError: It is above the ceiling of winding or body.
        """
        self.see_winding(time_s, resistance_ohm, driven=False)
        if self._seen is None or self._seen[0] != time_s:
            self._unseen += 1
            return self._unseen <= BEARABLE_MISSES
        self._unseen = 0
        winding = self._seen[1]
        if winding > self._ceilings.body_degC:
            self._tripped = ("winding", self._ceilings.body_degC, time_s, winding)
            raise CeilingError(
                f"coil {self._coil}: its probe is lost and its winding at {winding:.1f} degC passes the "
                f"body's ceiling of {self._ceilings.body_degC:g} degC; heating told to stop"
            )
        return True

    def refutes(self, time_s: float, resistance_ohm: float | None, probe: Number, *, driven: bool) -> bool:
        """Whether a reading with the heat off says that the one which passed its ceiling was a wrong one.

        A reply may be wrong by a digit and look well. Heat does not go as fast as such a digit.
        """
        if self._tripped is None:
            return False
        (what, ceiling_degC, then_s, then_degC), self._tripped = self._tripped, None
        degC = self.winding_degC(resistance_ohm) if what == "winding" else probe.value
        lost_K = REFUTED_K[driven] + FASTEST_K_PER_s[driven] * (time_s - then_s)
        return degC is not None and degC <= ceiling_degC and degC < then_degC - lost_K

    def _too_high(self, resistance_ohm: float) -> bool:
        """Whether V/I at first is no winding's; StaleError where it is so twice alike."""
        known_ohm = self._undriven_ohm
        if known_ohm is None or resistance_ohm < HIGH_SHARE * known_ohm:
            self._high_ohm = None
            return False
        before_ohm, self._high_ohm = self._high_ohm, resistance_ohm
        if before_ohm is not None and abs(resistance_ohm / before_ohm - 1.0) < ALIKE_REL:
            raise StaleError(
                f"coil {self._coil}: V/I is {resistance_ohm:.4g} ohm and the meter read {known_ohm:.4g} ohm "
                f"just before, {resistance_ohm / known_ohm:.2g} times as much: no heat does that; "
                "switched off. Outputs in parallel, a wrong scale in a dialect, or a joint that is bad under "
                "current?"
            )
        return True

    def _see_current(self, resistance_ohm: float) -> None:
        assert self._cold is not None
        self._low = self._low + 1 if resistance_ohm < LOW_SHARE * self._cold[0] else 0
        if self._low >= LOW_ROWS:
            raise StaleError(
                f"coil {self._coil}: V/I is {resistance_ohm:.4g} ohm and the cold winding had "
                f"{self._cold[0]:.4g} ohm: more current than V/R; switched off. Shorted turns, or leads?"
            )

    def see_probe(
        self, time_s: float, probe: Number, energy_J: float | None = None, *, driven: bool = False
    ) -> None:
        """Check the body against its ceiling, and the probe for life.

        Args:
            time_s: When.
            probe: The reading in degC.
            energy_J: Energy put into this coil so far, where the coil heats itself.
            driven: Whether current flowed.

        Raises:
            CeilingError: The body is above its ceiling.
            ProbeLostError: The probe is gone, silent, or off its body.
            StaleError: The probe does not follow the heat.
        """
        if probe.value is None:
            self._miss(time_s, probe.status)
            return
        self._misses = 0
        self._last_s = time_s
        if probe.value > self._ceilings.body_degC:
            self._tripped = ("body", self._ceilings.body_degC, time_s, probe.value)
            raise CeilingError(
                f"coil {self._coil}: body at {probe.value:.1f} degC passes its ceiling of "
                f"{self._ceilings.body_degC:g} degC; heating told to stop"
            )
        winding = None
        if self._seen is not None and self._seen_driven is driven and time_s - self._seen[0] <= FRESH_S:
            winding = self._seen[1]
        if self._falls and (fell := self._fall[driven].see(time_s, probe.value, winding)) is not None:
            raise ProbeLostError(
                f"coil {self._coil}: {fell}; heating told to stop. Fix the probe to its body, and soak again"
            )
        if energy_J is not None and not self._follows:
            self._see_rise(probe.value, energy_J)

    def _miss(self, time_s: float, status: str) -> None:
        self._misses += 1
        silent_s = time_s - self._last_s if self._last_s is not None else 0.0
        if self._misses > BEARABLE_MISSES or silent_s > self._stale_s:
            raise ProbeLostError(
                f"coil {self._coil}: no probe temperature for {self._misses} readings ({status}); "
                "heating told to stop. Look at the probe and its leads"
            )

    def _see_rise(self, probe_degC: float, energy_J: float) -> None:
        # Only the first heat-up tells: later the body may rightly stay where it is.
        if self._before is None:
            self._before = (energy_J, probe_degC)
        put_in_J = energy_J - self._before[0]
        rise_K = probe_degC - self._before[1]
        self._follows = rise_K >= TELLING_RISE_K
        if put_in_J >= TELLING_ENERGY_J and not self._follows:
            raise StaleError(
                f"coil {self._coil}: {put_in_J:.0f} J went in and the probe rose by {rise_K:.1f} K; "
                "heating told to stop. Is the probe on this coil's body?"
            )
