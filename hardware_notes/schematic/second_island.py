"""The second island, tied to pack negative: pack voltage, current sensor, thermistors."""

from __future__ import annotations

from schematic.net import Circuit
from schematic.pack_side import isolator

__all__ = ["second_island"]

_TIE = "15.0k"  # two in the tie: what an earthed pack can send through a failed isolator
_UPPER = "576k"
_LOWER = "20.0k"


def second_island(c: Circuit) -> None:
    """Own fused leads, divider, two converters, isolator and supply."""
    top = c.groups
    c.nets("pack", "TIE_F", "TIE_H", "PLUS_F", "PLUS_H")
    c.nets("island2", "JGND", "J3V3", "J5V", "J9V", "JSDA", "JSCL", "JCUR", "JCURF", "JDIV",
        *(f"NTC{k}" for k in range(1, 5)))  # fmt: skip
    _leads(c, top)
    _converters(c)
    _supply(c)
    _sensors(c)


def _leads(c: Circuit, top: int) -> None:
    s = "island 2"
    c.add("F90", "lead fuse", "0.25A", s, "1=CELL0 2=TIE_F")
    c.add("R90A", "tie resistor", _TIE, s, "1=TIE_F 2=TIE_H")
    c.add("R90B", "tie resistor", _TIE, s, "1=TIE_H 2=JGND")
    c.add("F91", "lead fuse", "0.25A", s, f"1=CELL{top} 2=PLUS_F")
    c.add("R91A", "divider resistor", _UPPER, s, "1=PLUS_F 2=PLUS_H")
    c.add("J2", "pack connector", "4 ways", s, "1:tie=JGND 2:empty=- 3:empty=- 4:pack+=PLUS_H")
    c.add("R91B", "divider resistor", _UPPER, s, "1=PLUS_H 2=JDIV")
    c.add("R92", "precise resistor", _LOWER, s, "1=JDIV 2=JGND")
    c.add("D3", "clamp pair", "BAV199", s, "1:A=JGND 2:K=J3V3 3:mid=JDIV")
    c.add("C20", "capacitor", "100nF", s, "1=JDIV 2=JGND")
    c.add("TP5", "test pad", "island 2 ground", s, "1=JGND")


def _converters(c: Circuit) -> None:
    s = "island 2"
    c.add("U6", "converter", "ADS1115", s, "1:ADDR=J3V3 2:ALERT=- 3:GND=JGND 4:AIN0=JCURF 5:AIN1=- 6:AIN2=JDIV 7:AIN3=-"
        " 8:VDD=J3V3 9:SDA=JSDA 10:SCL=JSCL")  # fmt: skip
    c.add("U7", "converter", "ADS1115", s, "1:ADDR=JSDA 2:ALERT=- 3:GND=JGND 4:AIN0=NTC1 5:AIN1=NTC2 6:AIN2=NTC3"
        " 7:AIN3=NTC4 8:VDD=J3V3 9:SDA=JSDA 10:SCL=JSCL")  # fmt: skip
    c.add("C21", "capacitor", "100nF", s, "1=J3V3 2=JGND")
    c.add("C22", "capacitor", "100nF", s, "1=J3V3 2=JGND")
    isolator(c, "U8", ("C23", "C29"), s, ("JSDA", "JSCL", "J3V3", "JGND"))
    for k, net in ((93, "JSDA"), (94, "JSCL")):
        c.add(f"R{k}", "resistor", "4.70k", s, f"1={net} 2=J3V3")


def _supply(c: Circuit) -> None:
    s = "island 2"
    c.nets("touch", "VSYS", "GND")
    c.add("PS2", "dc-dc", "5V-9V", s, "1:VIN+=VSYS 2:VIN-=GND 4:VOUT-=JGND 6:VOUT+=J9V")
    c.add("C24", "capacitor", "4.7uF", s, "1=VSYS 2=GND")
    c.add("C25", "capacitor", "4.7uF", s, "1=J9V 2=JGND")
    c.add("U9", "regulator 5 V", "5.0V", s, "1:GND=JGND 2:IN=J9V 3:OUT=J5V")
    c.add("U10", "regulator 3.3 V", "3.3V", s, "1:GND=JGND 2:IN=J9V 3:OUT=J3V3")
    c.add("C26", "capacitor", "1uF", s, "1=J5V 2=JGND")
    c.add("C27", "capacitor", "1uF", s, "1=J3V3 2=JGND")


def _sensors(c: Circuit) -> None:
    s = "island 2"
    c.add("J3", "connector", "3 ways", s, "1:5V=J5V 2:out=JCUR 3:gnd=JGND")
    c.add("CS1", "current sensor", "20mV/A", s, "1:5V=J5V 2:out=JCUR 3:gnd=JGND", "current")
    c.add("R95", "resistor", "1.00k", s, "1=JCUR 2=JCURF")
    c.add("C28", "capacitor", "100nF", s, "1=JCURF 2=JGND")
    c.add("J4", "connector", "5 ways", s, "1=NTC1 2=NTC2 3=NTC3 4=NTC4 5:gnd=JGND")
    for k in range(1, 5):
        c.add(f"R{95 + k}", "resistor", "10.0k", s, f"1=J3V3 2=NTC{k}")
        c.add(f"TH{k}", "thermistor", "10k", s, f"1=NTC{k} 2=JGND", "" if k == 1 else "thermistors")
