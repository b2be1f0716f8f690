"""One question, one answer, over any pyserial name or URL; every wait ends."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from evenstring.errors import DeviceError
from evenstring.io.port import PORT_ERRORS, open_port, read_some

__all__ = ["Line"]

_LONGEST = 4096  # bytes of an answer: our choice, an instrument's are under a hundred
_DRAIN_S = 0.3  # what was on its way is thrown away until so long nothing came, or at most ten times that: our choice


class Line:
    """A line to an instrument. One thread uses it.

    Args:
        port: any pyserial name or URL, such as /dev/ttyUSB1 or socket://host:5025.
        baud: of a serial line.
        answer_s: an answer that takes longer is none.
        clock_s: monotonic time.

    Raises:
        DeviceError: it cannot be opened.
    """

    def __init__(self, port: str, baud: int, answer_s: float, clock_s: Callable[[], float] = time.monotonic) -> None:
        self.port, self._answer_s, self._clock_s = port, answer_s, clock_s
        self._line: Any = open_port(port, baud)
        self._left = b""

    def tell(self, command: str) -> None:
        """Send a command that has no answer.

        Raises:
            DeviceError: the line is lost.
        """
        try:
            self._line.write(command.encode("ascii") + b"\n")
        except PORT_ERRORS as error:
            raise DeviceError(f"{self.port}: the line to the instrument is lost ({error})") from error

    def ask(self, question: str) -> str:
        """Send a question and wait for its answer.

        Raises:
            DeviceError: no answer in time, one without end, or the line is lost.
        """
        self.tell(question)
        return self.answer(question)

    def answer(self, question: str) -> str:
        """The next answer that arrives, without its end.

        Raises:
            DeviceError: as with `ask`.
        """
        until_s = self._clock_s() + self._answer_s
        while b"\n" not in self._left:
            if len(self._left) > _LONGEST:
                raise DeviceError(
                    f"{self.port}: what answers {question} has no end; is it an instrument, at this baud?"
                )
            if self._clock_s() >= until_s:
                raise DeviceError(f"{self.port}: no answer to {question} within {self._answer_s:g} s")
            self._left += self._read()
        line, _, self._left = self._left.partition(b"\n")
        return line.decode("latin-1").strip("\r\x00 ")

    def drain(self) -> None:
        """Throw away what arrived unasked or too late."""
        end_s = self._clock_s() + 10.0 * _DRAIN_S
        quiet_s = self._clock_s()
        while self._clock_s() - quiet_s < _DRAIN_S and self._clock_s() < end_s:
            if self._read():
                quiet_s = self._clock_s()
        self._left = b""

    def close(self) -> None:
        """Close the line; what was switched stays as it is."""
        with suppress(*PORT_ERRORS):
            self._line.close()

    def _read(self) -> bytes:
        try:
            return read_some(self._line)
        except PORT_ERRORS as error:
            raise DeviceError(f"{self.port}: the line to the instrument is lost ({error})") from error
