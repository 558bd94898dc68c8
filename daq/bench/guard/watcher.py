"""Who switches off from outside what the program itself no longer can."""

from __future__ import annotations

from typing import Protocol

#: What can be on, as the watcher is told.
COIL, OVEN = "coil", "oven"


class Watcher(Protocol):
    """Whoever switches off from outside if the program cannot; asked before and while anything is on."""

    def begin(self, what: str) -> None:
        """Hear that *what* is about to be on; InterlockError if nobody watches any more."""
        ...

    def end(self, what: str) -> None:
        """Hear that *what* is off; for the second time it means nothing."""
        ...

    def require(self) -> None:
        """Raise InterlockError if nobody watches any more."""
        ...

    def switch_off(self, *, wait: bool) -> str:
        """Switch everything off over a connection of one's own; return what is off, read back, or ''.

        Asked again it is the same question; only with *wait* is the answer waited for.
        """
        ...


class Unwatched:
    """Nobody watches from outside: the simulated bench, or a rig that does without."""

    def begin(self, what: str) -> None:
        """Let it be on."""

    def end(self, what: str) -> None:
        """Take note."""

    def require(self) -> None:
        """Go on."""

    def switch_off(self, *, wait: bool) -> str:  # noqa: ARG002 - there is nothing to wait for
        """Have no other way to the bench."""
        return ""
