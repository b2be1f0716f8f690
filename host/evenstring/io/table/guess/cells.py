"""What one cell of a table is: a number, a time, a sign for "not measured", or text. Pure."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

__all__ = ["MISSING", "has_unit", "kind_of", "number", "numbers"]

# Cells that people and programs leave where nothing was measured; common practice.
_SPELLED = (
    "- -- --- – — n/a na nan -nan null none nil n.a. <na> #n/a #na missing #div/0! #value! #wert! nat k.a.",
    "no data",
    "n. a.",
)
MISSING = frozenset({"", *_SPELLED[0].split(), *_SPELLED[1:]})

_WITH_UNIT = re.compile(r"[-+]?\d+[.,]?\d* ?[A-Za-z°%]{1,5}")
_LONGEST = 64  # characters of a number or time; our choice
_PLAIN = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_COMMA = re.compile(r"[-+]?(?:\d{1,3}(?:\.\d{3})+|\d+)?,\d+(?:[eE][-+]?\d+)?|[-+]?\d{1,3}(?:\.\d{3})+,?")
_POINT_THOUSANDS = re.compile(r"[-+]?\d{1,3}(?:,\d{3})+\.\d+")
_TIME = re.compile(
    r"(?:\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}|\d{1,2}[- ][A-Za-z]{3,9}[- ,]+\d{2,4}"
    r"|[A-Za-z]{3,9} \d{1,2},? \d{4}|\d{8}\s\d{6})?"
    r"[T ,_]*(?:\d+ days? )?(?:\d{1,4}:\d{2}(?::\d{2}(?:[.,]\d+)?)?)?(?:\.\d+)?\s*(?:[AaPp]\.?[Mm]\.?)?\s*"
    r"(?:Z|UTC|GMT|[-+]\d{2}:?\d{2})?"
)


def kind_of(cell: str) -> str:
    """Give "missing", "number" (either decimal mark), "time" or "text"."""
    bare = cell.strip()
    if len(bare) > _LONGEST:  # no number or time is so long, and patterns would take their time over it
        return "text"
    if bare.lower() in MISSING:
        return "missing"
    if _PLAIN.fullmatch(bare) or _COMMA.fullmatch(bare) or _POINT_THOUSANDS.fullmatch(bare):
        return "number"
    return "time" if any(c.isdecimal() for c in bare[:12]) and _TIME.fullmatch(bare) else "text"


def has_unit(cell: str) -> bool:
    """A number with a unit behind it, like "3.91 V"."""
    return len(cell) < _LONGEST and _WITH_UNIT.fullmatch(cell.strip()) is not None


def number(cell: str, decimal: str) -> float:
    """The number in a cell; NaN where nothing was measured.

    Raises:
        ValueError: it is neither.
    """
    bare = cell.strip()
    if len(bare) > _LONGEST:
        raise ValueError(cell[:_LONGEST])
    if bare.lower() in MISSING:
        return float("nan")
    if decimal == ",":
        bare = bare.replace(".", "").replace(",", ".") if _COMMA.fullmatch(bare) else bare
    elif _POINT_THOUSANDS.fullmatch(bare):
        bare = bare.replace(",", "")
    if not _PLAIN.fullmatch(bare):
        raise ValueError(cell)
    return float(bare)


def numbers(cells: list[str], decimal: str) -> NDArray[np.float64]:
    """Cells as numbers; NaN for what is none."""
    found = np.full(len(cells), np.nan)
    for k, cell in enumerate(cells):
        try:
            found[k] = number(cell, decimal)
        except ValueError:
            continue
    return found
