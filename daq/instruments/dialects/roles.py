"""What the roles of the bench ask of a dialect: each op, what it takes and what it answers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class OpKind:
    """What an op of a role can be: *takes* when set, *answers* when asked, *params* of either."""

    takes: Literal["value", "state", "channels", "nothing"] | None
    answers: Literal["number", "state", "text", "itself"] | None
    params: tuple[str, ...] = ()
    #: Matters for safety: must be read back.
    safety: bool = False
    #: May be a question alone, where the instrument does by itself what would be set.
    ask_only: bool = False


_VALUE, _STATE = OpKind("value", "number", ("value",)), OpKind("state", "state", ("state",))
_SAFE_VALUE = OpKind("value", "number", ("value",), safety=True)
_SAFE_STATE = OpKind("state", "state", ("state",), safety=True)
_FUNCTION = OpKind("nothing", "itself")
_READ, _TELL = OpKind(None, "number"), OpKind(None, "state")

ROLES: Mapping[str, Mapping[str, OpKind]] = {
    "supply": {
        **dict.fromkeys(("voltage", "current_limit", "over_voltage", "over_current"), _SAFE_VALUE),
        **dict.fromkeys(
            ("over_voltage_armed", "over_current_armed"),
            OpKind("state", "state", ("state",), ask_only=True),
        ),
        "output": _SAFE_STATE,
        **dict.fromkeys(("measured_voltage", "measured_current"), _READ),
        "mode": OpKind(None, "text"),
        **dict.fromkeys(("over_voltage_tripped", "over_current_tripped"), _TELL),
        "clear_trip": OpKind("nothing", None),
    },
    "meter": {
        "read": _READ,
        **dict.fromkeys(("read_ohms", "read_volts"), OpKind(None, "number", ("range",))),
        **dict.fromkeys(("function_ohms_4w", "function_ohms_2w", "function_volts"), _FUNCTION),
        **dict.fromkeys(("range_ohms_4w", "range_ohms_2w", "range_volts"), _VALUE),
        **dict.fromkeys(("nplc_ohms_4w", "nplc_ohms_2w", "nplc_volts"), _VALUE),
        "offset_compensation": _STATE,
    },
    "probe": {"read": OpKind(None, "number", ("channel",))},
    "switch": {
        **dict.fromkeys(("close", "open"), OpKind("channels", None, ("channels", "channel"))),
        "open_all": OpKind("nothing", None),
        "is_closed": OpKind(None, "state", ("channel",)),
    },
    "oven": {"setpoint": _SAFE_VALUE, "temperature": _READ, "output": _SAFE_STATE},
}
