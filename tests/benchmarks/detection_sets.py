"""Sets of eight invented coils, sound or each with a fault of its own, and their soak on the simulated bench.

What a bench and its parts may be within their statements is drawn anew for every set: ambient and oven,
the instruments' errors within the rig file's accuracy, the wire's temperature coefficient by batch, each
coil's copper, joint and heat paths. A set is fixed by its number and the seed.
"""

from __future__ import annotations

import json
import re
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tests.daq.kits.soak import rig_with, run

SWITCHING, PROPORTIONAL = ("Y1", "Y2", "Y3", "Y4", "Y5"), ("Y6", "Y7", "Y8")
NOMINAL_OHM = {"switching": 3.30, "proportional": 5.30}
#: How like parts scatter (standard deviation): parts as they come, and parts of one lot, set by set.
SPREADS_REL = (0.005, 0.002)

#: Severities; those of drift are aims, the simulation tells what came of them.
JOINT_OHM = (0.02, 0.05, 0.065, 0.08, 0.12, 0.16, 0.20, 0.40)
SHORTED_SHARE = (0.005, 0.01, 0.02, 0.03, 0.04, 0.06, 0.08)
DRIFT_REL = (0.001, 0.002, 0.003, 0.005, 0.01, 0.013, 0.03)
OPEN_SHARE = (0.0005, 0.002, 0.01, 0.05)
MEAN_OPEN_S = (0.02, 0.2, 2.0)
HOT_LEAKAGE_OHM = (2e5, 5e5, 8e5, 9e5, 1.2e6, 2e6)
OPENS_DEGC = (50.0, 96.0)
#: About how long a set is above this; the simulation drifts by the hour.
_DRIFTS_ABOVE_DEGC, HOURS_HOT = 60.0, 1.2
#: Insulation halves every ten kelvin (the simulation's default), from 20 degC to 90 degC.
_HOT_LEAKAGE = 2.0**-7

#: Limits of error that the rig file states; each channel's own error is drawn within them.
_PROBE_K, _PROBE_NOISE_K = 0.5, 0.1
#: Evenly spread within this it is the standard uncertainty 0.002 that judging assumes (IEC 60751, A to B).
_PROBE_GAIN_REL = 0.0035
#: 100 % IACS within one per cent: what judging assumes of winding wire.
_ALPHA20_LIMITS = (0.00389, 0.00397)

_PROBE = f"""[probe]
kind = "instrument"
resource = "sim:thermometer"
accuracy_K = {_PROBE_K}
noise_K = {_PROBE_NOISE_K}"""


@dataclass(frozen=True)
class Part:
    """What is true of one coil: its fault if any, how bad, and for dropouts how long (mean, s)."""

    coil: str
    fault: str = ""
    severity: float = 0.0
    mean_open_s: float | None = None


@dataclass(frozen=True)
class Drawn:
    """One set: the fault script as tables, the truth by coil, and how its like parts scatter."""

    script: dict[str, Any]
    parts: tuple[Part, ...]
    spread_rel: float


def draw(number: int, seed: int, *, faulty: bool) -> Drawn:
    """Draw set *number*; in a *faulty* one the faults share a set only where they leave each other alone."""
    rng = np.random.default_rng([seed, number, int(faulty)])
    spread_rel = SPREADS_REL[number // 2 % len(SPREADS_REL)]
    parts = _faults(number, rng) if faulty else {}
    kinds, coils = {}, []
    for kind, labels in (("switching", SWITCHING), ("proportional", PROPORTIONAL)):
        batch_ohm = NOMINAL_OHM[kind] * (1.0 + 0.01 * float(np.clip(rng.standard_normal(), -3.0, 3.0)))
        alpha20_per_K = float(rng.uniform(*_ALPHA20_LIMITS))
        build = np.exp(0.2 * rng.standard_normal(6))
        for label in labels:
            own = build * np.exp(0.05 * rng.standard_normal(6))
            copper_ohm = batch_ohm * (1.0 + spread_rel * float(rng.standard_normal()))
            kinds[label] = {
                "copper_ohm": copper_ohm,
                "joint_ohm": float(rng.uniform(0.002, 0.02)),
                "alpha20_per_K": alpha20_per_K,
                "thermal": dict(
                    zip(_HEAT_PATHS[kind], (own * list(_HEAT_PATHS[kind].values())).tolist(), strict=True)
                ),
            }
            part = parts.get(label)
            coils.append(
                {
                    "label": label,
                    "kind": label,
                    "copper_ohm": copper_ohm,
                    **(_as_script(part, rng) if part else {}),
                }
            )
    script = {
        "about": "Invented: a set of the detection benchmark.",
        "seed": int(rng.integers(2**31)),
        "ambient_degC": float(rng.uniform(12.0, 32.0)),
        "oven": {
            "heating_K_per_min": float(rng.uniform(5.0, 10.0)),
            "heater_lag_s": float(rng.uniform(10.0, 30.0)),
            "closed_loss_s": float(rng.uniform(1200.0, 2000.0)),
        },
        # Gain and offset stand at the rig file's limits by default; noise is brought to its 0.5 mohm.
        "meter": {"noise_of_range": 1.5e-5},
        "thermometer": {
            "offset_limit_K": _PROBE_K,
            "gain_limit_rel": _PROBE_GAIN_REL,
            "noise_K": _PROBE_NOISE_K,
        },
        "wiring": {role: [base + n for n in range(1, 9)] for role, base in _CHANNELS.items()}
        | {"short": 209},
        "kinds": kinds,
        "coils": coils,
    }
    truth = tuple(parts.get(label, Part(label)) for label in (*SWITCHING, *PROPORTIONAL))
    return Drawn(script, truth, spread_rel)


_CHANNELS = {"power": 100, "sense": 200, "probe": 300, "leak": 400}
_HEAT_PATHS = {
    "switching": {
        "winding_J_per_K": 18.0,
        "body_J_per_K": 90.0,
        "shell_to_shell_W_per_K": 0.85,
        "winding_to_body_W_per_K": 1.05,
        "body_to_probe_W_per_K": 0.1,
        "moving_air_W_per_K": 0.66,
    },
    "proportional": {
        "winding_J_per_K": 20.0,
        "body_J_per_K": 96.0,
        "shell_to_shell_W_per_K": 0.85,
        "winding_to_body_W_per_K": 1.05,
        "body_to_probe_W_per_K": 0.1,
        "moving_air_W_per_K": 0.70,
    },
}


def _faults(number: int, rng: np.random.Generator) -> dict[str, Part]:
    """Which coil has which fault: per kind one whose resistance is off; opens, dropouts, leaks beside it."""
    joint, shorted = ("Y4", "Y6") if number % 2 else ("Y6", "Y4")
    step = number // 4
    drops = [(share, mean_s) for share in OPEN_SHARE for mean_s in MEAN_OPEN_S]
    parts = [
        Part(joint, "joint", JOINT_OHM[step % len(JOINT_OHM)]),
        Part(shorted, "shorted turns", SHORTED_SHARE[step % len(SHORTED_SHARE)]),
        Part("Y5", "drift", DRIFT_REL[number % len(DRIFT_REL)]),
        Part("Y1", "opens hot", float(rng.uniform(*OPENS_DEGC))),
        Part("Y2", "dropouts", *drops[number % len(drops)]),
        Part("Y3", "dropouts", *drops[(number + 5) % len(drops)]),
    ]
    if number % 3:
        parts.append(Part("Y8", "leakage", HOT_LEAKAGE_OHM[number // 3 % len(HOT_LEAKAGE_OHM)]))
    return {part.coil: part for part in parts}


def _as_script(part: Part, rng: np.random.Generator) -> dict[str, object]:
    bad = part.severity
    if part.fault == "joint":
        return {"joint_ohm": bad}
    if part.fault == "shorted turns":
        return {"shorted_share": bad}
    if part.fault == "drift":
        return {"drift": {"above_degC": _DRIFTS_ABOVE_DEGC, "rate_rel_per_h": bad / HOURS_HOT}}
    if part.fault == "opens hot":
        return {
            "heat_open": {"opens_above_degC": bad, "closes_below_degC": bad - float(rng.uniform(2.0, 12.0))}
        }
    if part.fault == "dropouts":
        onset_degC = float(rng.uniform(30.0, 60.0))
        return {"dropouts": {"onset_degC": onset_degC, "open_share": bad, "mean_open_s": part.mean_open_s}}
    return {"leakage_ohm": bad / _HOT_LEAKAGE}


def soak(drawn: Drawn, folder: Path) -> Path:
    """Soak a set in *folder*, end to end and in virtual time; leave the truth beside the record.

    Returns:
        The run folder.
    """
    folder.mkdir(parents=True)
    script = folder / "script.toml"
    script.write_text("\n".join(f"{key} = {toml_value(value)}" for key, value in drawn.script.items()) + "\n")
    rig = rig_with(folder, script.name, probe=_PROBE)
    # The thermometer has a channel a coil, and needs no contact of the switch unit.
    rig.write_text(re.sub(r"(?m)^(Y\d) = 30(\d)$", r"\1 = \2", rig.read_text(encoding="utf-8")))
    ran = run(folder, rig=rig)
    parts = [asdict(part) for part in drawn.parts]
    for part in parts:
        if part["fault"] == "drift":
            part["severity"] = ran.truth.coils[part["coil"]].drift_rel
    (folder / "truth.json").write_text(json.dumps({"spread_rel": drawn.spread_rel, "parts": parts}))
    return ran.outcome.folder


def toml_value(value: object) -> str:
    """Write a value of a fault script on one line."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {toml_value(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml_value, value)) + "]"
    return json.dumps(value)
