"""A setting on its way to an instrument: how it goes out, and what it is called once it was tried."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from daq.instruments.dialects.roles import OpKind
from daq.instruments.dialects.schema import Op
from daq.instruments.dialects.template import placeholders


@dataclass(frozen=True)
class Sent:
    """A setting on its way: the command that went out for *op*, and with what."""

    op: str
    entry: Op
    kind: OpKind
    command: str
    params: Mapping[str, object]


def tried(op: str, params: Mapping[str, object]) -> str:
    """Return what *op* is called in :attr:`Conversation.tried`: ``output on`` is not ``output off``."""
    state = params.get("state")
    return op if state is None else f"{op} {'on' if state else 'off'}"


def for_instrument(entry: Op, params: Mapping[str, object]) -> Mapping[str, object]:
    """Return *params* with the value as the instrument counts it."""
    value = params.get("value")
    if not isinstance(value, int | float) or isinstance(value, bool):
        return params
    return {**params, "value": entry.to_instrument(value)}


def one_by_one(template: str, params: Mapping[str, object]) -> list[Mapping[str, object]]:
    """Split a list of channels where *template* takes one channel a command."""
    names = {name for name, _ in placeholders(template)}
    if "channels" not in params or "channels" in names:
        return [params]
    return [{"channel": each.strip()} for each in str(params["channels"]).split(",")]
