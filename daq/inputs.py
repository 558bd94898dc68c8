"""The two files every run starts from, read and held against each other."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import msgspec

from daq.builtin import builtin, find
from daq.coilset import CoilSet, Heat, load_coil_set
from daq.coilsetcheck import check_against
from daq.rig import Rig, load_rig
from daq.tomlfile import Loaded

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
    check_against(set_file, rig_file)
    return rig_file, set_file
