"""Serial ports by pyserial name or URL: opened, read and closed so that any way of failing is one of few."""

from __future__ import annotations

import select
import socket
import time
from typing import Any

import serial

from evenstring.errors import DeviceError

try:  # where ports are terminals an unplugged one answers with an error that is no OSError
    from termios import error as _TerminalError  # noqa: N812  # a class, named as one
except ImportError:
    _TerminalError = OSError  # type: ignore[misc, assignment]  # where there are none

__all__ = ["PORT_ERRORS", "open_port", "read_some"]

PORT_ERRORS: tuple[type[Exception], ...] = (serial.SerialException, OSError, _TerminalError)
_READ_S = 0.05  # a read returns after this time, with what came; our choice
_WRITE_S = 1.0  # a line that takes nothing for so long is lost; our choice
_MOST = 1 << 16  # bytes of one read; our choice


def open_port(port: str, baud: int = 115200) -> Any:
    """Open a port; the caller closes it. `baud` matters on a serial line only.

    DTR stays set, as pyserial opens: a board with USB of its own sends nothing without it. A board behind a bridge chip
    may restart by it; who records says so (`capture`).

    Raises:
        DeviceError: with what to do.
    """
    try:
        return serial.serial_for_url(port, baudrate=baud, timeout=_READ_S, write_timeout=_WRITE_S)
    except Exception as error:  # handlers of URLs raise whatever their own parsing does
        reason = str(error).split(":")[-1].strip() or type(error).__name__
        raise DeviceError(f"{port}: cannot open this port ({reason}); check the cable and the name") from error


def read_some(line: Any) -> bytes:
    """What has arrived, after at most a twentieth of a second.

    Raises:
        one of PORT_ERRORS: the line is lost.
    """
    if hasattr(line, "_socket"):
        return _from_socket(line._socket)  # its own read throws away what came before the line was closed
    return bytes(line.read(min(max(int(line.in_waiting), 1), _MOST)))


def _from_socket(end: socket.socket) -> bytes:
    """What comes within a twentieth of a second; that the other end is gone is told when nothing is left to give."""
    data, until_s = bytearray(), time.monotonic() + _READ_S
    while len(data) < _MOST and (left_s := until_s - time.monotonic()) > 0:
        if not select.select([end], [], [], left_s)[0]:
            break
        try:
            part = end.recv(_MOST - len(data))
        except OSError:
            if data:
                break
            raise
        if not part:
            if data:
                break
            raise serial.SerialException("the other end has closed")
        data += part
    return bytes(data)
