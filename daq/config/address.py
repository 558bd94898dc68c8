"""Addresses as people have them, and the one form that links take.

`COM3`, `/dev/ttyUSB0`, `192.168.1.5`, `192.168.1.5:5555` and `meter.local` become VISA addresses here and
nowhere else. What already is one, or none at all, stays as it is: the rig file's rules say what is wrong.
"""

from __future__ import annotations

import re

#: Where SCPI over a plain socket listens when an address names no port: 'scpi-raw' of the IANA registry.
RAW_PORT = 5025

_COM = re.compile(r"COM(?P<number>\d{1,3}):?", re.IGNORECASE | re.ASCII)
_DEVICE = re.compile(r"/dev/[^\s:]+")
_PART = r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?"
#: A dot, a port or 'localhost' makes a host of a word: 'typd' is a slip, and no instrument's name.
_HOST = re.compile(
    rf"(?:(?P<dotted>{_PART}(?:\.{_PART})+|localhost)(?::(?P<port>\d{{1,5}}))?"
    rf"|(?P<bare>{_PART}):(?P<bare_port>\d{{1,5}}))",
    re.IGNORECASE | re.ASCII,
)


def complete(text: str) -> str:
    """Return *text* as a VISA address where it is a port or a host as people write them, else unchanged."""
    text = text.strip()
    if com := _COM.fullmatch(text):
        return f"ASRL{com['number']}::INSTR"
    if _DEVICE.fullmatch(text):
        return f"ASRL{text}::INSTR"
    if host := _HOST.fullmatch(text):
        name = host["dotted"] or host["bare"]
        return f"TCPIP::{name}::{host['port'] or host['bare_port'] or RAW_PORT}::SOCKET"
    return text


def host_alone(text: str) -> str:
    """Return the host in *text* if it names no port, else an empty text."""
    found = _HOST.fullmatch(text.strip())
    return found["dotted"] if found and found["dotted"] and not found["port"] else ""


def plainly(resource: str) -> str:
    """Return a VISA address as people write it, where :func:`complete` makes the same of that."""
    for pattern, spelled in (
        (r"ASRL(\d{1,3})::INSTR", r"COM\1"),
        (r"ASRL(/dev/.+)::INSTR", r"\1"),
        (r"TCPIP0?::([^:]+)::(\d+)::SOCKET", r"\1:\2"),
    ):
        if found := re.fullmatch(pattern, resource, re.IGNORECASE):
            return found.expand(spelled)
    return resource
