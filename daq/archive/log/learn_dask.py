"""Learning from exports by Dask: on the threads of this machine, or on the workers of a cluster.

Each file of an export is a task that keeps the newest judgement of each coil; what they keep is put together
some at a time, until one is left. Which judgement is the newest does not depend on how the rows are divided,
so that the sample is the one that an index of the same runs gives, and the limits are the same figures.
"""

from __future__ import annotations

from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any

from daq.archive.log.learn import Asked, Sample, require_known_kind, require_whole_kind
from daq.archive.log.parquet import COLUMNS, load_fleet
from daq.archive.log.schema import fold
from daq.errors import InputError

#: A scheduler that does not answer is waited for so long.
PATIENCE_S = 10
#: So many parts are put together at once.
_AT_ONCE = 8
_SHOWN = ["identity", "procedure", "verdict", "r20_ohm", "r20_U_ohm"]
_ORDER = [(name, "ascending") for name in ("start_utc", "run", "number")]


def sample_of_export(folder: Path, asked: Asked, scheduler: str | None = None) -> Sample:
    """Return the coils that *asked* is about from an export, as the index gives them.

    Args:
        folder: What :func:`daq.archive.log.parquet.write_export` wrote, or several such folders copied into
            one.
        asked: What is to be learned.
        scheduler: Address of a Dask scheduler, whose workers have this program and reach *folder* by the same
            path; None works on this machine.

    Raises:
        InputError: The folder is no export, the cluster does not do its work, or packages are missing.
    """
    require_whole_kind(asked)
    arrow, dataset, dask = load_fleet("pyarrow"), load_fleet("pyarrow.dataset"), load_fleet("dask")
    if not folder.is_dir():
        raise InputError(f"--from {folder}: no such folder, expected what --export wrote")
    try:
        whole = dataset.dataset(str(folder.absolute()), partitioning="hive")
        if not set(COLUMNS) <= set(whole.schema.names):
            raise InputError(f"--from {folder}: is no export, expected what --export wrote")
        keys = (dataset.get_partition_keys(each.partition_expression) for each in whole.get_fragments())
        require_known_kind(asked, (str(key["kind"]) for key in keys))
        fragments = whole.get_fragments(dataset.field("kind") == fold(asked.kind))
        parts = [dask.delayed(newest_in)(fragment.path, asked) for fragment in fragments]
        while len(parts) > 1:
            some = [parts[at : at + _AT_ONCE] for at in range(0, len(parts), _AT_ONCE)]
            parts = [dask.delayed(newest_of)(each) for each in some]
        newest = _done(parts[0], scheduler).to_pydict() if parts else dict.fromkeys(_SHOWN, ())
    except (OSError, arrow.ArrowException) as exc:
        said = " ".join(str(exc).split())
        raise InputError(f"--from {folder}: cannot be read ({said}), expected what --export wrote") from exc
    return Sample.of_rows(zip(*(newest[name] for name in _SHOWN), strict=True))


def _done(part: Any, scheduler: str | None) -> Any:
    """Return what *part* comes to, worked out here or by the cluster of *scheduler*."""
    if scheduler is None:
        return part.compute(scheduler="threads")
    distributed = load_fleet("distributed")
    try:
        client = distributed.Client(scheduler, timeout=PATIENCE_S, set_as_default=False)
    except (OSError, ValueError) as exc:
        expected = "expected the address of a Dask scheduler, as tcp://host:8786"
        raise InputError(f"--scheduler {scheduler}: nobody answers there, {expected}") from exc
    with client:
        if not client.nthreads():
            raise InputError(f"--scheduler {scheduler}: has no workers, expected at least one")
        try:
            return client.compute(part).result()
        except (ImportError, RuntimeError, distributed.KilledWorker) as exc:
            said = " ".join(str(exc).split())
            expected = "expected workers that have coilsoak[fleet]"
            raise InputError(f"--scheduler {scheduler}: its workers failed ({said}), {expected}") from exc


def newest_in(file: str, asked: Asked) -> Any:
    """Return the newest soak and sweep of each coil in one *file* of an export, as an Arrow table."""
    from pyarrow import parquet
    from pyarrow.dataset import field

    wanted = asked.wanted
    rows = (field("simulated") == asked.simulated) & (field("verdict") != "")
    if wanted.stage:
        rows &= field("stage") == wanted.stage
    if wanted.since:
        rows &= field("start_utc") >= datetime.combine(wanted.since, time())
    if wanted.until:
        rows &= field("start_utc") < datetime.combine(wanted.until + timedelta(days=1), time())
    columns = [*_SHOWN, *(name for name, _ in _ORDER)]
    return newest_of([parquet.read_table(file, columns=columns, filters=rows, partitioning=None)])


def newest_of(tables: list[Any]) -> Any:
    """Return the newest soak and sweep of each coil in several Arrow tables, as one, the oldest first."""
    import pyarrow as pa

    rows = pa.concat_tables(tables).sort_by(_ORDER)
    rows = rows.append_column("place", pa.array(range(len(rows)), pa.int64()))
    newest = rows.group_by(["identity", "procedure"]).aggregate([("place", "max")]).sort_by("place_max")
    return rows.take(newest["place_max"]).drop_columns("place")
