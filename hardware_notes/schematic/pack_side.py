"""Sheets of the pack side: harness, taps with their relays, the floating island of the group converter."""

from __future__ import annotations

from schematic.net import Circuit

__all__ = ["LEAD_OHMS", "harness", "island1", "isolator", "lead_part", "relays", "tap_ways"]

# Highest number of groups -> each of the two resistors in a lead (IEC 60063 E96), as front_ends/relay_*.toml.
LEAD_OHMS = {24: "6.04k", 36: "8.06k", 40: "9.09k"}
_WAYS = (26, 40, 50)  # of two-row connectors that are made


def lead_part(groups: int) -> str:
    """Value of one series resistor on a board for that many groups."""
    return next(value for most, value in LEAD_OHMS.items() if groups <= most)


def tap_ways(groups: int) -> int:
    """Ways of the tap connector: one a tap and at least one empty."""
    return next(ways for ways in _WAYS if ways > groups + 1)


def harness(c: Circuit) -> None:
    """Cells, and each sense lead in its fixed order: cell, fuse, both resistors, lead, pin."""
    value = lead_part(c.groups)
    for k in range(c.groups + 1):
        c.nets("pack", f"CELL{k}", f"FUSED{k}", f"HALF{k}", f"TAP{k}")
    for k in range(1, c.groups + 1):
        c.add(f"BT{k}", "cell", f"group {k}", "harness", f"1:+=CELL{k} 2:-=CELL{k - 1}")
    for k in range(c.groups + 1):
        c.add(f"F{k}", "lead fuse", "0.25A", "harness", f"1=CELL{k} 2=FUSED{k}")
        c.add(f"R{k}A", "lead resistor", value, "harness", f"1=FUSED{k} 2=HALF{k}")
        c.add(f"R{k}B", "lead resistor", value, "harness", f"1=HALF{k} 2=TAP{k}")
    ways = tap_ways(c.groups)
    pins = " ".join(f"{k + 1}:tap{k}=TAP{k}" for k in range(c.groups + 1))
    empty = " ".join(f"{k}:empty=-" for k in range(c.groups + 2, ways + 1))
    c.add("J1", "tap connector", f"{ways} ways", "harness", f"{pins} {empty}")


def relays(c: Circuit) -> None:
    """One relay a tap, even taps on line A, odd taps on line B, and the zero relay across the lines."""
    c.nets("island1", "LINE_A", "LINE_B", "ZERO")
    c.nets("touch", "LED_E", "LED_O", "LED_Z", "Z_N", *(f"Y{k}" for k in range(c.groups + 1)))
    for k in range(c.groups + 1):
        line, led = ("LINE_B", "LED_O") if k & 1 else ("LINE_A", "LED_E")
        c.add(f"K{k}", "photo-relay", "350V", "relays", f"1:A={led} 2:K=Y{k} 3:nc=- 4:S1={line} 5:nc=- 6:S2=TAP{k}")
    c.add("KZ", "photo-relay", "350V", "relays", "1:A=LED_Z 2:K=Z_N 3:nc=- 4:S1=LINE_B 5:nc=- 6:S2=ZERO")
    c.add("RZ", "zero resistor", "1.00k", "relays", "1=LINE_A 2=ZERO")
    c.add("TP1", "test pad", "line A", "relays", "1=LINE_A")
    c.add("TP2", "test pad", "line B", "relays", "1=LINE_B")


def island1(c: Circuit) -> None:
    """What hangs on the lines, the group converter, its supply and isolator."""
    c.nets("island1", "IGND", "I5V", "I9V", "IBIAS", "IREF", "IN_A", "IN_B", "ISDA", "ISCL")
    s = "island 1"
    for name, line, k in (("A", "LINE_A", 1), ("B", "LINE_B", 2)):
        c.add(f"C{k}", "line capacitor", "10nF", s, f"1={line} 2=IGND")
        c.add(f"D{k}", "clamp pair", "BAV199", s, f"1:A=IGND 2:K=I5V 3:mid={line}")
        c.add(f"R{100 + k}", "bias resistor", "3.90M", s, f"1={line} 2=IBIAS")
        c.add(f"R{102 + k}", "resistor", "1.00k", s, f"1={line} 2=IN_{name}")
    c.add("R105", "resistor", "10.0k", s, "1=I5V 2=IBIAS")
    c.add("R106", "resistor", "22.0k", s, "1=IBIAS 2=IGND")
    c.add("C3", "capacitor", "100nF", s, "1=IBIAS 2=IGND")
    c.add("U2", "converter", "ADS1115", s, "1:ADDR=IGND 2:ALERT=- 3:GND=IGND 4:AIN0=IN_A 5:AIN1=IN_B 6:AIN2=- 7:AIN3=-"
        " 8:VDD=I5V 9:SDA=ISDA 10:SCL=ISCL")  # fmt: skip
    c.add("C4", "capacitor", "100nF", s, "1=I5V 2=IGND")
    isolator(c, "U3", ("C5", "C9"), s, ("ISDA", "ISCL", "I5V", "IGND"))
    for k, net in ((107, "ISDA"), (108, "ISCL")):
        c.add(f"R{k}", "resistor", "4.70k", s, f"1={net} 2=I5V")
    c.nets("touch", "VISL", "GND")
    c.add("PS1", "dc-dc", "5V-9V", s, "1:VIN+=VISL 2:VIN-=GND 4:VOUT-=IGND 6:VOUT+=I9V")
    c.add("C6", "capacitor", "4.7uF", s, "1=VISL 2=GND")
    c.add("C7", "capacitor", "4.7uF", s, "1=I9V 2=IGND")
    c.add("U4", "regulator 5 V", "5.0V", s, "1:GND=IGND 2:IN=I9V 3:OUT=I5V")
    c.add("C8", "capacitor", "1uF", s, "1=I5V 2=IGND")
    c.add("U5", "shunt", "TL431", s, "K=I5V REF=IREF A=IGND")
    c.add("R109", "resistor", "11.0k", s, "1=I5V 2=IREF")
    c.add("R110", "resistor", "10.0k", s, "1=IREF 2=IGND")
    c.add("TP3", "test pad", "island ground", s, "1=IGND")
    c.add("TP4", "test pad", "island 5 V", s, "1=I5V")


def isolator(c: Circuit, ref: str, capacitors: tuple[str, str], sheet: str, far: tuple[str, str, str, str]) -> None:
    """An I2C isolator between the processor's bus and an island; each side has its 100 nF."""
    sda, scl, supply, ground = far
    c.nets("touch", "SDA", "SCL", "3V3", "GND")
    c.add(ref, "i2c isolator", "I2C", sheet, f"VCC1=3V3 SDA1=SDA SCL1=SCL GND1=GND VCC2={supply} SDA2={sda}"
        f" SCL2={scl} GND2={ground}")  # fmt: skip
    c.add(capacitors[0], "capacitor", "100nF", sheet, f"1={supply} 2={ground}")
    c.add(capacitors[1], "capacitor", "100nF", sheet, "1=3V3 2=GND")
