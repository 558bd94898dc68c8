"""The files that every run starts from, read and checked, each alone and one against the other."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import msgspec

from daq.config import coil_set_rules, rig_rules
from daq.config.address import complete
from daq.config.builtin import builtin, find, names
from daq.config.coil_set import CoilSet, Heat
from daq.config.rig import PRACTICE_MARK, Rig
from daq.config.toml import Loaded, load

DEFAULT_RIG = "simulated"
DEFAULT_SET = "snow_groomer"


def load_inputs(
    rig: Path | None, coil_set: Path | None, heat: Heat | None = None
) -> tuple[Loaded[Rig], Loaded[CoilSet]]:
    """Read both files, let *heat* stand before the set's own, and check one against the other.

    Raises:
        InputError: One line with file, line and key.
    """
    rig_file = load_rig(builtin("rigs", DEFAULT_RIG) if rig is None else find("rigs", str(rig)))
    set_path = builtin("coil_sets", DEFAULT_SET) if coil_set is None else find("coil_sets", str(coil_set))
    set_file = load_coil_set(set_path)
    if heat is not None:
        set_file = replace(set_file, value=msgspec.structs.replace(set_file.value, heat=heat))
    coil_set_rules.check_against(set_file, rig_file)
    return rig_file, set_file


def load_rig(path: Path) -> Loaded[Rig]:
    """Read and check the rig file at *path*.

    Raises:
        InputError: One line with file, line and key.
    """
    loaded = load(path, Rig)
    loaded = replace(loaded, value=_with_addresses(loaded.value))
    rig_rules.check(loaded)
    return loaded


def _with_addresses(rig: Rig) -> Rig:
    """Return *rig* with each address in the form that links take."""
    completed = {
        role: msgspec.structs.replace(instrument, resource=complete(instrument.resource))
        for role, instrument in rig.instruments().items()
    }
    return msgspec.structs.replace(rig, **completed)


def load_coil_set(path: Path, *, of_run: bool = False) -> Loaded[CoilSet]:
    """Read and check the coil-set file at *path*; *of_run*: the copy in a run folder, which is no link.

    Raises:
        InputError: One line with file, line and key.
    """
    loaded = load(path, CoilSet, of_run=of_run)
    coil_set_rules.check(loaded)
    return loaded


def is_practice(rig: Loaded[Rig]) -> bool:
    """Whether nothing real can get hot: the simulated bench in the program, or one served on this machine."""
    if rig.value.simulated or rig.value.time_scale != 1.0:
        return True
    return rig.text.startswith(PRACTICE_MARK) and rig_rules.on_this_machine(rig.value)


def fault_script(rig: Loaded[Rig]) -> Path:
    """Return the fault script of a simulated rig: a file beside the rig file, else a built-in one.

    Raises:
        InputError: The rig is not simulated, or there is no such script.
    """
    simulation = rig.value.simulation
    if simulation is None:
        raise rig.error("simulation", "is missing, expected a table with fault_script")
    beside = rig.path.parent / simulation.fault_script
    with suppress(OSError, ValueError):  # a name that no file system takes
        if beside.is_file():
            return beside
    known = names("fault_scripts")
    if simulation.fault_script.removesuffix(".toml") in known:
        return builtin("fault_scripts", simulation.fault_script)
    listed = ", ".join(sorted(known))
    message = f"is {simulation.fault_script!r}: neither a file beside this one nor one of {listed}"
    raise rig.error("simulation.fault_script", message)
