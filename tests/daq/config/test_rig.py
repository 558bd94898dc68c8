from __future__ import annotations

import os
import re
from datetime import date
from math import sqrt
from pathlib import Path

import pytest

from daq.config.builtin import builtin, names
from daq.config.load import fault_script, load_rig
from daq.errors import InputError
from tests.daq.kits.rig import RIG, rig, said, spoil

SIMULATED = builtin("rigs", "simulated").read_text(encoding="utf-8")


def test_a_good_rig_file_is_taken_as_written(tmp_path: Path) -> None:
    """Roles, limits and channels come back as the file says; what it leaves out has its default."""
    loaded = rig(tmp_path)
    bench = loaded.value
    assert bench.limits.winding_degC == 150.0
    assert list(bench.instruments()) == ["supply", "meter", "switch", "oven"]
    assert (bench.meter.dialect, bench.meter.wires, bench.meter.range_ohm) == ("scpi-1999", 4, 100.0)
    assert bench.oven is not None
    assert bench.oven.baud == 19200
    assert bench.switch is not None
    assert bench.switch.sense == {"Y1": 201, "Y 2": 202}
    assert (bench.simulated, bench.probe_on_meter, bench.meter_typed) == (False, True, False)


@pytest.mark.parametrize("name", ["simulated", "example_hand", "example_lan"])
def test_the_rigs_that_come_along_are_good(name: str) -> None:
    """Each rig file of ours loads, and each of its instruments with an accuracy has a calibration date."""
    bench = load_rig(builtin("rigs", name)).value
    assert bench.meter.accuracy is not None
    assert bench.meter.calibrated is not None
    assert bench.probe.calibrated is not None


def test_the_simulated_rig_has_every_role_and_channel() -> None:
    """The default bench is wholly simulated, wired for Y1 to Y8, and its fault script is found."""
    loaded = load_rig(builtin("rigs", "simulated"))
    bench = loaded.value
    assert bench.simulated
    assert {i.resource for i in bench.instruments().values()} == {
        f"sim:{r}" for r in ("supply", "meter", "switch", "oven")
    }
    assert bench.switch is not None
    for table, first in (("power", 101), ("sense", 201), ("probe", 301), ("leak", 401)):
        assert getattr(bench.switch, table) == {f"Y{n + 1}": first + n for n in range(8)}
    assert bench.switch.short == 209
    assert fault_script(loaded).name == "groomer_faults.toml"


@pytest.mark.parametrize("line", re.findall(r"^# \w+ = .*", SIMULATED, re.MULTILINE))
def test_the_keys_shown_behind_a_mark_are_keys(tmp_path: Path, line: str) -> None:
    """A key that the sample file shows in a comment is one that rig files take."""
    try:
        rig(tmp_path, spoil(SIMULATED, line, line.removeprefix("# ")))
    except InputError as exc:
        assert "is for serial lines" in str(exc)


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("voltage_V = 15.0\n", "", "rig.toml:2: key 'limits.voltage_V': is missing"),
        ("body_degC = 105.0\n", "", "rig.toml:2: key 'limits.body_degC': is missing"),
        ("current_A = 4.0", "current_A = nan", "rig.toml:4: key 'limits.current_A': is nan"),
        ("current_A = 4.0", "current_A = -4.0", "rig.toml:4: key 'limits.current_A'"),
        ("current_A = 4.0", 'current_A = "4"', "rig.toml:4: key 'limits.current_A': is a text"),
        ("current_A", "curent_A", "rig.toml:4: key 'limits.curent_A': unknown key"),
        ("[oven]", "[owen]", "rig.toml:13: key 'owen': unknown key"),
        ("baud = 19200", 'parity = "mark"', "rig.toml:15: key 'oven.parity'"),
        ("baud = 19200", "calibrated = 2025-13-01", "rig.toml:15: not valid TOML"),
        ("baud = 19200", "calibrated = 2025", "rig.toml:15: key 'oven.calibrated'"),
        ('[meter]\nresource = "TCPIP::192.0.2.11::5025::SOCKET"\n', "", "rig.toml: key 'meter': is missing"),
        (
            '192.0.2.11::5025::SOCKET"',
            '192.0.2.11::5025::SOCKET"\nwires = 3',
            "rig.toml:9: key 'meter.wires'",
        ),
        (
            '"GPIB0::9::INSTR"',
            '"the grey box"',
            "rig.toml:17: key 'switch.resource': is 'the grey box', expected an address like",
        ),
        (
            '"GPIB0::9::INSTR"',
            '"typed"',
            "rig.toml:17: key 'switch.resource': is 'typed', which only a meter can be",
        ),
        (
            '"GPIB0::9::INSTR"',
            '"sim:switch"',
            "key 'switch.resource': is 'sim:switch', but the file has no [simulation]",
        ),
        (
            '"GPIB0::9::INSTR"',
            '"GPIB0::9::INSTR"\nbaud = 9600',
            "rig.toml:18: key 'switch.baud': is for serial lines",
        ),
        (
            "[limits]",
            "time_scale = 20\n[limits]",
            "rig.toml:2: key 'time_scale': is 20, but supply at 'TCPIP::192.0.2.10",
        ),
        ("[limits]", "time_scale = 0.5\n[limits]", "rig.toml:2: key 'time_scale'"),
        ('"Y 2" = 202\n', "", "rig.toml:23: key 'switch.power.Y 2': has no sense channel"),
        ('"Y 2" = 102\n', "", "rig.toml:22: key 'switch.power': has no channel for Y 2"),
        ('"Y 2" = 302\n', "", "rig.toml:25: key 'switch.probe': has no channel for Y 2"),
        (
            "Y1 = 401",
            "Y1 = 301",
            "rig.toml:29: key 'switch.leak.Y1': is channel 301, which probe.Y1 has already",
        ),
        ('"Y 2" = 202', '"Y 2" = 201', "is channel 201, which sense.Y1 has already"),
        (
            "short = 209",
            "short = 102",
            "rig.toml:18: key 'switch.short': is channel 102, which power.Y 2 has already",
        ),
        ('Y1 = 201\n"Y 2" = 202\n', "", "key 'switch.sense': is empty"),
        ("Y1 = 401", "Y1 = -1", "rig.toml:29: key 'switch.leak.Y1'"),
        ("Y1 = 401", "Y9 = 401", "rig.toml:29: key 'switch.leak.Y9': has no sense channel"),
        (
            '"meter-pt100"',
            '"instrument"',
            "key 'probe.resource': is missing, expected the thermometer's address",
        ),
        ('"meter-pt100"', '"meter-ntc"', "key 'probe.ntc': is missing"),
        ('"meter-pt100"', '"meter-thermocouple-K"', "key 'probe.cold_junction_degC': is missing"),
        ('"meter-pt100"', '"meter-thermocouple-S"', "rig.toml:10: key 'probe.kind'"),
        (
            '"meter-pt100"',
            '"meter-pt100"\ncold_junction_degC = 22',
            "rig.toml:11: key 'probe.cold_junction_degC': is for meter-th",
        ),
        (
            '"meter-pt100"',
            '"meter-pt100"\nntc = {A=1,B=2,C=3}',
            "rig.toml:11: key 'probe.ntc': is for meter-ntc only",
        ),
        ('"meter-pt100"', '"meter-ntc"\nntc = {A=1e-3}', "rig.toml:11: key 'probe.ntc': says too little"),
        (
            '"meter-pt100"',
            '"meter-ntc"\nntc = {A=1e-3, B=2e-4, C=1e-7, beta_K=3950}',
            "rig.toml:11: key 'probe.ntc': says too little or too much",
        ),
        (
            '"meter-pt100"',
            '"meter-ntc"\nntc = {A=0, B=0, C=0}',
            "rig.toml:11: key 'probe.ntc': is no thermis",
        ),
        (
            '"meter-pt100"',
            '"meter-ntc"\nntc = {A=1, B=2, C=3}',
            "rig.toml:11: key 'probe.ntc': is no thermis",
        ),
        (
            '"meter-pt100"',
            '"meter-ntc"\nntc = {points = [[0, 1e3], [25, 1e3], [80, 10]]}',
            "rig.toml:11: key 'probe.ntc.points': cannot be (thermistor: expected three",
        ),
        (
            '"meter-pt100"',
            '"meter-ntc"\nntc = {points = [[0, 10], [25, 20], [80, 90]]}',
            "rig.toml:11: key 'probe.ntc': is no thermistor",
        ),
        ('"meter-pt100"', '"typed"\nresource = "typed"', "rig.toml:11: key 'probe.resource': is 'typed'"),
        (
            '"meter-pt100"',
            '"typed"\nresource = "USB0::1::2::INSTR"',
            "but a probe of kind 'typed' has no address",
        ),
        (
            '"TCPIP::192.0.2.11::5025::SOCKET"',
            '"typed"',
            "key 'meter.accuracy': is missing: nobody but this file",
        ),
        (
            '"TCPIP::192.0.2.11::5025::SOCKET"',
            '"typed"\naccuracy = {reading_rel = 0.01}',
            "rig.toml:11: key 'probe.kind': is 'meter-pt100', but the meter is typed",
        ),
    ],
)
def test_what_is_wrong_is_said_with_file_line_and_key(
    tmp_path: Path, old: str, new: str, expected: str
) -> None:
    """Each mistake in a rig file gives one line that names file, line and key."""
    with pytest.raises(InputError) as caught:
        rig(tmp_path, spoil(RIG, old, new))
    assert expected in said(caught)


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('"sim:oven"', '"sim:bath"', "key 'oven.resource': is 'sim:bath', expected 'sim:oven'"),
        ('"sim:oven"', '"GPIB0::1::INSTR"', "with [simulation] all is simulated: expected 'sim:oven'"),
    ],
)
def test_a_simulated_bench_is_simulated_throughout(tmp_path: Path, old: str, new: str, expected: str) -> None:
    """With [simulation] no real instrument and no unknown one may stand in the file."""
    with pytest.raises(InputError) as caught:
        rig(tmp_path, spoil(SIMULATED, old, new))
    assert expected in said(caught)


def test_a_practice_bench_may_run_faster(tmp_path: Path) -> None:
    """Time scale above 1 is taken where each instrument is on loopback or behind a pseudo-serial port."""
    master, slave = os.openpty()
    link = tmp_path / "meter"
    link.symlink_to(os.ttyname(slave))
    try:
        text = RIG.replace("192.0.2.10", "127.0.0.1").replace("192.0.2.11", "localhost")
        text = text.replace("/dev/ttyUSB0", str(link)).replace(
            "GPIB0::9::INSTR", "TCPIP::127.0.0.1::5026::SOCKET"
        )
        assert rig(tmp_path, "time_scale = 60\n" + text).value.time_scale == 60.0
        with pytest.raises(InputError, match=r"127\.0\.0\.1\.evil\.example"):
            rig(
                tmp_path,
                "time_scale = 60\n" + text.replace("127.0.0.1::5026", "127.0.0.1.evil.example::5026"),
            )
    finally:
        os.close(master)
        os.close(slave)


def test_one_sensor_moved_around_may_share_a_channel(tmp_path: Path) -> None:
    """A single sensor needs no channel a coil, and its one channel may stand at each label."""
    one = spoil(RIG, '"meter-pt100"', '"meter-pt100"\nsingle = true')
    shared = rig(tmp_path, spoil(one, '"Y 2" = 302', '"Y 2" = 301')).value.switch
    assert shared is not None
    assert set(shared.probe.values()) == {301}
    none = rig(tmp_path, spoil(one, 'Y1 = 301\n"Y 2" = 302\n', "")).value.switch
    assert none is not None
    assert none.probe == {}
    with pytest.raises(InputError, match=r"is channel 201, which sense\.Y1 has already"):
        rig(tmp_path, spoil(one, 'Y1 = 301\n"Y 2" = 302\n', 'Y1 = 201\n"Y 2" = 201\n'))


def test_stated_limits_of_error_become_standard_uncertainties(tmp_path: Path) -> None:
    """Limits of error are divided by the square root of 3 (JCGM 100:2008, 4.3.7); worked by hand."""
    text = spoil(RIG, '"meter-pt100"', '"meter-pt100"\naccuracy_K = 0.6\nnoise_K = 0.02')
    text = spoil(
        text,
        "[oven]",
        "[meter.accuracy]\nreading_rel = 1e-3\nrange_rel = 1e-4\noffset_ohm = 0.02\nvolts_rel = 3e-3\n"
        "[supply.accuracy]\ncurrent_rel = 2e-3\ncurrent_offset_A = 4e-3\n[oven]",
    )
    accuracy = rig(tmp_path, text).value.accuracy(current_A=2.0)
    assert accuracy.gain_rel == pytest.approx(1e-3 / sqrt(3))
    assert accuracy.offset_ohm == pytest.approx(0.03 / sqrt(3))
    assert accuracy.probe_K == pytest.approx(0.6 / sqrt(3))
    assert accuracy.probe_noise_K == 0.02
    assert accuracy.vi_gain_rel == pytest.approx(5e-3 / sqrt(3))


def test_a_date_may_be_written_as_date_or_text(tmp_path: Path) -> None:
    """A calibration date is a TOML date or the same in quotes."""
    for written in ("2025-05-12", '"2025-05-12"'):
        oven = rig(tmp_path, spoil(RIG, "baud = 19200", f"calibrated = {written}")).value.oven
        assert oven is not None
        assert oven.calibrated == date(2025, 5, 12)


def test_a_fault_script_beside_the_rig_file_comes_first(tmp_path: Path) -> None:
    """The script is looked for beside the rig file, then among ours; an unknown one is refused by line."""
    loaded = rig(tmp_path, SIMULATED)
    assert fault_script(loaded) == builtin("fault_scripts", "groomer_faults")
    (tmp_path / "groomer_faults.toml").write_text("")
    assert fault_script(loaded) == tmp_path / "groomer_faults.toml"
    with pytest.raises(
        InputError, match=r"rig\.toml:\d+: key 'simulation\.fault_script': is 'none\.toml': neither"
    ):
        fault_script(rig(tmp_path, spoil(SIMULATED, '"groomer_faults.toml"', '"none.toml"')))
    with pytest.raises(InputError, match="key 'simulation': is missing"):
        fault_script(rig(tmp_path))


def test_built_in_files_are_found_by_name() -> None:
    """A name with or without its ending finds the file; an unknown one is told what there is."""
    assert builtin("rigs", "simulated") == builtin("rigs", "simulated.toml") == names("rigs")["simulated"]
    assert {"groomer_faults", "groomer_healthy"} <= set(names("fault_scripts"))
    for wrong in ("simulatd", "../rigs/simulated", "", "a\0b"):
        with pytest.raises(InputError, match="expected one of example_hand, example_lan, simulated"):
            builtin("rigs", wrong)


@pytest.mark.parametrize(
    "told",
    [
        "A = 2.108508173e-3, B = 7.979204727e-5, C = 6.535076315e-7",
        "points = [[5, 25000], [25, 10000], [45, 4000]]",
        "r25_ohm = 10000, beta_K = 3950",
    ],
)
def test_a_thermistor_is_told_in_the_way_its_data_sheet_does(tmp_path: Path, told: str) -> None:
    """By coefficients, by three points or by beta: each reads 10 kohm as 25 degC."""
    loaded = rig(tmp_path, RIG.replace('"meter-pt100"', f'"meter-ntc"\nntc = {{ {told} }}'))
    assert loaded.value.probe.ntc is not None
    law = loaded.value.probe.ntc.law()
    assert law is not None
    assert law.temperature_degC(10_000.0) == pytest.approx(25.0, abs=1e-3)


def test_a_thermometer_has_channels_of_its_own(tmp_path: Path) -> None:
    """Numbers or letters, one a coil or one for all; a coil without one is named, and a sensor on a meter."""
    instrument = 'kind = "instrument"\nresource = "TCPIP::192.0.2.12::5025::SOCKET"\n'
    text = spoil(RIG, 'kind = "meter-pt100"\n', instrument)
    for channels, expected in (('"A"', "A"), ("3", 3), ('{ Y1 = "A", "Y 2" = 7 }', {"Y1": "A", "Y 2": 7})):
        assert rig(
            tmp_path, spoil(text, instrument, f"{instrument}channels = {channels}\n")
        ).value.probe.channels == (expected)
    with pytest.raises(InputError) as caught:
        rig(tmp_path, spoil(text, instrument, instrument + 'channels = { Y1 = "A" }\n'))
    assert "key 'probe.channels': has no channel for Y 2" in said(caught)
    with pytest.raises(InputError) as caught:
        rig(tmp_path, spoil(RIG, 'kind = "meter-pt100"\n', 'kind = "meter-pt100"\nchannels = 1\n'))
    assert "a probe of kind 'meter-pt100' has none" in said(caught)
