"""Fault scripts: what is shipped, and how wrong ones are refused."""

from __future__ import annotations

import re
from pathlib import Path

import msgspec
import pytest

from daq.errors import InputError
from daq.sim import faults
from tests.daq.kits.sim import SCRIPTS

GOOD = """
about = "Invented."
seed = 1
[wiring]
power = [101, 102]
sense = [201, 202]
[kinds.plain]
copper_ohm = 3.3
[[coils]]
label = "Y1"
kind = "plain"
[[coils]]
label = "Y2"
kind = "plain"
"""


def load(folder: Path, text: str) -> faults.FaultScript:
    """Load *text* as a fault script."""
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return faults.load(path)


@pytest.mark.parametrize("name", ["faults", "healthy", "cleaned"])
def test_shipped_scripts_load_and_say_that_they_are_invented(name: str) -> None:
    """Each shipped script is sound, has the eight coils, and says it is invented."""
    script = faults.load(SCRIPTS / f"groomer_{name}.toml")
    assert [part.label for part in script.coils] == [f"Y{n}" for n in range(1, 9)]
    assert script.about.startswith("Invented")


def test_shipped_scripts_differ_in_the_faults_alone() -> None:
    """Cleaning changes the joint of Y5 alone; the healthy set lacks the faults and nothing else."""
    broken, healthy, cleaned = (
        faults.load(SCRIPTS / f"groomer_{n}.toml") for n in ("faults", "healthy", "cleaned")
    )
    for script in (healthy, cleaned):
        assert msgspec.structs.replace(script, about="", coils=broken.coils) == msgspec.structs.replace(
            broken, about=""
        )
    changed = [old.label for old, new in zip(broken.coils, cleaned.coils, strict=True) if old != new]
    assert changed == ["Y5"]
    assert [part.joint_ohm for part in cleaned.coils if part.label == "Y5"] == [0.02]
    assert [old.label for old, new in zip(broken.coils, healthy.coils, strict=True) if old != new] == [
        "Y2",
        "Y4",
        "Y5",
        "Y7",
        "Y8",
    ]


def test_the_bad_joint_hides_in_the_tolerance() -> None:
    """Y5's copper and joint together stay inside 3.30 ohm +-10 %, as a cold check would see it."""
    (part,) = (p for p in faults.load(SCRIPTS / "groomer_faults.toml").coils if p.label == "Y5")
    assert part.copper_ohm is not None
    assert part.joint_ohm == 0.35
    assert abs(part.copper_ohm + part.joint_ohm - 3.30) < 0.33


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("seed = 1", "seed = 1\ncolour = 3", "colour"),
        ("seed = 1\n", "", "seed"),
        ("seed = 1", 'seed = "one"', "seed"),
        ("seed = 1", "seed = 1\nambient_degC = nan", "ambient_degC"),
        ("seed = 1", "seed = 1\nambient_degC = 300.0", "ambient_degC"),
        ("copper_ohm = 3.3", "copper_ohm = -3.3", "kinds.plain.copper_ohm"),
        ("copper_ohm = 3.3", "copper_ohm = inf", "kinds.plain.copper_ohm"),
        ("copper_ohm = 3.3", "", "kinds.plain.copper_ohm"),
        ("copper_ohm = 3.3", "copper_ohm = 3.3\nthermal = {mass = 1}", "kinds.plain.thermal.mass"),
        ('label = "Y2"', 'label = "Y1"', "coils[1].label"),
        ('label = "Y2"', "", "coils[1].label"),
        ('label = "Y1"\nkind = "plain"', 'label = "Y1"\nkind = "brass"', "coils[0].kind"),
        ('label = "Y1"', 'label = "Y1"\nshorted_share = 1.0', "coils[0].shorted_share"),
        ('label = "Y1"', 'label = "Y1"\nprobe = "lost"', "coils[0].probe"),
        (
            'label = "Y1"',
            'label = "Y1"\nheat_open = {opens_above_degC = 60, closes_below_degC = 70}',
            "coils[0].heat_open.closes_below_degC",
        ),
        (
            'label = "Y1"',
            'label = "Y1"\ndropouts = {onset_degC = 95, open_share = 0.05}',
            "coils[0].dropouts.onset_degC",
        ),
        (
            'label = "Y1"',
            'label = "Y1"\ndropouts = {onset_degC = 45, open_share = 0.05, mean_open_s = 1e-9}',
            "coils[0].dropouts.mean_open_s",
        ),
        ("power = [101, 102]", "power = [101]", "wiring.power"),
        ("power = [101, 102]", "power = []", "wiring.power"),
        ("power = [101, 102]", "power = [101, 201]", "wiring"),
        ("power = [101, 102]", "power = [0, 102]", "wiring.power"),
        ("power = [101, 102]", 'power = [101, 102]\ndirect = "Y1"', "wiring.direct"),
        ("power = [101, 102]", 'power = [101, 102]\nswitch = false\ndirect = "Y1"', "wiring.power"),
        ("[wiring]", "[oven]\nheater_lag_s = 60.0\n[wiring]", "oven.heater_lag_s"),
    ],
)
def test_a_wrong_script_is_refused_in_one_line(tmp_path: Path, old: str, new: str, key: str) -> None:
    """Unknown, missing, out of bounds or contradictory: one line with the file and the key."""
    assert load(tmp_path, GOOD).seed == 1
    assert GOOD.count(old) >= 1
    with pytest.raises(InputError) as caught:
        load(tmp_path, GOOD.replace(old, new, 1))
    message = str(caught.value)
    assert "\n" not in message
    assert re.match(rf"{re.escape(str(tmp_path / 'bench.toml'))}(:\d+)?: key '{re.escape(key)}", message)


def test_a_wrong_key_is_named_by_its_line(tmp_path: Path) -> None:
    """A mistake in the second coil is reported at the line where that key stands."""
    with pytest.raises(InputError, match=r"bench\.toml:13: key 'coils\[1\]\.label': is 'Y1', which is there"):
        load(tmp_path, GOOD.replace('label = "Y2"', 'label = "Y1"'))
    with pytest.raises(InputError, match=r"bench\.toml:8: key 'kinds\.plain\.copper_ohm': is -3\.3"):
        load(tmp_path, GOOD.replace("copper_ohm = 3.3", "copper_ohm = -3.3"))


def test_what_is_no_script_at_all_is_refused_in_one_line(tmp_path: Path) -> None:
    """A missing file, a folder, broken TOML and bytes that are no text name the file."""
    broken = tmp_path / "broken.toml"
    broken.write_text("seed = = 1\n", encoding="utf-8")
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    for path in (tmp_path / "none.toml", tmp_path, broken, binary):
        with pytest.raises(InputError) as caught:
            faults.load(path)
        assert "\n" not in str(caught.value)
        assert str(caught.value).startswith(f"{path}:")


def test_leads_moved_by_hand_need_no_channels(tmp_path: Path) -> None:
    """Without a switch the wiring names the coil the leads start on; another name is refused."""
    by_hand = GOOD.replace("power = [101, 102]\nsense = [201, 202]", 'switch = false\ndirect = "Y2"')
    assert load(tmp_path, by_hand).wiring.direct == "Y2"
    with pytest.raises(InputError, match=r"key 'wiring\.direct': .*Y1, Y2"):
        load(tmp_path, by_hand.replace('direct = "Y2"', 'direct = "Y3"'))


@pytest.mark.parametrize(
    ("hand", "key"),
    [
        ("wobbles_s = { Y9 = 1.0 }", "hand.wobbles_s.Y9"),
        ('mistakes = { Y1 = "Y9" }', "hand.mistakes.Y1"),
        ("reach_s = -1.0", "hand.reach_s"),
    ],
)
def test_a_hand_moves_between_coils_that_there_are(tmp_path: Path, hand: str, key: str) -> None:
    """A hand with leads to move needs no coil to start on; one at wired coils, or at others, is refused."""
    loose = GOOD.replace("power = [101, 102]\nsense = [201, 202]", "switch = false") + "[hand]\n"
    assert load(tmp_path, loose).hand is not None
    with pytest.raises(InputError, match=re.escape(f"key '{key}'")):
        load(tmp_path, loose + hand + "\n")
    with pytest.raises(InputError, match="key 'hand': has no leads to move"):
        load(tmp_path, GOOD + "[hand]\n")
