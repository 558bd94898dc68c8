"""A link that failed says why in words, and what to do: cable, power, permission, another program."""

from __future__ import annotations

import errno
import os
import socket

import pytest
import pyvisa.errors
from pyvisa import constants

from daq.errors import LinkClosedError
from daq.links.advice import advice, reason
from daq.links.settings import LinkTable
from daq.links.visa import open_link


@pytest.mark.parametrize(
    ("exc", "expected"),
    [
        (PermissionError(errno.EACCES, "Permission denied"), "this account may not use the port"),
        (OSError(errno.EBUSY, "Device or resource busy"), "another program has it"),
        (ConnectionRefusedError(errno.ECONNREFUSED, "Connection refused"), "is the port right"),
        (FileNotFoundError(errno.ENOENT, "No such file"), "is the adapter plugged in"),
        (OSError(errno.EHOSTUNREACH, "No route to host"), "check its power and network cable"),
        (socket.gaierror(-2, "Name or service not known"), "no machine of that name"),
        (
            OSError("could not open port 'COM9': PermissionError(13, 'Access is denied.')"),
            "this account may not",
        ),
        (OSError("could not open port 'COM9': The system cannot find the file specified."), "plugged in"),
        (Exception("could not connect: -1073807339"), "check its power and network cable"),
        (RuntimeError("what is this"), "check that the instrument is on and connected"),
    ],
)
def test_each_kind_of_failure_has_its_advice(exc: Exception, expected: str) -> None:
    """What to do depends on what failed, also where a library has lost the system's number."""
    assert expected in advice(exc)


@pytest.mark.parametrize(
    "exc",
    [
        Exception("could not connect: -1073807339"),
        pyvisa.errors.VisaIOError(constants.StatusCode.error_timeout),
        pyvisa.errors.VisaIOError(constants.StatusCode.error_resource_busy),
        Exception("-1073807343"),
    ],
)
def test_no_raw_number_of_visas_is_shown(exc: Exception) -> None:
    """A status is said in words: nobody has its header file at hand."""
    told = reason(exc)
    assert "-10738" not in told
    assert "VI_" not in told
    assert len(told.split()) >= 3


def test_a_port_where_nobody_listens_says_what_to_look_at() -> None:
    """Refused is another thing than gone."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    with pytest.raises(LinkClosedError, match="takes no connection: is the port right"):
        open_link(f"TCPIP::127.0.0.1::{port}::SOCKET", LinkTable(), timeout_s=0.5)


@pytest.mark.skipif(os.name != "posix", reason="a port's name is a path on POSIX alone")
def test_a_serial_port_that_is_not_there_says_so() -> None:
    """An adapter may have another number today."""
    with pytest.raises(LinkClosedError, match="is the adapter plugged in"):
        open_link("ASRL/dev/ttyNowhere::INSTR", LinkTable(), timeout_s=0.5)


def test_the_systems_own_words_stand_for_its_numbers() -> None:
    """A library's text repeats path and number; the reason is three words."""
    exc = FileNotFoundError(2, "could not open port /dev/x: [Errno 2] No such file or directory: '/dev/x'")
    assert reason(exc) == "No such file or directory"
    assert reason(socket.gaierror(-2, "Name or service not known")) == "Name or service not known"
