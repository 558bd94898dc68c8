"""The simulated bench served over real wires on this machine, and the rig file that reaches it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from rich.console import Console

from daq.clock import RealClock, ScaledClock
from daq.config.builtin import builtin, find
from daq.config.rig import PRACTICE_MARK
from daq.config.toml import MAX_BYTES
from daq.errors import InputError
from daq.plain_file import read_plain
from daq.sim.bench import SimBench, build
from daq.sim.server import serve

RIG_FILE = "practice-rig.toml"
#: Over which wire each simulated instrument is served.
TCP, SERIAL = ("supply", "switch", "oven", "thermometer"), ("meter",)


def serve_practice(out: Path, script: Path | None, seed: int | None, scale: float, console: Console) -> None:
    """Serve until Ctrl-C.

    Raises:
        InputError: A file is wrong, or *out* holds a rig file that is not ours.
    """
    with practice_bench(out, script, seed, scale) as (_, rig_file):
        console.print("practice bench is up: invented coils, nothing is hot", highlight=False)
        console.print(f"try: coilsoak check --rig {rig_file}", highlight=False, markup=False, soft_wrap=True)
        console.print(f"     coilsoak soak --rig {rig_file}", highlight=False, markup=False, soft_wrap=True)
        console.print(f"time runs {scale:g} times as fast; end it with Ctrl-C", highlight=False)
        clock = RealClock()
        while True:
            clock.sleep(3600.0)


@contextmanager
def practice_bench(
    out: Path, script: Path | None = None, seed: int | None = None, scale: float = 60.0
) -> Iterator[tuple[SimBench, Path]]:
    """Serve a simulated bench while the block runs; give the bench and the rig file that reaches it.

    The rig file is removed with the bench.
    """
    path = (
        builtin("fault_scripts", "groomer_faults") if script is None else find("fault_scripts", str(script))
    )
    bench = build(path, clock=ScaledClock(scale), seed=seed)
    tcp = [name for name in TCP if name in bench.peers]
    with serve(bench.peers, tcp=tcp, serial=SERIAL) as resources:
        rig_file = out / RIG_FILE
        _write(rig_file, PRACTICE_MARK + rig_text(resources, scale))
        try:
            yield bench, rig_file
        finally:
            rig_file.unlink(missing_ok=True)


def rig_text(resources: Mapping[str, str], scale: float) -> str:
    """Return the simulated rig file with the addresses of *resources* in place of its own."""
    text = builtin("rigs", "simulated").read_text(encoding="utf-8")
    text = re.sub(r"^\[simulation\]\n(?:[^\[\n].*\n|\n)*", "", text, flags=re.MULTILINE)
    text = re.sub(r"^name = .*$", 'name = "practice bench (invented)"', text, count=1, flags=re.MULTILINE)
    text = re.sub(r"^# time_scale = .*$", f"time_scale = {scale!r}", text, count=1, flags=re.MULTILINE)
    for name, resource in resources.items():
        text = text.replace(f'resource = "sim:{name}"', f'resource = "{resource}"')
    return text


def _write(path: Path, text: str) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and not read_plain(path, MAX_BYTES).startswith(PRACTICE_MARK.encode()):
            raise InputError(
                f"{path}: is not a practice rig file, so it is not replaced; choose another --out"
            )
        path.write_text(text, encoding="utf-8")
    except OSError as exc:
        raise InputError(f"{path}: cannot be written ({exc.strerror}); choose another --out") from exc
