"""Coils under power against each other: what all show alike is the record's, what one shows is the coil's.

How far V/I may lie above a coil's own ohms is bounded only by the heat that copper could have taken up. Like
parts on the same supply say far more: they take up the same heat, and whatever the instruments add, they add
to all. So V/I at the beginning of a drive, over the ohms, is held against that of like parts, and so is how
fast it rises. Where all coils of a set are off their ohms alike, it is nothing of the coils.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot
from statistics import median

from analysis.judge.checks.under_power import Driven, DriveRows
from analysis.judge.rules.criteria import Finding
from analysis.judge.rules.reasons import retest
from analysis.judge.rules.verdict import Outcome
from analysis.model import Accuracy, Criterion, Reason
from analysis.words import say

#: Like parts on one bench begin alike within this share (common practice, no source; of sound sets simulated
#: with probes of 0.15 K and meters of 3 mohm none was further off than 0.0024).
UNLIKE_REL = 0.006
#: One of them that rises so many times as fast, each for its power, is not heated copper alone: heat
#: capacities of like parts do not differ so much (common practice, no source). By less than this share nobody
#: could tell.
RISES_RATIO, _RISE_REL = 3.0, 0.003
#: and beyond so many standard deviations.
_SIGMAS = 4.0
#: Without times, or with few rows, nobody knows how long each had been heated: some seconds more or less.
_UNTIMED_REL = 0.04
#: So many others say what is usual, and their drives begin within this of each other's temperature.
_LEAST_OTHERS, _SAME_K = 2, 8.0
#: Ratios of V/I and ohms that agree within this share over all coils and drives are one factor.
_ONE_FACTOR_REL = 0.02


@dataclass(frozen=True)
class _Beside:
    """One brief drive of a coil against those of like parts at about its temperature."""

    drive: DriveRows
    theirs: list[DriveRows]

    @property
    def usual_rel(self) -> float:
        """Where V/I of like parts begins over their ohms."""
        return median(each.begins_rel for each in self.theirs)

    @property
    def usual_per_J(self) -> float | None:
        """By what share V/I of like parts rises for a joule, None where too few of them tell."""
        told = [each.shape.per_s / each.watt for each in self.theirs if each.shape is not None]
        return max(median(told), 0.0) if len(told) >= _LEAST_OTHERS else None

    @property
    def off_rel(self) -> float:
        """How far it begins from where like parts do."""
        return self.drive.begins_rel - self.usual_rel

    def most_rel(self, accuracy: Accuracy) -> float:
        """How far a sound coil may begin from its like."""
        ohms_rel = hypot(accuracy.noise_ohm, accuracy.contact_ohm) / self.drive.expected_ohm
        shape, per_J = self.drive.shape, self.usual_per_J
        # What like parts begin with is heat from before their first row, and differs by as much as itself.
        before_rel = abs(self.usual_rel)
        if shape is None or per_J is None or any(each.shape is None for each in self.theirs):
            return max(_UNTIMED_REL, _SIGMAS * ohms_rel) + before_rel
        # Nobody knows how long before its first row each was switched on.
        return max(UNLIKE_REL, _SIGMAS * ohms_rel) + per_J * self.drive.watt * shape.apart_s + before_rel

    @property
    def rises(self) -> bool:
        """Whether it rises faster than heated copper does in like parts."""
        shape, per_J = self.drive.shape, self.usual_per_J
        if shape is None or per_J is None:
            return False
        beyond = shape.per_s - RISES_RATIO * per_J * self.drive.watt
        return beyond > _SIGMAS * shape.u_per_s and beyond * shape.lasted_s > _RISE_REL


def beside_under_power(own: Driven, others: Sequence[Driven], accuracy: Accuracy) -> Finding | None:
    """Hold each brief drive of a coil against those of like parts; None where nobody can tell."""
    held = [
        _Beside(drive, _theirs(drive, others)) for drive in own.drives if drive.brief and drive.watt > 0.0
    ]
    held = [each for each in held if len(each.theirs) >= _LEAST_OTHERS]
    if not held:
        return None
    worst = max(held, key=lambda each: abs(each.off_rel) / each.most_rel(accuracy))
    most = worst.most_rel(accuracy)
    # Where the others are off and this one is as its ohms say, they are the odd ones.
    unlike = abs(worst.off_rel) > most and abs(worst.drive.begins_rel) > UNLIKE_REL
    reason = _unlike(worst) if unlike else next((_rising(each) for each in held if each.rises), None)
    outcome: Outcome = "pass" if reason is None else "retest"
    name = say("criterion.driven-beside")
    return Finding(Criterion("driven-beside", name, "", worst.off_rel, None, -most, most, outcome), reason)


def _theirs(drive: DriveRows, others: Sequence[Driven]) -> list[DriveRows]:
    """Of each other coil the brief drive nearest in temperature, where it is near."""
    found = []
    for other in others:
        brief = [each for each in other.drives if each.brief and each.watt > 0.0]
        near = min(brief, key=lambda each: abs(each.from_degC - drive.from_degC), default=None)
        if near is not None and abs(near.from_degC - drive.from_degC) <= _SAME_K:
            found.append(near)
    return found


def _unlike(worst: _Beside) -> Reason:
    percent, usual = 100.0 * worst.drive.begins_rel, 100.0 * worst.usual_rel
    figures = {"percent": percent, "usual": usual, "degC": worst.drive.from_degC}
    return retest("driven-unlike", say("reason.driven-unlike", count=len(worst.theirs), **figures))


def _rising(rising: _Beside) -> Reason:
    shape, per_J = rising.drive.shape, rising.usual_per_J
    percent = 100.0 * (shape.per_s if shape is not None else 0.0)
    usual = 100.0 * (per_J or 0.0) * rising.drive.watt
    figures = {"percent": percent, "usual": usual, "degC": rising.drive.from_degC}
    return retest("driven-rising", say("reason.driven-rising", count=len(rising.theirs), **figures))


def common_factor(driven: Sequence[Driven]) -> float | None:
    """By what factor V/I of all coils that were driven is off their ohms, None where they are not.

    Coils do not go bad all at once by the same.
    """
    told = [each for each in driven if each.drives]
    drives = [drive for each in told for drive in each.drives]
    if len(told) <= _LEAST_OTHERS or any(drive.limited for drive in drives):
        return None
    factors = [1.0 + drive.off_rel for drive in drives]
    one_factor = max(factors) <= min(factors) * (1.0 + _ONE_FACTOR_REL)
    off = all(drive.high for drive in drives) or (one_factor and all(drive.low for drive in drives))
    return median(factors) if off else None
