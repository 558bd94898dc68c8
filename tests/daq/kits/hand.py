"""A sweep with the leads in a simulated hand, in virtual time, and a person who presses keys at moments."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from daq.config.builtin import builtin
from daq.procedures.sweep.leads import Shown
from daq.screen.hands_free import HandScreen
from tests.daq.kits.soak import Ran, run


class Person:
    """Screen, keyboard and ears of one person.

    Args:
        presses: Key and what the screen must say for it to be pressed, in this order.
    """

    def __init__(self, *presses: tuple[str, str]) -> None:
        self._presses = list(presses)
        self._fresh = False
        self.said: list[str] = []
        self.heard: list[tuple[str, int]] = []
        self.results: dict[str, Shown] = {}

    def due(self, coil: str, what: str, *, urgent: bool = False, value: str = "") -> None:
        """Remember what is shown."""
        self.said.append(f"{coil}: {what}")
        self._fresh = True

    def result(self, coil: str, read: Shown | None) -> None:
        """Remember what a coil read."""
        self.results.pop(coil, None)
        if read is not None:
            self.results[coil] = read

    def key(self) -> str:
        """Press the next key if what was just shown is what it waits for."""
        if self._fresh and self._presses and re.search(self._presses[0][1], self.said[-1]):
            self._fresh = False
            return self._presses.pop(0)[0]
        return ""

    def ring(self, times: int) -> None:
        """Remember for which coil the tone was."""
        self.heard.append((self.said[-1].split(":")[0], times))

    @property
    def pressed_all(self) -> bool:
        """Whether every key found its moment."""
        return not self._presses


def hand_rig(
    folder: Path, *changes: tuple[str, str], rig: tuple[tuple[str, str], ...] = (), pace: str = ""
) -> Path:
    """Write the rig file of the simulated hand, in virtual time without *pace*.

    *changes*, old text and new, are made to its fault script, *rig* to itself.
    """
    script = _changed(builtin("fault_scripts", "groomer_by_hand").read_text(encoding="utf-8"), changes)
    (folder / "script.toml").write_text(script, encoding="utf-8")
    own = (("pace = 1.0\n", pace), ('"groomer_by_hand.toml"', '"script.toml"'), *rig)
    path = folder / "rig.toml"
    path.write_text(
        _changed(builtin("rigs", "simulated_hand").read_text(encoding="utf-8"), own), encoding="utf-8"
    )
    return path


def _changed(text: str, changes: tuple[tuple[str, str], ...]) -> str:
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


def sweep_by_hand(folder: Path, rig: Path, person: Person | None = None, **asked: Any) -> Ran:
    """Sweep with the leads in a hand; without a *person* nobody looks or presses a key."""
    with pytest.MonkeyPatch.context() as patch:
        for name in ("due", "result", "ring", "key") if person is not None else ():
            patch.setattr(HandScreen, name, staticmethod(getattr(person, name)))
        return run(folder, kind="sweep", rig=rig, **asked)
