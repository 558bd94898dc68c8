"""Standard output and error on bad days: poor in letters, closed, full, or gone with the terminal."""

from __future__ import annotations

import codecs
import contextlib
import errno
import io
import os
import sys
from collections.abc import Iterator
from typing import TextIO

from daq.errors import InputError

#: What letters outside an ASCII terminal are spelled as; any other becomes a question mark.
_SPELLED = {"±": "+-", "°": "deg", "Ω": "ohm", "µ": "u", "×": "x", "−": "-", "–": "-", "…": "..."}


def prepare_streams() -> None:
    """Let no letter break a line: what standard output and error cannot write is spelled."""
    codecs.register_error("spelled", _spell)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="spelled")


def _spell(error: UnicodeError) -> tuple[str, int]:
    assert isinstance(error, UnicodeEncodeError)
    letters = error.object[error.start : error.end]
    return "".join(_SPELLED.get(letter, "?") for letter in letters), error.end


def one_line(text: str) -> str:
    """Return *text* on one line, with nothing in it that a terminal would obey."""
    return "".join(c if c.isprintable() else " " for c in text)


def let_go(stream: TextIO) -> None:
    """Send what is still to be written to *stream* nowhere; its other end is gone."""
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        try:
            os.dup2(nowhere, stream.fileno())
        finally:
            os.close(nowhere)


def complain(text: str, *, bell: bool = False) -> None:
    """Say *text* on standard error, in one line whatever names and replies are in it.

    Args:
        text: What is said.
        bell: Sound a terminal's bell with it.
    """
    if sys.stderr is None:
        return
    with contextlib.suppress(OSError, ValueError):  # full, or closed
        rung = "\a" if bell and sys.stderr.isatty() else ""
        sys.stderr.write(f"{rung}coilsoak: {one_line(text)}\n")
        sys.stderr.flush()


def print_json(value: dict[str, object]) -> None:
    """Print one object on one line; a full disk behind standard output is an error, a closed pipe is none.

    Raises:
        InputError: Standard output takes no more.
    """
    import json  # not for --help

    if sys.stdout is None:
        return
    try:
        sys.stdout.write(json.dumps(value, allow_nan=False) + "\n")
        sys.stdout.flush()
    except BrokenPipeError:
        let_go(sys.stdout)
    except OSError as exc:
        let_go(sys.stdout)
        raise InputError(f"standard output: cannot be written ({exc.strerror}), so the JSON is lost") from exc


class Lasting(io.TextIOBase):
    """A stream that a run shows itself on: a closed pipe or terminal ends the showing, never the run.

    *stream* is None where the program was started without one. *lost* says why something was not
    shown that somebody may still wait for: a full disk, not a reader who left.
    """

    def __init__(self, stream: TextIO | None) -> None:
        super().__init__()
        self._stream = stream
        self.lost = ""

    @property
    def encoding(self) -> str:  # type: ignore[override]
        """The stream's own encoding: it decides how tables are drawn."""
        return getattr(self._stream, "encoding", None) or "ascii"

    def write(self, text: str) -> int:
        """Write *text*, or nothing where nobody takes it any more."""
        if self._stream is not None:
            with self._giving_up(self._stream) as stream:
                stream.write(text)
        return len(text)

    def flush(self) -> None:
        """Push out what was written."""
        if self._stream is not None:
            with self._giving_up(self._stream) as stream:
                stream.flush()

    @contextlib.contextmanager
    def _giving_up(self, stream: TextIO) -> Iterator[TextIO]:
        try:
            yield stream
        except OSError as exc:
            let_go(stream)
            if exc.errno not in {errno.EPIPE, errno.EIO}:
                self.lost = exc.strerror or str(exc)

    def isatty(self) -> bool:
        """Whether a terminal shows it."""
        return self._stream is not None and self._stream.isatty()

    def fileno(self) -> int:
        """Return the stream's descriptor.

        Raises:
            OSError: There is none.
        """
        if self._stream is None:
            raise io.UnsupportedOperation("no stream, so no descriptor")
        return self._stream.fileno()
