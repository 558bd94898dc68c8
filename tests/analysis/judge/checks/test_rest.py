"""Parts not at rest: how fast a winding warms or cools is told from its own resistance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from analysis.judge.checks.at_rest import Resting
from analysis.judge.rules.criteria import Finding
from analysis.judge.set import judge_set
from analysis.model import Accuracy, Limits, MeterUse, Subject, Trace
from analysis.trace.rows import sort_rows

#: Like parts within 0.1 ohm: a third of that is 2.6 K of 3.3 ohm, or 0.13 K/min at 20 minutes to rest.
LIMITS = Limits("valve", r20_ohm=3.3)


def swept(
    rate_K_per_min: float, *, noise_ohm: float = 1e-4, seed: int = 0, degC: float = 22.0, coil: str = "Y1"
) -> Trace:
    """Three readings and two more twenty seconds later of a winding that moves by *rate_K_per_min*."""
    time_s = np.array([0.0, 0.4, 0.8, 20.0, 20.4])
    winding_degC = degC + rate_K_per_min * time_s / 60.0
    noise = noise_ohm * np.random.default_rng(seed).standard_normal(5)
    # NBS Handbook 100: R is in proportion to 234.5 + T.
    ohm = 3.3 * (234.5 + winding_degC) / 254.5 + noise
    nothing, words = np.full(5, np.nan), np.array(["ok"] * 5)
    phase, source = np.array(["sweep"] * 5), np.array(["ohms"] * 5)
    return Trace(coil, time_s, np.full(5, degC), ohm, nothing, nothing, phase, source, words)


def asked(
    traces: Sequence[Trace], *, limits: Limits = LIMITS, meter: MeterUse | None = None
) -> list[list[Finding]]:
    """What is found of the rest of each coil of a set."""
    coils = {f"Y{n}": sort_rows(trace) for n, trace in enumerate(traces, start=1)}
    resting = Resting(coils, meter or MeterUse())
    return [resting.findings(coil, limits) for coil in coils]


def outcomes(found: Sequence[Sequence[Finding]]) -> list[str]:
    """One outcome a coil."""
    return [finding.criterion.outcome for (finding,) in found]


@pytest.mark.parametrize("rate", [-5.0, -0.5, 0.0, 0.5, 5.0])
@pytest.mark.parametrize("degC", [8.0, 28.0])
def test_rate_is_that_of_the_copper_law(rate: float, degC: float) -> None:
    """Without noise the rate comes out as put in, whatever the workshop's temperature."""
    (((finding),),) = asked([swept(rate, noise_ohm=0.0, degC=degC)])
    assert finding.criterion.value == pytest.approx(rate, rel=5e-3, abs=1e-9)


@pytest.mark.parametrize("noise_ohm", [1e-4, 2e-3])
def test_noise_alone_asks_nobody_to_wait(noise_ohm: float) -> None:
    """Of 300 sets of eight at rest no more than chance allows, 1 in 100, has a coil told to lie down."""
    sets = [[swept(0.0, noise_ohm=noise_ohm, seed=8 * n + k) for k in range(8)] for n in range(300)]
    alarms = sum("retest" in outcomes(asked(traces)) for traces in sets)
    assert alarms <= 8  # of 3 expected; more than 8 come by chance once in 260 trials (Poisson)


@pytest.mark.parametrize("rate", [-0.3, 0.3])
def test_a_warm_part_is_seen_beside_seven_at_rest(rate: float) -> None:
    """0.3 K/min at a scatter of 0.1 mohm is certain where eight coils tell what the meter scatters."""
    traces = [swept(0.0, seed=k) for k in range(7)]
    for seed in range(50, 70):
        assert outcomes(asked([*traces, swept(rate, seed=seed)])) == ["pass"] * 7 + ["retest"]


def test_how_much_matters_is_a_question_of_the_limits() -> None:
    """What is far from rest for like parts within 0.02 ohm is near enough for those within 0.5 ohm."""
    narrow, wide = (
        replace(LIMITS, peer_max_ohm=0.02),
        replace(LIMITS, r20_tolerance_rel=0.3, peer_max_ohm=0.5),
    )
    traces = [swept(0.2, noise_ohm=1e-5, seed=k) for k in range(3)]
    assert outcomes(asked(traces, limits=narrow)) == ["retest"] * 3
    assert outcomes(asked(traces, limits=LIMITS)) == ["retest"] * 3
    assert outcomes(asked(traces, limits=wide)) == ["pass"] * 3
    # 0.1 ohm / 3 of 3.3 ohm is 2.6 K at 22 degC, and of that a twentieth a minute.
    assert asked(traces)[0][0].criterion.high == pytest.approx(0.1 / 3 / 3.3 * 256.5 / 20, rel=0.01)


def test_a_coil_with_a_bad_contact_does_not_make_the_others_uncertain() -> None:
    """One of eight scatters fifty times more: it is held to its own scatter, the others to theirs."""
    traces = [swept(0.3, noise_ohm=5e-3 if k == 0 else 1e-4, seed=k) for k in range(8)]
    first, *others = asked(traces)
    assert first[0].criterion.expanded_u is not None
    assert first[0].criterion.expanded_u > 5.0
    assert outcomes(others) == ["retest"] * 7


def test_two_wires_tell_nothing() -> None:
    """Clips put on twice differ by more than a part that cools: not determined, and nobody's fault."""
    ((finding,),) = asked([swept(5.0)], meter=MeterUse(wires=2))
    assert (finding.criterion.outcome, finding.reason) == ("not determined", None)
    assert finding.criterion.note.startswith("two wires")


def test_readings_at_one_instant_say_nothing() -> None:
    """Typed readings and quick ones in a row have no lever."""
    trace = swept(3.0)
    for time_s in (0.01 * trace.time_s, np.full(5, np.nan)):
        assert asked([replace(trace, time_s=time_s)]) == [[]]


@pytest.mark.parametrize("stepped", [[3.3, 3.3, 3.3, 3.4, 3.4], [3.3] * 5])
def test_a_display_that_steps_is_no_movement(stepped: list[float]) -> None:
    """A meter that shows tenths of an ohm and changes its mind between the passes tells of no heat."""
    found = asked([replace(swept(0.0), resistance_ohm=np.array(stepped))])
    assert outcomes(found) == ["pass"]
    assert np.isfinite(found[0][0].criterion.expanded_u or 0.0)


def test_the_verdict_says_what_to_do() -> None:
    """A part out of the washer beside two at rest is sent to lie, with its rate; the others pass."""
    traces = [replace(swept(rate, seed=n), coil=f"Y{n}") for n, rate in enumerate((0.0, -2.0, 0.0), start=1)]
    result = judge_set(traces, [Subject(t.coil, "valve") for t in traces], {"valve": LIMITS}, Accuracy())
    assert [each.verdict for each in result.coils] == ["pass", "retest", "pass"]
    assert (
        result.coils[1]
        .reasons[0]
        .text.startswith(
            "its winding still cools by 2.0 K/min, so its temperature is not known: it may be 40 K from rest"
        )
    )
