"""The shop file: who sends a claim to whom, and about what. Every key may be left out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import msgspec

from daq.config.coil_set import Label, Short
from daq.config.toml import Loaded, load

Line = Annotated[str, msgspec.Meta(max_length=120)]
Lines = Annotated[tuple[Line, ...], msgspec.Meta(max_length=8)]


class _Table(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table of the shop file; an unknown key is refused."""


class Sender(_Table, frozen=True, kw_only=True):
    """Who claims. *logo* is a PNG, JPEG or SVG file; its path counts from the shop file.

    *timestamp* is the address of a service (RFC 3161) that states when a claim was signed.
    """

    name: Line = ""
    address: Lines = ()
    contact: Line = ""
    logo: Annotated[str, msgspec.Meta(max_length=500)] = ""
    timestamp: Annotated[str, msgspec.Meta(max_length=500)] = ""


class Customer(_Table, frozen=True, kw_only=True):
    """To whom it goes."""

    name: Line = ""
    address: Lines = ()


class Claim(_Table, frozen=True, kw_only=True):
    """What it is about. *date* is written as it is typed."""

    number: Short = ""
    date: Short = ""
    part: Line = ""
    part_number: Short = ""
    remark: Annotated[str, msgspec.Meta(max_length=600)] = ""


class Shop(_Table, frozen=True, kw_only=True):
    """A checked shop file; *serials* are serial numbers by coil that the coil-set file left out."""

    shop: Sender = Sender()
    customer: Customer = Customer()
    claim: Claim = Claim()
    serials: dict[Label, Short] = {}


def load_shop(path: Path) -> Loaded[Shop]:
    """Read a shop file.

    Raises:
        InputError: One line with file, line and key.
    """
    return load(path, Shop)
