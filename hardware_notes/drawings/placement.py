"""Placement of the 24-group board, to scale: boxes of the parts' classes, regions, the barrier between them.

Twenty-six relays of 7.4 mm do not stand in one row: even taps stand above a lane of the touchable side, odd ones below.
"""

from __future__ import annotations

from schematic.net import Circuit

from drawings.sheets import REGION_COLORS
from drawings.svg import Sheet

__all__ = ["BARRIER_MM", "BOARD_MM", "LIVE", "TOUCHED", "Rect", "placed", "placement"]

Rect = tuple[float, float, float, float]  # x, y of the upper left corner, width, height; mm

BOARD_MM = (200.0, 120.0)
BARRIER_MM = 8.0
# Where copper of each side may be. Between any two of different sides lie 8 mm or more.
TOUCHED: tuple[Rect, ...] = ((0, 33, 10, 87), (0, 33, 131, 8), (0, 73, 200, 47))
LIVE: tuple[Rect, ...] = (
    (10, 0, 121, 24.5),
    (19, 49.5, 112, 15),
    (139.5, 0, 27, 65),
    (172, 0, 28, 65),
    (131, 0, 8.5, 24.5),
)
_PITCH = 8.5
_X0, _Y0, _SCALE = 60.0, 28.0, 1.05  # of the board on the sheet
_NOTE_COLOR = "#444444"


def placed(c: Circuit) -> dict[str, Rect]:
    """Where the parts that count stand, mm."""
    out: dict[str, Rect] = {"J1": (30, 2, 42, 9), "J2": (174, 2, 10, 8), "J4": (186, 2, 12, 6), "J3": (186, 10, 8, 6)}
    even = [p.ref for p in c.of_kind("photo-relay") if p.nets["4"] == "LINE_A"]
    odd = [p.ref for p in c.of_kind("photo-relay") if p.nets["4"] == "LINE_B"]
    for refs, y in ((even, 23.5), (odd, 40.0)):
        out |= {ref: (20 + _PITCH * k, y, 7.4, 10.5) for k, ref in enumerate(refs)}
    live = {"C1": (141, 20, 3.2, 1.6), "C2": (141, 24, 3.2, 1.6), "D1": (146, 19, 3, 3), "D2": (146, 24, 3, 3),
        "U2": (151, 20, 3, 5), "U4": (158, 46, 4.5, 4), "U5": (152, 46, 3, 3), "TP1": (141, 52, 2, 2), "TP2": (145, 52, 2, 2),
        "TP3": (149, 52, 2, 2), "TP4": (153, 52, 2, 2), "U6": (176, 24, 3, 5), "U7": (184, 24, 3, 5), "U9": (176, 46, 4.5, 4),
        "U10": (184, 46, 4.5, 4), "TP5": (192, 52, 2, 2), "R91B": (190, 18, 6.3, 3.1), "D3": (194, 26, 3, 3)}  # fmt: skip
    across = {
        "U3": (142, 63.5, 10.3, 11),
        "PS1": (155, 63.5, 10, 11),
        "U8": (174, 63.5, 10.3, 11),
        "PS2": (187, 63.5, 10, 11),
    }
    touched = {"U20": (14, 84, 16, 10.5), "U30": (34, 84, 16, 10.5), "U12": (54, 86, 10, 6.2), "U16": (68, 88, 3, 3),
        "U11": (76, 86, 8, 6.6), "U1": (100, 84, 51, 21), "J5": (14, 111, 16, 7), "D5": (33, 112, 3, 3), "J6": (92, 88, 5, 2.5),
        "J7": (166, 111, 8, 7), "D6": (160, 112, 4.5, 3), "R216": (1, 36, 3, 1.5), "R217": (1, 39, 3, 1.5)}  # fmt: skip
    return out | live | across | touched


def placement(c: Circuit) -> bytes:
    """The sketch."""
    width, height = BOARD_MM
    s = Sheet(f"placement, {c.title}: a sketch to scale, board {width:g} x {height:g} mm, drawn {_SCALE:g} : 1")
    s.text(4, 13, "One square is 5 mm. Boxes are classes of parts, from memory; a layout is still to be made.", 2.8)
    s.box(_X0, _Y0, width * _SCALE, height * _SCALE, fill="#f3d9c9", width=0.6)
    for rects, fill in ((LIVE, "#fff7f0"), (TOUCHED, "#eef5f6")):
        for rect in rects:
            _rect(s, rect, fill)
    _grid(s)
    for ref, rect in placed(c).items():
        _part(s, c, ref, rect)
    _notes(s)
    return s.data()


def _rect(s: Sheet, rect: Rect, fill: str) -> None:
    x, y, w, h = rect
    s.box(_X0 + x * _SCALE, _Y0 + y * _SCALE, w * _SCALE, h * _SCALE, fill=fill, color=fill)


def _part(s: Sheet, c: Circuit, ref: str, rect: Rect) -> None:
    x, y, w, h = (v * _SCALE for v in rect)
    part = c.parts.get(ref)
    regions = {c.regions[n] for n in part.nets.values() if n != "-"} if part else {"touch"}
    region = next(r for r in ("island2", "island1", "pack", "touch") if r in regions)
    s.box(_X0 + x, _Y0 + y, w, h, fill="white", color=REGION_COLORS[region], width=0.5 if len(regions) > 1 else 0.3)
    tall = h > w and w < 6
    s.text(
        _X0 + x + w / 2 + 0.8 * tall,
        _Y0 + y + h / 2 + 0.8,
        ref,
        2.0 if w < 6 else 2.6,
        anchor="middle",
        turn=-90 * tall,
    )


def _grid(s: Sheet) -> None:
    width, height = BOARD_MM
    for k in range(5, int(width), 5):
        s.line(_X0 + k * _SCALE, _Y0, _X0 + k * _SCALE, _Y0 + height * _SCALE, "#d9d4cf", 0.1)
    for k in range(5, int(height), 5):
        s.line(_X0, _Y0 + k * _SCALE, _X0 + width * _SCALE, _Y0 + k * _SCALE, "#d9d4cf", 0.1)


def _notes(s: Sheet) -> None:
    """Words beside the board, and the distances that count."""
    notes = (
        (6, "live: taps from J1 to the"), (9.6, "relays' outer pads (pin 6)"), (20, "line A along the upper row,"), (23.6, "2.5 mm from any tap, in a"),
        (27.2, "ring of net IBIAS"), (36, "lane of the touchable side:"), (39.6, "only LED wires"), (50, "live: odd taps round the"),
        (53.6, "right end, line B below"), (67, f"barrier {BARRIER_MM:g} mm: shaded,"), (70.6, "nothing in it on any layer;"), (74.2, "slot of 1 mm under relays,"),
        (77.8, "isolators and converters"), (92, "touchable side"), (108, "handlebar, USB, 5 V at"), (111.6, "the lower edge"),
    )  # fmt: skip
    for y, words in notes:
        s.text(4, _Y0 + y * _SCALE, words, 2.7, color=_NOTE_COLOR)
    for x, words in ((140, "first island"), (173, "second island")):
        s.text(_X0 + x * _SCALE, _Y0 + 41 * _SCALE, words, 2.8, color=_NOTE_COLOR)
    y = _Y0 + 60 * _SCALE
    s.text(_X0 + 141 * _SCALE, y, "lid over TP1 to TP4", 2.4, color=_NOTE_COLOR)
    s.text(_X0 + 167 * _SCALE, _Y0 + 35 * _SCALE, "5 mm", 2.4, color=_NOTE_COLOR)
