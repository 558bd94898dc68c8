"""Whether a dialect file makes sense: every template can be filled, every question has a reply."""

from __future__ import annotations

from daq.config.toml import Loaded
from daq.errors import InputError
from daq.instruments.dialects.roles import ROLES, OpKind
from daq.instruments.dialects.schema import DialectFile, Op, RoleTable
from daq.instruments.dialects.template import (
    CHECKS,
    REPLY_FIELDS,
    ReplyPattern,
    SpecialValues,
    Spellings,
    format_command,
    placeholders,
    spell_words,
)

#: Stand-ins that every template of that parameter must be able to spell.
_SAMPLES: dict[str, object] = {
    "value": 1.5,
    "state": True,
    "channels": "101,201",
    "channel": 1,
    "range": 100.0,
}
_NUMERIC = {"number", "byte", "hex", "octal", "binary"}
_STATUS = _NUMERIC | {"words"}
_FIELDS = {
    "number": {"number", "over_range", "byte"},
    "state": {"state", "channels", *_STATUS},
    "text": {"text", "quoted", *_STATUS},
    "itself": set[str](),
}
_IDENTITY = OpKind(None, "text")


def check_errors(loaded: Loaded[DialectFile], words: Spellings, special: SpecialValues) -> None:
    """Check the table of the error queue; raises InputError with key and line."""
    errors = loaded.value.errors
    if errors is None:
        return
    check = _Checker(loaded, words, special)
    check.command("errors.ask", errors.ask, {})
    if errors.reply is not None:
        check.reply("errors.reply", errors.reply, {"code", "text", "quoted"}, {})
        if "code" not in dict(placeholders(errors.reply)):
            raise loaded.error("errors.reply", f"is {errors.reply!r}, expected a {{code}} in it")


def check_role(
    loaded: Loaded[DialectFile], role: str, table: RoleTable, words: Spellings, special: SpecialValues
) -> None:
    """Check the table of one role; raises InputError with key and line."""
    check = _Checker(loaded, words, special)
    for key in ("start", "stop"):
        for index, command in enumerate(getattr(table, key)):
            check.command(f"{role}.{key}[{index}]", command, {})
    if table.identity is not None:
        check.op(f"{role}.identity", table.identity, _IDENTITY)
    for name, kind in ROLES[role].items():
        op: Op | None = getattr(table, name)
        if op is not None:
            check.op(f"{role}.{name}", op, kind)
    if role == "meter" and getattr(table, "read_ohms", None) is None:
        functions = [getattr(table, f"function_ohms_{wires}w", None) for wires in (4, 2)]
        if getattr(table, "read", None) is None or not any(functions):
            raise loaded.error(
                role, "measures no ohms, expected read with function_ohms_4w or _2w, or read_ohms"
            )


class _Checker:
    """Checks the parts of one file."""

    def __init__(self, loaded: Loaded[DialectFile], words: Spellings, special: SpecialValues) -> None:
        self._loaded = loaded
        self._words = words
        self._special = special
        self._constants: dict[str, object] = dict(loaded.value.params)

    def command(self, key: str, template: str, params: dict[str, object]) -> None:
        """Check that *template* can be filled with *params* and the file's own, and sent as one line."""
        given = self._constants | params
        try:
            names = {name for name, _ in placeholders(template)}
            text = format_command(template, {name: given[name] for name in names & set(given)}, self._words)
        except InputError as exc:
            raise self._loaded.error(key, str(exc)) from exc
        if not (text and text.isascii()):
            raise self._loaded.error(key, f"is {template!r}, expected ASCII")
        if {"\r", "\n"} & {*text}:
            raise self._loaded.error(key, f"is {template!r}, expected one line; its end is [link] send_end")

    def reply(self, key: str, template: str, fields: set[str], params: dict[str, object]) -> None:
        """Check that *template* holds only *fields*, {skip} and parameters."""
        try:
            names = {name for name, _ in placeholders(template)}
            ReplyPattern(template, self._constants | params, words=self._words, special=self._special)
        except InputError as exc:
            raise self._loaded.error(key, str(exc)) from exc
        if wrong := sorted((names & REPLY_FIELDS) - fields - {"skip"} - CHECKS):
            allowed = spell_words([f"{{{name}}}" for name in sorted(fields)]) if fields else "fixed text"
            raise self._loaded.error(key, f"is {template!r} with {{{wrong[0]}}}, expected {allowed}")

    def op(self, key: str, op: Op, kind: OpKind) -> None:
        """Check one op against what its role makes of it."""
        if op.set is not None and kind.takes is None:
            raise self._loaded.error(f"{key}.set", "cannot be set, expected a question only")
        if op.set is None and kind.takes is not None and not (kind.ask_only and op.ask is not None):
            raise self._loaded.error(f"{key}.set", "is missing, expected the command")
        if op.ask is not None and kind.answers is None:
            raise self._loaded.error(f"{key}.ask", "has no answer, expected a command only")
        if op.ask is None and kind.takes is None:
            raise self._loaded.error(f"{key}.ask", "is missing, expected the question")
        if (op.ask is None) != (not op.replies):
            lacking = "ask" if op.ask is None else "reply"
            raise self._loaded.error(f"{key}.{lacking}", "is missing, ask and reply belong together")
        params = {name: _SAMPLES[name] for name in kind.params}
        if op.set is not None:
            self._setting(key, op.set, kind, params)
        if op.ask is not None:
            self._question(key, op, kind, params)
        self._verification(key, op, kind)

    def _setting(self, key: str, template: str, kind: OpKind, params: dict[str, object]) -> None:
        self.command(f"{key}.set", template, params)
        names = {name for name, _ in placeholders(template)}
        if kind.params and not names & set(kind.params):
            wanted = spell_words([f"{{{name}}}" for name in kind.params])
            raise self._loaded.error(f"{key}.set", f"is {template!r}, expected {wanted} in it")

    def _question(self, key: str, op: Op, kind: OpKind, params: dict[str, object]) -> None:
        asked = {} if kind.takes else params
        self.command(f"{key}.ask", op.ask or "", asked)
        fields = _FIELDS[kind.answers or "itself"]
        for index, template in enumerate(op.replies):
            where = f"{key}.reply" if isinstance(op.reply, str) else f"{key}.reply[{index}]"
            self.reply(where, template, fields, asked)
            found = {name for name, _ in placeholders(template)} & REPLY_FIELDS - {"skip"} - CHECKS
            if fields and not found:
                expected = spell_words([f"{{{name}}}" for name in sorted(fields)])
                raise self._loaded.error(where, f"is {template!r}, expected {expected} in it")
            if kind.answers in {"state", "text"} and bool(found & _STATUS) != bool(op.bits):
                raise self._loaded.error(
                    f"{key}.bits", "a status word answers by its bits, expected both or neither"
                )
            if op.bits and any(isinstance(bit, str) != ("words" in found) for bit in op.bits.values()):
                raise self._loaded.error(
                    f"{key}.bits", "are words of {words}, and numbers of any other field"
                )
        if kind.answers == "state" and op.bits and set(op.bits) != {"on"}:
            raise self._loaded.error(f"{key}.bits", f"names {spell_words(op.bits)}, expected 'on' alone")
        self._scale(key, op, kind)
        if op.plausible and not op.plausible[0] < op.plausible[1]:
            raise self._loaded.error(f"{key}.plausible", "expected the least number, then the greatest")

    def _scale(self, key: str, op: Op, kind: OpKind) -> None:
        if (op.scale, op.offset) != (1.0, 0.0) and kind.answers != "number":
            raise self._loaded.error(f"{key}.scale", "and offset are for numbers")
        if op.scale == 0.0:
            raise self._loaded.error(f"{key}.scale", "is 0, expected what the instrument's unit is worth")

    def _verification(self, key: str, op: Op, kind: OpKind) -> None:
        if kind.safety and not op.verify:
            message = "matters for safety, expected verify = true with ask and reply; else leave the op out"
            raise self._loaded.error(f"{key}.verify", message)
        if op.verify and op.ask is None:
            raise self._loaded.error(f"{key}.verify", "needs ask and reply to read back")
        if kind.takes == "value" and op.verify != (op.tolerance is not None):
            raise self._loaded.error(f"{key}.tolerance", "and verify = true belong together")
