"""The program without what only POSIX has. It stands in for Windows and macOS, on which nothing was tried."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from daq import system
from daq.commands import COMMANDS
from daq.errors import LinkBusyError
from daq.links.portlock import PortLock
from daq.screen import keyboard
from tests.test_walls import ROOT, imports_of, shortest

#: Modules of the standard library that a system other than POSIX lacks.
POSIX_ONLY = ("fcntl", "termios", "tty", "pty", "pwd", "grp", "resource")
#: And what its `os`, `signal` and `select` lack.
LACKING = {
    "os": ("fork", "forkpty", "getuid", "geteuid", "getppid", "killpg", "openpty", "mkfifo", "O_NOFOLLOW"),
    "signal": ("SIGHUP", "SIGQUIT", "SIGKILL", "SIGALRM"),
    "select": ("poll", "epoll"),
}
#: Other people's libraries choose by the system themselves: they are loaded before anything is taken away.
_WITHOUT = """
import importlib, json, sys
import click, cryptography.fernet, matplotlib.figure, multiprocessing.connection, PIL.Image, platformdirs
import psutil, pyhanko.sign, pyvisa, pyvisa_py, rich.console, scipy.stats, serial.tools.list_ports, typst
import zeroconf
absent = {absent!r}
for name in absent:
    sys.modules[name] = None  # as if it were not installed
for module, names in {lacking!r}.items():
    for name in names:
        vars(importlib.import_module(module)).pop(name, None)
"""
_IMPORT_ALL = """
failed = {}
for name in json.loads(sys.stdin.read()):
    try:
        importlib.import_module(name)
    except Exception as exc:
        failed[name] = f"{type(exc).__name__}: {exc}"
print(json.dumps(failed))
"""


def without(code: str, given: str = "") -> str:
    """Run *code* in a process of its own that lacks what only POSIX has; return what it prints."""
    head = _WITHOUT.format(absent=POSIX_ONLY, lacking=LACKING)
    done = subprocess.run(
        [sys.executable, "-c", head + code],
        input=given,
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.stderr, done.returncode) == ("", 0)
    return done.stdout


@pytest.fixture(scope="module")
def failed() -> dict[str, str]:
    """The modules of ours that cannot be imported there, and why."""
    modules = [name for name in imports_of(ROOT) if name != "daq.__main__"]
    return dict(json.loads(without(_IMPORT_ALL, json.dumps(modules))))


@pytest.mark.slow
@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_needs_nothing_that_only_posix_has(command: str, failed: dict[str, str]) -> None:
    """Each module that a command imports, at once or later, comes in where POSIX's own modules are absent."""
    module = f"daq.commands.{command}" if command != "try" else "daq.commands.try_"
    needed = shortest(imports_of(ROOT), module)
    assert len(needed) > 5
    assert {name: why for name, why in failed.items() if name in needed} == {}


@pytest.mark.slow
def test_the_simulated_bench_is_served_there_over_tcp() -> None:
    """Without poll, pipes to wait on and pseudo-terminals an instrument still answers on its port."""
    code = """
import socket
from daq.errors import InputError
from daq.sim.server import serve

class Echo:
    def feed(self, line):
        return line

with serve({"meter": Echo()}, tcp=["meter"]) as resources:
    port = int(resources["meter"].split("::")[2])
    with socket.create_connection(("127.0.0.1", port), 5) as there:
        there.sendall(b"who?\\n")
        print(there.recv(100))
try:
    with serve({"meter": Echo()}, serial=["meter"]):
        pass
except InputError as exc:
    print(exc)
""".replace("\\\\n", "\\n")
    echoed, refused = without(code).splitlines()
    assert echoed == repr(b"who?\n")
    assert refused == "meter: this system has no pseudo-serial ports to serve it on"


class FakeConsole:
    """What Windows's msvcrt module gives, as its documentation has it."""

    LK_LOCK, LK_NBLCK = 1, 2

    def __init__(self, keys: str = "") -> None:
        self.keys = list(keys)
        self.locked: list[tuple[int, int, int]] = []

    def kbhit(self) -> bool:
        return bool(self.keys)

    def getwch(self) -> str:
        return self.keys.pop(0)

    def locking(self, descriptor: int, how: int, size: int) -> None:
        at = os.lseek(descriptor, 0, os.SEEK_CUR)
        if self.locked and how == self.LK_NBLCK:
            raise PermissionError(13, "Permission denied")
        self.locked.append((how, size, at))


@pytest.fixture
def windows(monkeypatch: pytest.MonkeyPatch) -> FakeConsole:
    """The platform's modules as Windows has them."""
    console = FakeConsole()
    monkeypatch.setattr(system, "fcntl", None)
    monkeypatch.setattr(system, "termios", None)
    monkeypatch.setattr(system, "msvcrt", console)
    return console


def test_keys_of_a_windows_console(windows: FakeConsole) -> None:
    """Letters come one by one, an arrow key counts as escape, Enter as a line's end, Ctrl-C stops."""
    windows.keys = list("7\xe0H\r\x03")
    with keyboard.terminal_keys() as keys:
        assert [keys.pressed() for _ in range(3)] == ["7", "\x1b", "\n"]
        with pytest.raises(KeyboardInterrupt):
            keys.pressed()
        assert not keys.pressed()


def test_a_port_has_one_owner_on_windows_too(
    windows: FakeConsole, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The lock is asked for without waiting, on a byte nobody reads; who comes second hears who has it."""
    monkeypatch.setattr("daq.links.portlock.tempfile.gettempdir", lambda: str(tmp_path))
    monkeypatch.setattr(system, "user_name", lambda: "")
    lock = PortLock("TCPIP0::HOST::5025::SOCKET")
    assert windows.locked == [(FakeConsole.LK_NBLCK, 1, 1 << 30)]
    with pytest.raises(LinkBusyError, match=f"in use by process {os.getpid()}; end that first"):
        PortLock("TCPIP0::HOST::5025::SOCKET")
    lock.release()
