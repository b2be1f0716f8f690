"""The few errors a user meets. Each message says what is wrong, where, and what to do.

    EvenstringError
    ├── InputError     a file or its content is at fault          exit code 1
    ├── DeviceError    a port or a board is at fault              exit code 1
    └── UsageError     the command was called in a wrong way      exit code 2

Damage on the wire is not an error: it is counted (see `evenstring.wire`) and reported.
"""

from __future__ import annotations

__all__ = ["DeviceError", "EvenstringError", "InputError", "UsageError"]


class EvenstringError(Exception):
    """Base of all errors that end a command with one clear line."""

    exit_code = 1


class InputError(EvenstringError):
    """A file, a table, a profile or a scenario cannot be used."""


class DeviceError(EvenstringError):
    """A serial port or the board behind it cannot be used."""


class UsageError(EvenstringError):
    """The command was called in a way that makes no sense."""

    exit_code = 2
