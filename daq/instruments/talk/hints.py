"""What to do about a reply that did not come, or one that looks like an acknowledgement nobody declared."""

from __future__ import annotations

#: What instruments say behind a setting, without points and in capitals.
_ACKS = {"OK", "#AK", "ACK", "AK", "DONE", "READY", "=>", "CMD OK", "0K"}
#: Behind the silence of one that has said before who it is.
SILENT_NOW = "; nor does it answer to its name any more: check that it is on, and its cable"


def about_silence(command: str, answered: set[str]) -> str:
    """Say what silence after *command* may mean, by the commands that were *answered* before."""
    if command in answered:
        return "; it has answered this before: check that it is on, and its cable"
    if answered:
        return (
            "; it answers others: it may not know this command: leave the op out, or choose another dialect"
        )
    return "; it has answered nothing yet: check power, cable, address, speed, and whether its dialect fits"


def about_ack(reply: str) -> str:
    """Say what to declare if *reply* is an acknowledgement; '' for any other."""
    word = reply.strip()
    if word.upper().rstrip(".!") not in _ACKS:
        return ""
    return f"; if it answers each setting so, its dialect needs ack = [{word!r}] in [link]".replace("'", '"')
