"""The message table, read from `protocol/messages.toml`: what every decoder and encoder of the host is made from."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from typing import Any

from evenstring.paths import protocol_dir

__all__ = ["Field", "Message", "MessageTable", "load_table"]


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a message.

    `count` names the earlier fields whose product is the array length; `later`: frames written before the field was
    appended end without it.
    """

    name: str
    type: str
    unit: str = ""
    doc: str = ""
    count: tuple[str, ...] = ()
    enum: str | None = None
    flags: str | None = None
    codes: str | None = None
    later: bool = False


@dataclass(frozen=True, slots=True)
class Message:
    """One message: its code, who sends it (board, host, mark) and its payload."""

    name: str
    code: int
    sender: str
    doc: str
    fields: tuple[Field, ...]
    bulk: bool = False


@dataclass(frozen=True, slots=True)
class MessageTable:
    """The whole table."""

    schema: int
    reading_step_uv: int
    max_frame: int
    max_groups: int
    command_codes: tuple[int, int]
    mark_codes: tuple[int, int]
    header: tuple[Field, ...]
    reading_codes: dict[str, int]
    enums: dict[str, dict[str, int]]
    flags: dict[str, dict[str, int]]
    messages: tuple[Message, ...]

    def message(self, name: str) -> Message:
        """The message of that name; KeyError if there is none."""
        for message in self.messages:
            if message.name == name:
                return message
        raise KeyError(name)


def _field(entry: dict[str, Any]) -> Field:
    return Field(**{**entry, "count": tuple(entry.get("count", ()))})


@cache
def load_table() -> MessageTable:
    """The message table (read once)."""
    data = tomllib.loads((protocol_dir() / "messages.toml").read_text(encoding="utf-8"))
    protocol = data["protocol"]
    return MessageTable(
        schema=protocol["schema"],
        reading_step_uv=protocol["reading_step_uv"],
        max_frame=protocol["max_frame"],
        max_groups=protocol["max_groups"],
        command_codes=(protocol["command_codes"][0], protocol["command_codes"][1]),
        mark_codes=(protocol["mark_codes"][0], protocol["mark_codes"][1]),
        header=tuple(_field(f) for f in data["header"]["fields"]),
        reading_codes=data["reading_codes"],
        enums=data["enums"],
        flags=data["flags"],
        messages=tuple(
            Message(
                name=m["name"],
                code=m["code"],
                sender=m["sender"],
                doc=" ".join(m["doc"].split()),
                fields=tuple(_field(f) for f in m["fields"]),
                bulk=m.get("bulk", False),
            )
            for m in data["message"]
        ),
    )
