"""Values from a file into our own types: every field is looked at, so that nothing else has to be."""

from __future__ import annotations

import math
from dataclasses import fields, is_dataclass
from types import UnionType
from typing import Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

__all__ = ["typed"]

_Kind = TypeVar("_Kind")
_SIMPLE = (str, bool, int, dict, type(None))


def typed(kind: type[_Kind], values: Any) -> _Kind:
    """A dataclass from plain values; keys that it does not have are passed over, lists become tuples.

    Raises:
        KeyError: a field is missing. TypeError: one is of another kind, and which.
    """
    hints = get_type_hints(kind)
    made = {}
    for field in fields(kind):  # type: ignore[arg-type]  # a dataclass, by the contract
        value = values[field.name]
        try:
            made[field.name] = _made(value, hints[field.name])
        except TypeError as error:
            raise TypeError(f"{field.name} is {str(value)[:60]!r}") from error
    return kind(**made)


def _made(value: Any, hint: Any) -> Any:
    origin, parts = get_origin(hint), get_args(hint)
    if is_dataclass(hint):
        return typed(hint, value)  # type: ignore[arg-type]  # a class, not one of its objects
    if origin in (Union, UnionType):
        return value if value is None and type(None) in parts else _made(value, parts[0])
    if origin is tuple:
        return _tuple(value, parts)
    if not _fits(value, hint, origin, parts):
        raise TypeError
    return value


def _tuple(value: Any, parts: tuple[Any, ...]) -> tuple[Any, ...]:
    if not isinstance(value, list):
        raise TypeError
    if parts[-1] is Ellipsis:
        return tuple(_made(one, parts[0]) for one in value)
    if len(value) != len(parts):
        raise TypeError
    return tuple(map(_made, value, parts))


def _fits(value: Any, hint: Any, origin: Any, parts: tuple[Any, ...]) -> bool:
    if origin is Literal:
        return value in parts
    if hint is float:
        return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    return (origin or hint) in _SIMPLE and type(value) is (origin or hint)
