"""numpy dtypes of bulk messages, made from the message table for the array lengths at hand."""

from __future__ import annotations

from functools import cache, lru_cache
from math import prod
from typing import Any

import numpy as np

from evenstring.wire.table import Field, Message, load_table

__all__ = ["bulk_dtype", "count_fields", "fixed_dtype", "header_dtype", "scan_dtype"]

_NUMPY = {"u8": "<u1", "i8": "<i1", "u16": "<u2", "i16": "<i2", "u32": "<u4", "i32": "<i4", "u64": "<u8"}
_SHAPES = 256  # remembered: a recording has a few, and noise may state millions: our choice


@cache
def count_fields(code: int) -> tuple[str, ...]:
    """Names of the fields that array lengths of this message depend on, in order."""
    message = _message(code)
    used = {name for item in message.fields for name in item.count}
    return tuple(item.name for item in message.fields if item.name in used)


@cache
def header_dtype(pad: int = 0, itemsize: int | None = None) -> np.dtype[Any]:
    """The header alone, after `pad` bytes, in items of `itemsize` bytes."""
    return _dtype(list(load_table().header), {}, pad, itemsize)


@cache
def fixed_dtype(code: int, pad: int = 0) -> np.dtype[Any]:
    """Header and the fields before the first array, after `pad` bytes."""
    fields = [item for item in _message(code).fields if not item.count]
    return _dtype([*load_table().header, *fields], {}, pad, None)


@lru_cache(maxsize=_SHAPES)
def bulk_dtype(code: int, counts: tuple[int, ...], pad: int = 0, itemsize: int | None = None) -> np.dtype[Any]:
    """Header and payload of a bulk message.

    Args:
        code: message code.
        counts: values of `count_fields(code)`.
        pad: bytes before the header in each item.
        itemsize: bytes from one item to the next; at least what the fields need (a payload may be longer than known).
    """
    names = dict(zip(count_fields(code), counts, strict=True))
    return _dtype([*load_table().header, *_message(code).fields], names, pad, itemsize)


def scan_dtype(groups: int, passes: int = 2, currents: int = 0, packs: int = 0, temps: int = 0) -> np.dtype[Any]:
    """Header and payload of a SCAN of that shape."""
    return bulk_dtype(load_table().message("SCAN").code, (groups, passes, currents, packs, temps))


def _message(code: int) -> Message:
    return next(m for m in load_table().messages if m.code == code)


def _dtype(fields: list[Field], counts: dict[str, int], pad: int, itemsize: int | None) -> np.dtype[Any]:
    names, formats, offsets = [], [], []
    at = pad
    for item in fields:
        length = prod(counts[name] for name in item.count) if item.count else None
        kind = np.dtype((_NUMPY[item.type], (length,))) if length is not None else np.dtype(_NUMPY[item.type])
        names.append(item.name)
        formats.append(kind)
        offsets.append(at)
        at += kind.itemsize
    return np.dtype({"names": names, "formats": formats, "offsets": offsets, "itemsize": itemsize or at})
