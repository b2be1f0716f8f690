"""The harness: one lead with everything on it in its order, and the plug with its pins."""

from __future__ import annotations

from evenstring.hardware.front_end import RelayScan
from evenstring.hardware.reference import reference_design
from schematic.net import Circuit
from schematic.pack_side import LEAD_OHMS

from drawings.svg import INK, Sheet

__all__ = ["harness"]


def harness(c: Circuit) -> bytes:
    """Drawn for that board; values for the larger ones beside it."""
    s = Sheet(f"harness, {c.title}: every lead alike, tap 0 to tap {c.groups}")
    _lead(s, c)
    _table(s)
    _plug(s, c)
    return s.data()


def _lead(s: Sheet, c: Circuit) -> None:
    y = 42.0
    s.box(6, 22, 20, 40, fill="#f3ede8")
    s.text(16, 30, "group k+1", 2.8, anchor="middle")
    s.text(16, 58, "group k", 2.8, anchor="middle")
    s.line(6, y, 30, y, width=1.0)
    s.text(7, y - 1.5, "tap k: bar, tab", 2.4)
    s.circle(30, y, 1.6)
    s.line(31.6, y, 44, y)
    _box(s, 44, y, 22, "F", "0.25 A")
    s.line(66, y, 74, y)
    value = c.parts["R0A"].value
    _box(s, 74, y, 20, "RA", value)
    s.line(94, y, 100, y)
    _box(s, 100, y, 20, "RB", value)
    s.line(120, y, 214, y, "#8a3b12", 0.8)
    s.box(214, y - 6, 12, 12)
    s.text(220, y + 1, "pin k+1", 2.4, anchor="middle")
    for x, words in (
        (43, ["", "", "ring terminal, maker's", "torque; no solder on a cell"]),
        (60, ["250 V DC, breaking", "1.5 x prospective"]),
        (98, ["0.1 %, both in sleeve,", "tied down"]),
        (164, ["26 to 28 AWG, 300 V, flame-retardant, up to 1 m,", "numbered at both ends; all in one sleeve"]),
    ):
        for k, line in enumerate(words):
            s.text(x, y + 11 + 3.5 * k, line, 2.6, anchor="middle")
    s.line(30, y - 10, 44, y - 10)
    s.text(37, y - 11, "30 mm at most", 2.5, anchor="middle")
    s.line(44, y - 10, 122, y - 10, "#8a3b12")
    s.text(
        83,
        y - 11,
        "at the cell end: before it a pinch is a short circuit of cells",
        2.5,
        anchor="middle",
        color="#8a3b12",
    )
    s.line(122, y - 10, 226, y - 10, "#1f5f6b")
    s.text(172, y - 11, "behind it any two leads that touch carry 5 mA at most", 2.5, anchor="middle", color="#1f5f6b")
    for x, words in ((126, "tied within 30 mm"), (203, "tied within 30 mm")):
        s.line(x, y - 3, x, y + 3, width=0.8)
        s.text(x, y + 6, words, 2.2, anchor="middle")


def _box(s: Sheet, x: float, y: float, w: float, name: str, value: str) -> None:
    s.box(x, y - 3, w, 6)
    s.text(x + w / 2, y + 1, f"{name}  {value}", 2.7, anchor="middle")


def _design(groups: int) -> RelayScan:
    return reference_design(groups)


def _table(s: Sheet) -> None:
    rows = [("groups", "RA, RB each", "rated", "fuse", "full string", "touch, pinch", "plug")]
    for groups, value in LEAD_OHMS.items():
        d = _design(groups)
        full = groups * d.string.group_max_v
        rows.append(
            (f"up to {groups}", f"{value.replace('k', ' kohm')}", f"{d.series.part_w:g} W, {d.series.part_v:.0f} V", "250 V DC" if groups <= 34 else "400 V DC",
             f"{full:.0f} V", f"{full / (2 * d.series.ohm) * 1e3:.2f} mA", f"{ {24: 26, 36: 40, 40: 50}[groups] } ways")
        )  # fmt: skip
    for r, row in enumerate(rows):
        for k, cell in enumerate(row):
            s.text(8 + 30 * k, 80 + 5 * r, cell, 2.8, weight="bold" if r == 0 else "normal")
    s.text(
        8,
        104,
        "Own leads besides, each with its fuse at the cell: tie (tap 0, two of 15.0 kohm), pack positive (576 kohm at the cell) to J2, a plug of another family;",
        2.6,
    )
    s.text(
        8,
        108,
        "thermistors to J4, current sensor to J3. Nothing is teed off a tap lead, nor off the protection board's harness.",
        2.6,
    )


def _plug(s: Sheet, c: Circuit) -> None:
    """J1 from the side of the pins: two rows, tap k on pin k + 1."""
    ways = len(c.parts["J1"].nets)
    columns = ways // 2
    x0, y0, pitch = 22.0, 132.0, 17.0
    s.text(
        8, 120, "J1, seen from the pins of the board; one key, one latch: cannot be plugged turned or one pin off", 2.8
    )
    s.box(x0 - 9, y0 - 9, columns * pitch + 4, 34, width=0.6)
    s.box(x0 - 9 + columns * pitch / 2 - 8, y0 + 25, 20, 4, fill="#dddddd")
    s.text(x0 - 9 + columns * pitch / 2 + 2, y0 + 28, "key", 2.4, anchor="middle")
    for k in range(ways):
        x, y = x0 + (k // 2) * pitch, y0 + (k % 2) * 14
        tap = c.parts["J1"].nets[str(k + 1)]
        s.circle(x, y, 3.0, INK if tap != "-" else "#888888")
        s.text(x, y + 1, str(k + 1), 2.6, anchor="middle")
        words = tap.replace("TAP", "tap ") if tap != "-" else "EMPTY"
        s.text(x, y + 6, words, 2.5, anchor="middle", color="#8a3b12" if tap != "-" else "#888888")
    s.text(
        8,
        170,
        "Neighbours differ by three groups at most; the string's ends lie at the plug's ends. J2: 1 tie, 2 and 3 empty, 4 pack positive.",
        2.6,
    )
