"""The tables of the index of runs, and how one run is written into them."""

from __future__ import annotations

import sqlite3

from daq.archive.log.summary import CoilBrief, RunBrief

#: Version of the tables below, and the mark by which SQLite files of this kind are known ("coil").
VERSION, APPLICATION = 2, 0x636F696C
#: Columns named *_key* hold text free of case, to be searched; *identity* tells one coil from another.
_TABLES = """
CREATE TABLE IF NOT EXISTS place (path BLOB PRIMARY KEY, changed_ns INTEGER, problem TEXT) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS run (
    id INTEGER PRIMARY KEY, place BLOB, name BLOB, stamp INTEGER, start TEXT, procedure TEXT, stage TEXT,
    job TEXT, job_key TEXT, operator TEXT, simulated INTEGER, state TEXT, problem TEXT,
    UNIQUE (place, name)
);
CREATE INDEX IF NOT EXISTS run_by_job ON run (job_key);
CREATE INDEX IF NOT EXISTS run_by_start ON run (start);
CREATE INDEX IF NOT EXISTS run_by_stamp ON run (stamp) WHERE stamp IS NOT NULL;
CREATE TABLE IF NOT EXISTS coil (
    run INTEGER REFERENCES run ON DELETE CASCADE, number INTEGER, label TEXT, label_key TEXT, kind TEXT,
    kind_key TEXT, serial TEXT, serial_key TEXT, identity TEXT, verdict TEXT, r20_ohm REAL, r20_U_ohm REAL,
    PRIMARY KEY (run, number)
) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS coil_by_serial ON coil (serial_key);
"""
_MARKS = f"PRAGMA application_id = {APPLICATION}; PRAGMA user_version = {VERSION};"


class ForeignIndexError(Exception):
    """The file is of another program or version."""


def fold(text: str) -> str:
    """Return *text* as it is searched: free of case and of blanks around it."""
    return text.strip().casefold()


def identity(coil: CoilBrief, job: str) -> str:
    """Return by what one coil is known again: its serial, else its job and label."""
    serial = fold(coil.serial)
    return f"serial {serial}" if serial else f"job {fold(job)} coil {fold(coil.label)}"


def prepare(index: sqlite3.Connection) -> None:
    """Make the tables in a new file.

    Raises:
        ForeignIndexError: The file has tables that are not these.
    """
    index.isolation_level = "IMMEDIATE"  # two processes that write wait for each other and never deadlock
    index.execute("PRAGMA foreign_keys = ON")
    if _marks(index) == (APPLICATION, VERSION):
        return
    index.execute("BEGIN IMMEDIATE")
    with index:
        # Another process may have made the tables just now: only under the lock what is seen counts.
        if (marks := _marks(index)) == (APPLICATION, VERSION):
            return
        if any(marks) or index.execute("SELECT 1 FROM sqlite_master").fetchone():
            raise ForeignIndexError
        for statement in f"{_TABLES} {_MARKS}".split(";"):
            index.execute(statement)


def _marks(index: sqlite3.Connection) -> tuple[int, int]:
    (application,), (version,) = (
        index.execute(f"PRAGMA {name}").fetchone() for name in ("application_id", "user_version")
    )
    return application, version


def store(index: sqlite3.Connection, place: bytes, name: bytes, stamp: int, brief: RunBrief) -> None:
    """Write one run into *index*, in the place of what was there of it.

    Args:
        index: Its last transaction is left open.
        place: Folder that holds the run folder, below the root.
        name: Name of the run folder.
        stamp: When the run folder changed last, 0 to have it read again next time. A closed run does not
            change any more, a damaged one may be mended in ways that no time of change tells.
        brief: What was read there.
    """
    kept_stamp = 0 if brief.problem else stamp if brief.state == "cut" else None
    start = brief.start_utc.isoformat(timespec="microseconds") if brief.start_utc else None
    index.execute("DELETE FROM run WHERE place = ? AND name = ?", (place, name))
    run = index.execute(
        "INSERT INTO run VALUES (NULL, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            place,
            name,
            kept_stamp,
            start,
            brief.procedure,
            brief.stage,
            brief.job,
            fold(brief.job),
            brief.operator,
            brief.simulated,
            brief.state,
            brief.problem,
        ),
    ).lastrowid
    index.executemany(
        "INSERT INTO coil VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                run,
                number,
                coil.label,
                fold(coil.label),
                coil.kind,
                fold(coil.kind),
                coil.serial,
                fold(coil.serial),
                identity(coil, brief.job),
                coil.verdict,
                coil.r20_ohm,
                coil.r20_U_ohm,
            )
            for number, coil in enumerate(brief.coils)
        ],
    )
