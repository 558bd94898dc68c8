"""The walls between rooms: one table of who may import whom, held against the sources themselves.

Imports within functions and for type checkers alone count as all others do.
"""

from __future__ import annotations

import ast
import subprocess
import sys
from collections import deque
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest

ROOT = Path(__file__).parents[1]
#: What may be imported of a module by others, and by whom: tests too leave private names alone.
TREES = ("analysis", "daq", "tests", "sample_runs")

Graph = Mapping[str, Mapping[str, str]]


class Room(NamedTuple):
    """A row of the table: *imports* are the rooms that its files may name, *never* what no chain leads to.

    A room is a folder with all below it that is no row of its own, or a single module.
    """

    imports: str = ""
    never: str = ""


#: From the bottom to the top: a row names only rows above it. A new module has to choose a room.
ROOMS = {
    "analysis": Room(),
    "analysis.arrays": Room(),
    "analysis.words": Room(),
    "analysis.rounding": Room("words"),
    "analysis.statistics": Room("arrays", never="words"),
    "analysis.physics": Room("arrays", never="words"),
    "analysis.model": Room("arrays statistics", never="words"),
    "analysis.thermal": Room("arrays statistics", never="words"),
    "analysis.trace": Room("arrays words rounding statistics physics model thermal"),
    "analysis.judge.rules": Room("words rounding statistics physics model trace"),
    "analysis.judge.checks": Room("arrays words rounding statistics physics model trace judge.rules"),
    "analysis.judge": Room("words statistics model trace judge.rules judge.checks"),
    "analysis.history": Room("words rounding statistics physics model trace", never="judge"),
    "analysis.figures": Room("arrays words physics model history", never="judge"),
    "analysis.paper": Room("words statistics model history figures", never="judge"),
    "daq": Room(),
    "daq.errors": Room(),
    "daq.system": Room(),
    "daq.clock": Room(),
    "daq.signals": Room("clock"),
    "daq.plain_file": Room("errors"),
    "daq.durable_file": Room("errors clock"),
    "daq.streams": Room("errors"),
    "daq.tables": Room("streams"),
    "daq.config.toml_lines": Room(),
    "daq.config.toml": Room("errors plain_file config.toml_lines"),
    "daq.config": Room("errors config.toml config.toml_lines analysis.physics analysis.model"),
    "daq.links.base": Room(),
    "daq.links.settings": Room(),
    "daq.links": Room("system errors clock links.base links.settings", never="analysis"),
    "daq.instruments": Room("analysis.model", never="links config"),
    "daq.instruments.dialects": Room("errors config.toml links.settings instruments", never="links.visa"),
    "daq.instruments.talk": Room(
        "errors clock links.base links.settings instruments instruments.dialects analysis.words",
        never="links.visa",
    ),
    "daq.instruments.drivers": Room(
        "errors instruments instruments.talk analysis.model", never="links.visa config.rig"
    ),
    "daq.sim": Room(
        "system errors clock config.toml config.toml_lines links.base",
        never="instruments analysis links.visa",
    ),
    "daq.record": Room(
        "system errors clock plain_file durable_file analysis.arrays analysis.words analysis.model"
        " analysis.trace analysis.history",
        never="config bench analysis.judge",
    ),
    "daq.bench.guard": Room(
        "errors clock signals config instruments analysis.model analysis.words",
        never="links sim record instruments.talk",
    ),
    "daq.bench": Room(
        "errors clock instruments bench.guard analysis.model analysis.trace",
        never="links sim record instruments.talk instruments.drivers",
    ),
    "daq.bench.opening": Room(
        "errors clock config config.toml links links.base links.settings instruments instruments.dialects"
        " instruments.talk",
        never="sim",
    ),
    "daq.bench.watchdog": Room(
        "errors clock signals durable_file streams config config.toml links links.base instruments"
        " instruments.dialects instruments.talk instruments.drivers record bench bench.guard bench.opening",
        never="sim procedures",
    ),
    "daq.bench.assembly": Room(
        "errors clock signals config config.toml links links.base links.settings instruments instruments.talk"
        " instruments.drivers sim bench bench.guard bench.opening bench.watchdog analysis.physics",
        never="procedures",
    ),
    "daq.bench.tryout": Room(
        "errors config config.toml instruments instruments.talk bench.assembly", never="procedures"
    ),
    "daq.procedures": Room(
        "errors config instruments record bench bench.guard analysis.words analysis.statistics"
        " analysis.physics analysis.model analysis.trace",
        never="links instruments.talk instruments.dialects instruments.drivers sim bench.opening"
        " bench.assembly bench.watchdog screen analysis.judge",
    ),
    "daq.screen": Room(
        "system errors clock signals streams tables instruments record bench procedures analysis.words",
        never="links instruments.talk sim bench.assembly archive",
    ),
    "daq.archive": Room(
        "daq errors clock plain_file durable_file streams tables config config.toml config.toml_lines record"
        " analysis.arrays analysis.words analysis.rounding analysis.statistics analysis.model analysis.trace"
        " analysis.judge analysis.history analysis.figures analysis.paper",
        never="bench procedures instruments links sim screen",
    ),
    "daq.run": Room(
        "daq errors clock signals plain_file tables config config.toml instruments sim record bench"
        " bench.guard bench.assembly bench.tryout bench.watchdog procedures screen archive analysis.words"
        " analysis.model analysis.trace"
    ),
    "daq.setup": Room(
        "errors clock signals plain_file streams tables config config.toml config.toml_lines links links.base"
        " links.settings instruments.dialects instruments.talk screen run analysis.physics analysis.trace"
    ),
    "daq.commands": Room("daq errors signals streams tables record archive run setup analysis.history"),
    "daq.cli": Room("errors streams commands"),
    "daq.__main__": Room("cli"),
}

#: What is imported from outside in some rooms alone.
LIBRARIES = {
    "pyvisa": "daq.links",
    "pyvisa_py": "daq.links",
    "serial": "daq.links",
    "zeroconf": "daq.links",
    "psutil": "daq.links",
    "socket": "daq.links daq.sim",
    "socketserver": "daq.links daq.sim",
    **dict.fromkeys(("fcntl", "termios", "msvcrt", "pty", "tty", "pwd", "grp", "resource"), "daq.system"),
    "time": "daq.clock",
    "tests": "",
}


def name_of(path: Path, root: Path) -> str:
    """Return the dotted name of a source file."""
    parts = path.relative_to(root).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def sources(root: Path, *trees: str) -> dict[str, Path]:
    """Return the files of *trees* by their dotted names."""
    return {name_of(path, root): path for tree in trees for path in sorted((root / tree).rglob("*.py"))}


class Seen(NamedTuple):
    """What one file tells, with lines: imports in full and as it calls them, and attributes of names."""

    imports: tuple[tuple[str, str, int], ...]
    attributes: tuple[tuple[str, str, int], ...]


@cache
def seen(path: Path) -> Seen:
    """Read the file at *path*, once."""
    imports, attributes = [], []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            imports += [(alias.name, alias.asname or alias.name, node.lineno) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            module = "." * node.level + (node.module or "")
            imports += [
                (f"{module}.{alias.name}", alias.asname or alias.name, node.lineno) for alias in node.names
            ]
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name | ast.Attribute):
            attributes.append((ast.unparse(node.value), node.attr, node.lineno))
    return Seen(tuple(imports), tuple(attributes))


def imports_of(root: Path) -> Graph:
    """Return for each module the modules of ours that it imports, and where."""
    modules = sources(root, "analysis", "daq")
    graph: dict[str, dict[str, str]] = {}
    for module, path in modules.items():
        graph[module] = {}
        for name, _, line in seen(path).imports:
            assert not name.startswith("."), f"{path}:{line}: relative imports hide what they reach"
            target = name if name in modules else name.rpartition(".")[0]
            if target in modules and target != module:
                graph[module].setdefault(target, f"{path.relative_to(root)}:{line}")
    return graph


def within(name: str, room: str) -> bool:
    """Whether the module *name* is *room* or lies in it."""
    return name == room or name.startswith(room + ".")


def room_of(module: str, rooms: Mapping[str, Room]) -> str | None:
    """Return the innermost room of *module*; the trees themselves hold nothing but their own ``__init__``."""
    own = [room for room in rooms if within(module, room) and ("." in room or room == module)]
    return max(own, key=len, default=None)


def full(names: str, room: str) -> tuple[str, ...]:
    """Return the rooms in *names*, which leave out the tree of *room*."""
    tree = room.partition(".")[0]
    whole = ("analysis", "daq", "analysis.", "daq.")
    return tuple(name if name.startswith(whole) else f"{tree}.{name}" for name in names.split())


def homeless(graph: Graph, rooms: Mapping[str, Room]) -> list[str]:
    """Return the modules that are in no room."""
    return [f"{module} is in no room" for module in graph if room_of(module, rooms) is None]


def through_walls(graph: Graph, rooms: Mapping[str, Room]) -> list[str]:
    """Return the imports of rooms that the table does not name."""
    found = []
    for module, targets in graph.items():
        room = room_of(module, rooms)
        allowed = () if room is None else (room, *full(rooms[room].imports, room))
        for target, where in targets.items():
            if room_of(target, rooms) not in allowed:
                found.append(f"{where}: {module} imports {target}: {room} may not")
    return found


def shortest(graph: Graph, start: str) -> dict[str, list[str]]:
    """Return for each module that *start* reaches the shortest chain to it."""
    chains, waiting = {start: [start]}, deque([start])
    while waiting:
        module = waiting.popleft()
        for target in graph[module]:
            if target not in chains:
                chains[target] = [*chains[module], target]
                waiting.append(target)
    return chains


def out_of_bounds(graph: Graph, rooms: Mapping[str, Room]) -> list[str]:
    """Return the chains of imports that lead where a room must never get."""
    found = []
    for module in graph:
        room = room_of(module, rooms)
        never = () if room is None else full(rooms[room].never, room)
        if not never:
            continue
        for target, chain in shortest(graph, module).items():
            if any(within(target, far) for far in never):
                found.append(f"{room} reaches {target}: {' -> '.join(chain)} ({graph[chain[-2]][target]})")
    return found


def circles(graph: Graph) -> list[str]:
    """Return modules that import each other, along the shortest way round for each."""
    found = {}
    for module, targets in graph.items():
        for target in targets:
            if module in (chains := shortest(graph, target)):
                way = chains[module]
                found.setdefault(frozenset(way), " -> ".join([module, *way]))
    return list(found.values())


def private(name: str) -> bool:
    """Whether *name* is a module's own."""
    return name.startswith("_") and not name.startswith("__")


def borrowed(root: Path, *trees: str) -> list[str]:
    """Return where a name with a leading underscore is taken from another module."""
    modules = sources(root, *trees)
    found = []
    for path in modules.values():
        where = path.relative_to(root)
        imports, attributes = seen(path)
        known = {called for name, called, _ in imports if name in modules}
        found += [f"{where}:{line}: {name}" for name, _, line in imports if private(name.rpartition(".")[2])]
        found += [
            f"{where}:{line}: {of}.{name}" for of, name, line in attributes if private(name) and of in known
        ]
    return found


@pytest.fixture(scope="module")
def graph() -> Graph:
    """Who imports whom."""
    return imports_of(ROOT)


def test_every_module_has_chosen_a_room(graph: Graph) -> None:
    """A module that lies beside the rooms, or in a folder that is none, has no place in the table."""
    assert len(graph) > 200
    assert homeless(graph, ROOMS) == []


def test_the_table_goes_from_the_bottom_to_the_top() -> None:
    """A row names rows above it alone, so rooms cannot be in a circle."""
    above: list[str] = []
    for room, row in ROOMS.items():
        assert not set(full(row.imports, room)) - set(above), room
        above.append(room)


def test_a_room_imports_what_the_table_says(graph: Graph) -> None:
    """No file imports of a room that the row of its own room does not name."""
    assert through_walls(graph, ROOMS) == []


def test_nothing_in_the_table_is_more_than_is_needed(graph: Graph) -> None:
    """Each room that a row names is imported by some file of that row: a door that nobody uses is shut."""
    used = {(room_of(module, ROOMS), room_of(target, ROOMS)) for module in graph for target in graph[module]}
    allowed = {(room, each) for room, row in ROOMS.items() for each in full(row.imports, room)}
    assert allowed - used == set()


def test_no_chain_leads_where_a_room_must_not_get(graph: Graph) -> None:
    """Nor by way of others does a room reach what its row forbids."""
    assert out_of_bounds(graph, ROOMS) == []


def test_no_two_modules_lean_on_each_other(graph: Graph) -> None:
    """There is no circle of imports, within a room or across."""
    assert circles(graph) == []


def test_analysis_knows_nothing_of_daq(graph: Graph) -> None:
    """Whatever stands in the table: computation imports nothing that touches a bench."""
    assert [
        where
        for module in graph
        for target, where in graph[module].items()
        if within(module, "analysis") and within(target, "daq")
    ] == []


@pytest.mark.slow
def test_private_names_stay_at_home() -> None:
    """No module, and no test, takes a name with a leading underscore from another module."""
    assert borrowed(ROOT, *TREES) == []


def test_libraries_stay_in_their_rooms() -> None:
    """Wires, sockets, terminals and time are known where the table of libraries says, and nowhere else."""
    found = [
        f"{path.relative_to(ROOT)}:{line}: {name}"
        for module, path in sources(ROOT, "analysis", "daq").items()
        for name, _, line in seen(path).imports
        for library, rooms in LIBRARIES.items()
        if within(name, library) and not any(within(module, room) for room in rooms.split())
    ]
    assert found == []


def test_the_door_of_a_room_is_light() -> None:
    """A room introduces itself and imports nothing as it is entered; the catalogue of words is a module."""
    doors = [path for path in sources(ROOT, "analysis", "daq").values() if path.name == "__init__.py"]
    doors.remove(ROOT / "analysis" / "words" / "__init__.py")
    assert len(doors) > 20
    for door in doors:
        assert {name for name, _, _ in seen(door).imports} <= {"__future__.annotations"}, door
        assert ast.get_docstring(ast.parse(door.read_text(encoding="utf-8"))), door


def test_the_first_level_is_short() -> None:
    """Whoever opens a tree sees at most twelve modules and folders of daq each, five and ten of analysis."""
    for tree, modules, folders in (("daq", 12, 12), ("analysis", 5, 10)):
        names = [name for name in sources(ROOT, tree) if name.count(".") == 1]
        packages = {name for name in names if (ROOT / name.replace(".", "/")).is_dir()}
        assert len(names) - len(packages) <= modules
        assert len(packages) <= folders


def test_only_the_clock_asks_for_the_date() -> None:
    """datetime.now, utcnow and today appear in daq/clock.py alone."""
    asking = {
        module
        for module, path in sources(ROOT, "analysis", "daq").items()
        for of, name, _ in seen(path).attributes
        if of.rpartition(".")[2] in {"datetime", "date", "dt"} and name in {"now", "utcnow", "today"}
    }
    assert asking == {"daq.clock"}


#: A house of four rooms, in which nothing is wrong.
HOUSE = {
    "daq.wires": Room(),
    "daq.bench.opening": Room("wires"),
    "daq.bench": Room(),
    "daq.soak": Room("bench", never="wires"),
}
SOUND = {
    "daq/wires/visa.py": "",
    "daq/bench/opening.py": "from daq.wires import visa\n",
    "daq/bench/guard.py": "",
    "daq/soak/oven.py": "from daq.bench.guard import Guard\n",
}


def build(folder: Path, files: Mapping[str, str]) -> Path:
    """Write *files* below *folder*."""
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def complaints(root: Path) -> list[str]:
    """Return all that is wrong with the house at *root*."""
    graph = imports_of(root)
    return [
        *homeless(graph, HOUSE),
        *through_walls(graph, HOUSE),
        *out_of_bounds(graph, HOUSE),
        *circles(graph),
        *borrowed(root, "daq"),
    ]


def test_a_sound_house_is_not_complained_about(tmp_path: Path) -> None:
    """What the table allows is no complaint."""
    assert complaints(build(tmp_path, SOUND)) == []


@pytest.mark.parametrize(
    "text",
    [
        "import daq.wires.visa\n",
        "from daq.wires import visa\n",
        "from daq.wires.visa import Link\n",
        "def late() -> None:\n    import daq.wires.visa as wire\n",
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from daq.wires.visa import Link\n",
    ],
)
def test_a_planted_edge_is_found(tmp_path: Path, text: str) -> None:
    """However it is written and wherever it stands, an import through a wall is told with file and line."""
    line, chain = len(text.splitlines()), "daq.soak.oven -> daq.bench.guard -> daq.wires.visa"
    root = build(tmp_path, SOUND | {"daq/bench/guard.py": text})
    assert complaints(root) == [
        f"daq/bench/guard.py:{line}: daq.bench.guard imports daq.wires.visa: daq.bench may not",
        f"daq.soak reaches daq.wires.visa: {chain} (daq/bench/guard.py:{line})",
    ]


def test_a_planted_chain_is_found(tmp_path: Path) -> None:
    """Where each import by itself is allowed, the chain of them is told that leads too far."""
    root = build(tmp_path, SOUND | {"daq/bench/guard.py": "from daq.bench import opening\n"})
    chain = "daq.soak.oven -> daq.bench.guard -> daq.bench.opening -> daq.wires.visa"
    graph, doors = imports_of(root), HOUSE | {"daq.bench": Room("bench.opening")}
    assert through_walls(graph, doors) == []
    assert out_of_bounds(graph, doors) == [
        f"daq.soak reaches daq.wires.visa: {chain} (daq/bench/opening.py:1)"
    ]


@pytest.mark.parametrize("name", ["daq/helpers.py", "daq/misc/things.py"])
def test_an_unlisted_module_is_found(tmp_path: Path, name: str) -> None:
    """A module beside the rooms, or in a folder that nobody listed, has to choose one."""
    root = build(tmp_path, SOUND | {name: ""})
    assert complaints(root) == [f"{name[:-3].replace('/', '.')} is in no room"]


def test_a_planted_circle_is_found(tmp_path: Path) -> None:
    """Two modules of one room that import each other are told, whichever of the imports is a late one."""
    root = build(
        tmp_path,
        SOUND
        | {
            "daq/bench/guard.py": "from daq.bench.drive import Drive\n",
            "daq/bench/drive.py": "def late() -> None:\n    from daq.bench.guard import Guard\n",
        },
    )
    assert complaints(root) == ["daq.bench.drive -> daq.bench.guard -> daq.bench.drive"]


@pytest.mark.parametrize(
    "text",
    [
        "from daq.bench.guard import _hidden\n",
        "from daq.bench import guard\n\nguard._hidden()\n",
        "import daq.bench.guard as other\n\nother._hidden()\n",
        "import daq.bench.guard\n\ndaq.bench.guard._hidden()\n",
    ],
)
def test_a_borrowed_private_name_is_found(tmp_path: Path, text: str) -> None:
    """A private name is told, imported or reached through its module."""
    root = build(tmp_path, SOUND | {"daq/soak/oven.py": text})
    (found,) = complaints(root)
    assert found.startswith("daq/soak/oven.py:")
    assert found.endswith("_hidden")


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
    names = [name for name in sources(ROOT, "analysis", "daq") if name != "daq.__main__"]
    code = (
        "import sys, importlib\n"
        "bad = []\n"
        "def hook(event, args):\n"
        "    if event in ('socket.bind', 'socket.connect', 'subprocess.Popen', 'os.mkdir'):\n"
        "        bad.append((event, str(args)))\n"
        "import matplotlib.figure, pyvisa, pyvisa_py, scipy.stats\n"  # not on trial: other people's
        "sys.addaudithook(hook)\n"
        f"[importlib.import_module(name) for name in {names!r}]\n"
        "sys.exit(str(bad) if bad else 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.stdout, done.stderr, done.returncode) == ("", "", 0)
