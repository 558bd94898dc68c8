"""The error tree. Each class is also a builtin kind, and no message is ever empty.

::

    CoilsoakError
    +-- InputError (ValueError)               exit 2: a file or an option is wrong; nothing was energised
    |   +-- StartError                        exit 2: the bench is not what its rig file says
    |       +-- NotReadyError                 exit 2: some instruments do not answer, or are others
    +-- ForeignFileError (RuntimeError)       exit 2: a file of others is a link, a device, or leads elsewhere
    +-- BenchError (OSError)                  exit 3: the bench misbehaved while in use
    |   +-- LinkError                         the wire
    |   |   +-- LinkTimeoutError (TimeoutError)    no complete reply in time
    |   |   +-- LinkClosedError (ConnectionError)  the other end is gone, or nobody listens
    |   |   +-- LinkBusyError                      somebody else owns this port
    |   +-- InstrumentError                   what the instrument said
    |   |   +-- ReplyError (ValueError)       a reply that does not parse
    |   |   |   +-- StrayReplyError           more replies than one to one question
    |   |   +-- RefusedError                  the error queue reports an error
    |   |   +-- ReadbackError                 a setting read back differs from what was sent
    |   |   +-- IdentityError                 another instrument answers
    |   +-- InterlockError                    a rule of the bench was about to be broken
    |   |   +-- LimitError (ValueError)       a request above a limit; nothing was sent
    |   |   +-- CeilingError                  heating told to stop: winding or body above its ceiling
    |   |   +-- OvenError                     heating told to stop: hotter than the oven's setpoint explains
    |   +-- StaleError                        heating told to stop: no trustworthy reading
    |   |   +-- ProbeLostError                the probe of one coil gives no temperature any more
    |   +-- OutputUnknownError                the supply could not be confirmed off
    +-- RecordError (OSError)                 exit 3: the run record cannot be written or read
"""

from __future__ import annotations

from collections.abc import Mapping

#: Exit status of a program ended by Ctrl-C, as shells report it.
INTERRUPTED = 130


class CoilsoakError(Exception):
    """Base of every error this program raises on purpose.

    The text is one line: what went wrong, where, what was expected, what to do.
    """

    exit_status = 3

    def __init__(self, message: str) -> None:
        if not message.strip():
            raise AssertionError("an error needs a message")
        super().__init__(message)

    def __str__(self) -> str:
        # OSError and its kin format args their own way; one argument, one line.
        return str(self.args[0])


class InputError(CoilsoakError, ValueError):
    """A file, key or option is wrong. Nothing was energised."""

    exit_status = 2


class StartError(InputError):
    """The bench is not what its rig file says: no answer, another identity, a limit it cannot hold."""


class NotReadyError(StartError):
    """Instruments do not answer as the rig says: *troubles* by role, beside *identities* of the others."""

    def __init__(self, troubles: Mapping[str, str], identities: Mapping[str, str]) -> None:
        first, *others = troubles.values()
        more = f"; {len(others)} more: `coilsoak check` lists them" if others else ""
        super().__init__(first + more)
        self.troubles = troubles
        self.identities = identities


class ForeignFileError(CoilsoakError, RuntimeError):
    """What may come from others is a link, a device, or leads out of its folder; it was not followed.

    No kind of OSError or ValueError: reading goes on past damage, and never past this.
    """

    exit_status = 2


class BenchError(CoilsoakError, OSError):
    """The bench misbehaved while in use."""


class LinkError(BenchError):
    """The wire to an instrument failed."""


class LinkTimeoutError(LinkError, TimeoutError):
    """No complete reply came in time."""


class LinkClosedError(LinkError, ConnectionError):
    """The other end closed the connection, vanished, or never listened."""


class LinkBusyError(LinkError):
    """The port is in use by another process or by another part of this one."""


class InstrumentError(BenchError):
    """An instrument said something it should not have."""


class ReplyError(InstrumentError, ValueError):
    """A reply does not match what the dialect declares."""


class StrayReplyError(ReplyError):
    """More came back than the one reply to the question."""


class RefusedError(InstrumentError):
    """The instrument's error queue reports an error after a command."""


class ReadbackError(InstrumentError):
    """A setting, read back, is not what was sent."""


class IdentityError(InstrumentError):
    """The instrument that answers is not the one the rig file names."""


class InterlockError(BenchError):
    """A rule of the bench was about to be broken; it was not."""


class LimitError(InterlockError, ValueError):
    """A request above the lower of rig and coil limit. Nothing was sent."""


class CeilingError(InterlockError):
    """Heating was told to stop because a winding or a body passed its ceiling."""


class OvenError(InterlockError):
    """Heating was told to stop because something in the oven is hotter than its setpoint explains."""


class StaleError(BenchError):
    """Heating was told to stop because readings stopped, or the probe does not follow."""


class ProbeLostError(StaleError):
    """The probe of one coil gives no temperature any more."""


class OutputUnknownError(BenchError):
    """The supply could not be confirmed off: switch it off by hand."""


class RecordError(CoilsoakError, OSError):
    """The run record cannot be written or read."""
