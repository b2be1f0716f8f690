"""Values made fit for paper, and the parts of an appendix, as our templates take them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from evenstring.text import plain

__all__ = ["paper_text", "part", "table"]

_LONG = 600  # characters of one text; our choice
_CONTROL = re.compile("[\u2400-\u2420]")


def paper_text(value: Any) -> Any:
    """Every text within a value as plain text, so that what an owner or a device wrote acts on nothing."""
    if isinstance(value, float):
        return value
    if isinstance(value, dict):
        return {key: paper_text(v) for key, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [paper_text(v) for v in value]
    # A control picture is hardly in any font of paper: its code says the same.
    return _CONTROL.sub(lambda c: f"[U+{ord(c[0]) - 0x2400:04X}]", plain(value, _LONG))


def part(title: str, lines: list[str]) -> dict[str, Any]:
    """A part of an appendix that is lines."""
    return {"title": title, "lines": lines, "heads": [], "widths": [], "rows": []}


def table(title: str, heads: Sequence[tuple[str, float]], rows: Sequence[Sequence[str]]) -> dict[str, Any]:
    """A part that is a table; heads with their widths in parts of the line."""
    names, widths = [h[0] for h in heads], [h[1] for h in heads]
    return part(title, []) | {"heads": names, "widths": widths, "rows": [list(row) for row in rows]}
