"""What is attached to a PDF that somebody sent: everything in it may have been made to do harm."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pyhanko.pdf_utils.decode_limits import DecodeLimits, DocumentDecodeBudget, MiB, StreamDecodeLimits
from pyhanko.pdf_utils.generic import ArrayObject, IndirectObject, PdfObject
from pyhanko.pdf_utils.misc import PdfError
from pyhanko.pdf_utils.reader import PdfFileReader

from daq.archive.claim.sign import quiet_libraries
from daq.errors import CoilsoakError, InputError
from daq.plain_file import read_given, refuse_link
from daq.record.format import MAX_TABLE_BYTES

#: A larger file is no claim pack; nor are more attachments, or nodes of their tree, or more of them unpacked.
MAX_PACK_BYTES, MAX_ATTACHMENTS, MAX_NODES = 300_000_000, 500, 2000
_UNPACKED = 512 * MiB
_LIMITS = DecodeLimits(
    per_stream=StreamDecodeLimits(max_output_size=MAX_TABLE_BYTES),
    document_budget=DocumentDecodeBudget(base_allowance=_UNPACKED, max_ratio=0.0),
)


@dataclass(frozen=True)
class Pack:
    """A PDF as read: its bytes, its parser, what is attached by name, and what is wrong with that."""

    path: Path
    raw: bytes
    reader: PdfFileReader
    files: dict[str, bytes]
    problems: tuple[str, ...]


def read_pack(path: Path) -> Pack:
    """Read the PDF at *path* with all that is attached, as its last revision has it.

    Names of attachments are only ever compared, never used as paths.

    Raises:
        InputError: It is not there, too large, encrypted, or no PDF that can be read.
    """
    quiet_libraries()
    refuse_link(path)
    raw = read_given(path, MAX_PACK_BYTES, "a claim pack")
    with foreign(f"{path}: is no PDF that can be read"):
        reader = PdfFileReader(io.BytesIO(raw), strict=True, decode_limits=_LIMITS)
        if reader.encrypted:
            raise InputError(f"{path}: is encrypted, and a claim pack never is; ask for the file as it was")
        files, problems = _attached(reader)
    return Pack(path, raw, reader, files, tuple(problems))


@contextmanager
def foreign(complaint: str) -> Iterator[None]:
    """Turn whatever a library raises over a file that may be hostile into *complaint* with the reason."""
    try:
        yield
    except CoilsoakError:
        raise
    except Exception as exc:  # no parser says all that a broken file makes it raise
        told = " ".join(str(exc).split()) if isinstance(exc, ValueError | PdfError) else ""
        raise InputError(f"{complaint} ({told[:200] or type(exc).__name__})") from exc


def _attached(reader: PdfFileReader) -> tuple[dict[str, bytes], list[str]]:
    """Return content by name of the embedded files, and what is wrong with how they are embedded."""
    files: dict[str, bytes] = {}
    problems, places = [], set()
    for key, entry in _listed(reader):
        places.add(_place(entry))
        spec = entry.get_object()
        names = {key, *(str(spec[kind]) for kind in ("/F", "/UF") if kind in spec)}
        streams = spec["/EF"]
        if len(names) > 1:
            problems.append(f"{key!r} also goes by another name")
        if key in files:
            problems.append(f"{key!r} is attached twice")
        elif len({_place(streams.raw_get(kind)) for kind in streams}) > 1:
            problems.append(f"{key!r} has several contents, and which one shows depends on the program")
        try:
            with foreign(f"{key!r} cannot be unpacked"):
                files.setdefault(key, bytes(next(streams[kind] for kind in streams).data))
        except InputError as exc:
            problems.append(str(exc))
    if {_place(entry) for entry in _under(reader.root, "/AF", ())} != places:
        problems.append("what belongs to the document (AF) is not what is attached")
    return files, problems


def _listed(reader: PdfFileReader) -> Iterator[tuple[str, Any]]:
    """Yield name and entry of each embedded file, out of a tree that may go in circles."""
    todo: list[Any] = [_under(_under(reader.root, "/Names", {}), "/EmbeddedFiles", {})]
    found = 0
    for _ in range(MAX_NODES):
        if not todo:
            return
        node = todo.pop()
        kids, names = _under(node, "/Kids", ()), _under(node, "/Names", ArrayObject())
        todo += [kids[n] for n in range(len(kids))]  # by index: iterating would not follow references
        found += len(names) // 2
        if found > MAX_ATTACHMENTS:
            raise ValueError(f"more than {MAX_ATTACHMENTS} attachments")
        for at in range(0, len(names) - 1, 2):
            yield str(names[at]), names.raw_get(at + 1)
    raise ValueError("the tree of its attachments has no end")


def _under(holder: Any, key: str, default: object) -> Any:
    """Return what stands under *key*, followed where it is a reference: ``get`` would not do that."""
    return holder[key] if key in holder else default  # noqa: SIM401


def _place(entry: PdfObject) -> object:
    """Return what tells one object of a file from another."""
    return entry.reference if isinstance(entry, IndirectObject) else id(entry)
