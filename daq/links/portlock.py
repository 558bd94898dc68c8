"""One owner a port: a lock of our own, since a serial port opens twice without an error."""

from __future__ import annotations

import hashlib
import os
import tempfile
from pathlib import Path

from daq import system
from daq.errors import LinkBusyError, LinkError


class PortLock:
    """Holds the port called *key* against every other user on this machine and account until released.

    The lock goes with the process, however it ends. *key* has to be one spelling for one port.

    Raises:
        LinkBusyError: somebody else, or another part of this process, has it.
    """

    def __init__(self, key: str) -> None:
        self._file: int | None = None
        folder = Path(tempfile.gettempdir()) / f"coilsoak-{system.user_name()}"
        path = folder / f"{hashlib.sha256(key.encode()).hexdigest()[:24]}.lock"
        try:
            folder.mkdir(mode=0o700, exist_ok=True)
            handle = os.open(path, os.O_RDWR | os.O_CREAT | system.OPEN_PRIVATE, 0o600)
        except OSError as exc:
            raise LinkError(f"{key}: no lock file in {folder} ({exc.strerror}); make it writable") from exc
        try:
            system.lock(handle, wait=False)
        except OSError as exc:
            holder = os.read(handle, 20).decode("ascii", "replace").strip()
            os.close(handle)
            who = f"process {holder}" if holder else "somebody else"
            raise LinkBusyError(f"{key}: in use by {who}; end that first") from exc
        os.truncate(handle, 0)
        os.write(handle, f"{os.getpid()}\n".encode())
        self._file = handle

    def release(self) -> None:
        """Let others have the port; a second call does nothing."""
        if self._file is not None:
            os.close(self._file)
            self._file = None
