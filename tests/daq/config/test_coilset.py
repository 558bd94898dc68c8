from __future__ import annotations

from pathlib import Path

import pytest

from analysis.model import Limits, Subject
from daq.config.builtin import builtin, find
from daq.config.coil_set_rules import check_against
from daq.config.load import load_coil_set, load_rig
from daq.errors import InputError
from tests.daq.kits.rig import COIL_SET, RIG, coil_set, rig, said, spoil

OWN_CHANNELS = (
    'kind = "meter-pt100"\n',
    'kind = "instrument"\nresource = "GPIB0::12::INSTR"\nchannels = { Y1 = "A", "Y 2" = "B" }\n',
)
TYPED = (
    '"TCPIP::192.0.2.11::5025::SOCKET"\n[probe]\nkind = "meter-pt100"',
    '"typed"\naccuracy = {reading_rel = 0.01}\n[probe]\nkind = "typed"',
)
COILS = COIL_SET[COIL_SET.index("[[coils]]") :]


def test_a_good_set_becomes_subjects_and_limits(tmp_path: Path) -> None:
    """Coils become subjects in order; what a kind leaves open is common practice and named as such."""
    tested = coil_set(tmp_path).value
    assert tested.labels() == ("Y1", "Y 2")
    assert tested.subjects() == (Subject("Y1", "valve", "A-1"), Subject("Y 2", "valve", "A-2"))
    assert tested.kind_of("Y 2").max_current_A == 3.5
    limits = tested.kind_limits()["valve"]
    assert limits == Limits(
        kind="valve",
        r20_ohm=3.3,
        defaulted=("r20_tolerance_rel", "joint_max_ohm", "peer_max_ohm", "drift_max_rel", "leakage_min_ohm"),
    )


def test_what_a_kind_gives_is_not_called_a_default(tmp_path: Path) -> None:
    """Given limits are taken and left out of the list of defaults, even where they equal them."""
    text = spoil(COIL_SET, "r20_ohm = 3.3", "joint_max_ohm = 0.1\ndrift_max_rel = 0.02")
    limits = coil_set(tmp_path, text).value.kind_limits()["valve"]
    assert limits.r20_ohm is None
    assert (limits.joint_max_ohm, limits.drift_max_rel) == (0.1, 0.02)
    assert limits.defaulted == ("r20_tolerance_rel", "peer_max_ohm", "leakage_min_ohm")


def test_the_decision_rule_holds_for_every_kind(tmp_path: Path) -> None:
    """The guard band of [test] and the maker's spread reach the limits; without them U is the guard band."""
    assert coil_set(tmp_path).value.kind_limits()["valve"].guard_band_U == 1.0
    text = spoil(
        spoil(COIL_SET, "voltage_V = 8.4", "guard_band_U = 0.83"),
        "r20_ohm = 3.3",
        "r20_ohm = 3.3\nr20_spread_rel = 0.01",
    )
    limits = coil_set(tmp_path, text).value.kind_limits()["valve"]
    assert (limits.guard_band_U, limits.r20_spread_rel) == (0.83, 0.01)


def test_the_test_plan_has_sound_defaults(tmp_path: Path) -> None:
    """A set without [test] is tested at 8.4 V and at 50, 70, 90 degC (common practice, no source)."""
    text = spoil(COIL_SET, "[test]\nvoltage_V = 8.4\nsteps_degC = [50, 90]\n", "")
    test = coil_set(tmp_path, text).value.test
    assert test.voltage_V == 8.4
    assert test.steps_degC == (50.0, 70.0, 90.0)


def test_the_demonstration_set_fits_the_simulated_bench() -> None:
    """Y1 to Y8 of the invented set are two kinds of coil that the simulated bench can test."""
    tested = load_coil_set(builtin("coil_sets", "snow_groomer"))
    check_against(tested, load_rig(builtin("rigs", "simulated")))
    assert tested.value.labels() == tuple(f"Y{n}" for n in range(1, 9))
    limits = tested.value.kind_limits()
    assert [limits[coil.kind].r20_ohm for coil in tested.value.coils] == [3.3] * 5 + [5.3] * 3
    assert tested.value.heat == "oven"
    assert (tested.value.test.voltage_V, tested.value.system_V) == (8.4, 12.0)


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('"Y 2"', '"Y1"', "set.toml:18: key 'coils[1].label': is 'Y1', and an earlier coil is 'Y1'"),
        ('"Y 2"', '"y1"', "set.toml:18: key 'coils[1].label': is 'y1', and an earlier coil is 'Y1'"),
        ('"Y 2"', '""', "set.toml:18: key 'coils[1].label'"),
        ('"Y 2"', '"=Y2"', "coils[1].label': is '=Y2', expected at most 24 letters, digits, blanks or"),
        ('"Y 2"', '"../Y2"', "set.toml:18: key 'coils[1].label'"),
        ('"Y 2"', '"Y,2"', "set.toml:18: key 'coils[1].label'"),
        ('"Y 2"', '"Y2\\n"', "set.toml:18: key 'coils[1].label'"),
        ('"Y 2"', '"Y2 "', "set.toml:18: key 'coils[1].label'"),
        ('"Y 2"', f'"{"Y" * 25}"', "set.toml:18: key 'coils[1].label'"),
        ('"A-2"', '"A-1"', "set.toml:20: key 'coils[1].serial': is 'A-1', which Y1 has already"),
        (
            '"valve"\nserial = "A-2"',
            '"valv"',
            "set.toml:19: key 'coils[1].kind': is 'valv', which has no [kinds.valv]; there are: valve",
        ),
        (COILS, "", "set.toml: key 'coils': is missing"),
        (COIL_SET, "coils = []\n" + COIL_SET.replace(COILS, ""), "set.toml:1: key 'coils': is empty"),
        (
            COILS,
            "".join(f'[[coils]]\nlabel = "Y{n}"\nkind = "valve"\n' for n in range(65)),
            "is one of 65 coils, expected at most 64",
        ),
        ('heat = "oven"', 'heat = "fire"', "set.toml:2: key 'heat'"),
        (
            "[50, 90]",
            "[50, 101]",
            "set.toml:6: key 'test.steps_degC[1]': is 101 degC, above limits.body_degC of 100 degC",
        ),
        ("winding_degC = 140.0", "winding_degC = 80.0", "is 90 degC, above limits.winding_degC of 80 degC"),
        ("[50, 90]", "[90, 50]", "set.toml:6: key 'test.steps_degC[1]': is 50, expected more than 90"),
        ("[50, 90]", "[50, 50]", "is 50, expected more than 50"),
        ("[50, 90]", "[-10]", "is -10, expected more than 0"),
        ("[50, 90]", "[]", "set.toml:6: key 'test.steps_degC'"),
        ("[50, 90]", "[50, nan]", "set.toml:6: key 'test.steps_degC[1]': is nan"),
        ("body_degC = 100.0\n", "", "set.toml:7: key 'limits.body_degC': is missing"),
        (
            "voltage_V = 8.4",
            "voltage_V = 12.5",
            "set.toml:5: key 'test.voltage_V': is 12.5 V, above the 12 V of the system",
        ),
        ("voltage_V = 8.4", "volts = 8.4", "set.toml:5: key 'test.volts': unknown key"),
        (
            "max_current_A = 3.5",
            "max_current_A = 2.5",
            "set.toml:11: key 'kinds.valve.max_current_A': is 2.5 A, but at 8.4 V a sound coil of 3.3 ohm",
        ),
        ("max_current_A = 3.5\n", "", "set.toml:10: key 'kinds.valve.max_current_A': is missing"),
        ("r20_ohm = 3.3", "r20_tolerance_rel = 0.1", "is a tolerance of r20_ohm, which is missing"),
        ("r20_ohm = 3.3", "r20_spread_rel = 0.01", "is a spread about r20_ohm, which is missing"),
        ("voltage_V = 8.4", "guard_band_U = -0.1", "set.toml:5: key 'test.guard_band_U'"),
        ("voltage_V = 8.4", "guard_band_U = inf", "set.toml:5: key 'test.guard_band_U'"),
    ],
)
def test_what_is_wrong_is_said_with_file_line_and_key(
    tmp_path: Path, old: str, new: str, expected: str
) -> None:
    """Each mistake in a coil-set file gives one line that names file, line and key."""
    with pytest.raises(InputError) as caught:
        coil_set(tmp_path, spoil(COIL_SET, old, new))
    assert expected in said(caught)


@pytest.mark.parametrize(
    ("set_change", "rig_change", "expected"),
    [
        (
            ("body_degC = 100.0", "body_degC = 106.0"),
            None,
            "set.toml:8: key 'limits.body_degC': is 106 degC, above the rig's limits.body_degC of 105",
        ),
        (
            ("winding_degC = 140.0", "winding_degC = 151.0"),
            None,
            "is 151 degC, above the rig's limits.winding_degC of 150 degC",
        ),
        (
            None,
            ("voltage_V = 15.0", "voltage_V = 8.0"),
            "set.toml:5: key 'test.voltage_V': is 8.4 V, above the rig's limits.voltage_V of 8 V",
        ),
        (
            None,
            ("current_A = 4.0", "current_A = 3.0"),
            "key 'kinds.valve.max_current_A': is 3.5 A, above the rig's limits.current_A of 3 A",
        ),
        (
            None,
            ('[oven]\nresource = "ASRL/dev/ttyUSB0::INSTR"\nbaud = 19200\n', ""),
            "set.toml:2: key 'heat': is 'oven', but the rig has no [oven]",
        ),
        (
            ('"oven"', '"supply"'),
            ('[supply]\nresource = "TCPIP::192.0.2.10::5025::SOCKET"\n', ""),
            "is 'supply', but the rig has no [supply]",
        ),
        (('"oven"', '"supply"'), TYPED, "the rig's meter is typed"),
        (
            ('"Y 2"', '"Y3"'),
            None,
            "set.toml:18: key 'coils[1].label': is 'Y3', which has no channel in the rig's",
        ),
        (('"Y 2"', '"Y3"'), OWN_CHANNELS, "is 'Y3', which has no channel in the rig's [probe.channels]"),
    ],
)
def test_what_the_rig_cannot_or_must_not_do_is_refused(
    tmp_path: Path, set_change: tuple[str, str] | None, rig_change: tuple[str, str] | None, expected: str
) -> None:
    """A set that asks more than its rig allows is refused with both numbers, and both files are named."""
    tested = coil_set(tmp_path, spoil(COIL_SET, *set_change) if set_change else COIL_SET)
    bench = rig(tmp_path, spoil(RIG, *rig_change) if rig_change else RIG)
    with pytest.raises(InputError) as caught:
        check_against(tested, bench)
    assert expected in said(caught)
    assert str(bench.path) in said(caught)


def test_limits_that_equal_the_rigs_are_allowed(tmp_path: Path) -> None:
    """A set may go up to the rig's limits exactly; its voltage so far that protection has room."""
    text = RIG.replace("105.0", "100.0").replace("150.0", "140.0")
    check_against(coil_set(tmp_path), rig(tmp_path, text.replace("15.0", "8.6")))
    with pytest.raises(InputError, match=r"is 8\.4 V, and .* 8\.5 V: .* trip on ripple; ask for 8\.333 V"):
        check_against(coil_set(tmp_path), rig(tmp_path, text.replace("15.0", "8.5")))


def test_a_text_means_a_path_or_a_built_in_set(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A path that exists wins, a bare name is one of ours, a path to nothing is left to its reader."""
    monkeypatch.chdir(tmp_path)
    assert find("coil_sets", "snow_groomer") == builtin("coil_sets", "snow_groomer")
    Path("snow_groomer").write_text("")
    assert find("coil_sets", "snow_groomer") == Path("snow_groomer")
    assert find("coil_sets", "nowhere/set.toml") == Path("nowhere/set.toml")
    with pytest.raises(
        InputError, match="no built-in file 'mine' among coil_sets, expected one of snow_groomer"
    ):
        find("coil_sets", "mine")


@pytest.mark.parametrize(
    ("letter", "stands_degC"), [("A", 105.0), ("E", 120.0), ("B", 130.0), ("F", 155.0), ("H", 180.0)]
)
def test_the_windings_ceiling_may_come_from_its_insulation(
    tmp_path: Path, letter: str, stands_degC: float
) -> None:
    """Thermal classes of insulation (IEC 60085, from memory); a ceiling given besides stays what it is."""
    by_class = spoil(COIL_SET, "winding_degC = 140.0", f'insulation_class = "{letter}"')
    assert coil_set(tmp_path, by_class).value.limits.winding_ceiling_degC == stands_degC
    both = spoil(COIL_SET, "winding_degC = 140.0", f'winding_degC = 102.0\ninsulation_class = "{letter}"')
    assert coil_set(tmp_path, both).value.limits.winding_ceiling_degC == 102.0


def test_a_ceiling_above_what_the_insulation_stands_is_refused(tmp_path: Path) -> None:
    """Both numbers are in the message, with file, line and key; neither key is a hole as well."""
    wrong = spoil(COIL_SET, "winding_degC = 140.0", 'winding_degC = 140.0\ninsulation_class = "B"')
    with pytest.raises(InputError) as caught:
        coil_set(tmp_path, wrong)
    assert "limits.winding_degC" in said(caught)
    assert "is 140 degC, above the 130 degC that insulation of class B stands" in said(caught)
    with pytest.raises(InputError) as caught:
        coil_set(tmp_path, spoil(COIL_SET, "winding_degC = 140.0\n", ""))
    assert "limits.winding_degC: is missing" in said(caught).replace("'", "")


def test_a_class_above_the_rigs_ceiling_is_refused(tmp_path: Path) -> None:
    """The rig's limit stands against the class as against a figure, and names the key that was written."""
    by_class = coil_set(tmp_path, spoil(COIL_SET, "winding_degC = 140.0", 'insulation_class = "H"'))
    with pytest.raises(InputError) as caught:
        check_against(by_class, rig(tmp_path))
    assert "limits.insulation_class" in said(caught)
    assert "is 180 degC, above the rig's limits.winding_degC of 150 degC" in said(caught)
