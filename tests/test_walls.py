"""The walls between rooms: who may import what, read from the sources themselves."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SOURCES = sorted([*(ROOT / "daq").rglob("*.py"), *(ROOT / "analysis").rglob("*.py")])


def module_name(path: Path) -> str:
    """Return the dotted name of a source file."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(path: Path) -> Iterator[str]:
    """Yield every module that *path* imports anywhere, function bodies included, as full dotted names."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative imports hide what they reach"
            assert node.module is not None
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def within(name: str, rooms: tuple[str, ...]) -> bool:
    """Whether *name* is one of *rooms* or lies in one."""
    return any(name == room or name.startswith(room + ".") for room in rooms)


#: (who, must not import, except these rooms)
WALLS = [
    ("analysis", ("daq",), ()),
    ("daq", ("pyvisa", "pyvisa_py", "serial"), ("daq.links",)),
    ("analysis", ("pyvisa", "pyvisa_py", "serial", "socket", "pty", "time"), ()),
    ("daq", ("socket", "pty", "tty", "socketserver"), ("daq.links", "daq.sim")),
    ("daq.sim", ("daq.scpi", "daq.dialect", "daq.conversation", "daq.instruments", "analysis"), ()),
    ("daq", ("time",), ("daq.clock",)),
    ("daq", ("tests",), ()),
    ("analysis", ("tests",), ()),
    *(
        (procedure, ("daq.links", "daq.sim", "daq.scpi", "daq.dialect", "daq.assembly"), ())
        for procedure in (
            "daq.sweep",
            "daq.soak",
            "daq.soak_oven",
            "daq.soak_supply",
            "daq.soak_hand",
            "daq.procedure",
        )
    ),
]


@pytest.mark.parametrize(("who", "forbidden", "exempt"), WALLS, ids=lambda value: str(value)[:40])
def test_no_room_reaches_through_a_wall(
    who: str, forbidden: tuple[str, ...], exempt: tuple[str, ...]
) -> None:
    """Each wall holds for every source file on its side."""
    rooms = [
        path
        for path in SOURCES
        if within(module_name(path), (who,)) and not within(module_name(path), exempt)
    ]
    assert rooms, f"no source file in {who}: the wall stands in a field"
    through = {
        f"{module_name(path)} imports {name}"
        for path in rooms
        for name in imports(path)
        if within(name, forbidden)
    }
    assert not through


def test_only_the_clock_asks_for_the_date() -> None:
    """datetime.now, utcnow and today appear in daq/clock.py alone."""
    asking = {
        module_name(path)
        for path in SOURCES
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute)
        and node.attr in {"now", "utcnow", "today"}
        and isinstance(node.value, ast.Name)
        and node.value.id in {"datetime", "date", "dt"}
    }
    assert asking == {"daq.clock"}


@pytest.mark.slow
def test_help_loads_nothing_heavy() -> None:
    """``coilsoak --help`` comes without scipy, matplotlib, numpy, typst, pyvisa or even click."""
    code = (
        "import sys; sys.argv = ['coilsoak', '--help']\n"
        "from daq.cli import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "heavy = {'scipy', 'matplotlib', 'pyvisa', 'numpy', 'typst', 'serial', 'rich', 'click'}\n"
        "heavy &= set(sys.modules)\n"
        "sys.exit(','.join(sorted(heavy)) or 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.stderr == ""
    assert done.returncode == 0


@pytest.mark.slow
def test_importing_every_module_does_no_io() -> None:
    """Importing all modules opens no file for writing, no socket, and prints nothing."""
    names = [module_name(path) for path in SOURCES if path.name != "__main__.py"]
    code = (
        "import sys, importlib\n"
        "bad = []\n"
        "def hook(event, args):\n"
        "    if event in ('socket.bind', 'socket.connect', 'subprocess.Popen', 'os.mkdir'):\n"
        "        bad.append((event, str(args)))\n"
        "import matplotlib.figure, pyvisa, scipy.stats\n"  # other people's imports are not on trial
        "sys.addaudithook(hook)\n"
        f"[importlib.import_module(name) for name in {names!r}]\n"
        "sys.exit(str(bad) if bad else 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.stdout, done.stderr, done.returncode) == ("", "", 0)
