"""What is said of a link that failed: the reason in words, and what to do about it."""

from __future__ import annotations

import errno
import os
import re
import socket

import pyvisa.errors

#: A status of VISA's as its libraries print it, alone or with its name and colon.
_STATUS = re.compile(r"(?:VI_\w+ \()?(-10738\d{5})\)?:?")

PERMISSION = (
    "this account may not use the port: on Linux `ls -l` shows its group (mostly dialout); add the account "
    "to it and log in again"
)
BUSY = "another program has it: close that one"
REFUSED = (
    "something is at this address and takes no connection: is the port right, is its network control on, has "
    "another program its only connection?"
)
NO_PORT = "there is no such port now: is the adapter plugged in, does it have another number today?"
NO_SERIAL = "that is no serial port: check the name"
NO_HOST = "no machine of that name is known: write its number, as its display shows it"
NOT_THERE = (
    "nothing answers there: check its power and network cable, and that its display shows this address"
)
ELSE = "check that the instrument is on and connected"
_BY_CODE = {
    **dict.fromkeys((errno.EACCES, errno.EPERM), PERMISSION),
    **dict.fromkeys((errno.EBUSY, errno.EAGAIN), BUSY),
    errno.ECONNREFUSED: REFUSED,
    **dict.fromkeys((errno.ENOENT, errno.ENODEV, errno.ENXIO), NO_PORT),
    **dict.fromkeys((errno.EHOSTUNREACH, errno.ENETUNREACH, errno.EHOSTDOWN, errno.ETIMEDOUT), NOT_THERE),
}
#: What the libraries say where the system's number is lost, on whichever system.
_BY_WORD = (
    ("permission denied", PERMISSION),
    ("access is denied", PERMISSION),
    ("busy", BUSY),
    ("no such file", NO_PORT),
    ("cannot find the file", NO_PORT),
    ("inappropriate ioctl", NO_SERIAL),
    ("could not connect", NOT_THERE),
)


def reason(exc: Exception) -> str:
    """Return why, on one line and without a number that only header files explain."""
    if isinstance(exc, OSError) and exc.errno is not None:
        return os.strerror(exc.errno) if exc.errno > 0 else exc.strerror or type(exc).__name__
    text = " ".join(str(exc).split()) or type(exc).__name__
    found = _STATUS.search(text)
    if found is None:
        return text
    meaning = pyvisa.errors.completion_and_error_messages.get(int(found[1]), ("", "not told why"))[1]
    words = _STATUS.sub("", text).strip(" :")
    meaning = meaning[:1].lower() + meaning[1:].rstrip(".")
    return meaning if not words or words.rstrip(".").lower() == meaning else f"{words.rstrip('.')}: {meaning}"


def advice(exc: Exception) -> str:
    """Return what to do about it."""
    code, text = _code(exc), str(exc).lower()
    told = _BY_CODE.get(code) if code is not None else None
    if isinstance(exc, socket.gaierror):
        return NO_HOST
    return told or next((each for word, each in _BY_WORD if word in text), ELSE)


def _code(exc: BaseException | None) -> int | None:
    """Return the system's number for the failure, from the exception or what it came from."""
    while exc is not None:
        if isinstance(exc, OSError) and exc.errno is not None:
            return exc.errno
        exc = exc.__cause__ or exc.__context__
    return None
