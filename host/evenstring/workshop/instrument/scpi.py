"""What an instrument answers, as values: numbers, switches, names, errors. No I/O.

By IEEE 488.2-1992, chapter 8 (numbers NR1, NR2, NR3) and 10.14 (`*IDN?`), and SCPI-1999, volume 1, 7.2.1 (9.9E37 for
infinity, 9.91E37 for no number) and 21.8 (`SYSTem:ERRor?`); chapters from memory. Answers are read forgivingly where
that can mislead nobody: spaces around, a unit or a missing text behind an error's number.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from evenstring.errors import DeviceError
from evenstring.text import plain

__all__ = ["Identity", "error_in", "filled", "identity_in", "number_in", "switch_in"]

_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*[A-Za-z]{0,3}")
_ERROR = re.compile(r"([+-]?\d+)\s*(?:,\s*(.*))?")
_SWITCHED = {"1": True, "0": False, "ON": True, "OFF": False}
_NO_NUMBER = 9.9e37  # published (SCPI-1999): this and above say "infinite" or "not a number"
_ESR_FAULTS = 0b0011_1100  # published (IEEE 488.2, 11.5.1): query, device, execution and command error
_SHOWN = 60  # characters of an answer in a message
_MOST_SHOWN = 120  # and so many as they are shown: our choice


@dataclass(frozen=True, slots=True)
class Identity:
    """The four fields of `*IDN?`; empty where an instrument gives fewer."""

    maker: str
    model: str
    serial: str = ""
    firmware: str = ""

    @property
    def words(self) -> str:
        """Maker, model and serial number, as a person names it."""
        serial = f", serial number {self.serial}" if self.serial not in ("", "0") else ""
        return plain(f"{self.maker} {self.model}".strip() + serial)


def filled(template: str, value: float) -> str:
    """A command with its value: plain decimals, as every instrument takes them.

    Args:
        template: the command with `{}` for the value.
        value: in V or A; thousandths of it are sent.
    """
    return template.replace("{}", f"{value:.3f}")


def number_in(answer: str) -> float:
    """The number that was answered, in V or A.

    Raises:
        DeviceError: it is none, or says that there is none.
    """
    found = _NUMBER.fullmatch(answer.strip())
    value = float(found[1]) if found else _NO_NUMBER
    if abs(value) >= _NO_NUMBER:
        raise DeviceError(f"a number was to come, and {_shown(answer)} came")
    return value


def switch_in(answer: str) -> bool:
    """Whether an output or input is on.

    Raises:
        DeviceError: neither 0, 1, OFF nor ON.
    """
    known = _SWITCHED.get(answer.strip().upper())
    if known is None:
        raise DeviceError(f"0 or 1 was to come, and {_shown(answer)} came")
    return known


def identity_in(answer: str) -> Identity:
    """Who answers.

    Raises:
        DeviceError: not at least two fields between commas, so it is no instrument that keeps to IEEE 488.2.
    """
    fields = [f.strip() for f in answer.split(",")]
    if len(fields) < 2 or not all(fields[:2]) or not answer.isprintable():
        raise DeviceError(f"maker, model, serial number and firmware were to come, and {_shown(answer)} came")
    return Identity(fields[0], fields[1], "".join(fields[2:3]), ",".join(fields[3:]))


def error_in(answer: str) -> str:
    """The error that an instrument holds, with its number; empty where there is none.

    Takes the answers of `SYST:ERR?` (-113,"Undefined header") and of `*ESR?` (32), where a number alone is a set of
    bits and those that tell no error count for nothing.

    Raises:
        DeviceError: neither.
    """
    found = _ERROR.fullmatch(answer.strip())
    if found is None:
        raise DeviceError(f"an error's number was to come, and {_shown(answer)} came")
    number, text = int(found[1]), found[2]
    if text is None:
        return f"event status {number}" if number < 0 or number & _ESR_FAULTS else ""
    said = text.strip()
    if len(said) >= 2 and said[0] == said[-1] and said[0] in "\"'":
        said = said[1:-1].replace(said[0] * 2, said[0])  # a quote within is doubled
    return f"error {number}, {_cut(said)}" if number else ""


def _shown(answer: str) -> str:
    return f"“{_cut(answer)}”" if answer else "nothing"


def _cut(text: str) -> str:
    shown = plain(text, _SHOWN)  # what cannot be seen comes as ten characters for one
    return shown if len(shown) <= _MOST_SHOWN else f"{shown[:_MOST_SHOWN]}…"
