"""Writing the index of runs as partitioned Parquet, one row a coil a run: for more than one machine bears."""

from __future__ import annotations

import sqlite3
import uuid
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

from daq.durable_file import whole_folder
from daq.errors import InputError

#: So many rows are in memory at once, and in one file.
BATCH_ROWS, FILE_ROWS = 50_000, 500_000
#: Kinds times years of one export.
MAX_PARTITIONS = 10_000
#: Columns of an export with their types. *kind* and *year* are in the names of folders; *kind* is free of
#: case, *kind_name* as it was written. *identity* tells one coil from another, *run* is a folder below
#: the exported one, *number* a place in its result.
COLUMNS = {
    "run": "string",
    "start_utc": "timestamp[us]",
    "simulated": "bool",
    "procedure": "string",
    "stage": "string",
    "job": "string",
    "label": "string",
    "kind_name": "string",
    "serial": "string",
    "identity": "string",
    "verdict": "string",
    "r20_ohm": "double",
    "r20_U_ohm": "double",
    "number": "int16",
    "kind": "string",
    "year": "int16",
}
_ROWS = """
SELECT place, name, start, simulated, procedure, stage, job, label, kind, serial, identity, verdict, r20_ohm,
    r20_U_ohm, number, kind_key
FROM coil JOIN run ON run.id = coil.run WHERE start IS NOT NULL ORDER BY run, number
"""


def load_fleet(name: str) -> Any:
    """Return the module *name*, of the packages that only work on very many runs needs.

    Raises:
        InputError: It is not installed; the message says how to install it.
    """
    try:
        return import_module(name)
    except ImportError as exc:
        install = "pip install 'coilsoak[fleet]'"
        raise InputError(f"{name} is missing, which --export and --from need; install it: {install}") from exc


def write_export(index: sqlite3.Connection, folder: Path) -> int:
    """Write every coil of every run of *index* into the new folder *folder*, and return how many rows.

    Partitioned by folders ``kind=.../year=...``. Files of several exports have names of their own, so that
    several can be copied into one folder.

    Raises:
        InputError: The folder is there already or cannot be written, there is nothing to write, or pyarrow
            is not installed.
    """
    pa, dataset = load_fleet("pyarrow"), load_fleet("pyarrow.dataset")
    if folder.exists():
        raise InputError(f"--export {folder}: is there already and is not overwritten; choose another folder")
    (rows,) = index.execute(
        "SELECT COUNT(*) FROM coil JOIN run ON run.id = coil.run WHERE start IS NOT NULL"
    ).fetchone()
    if not rows:
        raise InputError(f"--export {folder}: no coil of any run was found, so there is nothing to write")
    schema = pa.schema([(name, pa.type_for_alias(alias)) for name, alias in COLUMNS.items()])
    try:
        with whole_folder(folder) as part:  # half an export would teach other limits
            dataset.write_dataset(
                _batches(index, pa, schema),
                part,
                schema=schema,
                format="parquet",
                partitioning=["kind", "year"],
                partitioning_flavor="hive",
                basename_template=f"{uuid.uuid4().hex[:12]}-{{i}}.parquet",
                max_rows_per_file=FILE_ROWS,
                max_rows_per_group=FILE_ROWS,
                max_partitions=MAX_PARTITIONS,
            )
    except OSError as exc:
        raise InputError(f"--export {folder}: cannot be written ({exc.strerror or exc})") from exc
    return int(rows)


def _batches(index: sqlite3.Connection, pa: Any, schema: Any) -> Iterator[Any]:
    cursor = index.execute(_ROWS)
    while rows := cursor.fetchmany(BATCH_ROWS):
        places, names, starts, simulated, *others = zip(*rows, strict=True)
        paths = zip(places, names, strict=True)
        columns = [
            [b"/".join(filter(None, path)).decode("utf-8", "backslashreplace") for path in paths],
            pa.array([start.removesuffix("+00:00") for start in starts]).cast(pa.timestamp("us")),
            [bool(each) for each in simulated],
            *others,
            [int(start[:4]) for start in starts],
        ]
        yield pa.record_batch(columns, schema=schema)
