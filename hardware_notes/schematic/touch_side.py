"""Sheets of the touchable side: relay drive, processor with handlebar, supply, and the pack-fed supply (option)."""

from __future__ import annotations

from schematic.net import Circuit

__all__ = ["drive", "processor", "supply"]

_HC154 = (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 13, 14, 15, 16, 17)  # pins of Y0 to Y15
_BITS = ("E0", "E1", "E2", "E3", "E4", "ZOFF_N", "O0", "O1", "O2", "O3", "O4")


def drive(c: Circuit) -> None:
    """Expander, one-of-n decoders for each line, the one-shot that enables them, the zero relay's gate."""
    s = "drive"
    c.nets("touch", "3V3", "GND", "SDA", "SCL", "ALIVE", "ALIVE_B", "OFF", "RC", "RST", *_BITS)
    _expander(c, s)
    _one_shot(c, s)
    for line, first in (("E", 11), ("O", 21)):
        _decoders(c, s, line, first)
    c.add("U16", "gate", "OR", s, "1:A=ZOFF_N 2:B=OFF 3:GND=GND 4:Y=Z_N 5:VCC=3V3")
    c.add("C36", "capacitor", "100nF", s, "1=3V3 2=GND")
    # One resistor a line: a decoder that drives several relays shares its current out between them.
    for k, net in enumerate(("LED_E", "LED_O", "LED_Z")):
        c.add(f"R{216 + k}", "resistor", "330", s, f"1=3V3 2={net}")


def _expander(c: Circuit, s: str) -> None:
    low = " ".join(f"{4 + i}:P0{i}={net}" for i, net in enumerate(_BITS[:6]))
    high = " ".join(f"{13 + i}:P1{i}={net}" for i, net in enumerate(_BITS[6:]))
    free = "10:P06=- 11:P07=- 18:P15=- 19:P16=- 20:P17=-"
    c.add("U11", "expander", "PCA9555", s, f"1:INT=- 2:A1=GND 3:A2=GND 12:GND=GND 21:A0=GND 22:SCL=SCL 23:SDA=SDA"
        f" 24:VDD=3V3 {low} {high} {free}")  # fmt: skip
    c.add("C31", "capacitor", "100nF", s, "1=3V3 2=GND")
    # What these give before anybody is programmed, or with no expander at all: address 31, which drives none.
    for i, net in enumerate(_BITS):
        c.add(f"R{200 + i}", "resistor", "47.0k", s, f"1={net} 2=3V3")


def _one_shot(c: Circuit, s: str) -> None:
    c.add("U12", "one-shot", "74HC123", s, "1:1A=GND 2:1B=ALIVE_B 3:1R=RST 4:1Qn=OFF 5:2Q=- 6:2C=- 7:2RC=- 8:GND=GND"
        " 9:2A=GND 10:2B=GND 11:2R=GND 12:2Qn=- 13:1Q=- 14:1C=GND 15:1RC=RC 16:VCC=3V3")  # fmt: skip
    c.add("C32", "capacitor", "100nF", s, "1=3V3 2=GND")
    c.add("R211", "resistor", "110k", s, "1=RC 2=3V3")
    c.add("C33", "capacitor", "1uF", s, "1=RC 2=GND")
    c.add("R212", "resistor", "10.0k", s, "1=RST 2=3V3")
    c.add("C34", "capacitor", "100nF", s, "1=RST 2=GND")
    c.add("R213", "resistor", "10.0k", s, "1=OFF 2=3V3")
    c.add("R214", "resistor", "1.00k", s, "1=ALIVE 2=ALIVE_B")
    c.add("R215", "resistor", "100k", s, "1=ALIVE_B 2=GND")


def _decoders(c: Circuit, s: str, line: str, first: int) -> None:
    """One decoder for the first 16 taps of a line, and a second one behind an inverter where there are more."""
    odd = line == "O"
    taps = [k for k in range(c.groups + 1) if (k & 1) == odd]
    high = f"{line}4N"
    for part in range((len(taps) + 15) // 16):
        enable = f"{line}4" if part == 0 else high
        if part:
            c.nets("touch", high)
            c.add(f"U{first + 11}", "inverter", "NOT", s, f"1:nc=- 2:A={line}4 3:GND=GND 4:Y={high} 5:VCC=3V3")
            c.add(f"C{first + 51}", "capacitor", "100nF", s, "1=3V3 2=GND")
        mine = taps[16 * part : 16 * part + 16]
        nets = [f"Y{tap}" for tap in mine] + ["-"] * (16 - len(mine))
        outputs = " ".join(f"{pin}:Y{i}={net}" for i, (pin, net) in enumerate(zip(_HC154, nets, strict=True)))
        c.add(f"U{first + 9 + part}", "decoder", "74HC154", s, f"{outputs} 12:GND=GND 18:E0={enable} 19:E1=OFF"
            f" 20:A3={line}3 21:A2={line}2 22:A1={line}1 23:A0={line}0 24:VCC=3V3")  # fmt: skip
        c.add(f"C{first + 49 + part}", "capacitor", "100nF", s, "1=3V3 2=GND")


def processor(c: Circuit) -> None:
    """The processor board, and what the rider sees, hears and presses."""
    s = "processor"
    c.nets("touch", "VSYS", "3V3", "GND", "SDA", "SCL", "ALIVE", "BUTTON", "BUTTON_R", "LIGHT", "LIGHT_R", "BUZZ",
        "BUZZ_G", "BUZZ_D", "STRAP", "ISL_ON")  # fmt: skip
    c.add("U1", "processor", "RP2040 class", s, "VSYS=VSYS 3V3=3V3 GND=GND GP4=SDA GP5=SCL GP6=ALIVE GP7=ISL_ON"
        " GP14=BUTTON GP15=BUZZ GP16=LIGHT GP22=STRAP")  # fmt: skip
    c.add("C40", "capacitor", "4.7uF", s, "1=3V3 2=GND")
    for k, net in ((41, "SDA"), (42, "SCL")):
        c.add(f"R{k}", "resistor", "2.20k", s, f"1={net} 2=3V3")
    c.add("R43", "resistor", "1.00k", s, "1=BUTTON 2=BUTTON_R")
    c.add("R44", "resistor", "470", s, "1=LIGHT 2=LIGHT_R")
    c.add("R45", "resistor", "100", s, "1=BUZZ 2=BUZZ_G")
    c.add("R46", "resistor", "100k", s, "1=BUZZ_G 2=GND")
    c.add("Q1", "transistor", "NMOS", s, "1:G=BUZZ_G 2:S=GND 3:D=BUZZ_D")
    c.add("D4", "diode", "Schottky", s, "1:K=3V3 2:A=BUZZ_D")
    c.add("D5", "surge array", "5V", s, "1=BUTTON_R 2:GND=GND 3=LIGHT_R 4=BUZZ_D 5:VCC=3V3 6=-")
    c.add("J5", "connector", "6 ways", s, "1=BUTTON_R 2:gnd=GND 3=LIGHT_R 4=BUZZ_D 5:3V3=3V3 6:empty=-")
    c.add("S1", "button", "mute", s, "1=BUTTON_R 2=GND")
    c.add("LD1", "light", "warning", s, "1:A=LIGHT_R 2:K=GND")
    c.add("LS1", "buzzer", "3V", s, "1:+=3V3 2:-=BUZZ_D")
    c.add("J6", "strap", "maintenance", s, "1=STRAP 2=GND")


def supply(c: Circuit) -> None:
    """5 V in, the switch of the first island's supply, and the pack-fed supply as an option."""
    s = "supply"
    c.nets("touch", "V5IN", "V5F", "VSYS", "VISL", "GND", "ISL_ON")
    c.add("J7", "connector", "2 ways", s, "1:5V=V5IN 2:gnd=GND")
    c.add("F80", "input fuse", "0.5A", s, "1=V5IN 2=V5F")
    c.add("D6", "surge diode", "5V", s, "1:K=V5F 2:A=GND")
    c.add("D7", "diode", "Schottky", s, "1:K=VSYS 2:A=V5F")
    c.add("C80", "capacitor", "10uF", s, "1=VSYS 2=GND")
    c.add("R80", "resistor", "0", s, "1=VSYS 2=VISL")  # left out where the switch is fitted
    c.add("U13", "load switch", "5V", s, "1:IN=VSYS 2:GND=GND 3:EN=ISL_ON 4:nc=- 5:OUT=VISL", "switch")
    c.add("R81", "resistor", "100k", s, "1=ISL_ON 2=GND", "switch")
    _pack_fed(c, "pack-fed supply")


def _pack_fed(c: Circuit, s: str) -> None:
    c.nets("pack", "FEED_F", "FEED")
    option = "pack-fed"
    c.add("F81", "feed fuse", "1A", s, f"1=CELL{c.groups} 2=FEED_F", option)
    c.add("R82", "pulse resistor", "47", s, "1=FEED_F 2=FEED", option)
    c.add("D8", "pack surge diode", "", s, "1:K=FEED 2:A=CELL0", option)
    c.add("C81", "film capacitor", "1uF", s, "1=FEED 2=CELL0", option)
    c.add("PS3", "pack supply", "5V", s, "1:VIN+=FEED 2:VIN-=CELL0 3:VOUT+=V5IN 4:VOUT-=GND", option)
