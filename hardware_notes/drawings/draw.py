"""Draws the circuits of the notes as SVG, with values from the reference design and the board description.

    python hardware_notes/drawings/draw.py            write the drawings
    python hardware_notes/drawings/draw.py --check    end with 1 when a drawing is stale

Needs schemdraw, its own SVG backend, no other library.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path

import schemdraw
import schemdraw.elements as elm
from evenstring.hardware.front_end import Bus

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))
from schematic.reference import board  # noqa: E402  # beside this folder

from drawings.harness import harness  # noqa: E402  # beside this folder
from drawings.placement import placement  # noqa: E402  # beside this folder
from drawings.sheets import sheet  # noqa: E402  # beside this folder

BOARD = json.loads((HERE.parent.parent / "firmware" / "boards" / "rp2040.json").read_text(encoding="utf-8"))
OHM = f"{BOARD['mux']['series_ohm'] / 1000:g} kΩ"
_BUS_OF = Bus()
BIAS = f"{_BUS_OF.bias_ohm / 1e6:g} MΩ"
LINE = f"{_BUS_OF.line_pf / 1000:g} nF"
HALF = f"{BOARD['mux']['series_ohm'] / 2000:g} kΩ"


def _sheet() -> schemdraw.Drawing:
    drawing = schemdraw.Drawing(show=False)
    drawing.config(fontsize=12, font="sans-serif", lw=1.5, unit=2.4, bgcolor="white", margin=0.3)
    return drawing


def _text(d: schemdraw.Drawing, x: float, y: float, text: str, size: float = 11, color: str = "black") -> None:
    """Text centred on a place."""
    d += (
        elm.Label()
        .at((x, y))
        .theta(0)
        .label(text, "center", fontsize=size, halign="center", valign="center", color=color)
    )


def _box(d: schemdraw.Drawing, at: tuple[float, float], size: tuple[float, float], text: str) -> None:
    """A box with its text inside."""
    d += elm.Rect(corner1=(0, 0), corner2=size).at(at).theta(0)
    _text(d, at[0] + size[0] / 2, at[1] + size[1] / 2, text)


def _cell(d: schemdraw.Drawing, bottom: tuple[float, float], length: float, text: str) -> None:
    """A group from its negative tap upwards; the long plate is the positive one, above."""
    x, y = bottom
    d += elm.BatteryCell().at((x, y + length)).down().length(length)
    _text(d, x - 1.3, y + length / 2, text)


def _lead(d: schemdraw.Drawing, at: tuple[float, float], tap: str, line: str) -> tuple[float, float]:
    """One sense lead from a tap to its bus line; gives the end's place."""
    d += elm.Dot().at(at).label(tap, "left")
    d += elm.Fuse().at(at).right().label("F\n0.25 A", fontsize=10)
    d += elm.ResistorIEC().right().label(f"RA\n{HALF}", fontsize=10)
    d += elm.ResistorIEC().right().label(f"RB\n{HALF}", fontsize=10)
    d += elm.Line().right().length(2.6).label("lead", fontsize=10)
    d += elm.Terminal().label("J1", "top", fontsize=10)
    d += (relay := elm.Switch().right().label(f"K{tap.strip()[3:]}", fontsize=10))
    d += elm.Line().right().length(0.6).label(line, "top", fontsize=10)
    return float(relay.end[0]) + 0.6, at[1]


def _to_rails(d: schemdraw.Drawing, x: float, y: float, name: str, up: bool) -> None:
    """A clamp pair of one line: a diode up to the island's 5 V, one from its ground."""
    side = 1.0 if up else -1.0
    d += elm.Line().at((x, y)).to((x, y + 1.0 * side))
    d += elm.Dot().at((x, y + 1.0 * side))
    d += elm.Diode().at((x, y + 1.0 * side)).to((x + 1.9, y + 1.0 * side))
    _text(d, x + 2.6, y + 1.0 * side, "I5V", 10)
    d += elm.Diode().at((x - 1.9, y + 1.0 * side)).to((x, y + 1.0 * side))
    _text(d, x - 2.6, y + 1.0 * side, "IGND", 10)
    _text(d, x, y + 1.7 * side, f"{name}, 5 nA or less", 10)


def relay_scan() -> schemdraw.Drawing:
    """One group's path from the cell to the converter."""
    d = _sheet()
    _cell(d, (0, 0), 4.6, "group k")
    x, top = _lead(d, (0, 4.6), "tap k  ", "LINE_A")
    _lead(d, (0, 0), "tap k-1  ", "LINE_B")
    _text(d, 3.8, 2.3, "all this at the cell end:\na pinch behind it is 5 mA", 10)
    for y, name in ((top, "R103"), (0, "R104")):
        d += elm.Line().at((x, y)).right().length(7.6)
        d += elm.ResistorIEC().right().length(2.2).label(f"{name} 1 kΩ", fontsize=10)
    d += elm.Switch().at((x + 0.6, top)).down().length(2.3).label("KZ\nzero", "bottom", fontsize=10)
    d += elm.ResistorIEC().down().length(2.3).label("RZ 1 kΩ", "bottom", fontsize=10)
    d += elm.Capacitor().at((x + 3.0, top)).down().length(2.3).label(f"C1 {LINE}", "bottom", fontsize=10)
    d += elm.Dot().label("IGND", "left", fontsize=10)
    d += elm.Capacitor().down().length(2.3).label(f"C2 {LINE}", "bottom", fontsize=10)
    d += elm.ResistorIEC().at((x + 6.6, top)).down().length(2.3).label(f"R101 {BIAS}", "bottom", fontsize=10)
    d += elm.Dot().label(f"IBIAS {_BUS_OF.bias_v:.2f} V", "left", fontsize=10)
    d += elm.ResistorIEC().down().length(2.3).label(f"R102 {BIAS}", "bottom", fontsize=10)
    _to_rails(d, x + 4.8, top, "D1", True)
    _to_rails(d, x + 4.8, 0, "D2", False)
    _box(d, (x + 9.8, -0.6), (3.0, 5.8), "U2\n16-bit\nconverter\non the\nisland")
    _box(d, (x + 9.8, 5.8), (3.0, 1.3), "U5 shunt\n5.24 V on I5V")
    d += elm.Line().at((x + 12.8, 2.3)).right().length(0.8)
    _box(d, (x + 13.6, 1.1), (2.0, 2.4), "U3\nI2C\nisolator")
    d += elm.Line().at((x + 15.6, 2.3)).right().length(0.8).label("to the\nprocessor", "right", fontsize=10)
    return d


# Pack side, what stands across, touchable side.
_ACROSS = (
    ("relay outputs: taps and lines", "K0 to K24, KZ\nphoto-relays", "LEDs, decoders, one-shot"),
    ("first island: group converter", "U3 I2C isolator", "processor, USB, button"),
    ("first island: 9 V, 5 V, shunt", "PS1 isolated converter", "5 V of the touchable side"),
    (
        "second island, tied to pack negative\nby F90, R90A, R90B: pack volts, current",
        "U8 I2C isolator",
        "same I2C bus",
    ),
    ("second island: 9 V, 5 V, 3.3 V", "PS2 isolated converter", "5 V of the touchable side"),
    ("option: F81, R82, D8, C81 at the pack", "PS3 pack-fed supply", "5 V input"),
    ("thermistors on cells, their leads", "nothing: they end on the\nsecond island", ""),
    ("main conductor", "current sensor's own insulation", "its signal goes to the second island"),
    ("everything live", "screws, heat sinks, ties, housing:\n8 mm, or nylon", "everything touched"),
)


def barrier() -> schemdraw.Drawing:
    """The barrier and all that crosses it."""
    d = _sheet()
    for k, (pack, cross, touch) in enumerate(_ACROSS):
        y = -1.8 * k
        _box(d, (0, y), (7.0, 1.3), pack)
        d += elm.Line().at((7.0, y + 0.65)).right().length(0.7)
        _box(d, (7.7, y), (5.6, 1.3), cross)
        if touch:
            d += elm.Line().at((13.3, y + 0.65)).right().length(0.7)
            _box(d, (14.0, y), (6.2, 1.3), touch)
        d += elm.Line().at((10.5, y)).to((10.5, y - 0.5)).linestyle("--").color("firebrick")
    d += elm.Line().at((10.5, 2.0)).to((10.5, 1.3)).linestyle("--").color("firebrick")
    _text(d, 3.5, 1.9, "pack side: live, floating", 12)
    _text(d, 10.5, 2.4, "barrier: reinforced, 8 mm", 12, "firebrick")
    _text(d, 17.1, 1.9, "touchable side", 12)
    return d


def divider_bank() -> schemdraw.Drawing:
    """Three taps of a divider bank; group 1 feeds every divider."""
    d = _sheet()
    for k in (1, 2, 3):
        _cell(d, (0, 2.4 * (k - 1)), 2.4, f"group {k}")
        x = 2.0 + 3.0 * k
        d += elm.Line().at((0, 2.4 * k)).to((1.2, 2.4 * k))
        d += elm.Fuse().at((1.2, 2.4 * k)).right().length(2.0)
        d += elm.Line().to((x, 2.4 * k))
        d += elm.ResistorIEC().at((x, 2.4 * k)).down().length(2.4 * k - 0.4)
        d += elm.Dot().label(f"to input {k}", "right", fontsize=10)
        d += elm.ResistorIEC().down().length(2.0)
    d += elm.Line().at((0, 0)).to((0, -1.6))
    d += elm.Line().at((0, -1.6)).to((11.0, -1.6))
    _text(d, 5.5, -2.1, "pack negative", 10)
    return d


DRAWINGS: dict[str, Callable[[], schemdraw.Drawing]] = {
    "relay_scan": relay_scan,
    "barrier": barrier,
    "divider_bank": divider_bank,
}
BOARD_24 = board(24)
# Drawings that come from the board's description: name -> sheets of it.
SHEETS = {
    "sheet_relays": ("relays",),
    "sheet_island_1": ("island 1",),
    "sheet_island_2": ("island 2",),
    "sheet_drive": ("drive",),
    "sheet_processor": ("processor",),
    "sheet_supply": ("supply", "pack-fed supply"),
}
NAMES = (*DRAWINGS, *SHEETS, "placement", "harness")


def svg(name: str) -> bytes:
    """The drawing `name` as SVG; the same bytes on every call."""
    if name in SHEETS:
        return sheet(BOARD_24, SHEETS[name])
    if name in ("placement", "harness"):
        return (placement if name == "placement" else harness)(BOARD_24)
    schemdraw.use("svg")
    data: bytes = DRAWINGS[name]().get_imagedata("svg")
    return data.rstrip() + b"\n"


def main(arguments: list[str]) -> int:
    """Write or check; 1 when a check finds a stale drawing."""
    bad = 0
    for name in NAMES:
        file, data = HERE / f"{name}.svg", svg(name)
        if file.exists() and file.read_bytes() == data:
            continue
        if "--check" in arguments:
            sys.stderr.write(f"{file.name}: stale; run python hardware_notes/drawings/draw.py\n")
            bad = 1
        else:
            file.write_bytes(data)
    return bad


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
