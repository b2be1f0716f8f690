"""Where two documents differ: a place in evidence.json, what is written there, what it should be."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

__all__ = ["Difference", "DifferenceKind", "differences"]

DifferenceKind = Literal["gone", "changed", "unreadable", "finding", "page", "version"]
_ALIKE = 1e-5  # relative: other machines round the last of six digits in another way; our choice
_LONG = 120  # characters of a value that is shown; our choice


@dataclass(frozen=True, slots=True)
class Difference:
    """One of them."""

    kind: DifferenceKind
    where: str
    said: str


def differences(written: Any, again: Any, where: str = "") -> Iterator[Difference]:
    """Every place at which two plain values differ; numbers that differ by rounding alone are alike."""
    if isinstance(written, dict) and isinstance(again, dict):
        for key in sorted({*written, *again}):
            yield from differences(written.get(key), again.get(key), f"{where}.{key}".lstrip("."))
    elif isinstance(written, list) and isinstance(again, list) and len(written) == len(again):
        for k, (one, other) in enumerate(zip(written, again, strict=True), 1):
            yield from differences(one, other, f"{where}[{k}]")
    elif not _alike(written, again):
        yield Difference("finding", where, f"{_short(written)} is written, {_short(again)} follows from the recordings")


def _alike(one: Any, other: Any) -> bool:
    if any(isinstance(v, bool) or not isinstance(v, int | float) for v in (one, other)):
        return type(one) is type(other) and bool(one == other)
    return math.isclose(one, other, rel_tol=_ALIKE, abs_tol=1e-9)


def _short(value: Any) -> str:
    text = "nothing" if value is None else f"{len(value)} items" if isinstance(value, list | dict) else str(value)
    return text if len(text) <= _LONG else f"{text[:_LONG]}…"
