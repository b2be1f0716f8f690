"""One section of the page, and the few helpers that every section needs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from markupsafe import Markup

from evenstring.report.picture import Picture, draw

__all__ = ["Figure", "Finding", "drawn", "unknown_of"]

Figure = tuple[str, str, str]  # label, value, note


@dataclass(frozen=True, slots=True)
class Finding:
    """One section of the page."""

    key: str
    title: str
    lines: list[str] = field(default_factory=list)
    pairs: list[Figure] = field(default_factory=list)
    pictures: list[Markup] = field(default_factory=list)
    heads: list[str] = field(default_factory=list)
    rows: Sequence[tuple[str, ...]] = ()
    more: str = ""
    missing: tuple[str, str] = ("", "")  # why it is not known, what to record next


def drawn(picture: Picture | None) -> list[Markup]:
    """A picture as markup, or nothing."""
    return [draw(picture)] if picture else []


def unknown_of(report: dict[str, Any], key: str) -> tuple[str, str]:
    """Why a key is not known, and what to record next; empty when it is known."""
    known = (report.get("unknown") or {}).get(key)
    if not isinstance(known, dict):
        return "", ""
    return str(known.get("why") or "no reason given").rstrip("."), str(known.get("record_next") or "").rstrip(".")
