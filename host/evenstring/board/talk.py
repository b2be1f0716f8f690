"""Questions to a board over an open port: a command, and the message that answers it.

Frames that the board sends on its own meanwhile are let pass. A question is asked again, under a new number, when no
answer comes: all questions here are harmless to repeat.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from typing import Any, Protocol

from evenstring.errors import DeviceError
from evenstring.io.port import PORT_ERRORS
from evenstring.wire.encode import Counter, first_message, message
from evenstring.wire.stream import StreamDecoder
from evenstring.wire.structs import Frame
from evenstring.wire.table import load_table

__all__ = ["Refused", "Talk"]

_TRIES = 4


class Line(Protocol):
    """What is needed of a port: pyserial's, opened with a short read timeout."""

    def read(self, size: int = 1) -> bytes: ...

    def write(self, data: bytes) -> Any: ...

    @property
    def in_waiting(self) -> int: ...


class Refused(DeviceError):  # noqa: N818  # it reads as a sentence where it is caught
    """The board answered, and said no."""


class Talk:
    """Asks one board.

    Args:
        line: the open port.
        name: of the port, for messages.
        answer_s: how long an answer may take; a scan in progress is finished first.

    Attributes:
        latest: the latest frame of each name that came, asked for or not.
    """

    def __init__(
        self, line: Line, name: str, answer_s: float = 4.0, clock_s: Callable[[], float] = time.monotonic
    ) -> None:
        self._line = line
        self._name = name
        self._answer_s = answer_s
        self._clock_s = clock_s
        self._seq = Counter(int(clock_s() * 1000) & 0xFFFF)  # not the numbers of the program that asked before
        self.decoder = StreamDecoder()
        self.latest: dict[str, Frame] = {}
        self._arrived: deque[Frame] = deque()
        self._spoken = False  # until the board has spoken it may still be starting: nothing then may interrupt it
        self._send(b"\0")  # whatever half command the board holds ends here

    def ask(self, command: str, answer: str, **values: Any) -> dict[str, Any]:
        """Values of the answering message; with answer "REPLY" those of the acknowledgement.

        Raises:
            Refused: the board said no.
            DeviceError: no answer, or the port is gone.
        """
        return self.ask_all(command, answer, **values)[-1]

    def ask_all(self, command: str, answer: str, **values: Any) -> list[dict[str, Any]]:
        """The same for a command that several messages answer.

        Raises:
            as `ask`.
        """
        if not self._spoken and command != "IDENTIFY":
            self.ask("IDENTIFY", "REPLY")
        code = load_table().message(command).code
        for _ in range(_TRIES):
            if self._spoken:
                frame = message(command, self._seq.next(), 0, **values)
            else:
                frame = first_message(command, self._seq, **values)
            self._send(frame)
            found = self._wait(code, self._seq.value, answer)
            if found:
                return found
        raise DeviceError(
            f"{self._name}: no answer to {command}; is this port an evenstring board, and is it used by nothing else?"
        )

    def _wait(self, code: int, seq: int, answer: str) -> list[dict[str, Any]]:
        end_s = self._clock_s() + self._answer_s
        found: list[dict[str, Any]] = []
        while self._clock_s() < end_s:
            frame = self._next()
            if frame is None:
                continue
            if frame.name == answer != "REPLY":
                found.append(frame.values)
                end_s = self._clock_s() + self._answer_s
            elif frame.name == "REPLY" and (frame.values["to_code"], frame.values["to_seq"]) == (code, seq):
                if frame.values["status"]:
                    self._refuse(frame.values)
                return [frame.values] if answer == "REPLY" else found  # empty: damaged on its way
        return []

    def _refuse(self, reply: dict[str, Any]) -> None:
        names = {v: k for k, v in load_table().enums["status"].items()}
        status = names.get(reply["status"], "no").replace("_", " ")
        raise Refused(f"{self._name}: the board refused: {status}{': ' if reply['detail'] else ''}{reply['detail']}")

    def _next(self) -> Frame | None:
        if not self._arrived:
            try:
                data = self._line.read(max(1, self._line.in_waiting))
            except PORT_ERRORS as error:
                raise DeviceError(f"{self._name}: the connection is lost ({error}); plug in and run again") from error
            self._arrived.extend(self.decoder.feed(data).frames)
        if not self._arrived:
            return None
        frame = self._arrived.popleft()
        self._spoken = True
        self.latest[frame.name] = frame
        return frame

    def _send(self, data: bytes) -> None:
        try:
            self._line.write(data)
        except PORT_ERRORS as error:
            raise DeviceError(f"{self._name}: cannot write to the port ({error}); plug in and run again") from error
