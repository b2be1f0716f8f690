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
BUS = f"2 x {_BUS_OF.line_pf / 1000:g} nF"


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
    d += elm.Fuse().at(at).right().label("fuse at the\ncell end", fontsize=10)
    d += elm.ResistorIEC().right().label(f"{OHM}\nin two", fontsize=10)
    d += (relay := elm.Switch().right().label("photo-relay", fontsize=10))
    d += elm.Line().right().length(0.6).label(line, "top", fontsize=10)
    return float(relay.end[0]) + 0.6, at[1]


def relay_scan() -> schemdraw.Drawing:
    """One group's path from the cell to the converter."""
    d = _sheet()
    _cell(d, (0, 0), 4.2, "group k")
    _, top = end = _lead(d, (0, 4.2), "tap k  ", "line A")
    x, _ = end
    _lead(d, (0, 0), "tap k-1  ", "line B")
    for y in (top, 0):
        d += elm.Line().at((x, y)).right().length(7.2)
        d += elm.ResistorIEC().right().length(2.2).label("1 kΩ", fontsize=10)
    d += elm.Switch().at((x + 0.6, top)).down().length(2.1).label("zero\nrelay", "bottom", fontsize=10)
    d += elm.ResistorIEC().down().length(2.1).label("1 kΩ", "bottom", fontsize=10)
    d += elm.Capacitor().at((x + 2.6, top)).down().length(4.2).label(BUS, "bottom", fontsize=10)
    d += elm.Zener().at((x + 4.4, top)).down().length(2.1)
    d += elm.Zener().down().reverse().length(2.1).label("clamps", "bottom", fontsize=10)
    d += elm.ResistorIEC().at((x + 6.6, top)).down().length(2.1).label(BIAS, "bottom", fontsize=10)
    d += elm.Dot().label(f"{_BUS_OF.bias_v:g} V", "left", fontsize=10)
    d += elm.ResistorIEC().down().length(2.1).label(BIAS, "bottom", fontsize=10)
    _box(d, (x + 9.4, -0.6), (3.0, 5.4), "16-bit\nconverter\non the\nisland")
    d += elm.Line().at((x + 12.4, 2.1)).right().length(1.0)
    _box(d, (x + 13.4, 0.9), (2.0, 2.4), "I2C\nisolator")
    d += elm.Line().at((x + 15.4, 2.1)).right().length(0.8).label("to the\nprocessor", "right", fontsize=10)
    return d


def barrier() -> schemdraw.Drawing:
    """The barrier and all that crosses it."""
    d = _sheet()
    rows = (
        ("taps, series resistors,\nrelay outputs", "photo-relays", "decoders, one-shot,\nexpander"),
        ("converter on its bus", "I2C isolator", "processor, USB,\nbuzzer, button"),
        ("island supply, 5 V,\nregulator and shunt", "isolated DC-DC", "touchable-side supply"),
        (
            "second island, tied to\npack negative: pack volts,\nthermistors",
            "second I2C isolator\nand DC-DC",
            "same I2C bus",
        ),
        ("main conductor", "Hall sensor's own\ninsulation", "nothing: its signal goes\nto the second island"),
    )
    for k, (pack, cross, touch) in enumerate(rows):
        y = -2.0 * k
        _box(d, (0, y), (5.2, 1.5), pack)
        d += elm.Line().at((5.2, y + 0.75)).right().length(1.0)
        _box(d, (6.2, y), (4.4, 1.5), cross)
        d += elm.Line().at((10.6, y + 0.75)).right().length(1.0)
        _box(d, (11.6, y), (5.2, 1.5), touch)
    bottom = -2.0 * (len(rows) - 1) - 0.4
    d += elm.Line().at((8.4, 2.5)).to((8.4, 1.6)).linestyle("--").color("firebrick")
    d += elm.Line().at((8.4, bottom + 0.3)).to((8.4, bottom - 0.6)).linestyle("--").color("firebrick")
    for k in range(len(rows) - 1):
        d += elm.Line().at((8.4, -2.0 * k)).to((8.4, -2.0 * k - 0.5)).linestyle("--").color("firebrick")
    _text(d, 2.6, 2.2, "pack side: live, floating", 12)
    _text(d, 8.4, 2.9, "barrier", 12, "firebrick")
    _text(d, 14.2, 2.2, "touchable side", 12)
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
