"""Sheets of the reference board, laid out from its description: each part with its pins and the nets they are on."""

from __future__ import annotations

import re
from collections.abc import Sequence

from schematic.net import NOT_CONNECTED, Circuit, Part

from drawings.svg import INK, Sheet

__all__ = ["REGION_COLORS", "sheet"]

REGION_COLORS = {"pack": "#8a3b12", "island1": "#b5541c", "island2": "#5b4b9a", "touch": "#1f5f6b"}
_REGION_WORDS = {"pack": "pack", "island1": "first island", "island2": "second island", "touch": "touchable side"}
_TOP, _ROW, _PIN = 17.0, 8.4, 3.9
_COLUMN_MM = 67.5
_FREE = "#888888"


def sheet(c: Circuit, names: Sequence[str]) -> bytes:
    """One sheet with the parts of those sheets of the description, multi-pin parts first.

    Raises:
        ValueError: more parts than an A4 sheet holds.
    """
    parts = [p for p in c.parts.values() if p.sheet in names]
    s = Sheet(f"{', '.join(names)}: {c.title}")
    _legend(s)
    parts.sort(key=lambda p: (len(p.nets) <= 2, names.index(p.sheet)))
    column, y = 0, _TOP
    for part in parts:
        height = _height(part)
        if y + height > s.height - 3:
            column, y = column + 1, _TOP
        x = 3 + column * _COLUMN_MM
        (_two_pins if len(part.nets) <= 2 else _many_pins)(s, c, part, x, y)
        y += height
    if column > 3:
        raise ValueError(f"sheet {names} does not hold its parts")
    return s.data()


def _legend(s: Sheet) -> None:
    x = 150.0
    for region, color in REGION_COLORS.items():
        s.box(x, 4, 3, 3, fill=color, color=color)
        s.text(x + 4, 6.7, _REGION_WORDS[region], 2.6, color=color)
        x += 30
    s.text(
        4,
        12,
        "Equal net names are joined. A part with a broken outline crosses the barrier; (option) is not always fitted.",
        2.5,
    )


def _height(part: Part) -> float:
    return _ROW if len(part.nets) <= 2 else 6.5 + _PIN * ((len(part.nets) + 1) // 2)


def _color(c: Circuit, net: str) -> str:
    return _FREE if net == NOT_CONNECTED else REGION_COLORS[c.regions[net]]


def _name(part: Part) -> str:
    return f"{part.ref}  {part.value}" + (" (option)" if part.option else "")


def _two_pins(s: Sheet, c: Circuit, part: Part, x: float, y: float) -> None:
    nets = list(part.nets.values())
    middle, line = x + 32, y + 5
    s.text(middle, y + 2.2, _name(part), 2.5, anchor="middle", weight="bold")
    s.text(x + 20, line + 0.9, nets[0], 2.5, color=_color(c, nets[0]), anchor="end")
    s.line(x + 21, line, middle - 4, line, _color(c, nets[0]))
    if len(nets) == 2:
        s.line(middle + 4, line, x + 43, line, _color(c, nets[1]))
        s.text(x + 44, line + 0.9, nets[1], 2.5, color=_color(c, nets[1]))
    _symbol(s, part, middle, line)


def _symbol(s: Sheet, part: Part, x: float, y: float) -> None:
    if "capacitor" in part.kind:
        s.line(x - 0.7, y - 1.8, x - 0.7, y + 1.8, width=0.5)
        s.line(x + 0.7, y - 1.8, x + 0.7, y + 1.8, width=0.5)
        s.line(x - 4, y, x - 0.7, y)
        s.line(x + 0.7, y, x + 4, y)
    elif part.kind == "test pad":
        s.circle(x - 2.5, y, 1.5)
    elif "diode" in part.kind or part.kind in ("diode", "light"):
        s.text(x, y + 1, f"{next(iter(part.names.values()))} | {list(part.names.values())[1]}", 2.3, anchor="middle")
        s.box(x - 4, y - 1.6, 8, 3.2)
    else:
        s.box(x - 4, y - 1.4, 8, 2.8)
        if "fuse" in part.kind:
            s.line(x - 4, y, x + 4, y)


def _many_pins(s: Sheet, c: Circuit, part: Part, x: float, y: float) -> None:
    pins = sorted(part.nets, key=lambda n: (0, int(n)) if n.isdigit() else (1, 0))
    half = (len(pins) + 1) // 2
    regions = {c.regions[n] for n in part.nets.values() if n != NOT_CONNECTED}
    crosses = "touch" in regions and len(regions) > 1
    s.text(x + 32, y + 2.2, _name(part), 2.5, anchor="middle", weight="bold")
    s.box(x + 19, y + 3, 26, _PIN * half + 1, dash="1.5 0.8" if crosses else "", width=0.5 if crosses else 0.3)
    for side, numbers in enumerate((pins[:half], pins[half:])):
        for k, number in enumerate(numbers):
            _pin(s, c, part, number, x, y + 3 + _PIN * (k + 0.75), bool(side))


def _pin(s: Sheet, c: Circuit, part: Part, number: str, x: float, y: float, right: bool) -> None:
    net, color = part.nets[number], _color(c, part.nets[number])
    name = part.names[number]
    words = name if re.fullmatch(r"\D.*", number) or name == number else f"{number} {name}"
    if right:
        s.line(x + 45, y, x + 48, y, color)
        s.text(x + 44, y + 0.9, words, 2.2, anchor="end")
        s.text(x + 49, y + 0.9, "free" if net == NOT_CONNECTED else net, 2.5, color=color)
    else:
        s.line(x + 16, y, x + 19, y, color)
        s.text(x + 20, y + 0.9, words, 2.2, color=INK)
        s.text(x + 15, y + 0.9, "free" if net == NOT_CONNECTED else net, 2.5, color=color, anchor="end")
